//! The estimate against published examples, the product-limit estimate, and its own conditions.

use super::*;
use crate::kaplan_meier::{self, Row};

fn cells(of: &[(f64, f64, u64)]) -> Vec<Between> {
    of.iter().map(|(from, to, count)| Between { from: *from, to: *to, count: *count }).collect()
}

const NEVER: f64 = f64::INFINITY;

fn compare(told: &Estimate, is: &[(f64, f64, f64)], within: f64) {
    assert!(told.converged(), "{told:?}");
    let seen: Vec<&Mass> = told.masses.iter().filter(|m| m.mass > 1e-6).collect();
    assert_eq!(seen.len(), is.len(), "{told:?}");
    for (told, (from, to, mass)) in seen.iter().zip(is) {
        assert_eq!((told.from, told.to), (*from, *to));
        assert!((told.mass - mass).abs() <= within, "{told:?}, not {mass}");
    }
}

#[test]
fn doubly_censored() {
    // B. W. Turnbull, "Nonparametric estimation of a survivorship function with doubly censored data", Journal of the American Statistical
    // Association 69 (1974) 169-173: his data and result (0.538, 0.295, 0.210, 0.095), as the tests of the R package survival have them.
    let (exact, right, left) = ([12, 6, 2, 3], [3, 2, 0, 3], [2, 4, 2, 5]);
    let mut seen = Vec::new();
    for (time, ((exact, right), left)) in [1.0, 2.0, 3.0, 4.0].into_iter().zip(exact.into_iter().zip(right).zip(left)) {
        seen.extend([Between::exactly(time, exact), Between::not_until(time, right)]);
        seen.push(Between { from: 0.0, to: time, count: left });
    }
    let told = estimate(&seen).unwrap();
    assert!(told.converged() && told.total == 44);
    for (time, survival) in [(1.0, 0.538), (2.0, 0.295), (3.0, 0.210), (4.0, 0.095)] {
        let at = told.survival(time);
        assert!(at.lower == at.upper && (at.lower - survival).abs() < 5e-4, "{time}: {at:?}");
    }
    assert_eq!(told.quantile(0.5), Ok(Interval { lower: 2.0, upper: 2.0 }));
    assert_eq!(told.quantile(0.95), Err(NotEstimable::Beyond));
}

#[test]
fn breast_cosmesis() {
    // D. M. Finkelstein and R. A. Wolfe, Biometrics 41 (1985) 933-945, table 4, the 46 patients with radiotherapy alone: months until
    // breast retraction. The data are as in two statistics packages (R: MLEcens; SAS: ICLIFETEST); the result is that of M. P. Fay and P.
    // A. Shaw, Journal of Statistical Software 36 (2010) issue 2, from memory, and agrees with an independent calculation.
    let seen = cells(&[
        (0.0, 5.0, 1),
        (0.0, 7.0, 1),
        (0.0, 8.0, 1),
        (4.0, 11.0, 1),
        (5.0, 11.0, 1),
        (5.0, 12.0, 1),
        (6.0, 10.0, 1),
        (7.0, 14.0, 1),
        (7.0, 16.0, 1),
        (11.0, 15.0, 1),
        (11.0, 18.0, 1),
        (15.0, NEVER, 1),
        (17.0, 25.0, 2),
        (17.0, NEVER, 1),
        (18.0, NEVER, 1),
        (19.0, 26.0, 1),
        (19.0, 35.0, 1),
        (22.0, NEVER, 1),
        (24.0, NEVER, 2),
        (25.0, 37.0, 1),
        (26.0, 40.0, 1),
        (27.0, 34.0, 1),
        (32.0, NEVER, 1),
        (33.0, NEVER, 1),
        (34.0, NEVER, 1),
        (36.0, 44.0, 1),
        (36.0, 48.0, 1),
        (36.0, NEVER, 2),
        (37.0, 44.0, 1),
        (37.0, NEVER, 3),
        (38.0, NEVER, 1),
        (40.0, NEVER, 1),
        (45.0, NEVER, 1),
        (46.0, NEVER, 8),
    ]);
    let told = estimate(&seen).unwrap();
    assert_eq!(told.total, 46);
    let masses = [
        (4.0, 5.0, 0.0463),
        (6.0, 7.0, 0.0334),
        (7.0, 8.0, 0.0887),
        (11.0, 12.0, 0.0708),
        (24.0, 25.0, 0.0926),
        (33.0, 34.0, 0.0818),
        (38.0, 40.0, 0.1209),
        (46.0, 48.0, 0.4656),
    ];
    compare(&told, &masses, 6e-5);
    // Within an innermost interval the data leave it open.
    let open = told.survival(39.0);
    assert!((open.lower - 0.4656).abs() < 1e-4 && (open.upper - 0.5864).abs() < 1e-4, "{open:?}");
    assert_eq!(told.quantile(0.5), Ok(Interval { lower: 38.0, upper: 40.0 }));
}

#[test]
fn microprocessors() {
    // W. Nelson, "Accelerated Testing" (1990): microprocessors by hours until they failed, counted, as in the manual of SAS LIFEREG, example
    // "Probability Plotting, Arbitrary Censoring". The first probabilities are shares of those at risk by hand: 6/1423, 2/1423; the last
    // digits of the others are from an independent calculation.
    let seen = cells(&[
        (0.0, 6.0, 6),
        (6.0, 12.0, 2),
        (24.0, 48.0, 2),
        (24.0, NEVER, 1),
        (48.0, 168.0, 1),
        (48.0, NEVER, 839),
        (168.0, 500.0, 1),
        (168.0, NEVER, 150),
        (500.0, 1000.0, 2),
        (500.0, NEVER, 149),
        (1000.0, 2000.0, 1),
        (1000.0, NEVER, 147),
        (2000.0, NEVER, 122),
    ]);
    let masses = [
        (0.0, 6.0, 0.004_216_44),
        (6.0, 12.0, 0.001_405_48),
        (24.0, 48.0, 0.001_406_48),
        (48.0, 168.0, 0.001_732_93),
        (168.0, 500.0, 0.002_348_91),
        (500.0, 1000.0, 0.007_271_25),
        (1000.0, 2000.0, 0.007_980_64),
        (2000.0, NEVER, 0.973_637_87),
    ];
    let told = estimate(&seen).unwrap();
    compare(&told, &masses, 2e-8);
    assert_eq!(told.quantile(0.05), Err(NotEstimable::Beyond));
}

#[test]
fn masses_that_must_vanish() {
    // The hard case in the tests of the R package survival: EM alone is far off after 165 rounds, since several innermost intervals have no
    // probability. Its solution there: 0.6958, 0.1674, 0.1079, 0.0289.
    let mut seen = Vec::new();
    let mut see = |from: f64, to: f64| seen.push(Between { from, to, count: 1 });
    (1..=100).for_each(|i| see(0.0, f64::from(3 * i)));
    (1..=100).for_each(|i| see(1.0, f64::from(10 + i)));
    (0..60).for_each(|_| see(1.0, 365.0));
    (0..40).for_each(|_| see(1.0, 366.0));
    [(100.0, NEVER), (200.0, 500.0), (210.0, NEVER), (220.0, 450.0)].into_iter().for_each(|(from, to)| see(from, to));
    (0..90).for_each(|_| see(365.0, 730.0));
    (0..10).for_each(|_| see(365.0, NEVER));
    [528.0, 571.0, 691.0, 730.0, 731.0].into_iter().for_each(|to| see(366.0, to));
    let late = [NEVER, 1095.0, 1096.0, 1097.0, 1098.0, 1099.0, NEVER, 1400.0, 1200.0, 772.0, 1461.0];
    (731..=741).zip(late).for_each(|(from, to)| see(f64::from(from), to));
    let told = estimate(&seen).unwrap();
    let masses = [(1.0, 3.0, 0.6958), (365.0, 366.0, 0.1674), (366.0, 450.0, 0.1079), (741.0, 772.0, 0.0289)];
    compare(&told, &masses, 1e-4);
    assert!(told.rounds < 100, "{}", told.rounds);
}

/// The same estimate by Turnbull's iteration alone, as slow as that is.
fn slowly(seen: &[Between]) -> Vec<f64> {
    let (intervals, spans) = masses::of(seen, total(seen).unwrap());
    let mut fit = Fit::with(&spans, vec![1.0 / intervals.len() as f64; intervals.len()]);
    for _ in 0..200_000 {
        if fit.gap() <= 1e-9 {
            break;
        }
        fit.expect_and_maximise();
    }
    fit.mass
}

#[test]
fn self_consistent() {
    // Pseudo-random intervals of all kinds; the estimate is the fixed point of Turnbull's iteration.
    let mut state = 7_u64;
    let mut draw = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    for _ in 0..60 {
        let seen: Vec<Between> = (0..1 + draw(25))
            .map(|_| {
                let (from, count) = (draw(12) as f64, 1 + draw(4));
                match draw(4) {
                    0 => Between::exactly(from, count),
                    1 => Between::not_until(from, count),
                    _ => Between { from, to: from + 1.0 + draw(6) as f64, count },
                }
            })
            .collect();
        let told = estimate(&seen).unwrap();
        assert!(told.converged(), "{seen:?}: {told:?}");
        assert!((told.masses.iter().map(|m| m.mass).sum::<f64>() - 1.0).abs() < 1e-9);
        let (intervals, _) = masses::of(&seen, told.total);
        for ((from, to), mass) in intervals.into_iter().zip(slowly(&seen)) {
            let same = told.masses.iter().find(|m| (m.from, m.to) == (from, to));
            let same = same.map_or(0.0, |m| m.mass);
            // Masses that vanish do so slowly without the second step.
            assert!((same - mass).abs() < 2e-4, "{seen:?}: {from} {to}: {same}, not {mass}");
        }
    }
}

#[test]
fn exact_and_right_censored_times_are_kaplan_and_meiers() {
    let rows: Vec<Row> =
        [(6.0, 3, 1), (7.0, 1, 0), (9.0, 0, 1), (10.0, 1, 1), (13.0, 1, 0), (16.0, 1, 0), (35.0, 0, 4)]
            .map(|(time, events, censored)| Row { time, events, censored })
            .to_vec();
    let curve = kaplan_meier::estimate(&rows, 0.05).unwrap();
    let seen: Vec<Between> = rows
        .iter()
        .flat_map(|row| [Between::exactly(row.time, row.events), Between::not_until(row.time, row.censored)])
        .collect();
    let told = estimate(&seen).unwrap();
    for step in &curve.steps {
        let at = told.survival(step.time);
        assert!((at.lower - step.survival).abs() < 1e-8 && (at.upper - step.survival).abs() < 1e-8, "{step:?} {at:?}");
    }
    for p in [0.1, 0.3, 0.5] {
        let same = curve.quantile(p).map(|at| Interval { lower: at, upper: at });
        assert_eq!(told.quantile(p), same);
    }
}

#[test]
fn few_and_none() {
    assert_eq!(estimate(&[]), Err(NotEstimable::Nothing));
    assert_eq!(estimate(&cells(&[(1.0, 2.0, 0)])), Err(NotEstimable::Nothing));
    assert!(matches!(estimate(&cells(&[(2.0, 1.0, 1)])), Err(NotEstimable::Argument(_))));
    let one = estimate(&cells(&[(1.0, 2.0, 5)])).unwrap();
    assert_eq!(one.masses, [Mass { from: 1.0, to: 2.0, mass: 1.0 }]);
    // Everything was missed.
    let missed = estimate(&[Between::not_until(300.0, 7)]).unwrap();
    assert_eq!(missed.survival(300.0), Interval { lower: 1.0, upper: 1.0 });
    assert_eq!(missed.quantile(0.01), Err(NotEstimable::Beyond));
    // A rare late one among a million keeps its digits.
    let rare = estimate(&[Between::exactly(1.0, 999_999), Between::exactly(2.0, 1)]).unwrap();
    assert!((rare.survival(1.0).lower * 1e6 - 1.0).abs() < 1e-9, "{rare:?}");
    assert_eq!(rare.quantile(0.999_999), Ok(Interval { lower: 1.0, upper: 1.0 }));
}

#[test]
fn few_among_a_thousand_million() {
    // Two neighbouring intervals hold ten of 10¹⁰ observations, and cells that cover both must tell their sum from nothing.
    let seen = cells(&[
        (0.0, 0.0, 1_837_338_748),
        (0.0, 1.0, 3),
        (0.0, 3.0, 5),
        (1.0, 3.0, 3),
        (1.0, 4.0, 2),
        (1.0, NEVER, 1_642_172_739),
        (3.0, 7.0, 577_569_675),
        (3.0, NEVER, 3),
        (6.0, NEVER, 2_120_836_048),
        (7.0, NEVER, 3_418_634_070),
        (8.0, 9.0, 744_774_681),
        (9.0, 9.0, 4),
    ]);
    let told = estimate(&seen).unwrap();
    assert!(told.converged() && told.rounds < 200, "{told:?}");
    // Thirteen observations lie in these two or nearly so: in counts, both are of that size.
    let few: Vec<f64> = told.masses.iter().filter(|m| m.mass < 1e-6).map(|m| m.mass * told.total as f64).collect();
    assert!(few.len() == 2 && few.iter().all(|count| (3.0..20.0).contains(count)), "{few:?}");
}
