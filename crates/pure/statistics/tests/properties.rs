//! What must hold for every input: bounds that move the right way, hold the estimate, and agree with one another.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use proptest::prelude::*;
use statistics::interval_censored::Between;
use statistics::kaplan_meier::{self, Row};
use statistics::sequential::{Decision, Sequential};
use statistics::unsure::Unsure;
use statistics::{NotEstimable, binomial, order, plan, poisson, proportion, several, turnbull};

/// A count out of a number, of every size, with many at the ends.
fn counted() -> impl Strategy<Value = (u64, u64)> {
    let sizes = prop_oneof![1..50_u64, 1..100_000_u64, 1..2_000_000_000_u64];
    sizes.prop_flat_map(|of| {
        let near = of.min(3);
        prop_oneof![0..=of, 0..=near, of - near..=of].prop_map(move |count| (count, of))
    })
}

fn alpha() -> impl Strategy<Value = f64> {
    (-20.0..-0.2_f64).prop_map(f64::exp)
}

/// Intervals of every kind over a few times.
fn seen() -> impl Strategy<Value = Vec<Between>> {
    let cell = (0..12_u32, 0..5_u32, prop_oneof![1..6_u64, 1..2_000_000_000_u64], 0..4_u8).prop_map(
        |(from, long, count, kind)| {
            let from = f64::from(from);
            if kind == 0 {
                Between::not_until(from, count)
            } else {
                Between { from, to: from + f64::from(long), count }
            }
        },
    );
    prop::collection::vec(cell, 1..30)
}

fn rows() -> impl Strategy<Value = Vec<Row>> {
    prop::collection::vec((1..4_u32, 0..9_u64, 0..5_u64), 1..30).prop_map(|steps| {
        let mut time = 0.0;
        steps
            .into_iter()
            .map(|(step, events, censored)| {
                time += f64::from(step);
                Row { time, events, censored }
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn intervals_hold_the_estimate((count, of) in counted(), alpha in alpha()) {
        let estimate = count as f64 / of as f64;
        for told in [proportion::exact(count, of, alpha).unwrap(), proportion::wilson(count, of, alpha).unwrap()] {
            prop_assert!(0.0 <= told.lower && told.lower <= estimate * (1.0 + 1e-12) && told.upper <= 1.0, "{told:?}");
            prop_assert!(estimate <= told.upper * (1.0 + 1e-12) && told.lower < told.upper, "{told:?} {estimate}");
        }
        // The misses have the mirrored interval.
        let (hits, misses) = (proportion::exact(count, of, alpha).unwrap(), proportion::exact(of - count, of, alpha).unwrap());
        prop_assert!((hits.lower + misses.upper - 1.0).abs() < 1e-14 && (hits.upper + misses.lower - 1.0).abs() < 1e-14);
    }

    #[test]
    fn bounds_grow_with_the_count_and_shrink_with_the_number((count, of) in counted(), alpha in alpha()) {
        let ends = |count, of, alpha| {
            (proportion::exact_lower(count, of, alpha).unwrap(), proportion::exact_upper(count, of, alpha).unwrap())
        };
        let (lower, upper) = ends(count, of, alpha);
        // The same to the last digits where so many more make no difference.
        let up = |less: f64, more: f64| less <= more * (1.0 + 1e-13);
        if count < of {
            let more = ends(count + 1, of, alpha);
            prop_assert!(up(lower, more.0) && up(upper, more.1));
        }
        let missed_one_more = ends(count, of + 1, alpha);
        prop_assert!(up(missed_one_more.0, lower) && up(missed_one_more.1, upper));
        let surer = ends(count, of, alpha / 2.0);
        prop_assert!(up(surer.0, lower) && up(upper, surer.1));
    }

    #[test]
    fn a_bound_is_where_the_test_decides((count, of) in counted(), alpha in alpha()) {
        let lower = proportion::exact_lower(count, of, alpha).unwrap();
        // Near 1 a rate cannot be told from its neighbours.
        if count > 0 && 1.0 - lower > 1e-6 {
            let p = binomial::p_value_at_least(count, of, lower).unwrap();
            prop_assert!((p / alpha - 1.0).abs() < 1e-5, "{p} {alpha}");
            let above = binomial::p_value_at_least(count, of, (lower * 1.01).min(1.0 - 1e-9)).unwrap();
            prop_assert!(above > alpha || lower * 1.01 > 1.0 - 1e-9);
        }
        let (at_most, more) = (binomial::at_most(count, of, 0.3).unwrap(), binomial::at_least(count + 1, of, 0.3).unwrap());
        prop_assert!((at_most + more - 1.0).abs() < 1e-11);
    }

    #[test]
    fn rates_hold_the_estimate_and_grow(events in prop_oneof![0..50_u64, 0..3_000_000_000_u64], alpha in alpha()) {
        let (told, more) = (poisson::exact(events, 2.0, alpha).unwrap(), poisson::exact(events + 1, 2.0, alpha).unwrap());
        let estimate = events as f64 / 2.0;
        prop_assert!(told.lower <= estimate && estimate <= told.upper && told.lower < told.upper);
        prop_assert!(told.lower < more.lower && told.upper < more.upper);
    }

    #[test]
    fn many_shots_are_poisson(misses in 0..40_u64, alpha in alpha()) {
        // Rare misses among very many shots are a Poisson count.
        let of = 1_000_000_000_000;
        let (told, rate) = (proportion::exact(misses, of, alpha).unwrap(), poisson::exact(misses, of as f64, alpha).unwrap());
        prop_assert!((told.upper / rate.upper - 1.0).abs() < 1e-9);
        prop_assert!(misses == 0 || (told.lower / rate.lower - 1.0).abs() < 1e-9);
    }

    #[test]
    fn plans_are_the_smallest(rate in 0.5..0.9999_f64, misses in 0..6_u64, alpha in 0.001..0.3_f64) {
        let shots = plan::shots_to_show(rate, misses, alpha).unwrap();
        prop_assert!(proportion::exact_lower(shots - misses, shots, alpha).unwrap() >= rate * (1.0 - 1e-9));
        if shots > misses + 1 {
            prop_assert!(proportion::exact_lower(shots - 1 - misses, shots - 1, alpha).unwrap() <= rate * (1.0 + 1e-9));
        }
        prop_assert!(plan::chance_to_pass(shots, misses, rate).unwrap() <= alpha * (1.0 + 1e-9));
    }

    #[test]
    fn the_lines_do_not_cross(good in 1e-5..0.1_f64, factor in 1.5..9.0_f64, misses in 0..9_u64) {
        let test = Sequential::new(good, good * factor, 0.05, 0.1).unwrap();
        let first = test.first_accept(misses);
        prop_assert_eq!(test.decide(first, misses), Decision::Accept);
        prop_assert!(first == misses || test.decide(first - 1, misses) != Decision::Accept);
        if let Some(last) = test.last_reject(misses) {
            prop_assert_eq!(test.decide(last, misses), Decision::Reject);
            prop_assert!(test.decide(last + 1, misses) != Decision::Reject && last < first);
        }
        let told = test.outlook(good, 2000).unwrap();
        prop_assert!((told.accepted + told.rejected + told.open - 1.0).abs() < 1e-9);
    }

    #[test]
    fn ranks_are_the_nearest_that_hold(n in 1..2000_u64, p in 0.01..0.99_f64, alpha in 0.001..0.4_f64) {
        match order::upper_rank(n, p, alpha) {
            Ok(bound) => {
                prop_assert!(bound.rank <= n && bound.error <= alpha * (1.0 + 1e-9));
                prop_assert!(bound.rank == 1 || binomial::at_least(bound.rank - 1, n, p).unwrap() > alpha);
            }
            Err(NotEstimable::TooFew { have, need }) => {
                prop_assert!(have == n && need > n && order::upper_rank(need, p, alpha).unwrap().rank == need);
            }
            Err(other) => prop_assert!(false, "{other}"),
        }
        // Upside down a lower bound is an upper bound.
        if let (Ok(lower), Ok(upper)) = (order::lower_rank(n, p, alpha), order::upper_rank(n, 1.0 - p, alpha)) {
            prop_assert_eq!(lower.rank, n + 1 - upper.rank);
        }
    }

    #[test]
    fn bounds_from_intervals_hold_those_from_exact_times(seen in seen(), p in 0.05..0.95_f64) {
        // Whatever the times really were, here the middles, their own bounds lie within.
        let middle = |cell: &Between| if cell.to.is_finite() { Between::exactly(cell.from.midpoint(cell.to), cell.count) } else { *cell };
        let exact: Vec<Between> = seen.iter().map(middle).collect();
        if let (Ok(wide), Ok(narrow)) = (order::upper_bound(&seen, p, 0.1), order::upper_bound(&exact, p, 0.1)) {
            prop_assert!(wide >= narrow);
        }
        if let (Ok(wide), Ok(narrow)) = (order::lower_bound(&seen, p, 0.1), order::lower_bound(&exact, p, 0.1)) {
            prop_assert!(wide <= narrow);
        }
    }

    #[test]
    fn holm_is_between_each_alone_and_bonferroni(p in prop::collection::vec(0.0..1.0_f64, 0..40)) {
        let told = several::holm(&p).unwrap();
        for (told, p) in told.iter().zip(&p) {
            prop_assert!(told >= p && *told <= (p * told.max(1.0) * 40.0).min(1.0));
        }
        // Smaller p-values have smaller adjusted ones.
        for (a, b) in (0..p.len()).flat_map(|a| (0..p.len()).map(move |b| (a, b))) {
            prop_assert!(p[a] > p[b] || told[a] <= told[b]);
        }
    }

    #[test]
    fn doubt_never_helps(p in prop::collection::vec(0.0..=1.0_f64, 1..60), alpha in alpha()) {
        let mut unsure = Unsure::default();
        p.iter().for_each(|p| unsure.add(*p));
        let sure = Unsure { doubt: 0.0, ..unsure };
        let (told, narrow, rate) = (unsure.interval(alpha).unwrap(), sure.interval(alpha).unwrap(), unsure.rate().unwrap());
        prop_assert!(told.lower <= narrow.lower + 1e-12 && told.upper >= narrow.upper - 1e-12, "{told:?} {narrow:?}");
        prop_assert!(told.lower <= rate.rate && rate.rate <= told.upper);
        prop_assert!(rate.effective_shots <= p.len() as f64 && rate.effective_shots >= p.len() as f64 / 2.0);
    }

    #[test]
    fn turnbull_holds_its_conditions(seen in seen()) {
        let told = turnbull::estimate(&seen).unwrap();
        prop_assert!(told.converged(), "{told:?}");
        prop_assert!((told.masses.iter().map(|m| m.mass).sum::<f64>() - 1.0).abs() < 1e-9);
        // The order of the cells does not matter, nor how they are counted.
        let mut turned: Vec<Between> = seen.iter().rev().copied().collect();
        let first = turned[0];
        if first.count > 1 {
            turned[0].count -= 1;
            turned.push(Between { count: 1, ..first });
        }
        prop_assert_eq!(&turnbull::estimate(&turned).unwrap(), &told);
        let mut before = 1.0;
        for time in 0..20 {
            let at = told.survival(f64::from(time));
            prop_assert!(at.lower <= at.upper && at.upper <= before + 1e-12);
            before = at.upper;
        }
        for p in [0.1, 0.5, 0.9] {
            if let Ok(at) = told.quantile(p) {
                prop_assert!(told.survival(at.upper).upper <= 1.0 - p + 1e-8);
                prop_assert!(at.lower == at.upper || told.survival(at.lower).lower >= 1.0 - p - 1e-8);
            }
        }
    }

    #[test]
    fn exact_times_are_kaplan_and_meiers(rows in rows()) {
        let cells = |row: &Row| [Between::exactly(row.time, row.events), Between::not_until(row.time, row.censored)];
        let seen: Vec<Between> = rows.iter().flat_map(cells).collect();
        let told = turnbull::estimate(&seen);
        let curve = kaplan_meier::estimate(&rows, 0.05);
        prop_assert_eq!(told.is_err(), curve.is_err());
        let (Ok(told), Ok(curve)) = (told, curve) else { return Ok(()) };
        for step in &curve.steps {
            let at = told.survival(step.time);
            prop_assert!((at.lower - step.survival).abs() < 1e-6 && (at.upper - step.survival).abs() < 1e-6, "{step:?} {at:?}");
            prop_assert!(step.survival == 0.0 || step.band.is_some_and(|b| b.lower <= step.survival && step.survival <= b.upper));
        }
    }

    #[test]
    fn without_censoring_it_is_the_share(rows in rows()) {
        let rows: Vec<Row> = rows.into_iter().map(|row| Row { censored: 0, ..row }).collect();
        let all: u64 = rows.iter().map(|row| row.events).sum();
        let Ok(curve) = kaplan_meier::estimate(&rows, 0.05) else { return Ok(()) };
        for row in &rows {
            let later: u64 = rows.iter().filter(|other| other.time > row.time).map(|other| other.events).sum();
            prop_assert!((curve.survival(row.time) - later as f64 / all as f64).abs() < 1e-12);
        }
    }
}
