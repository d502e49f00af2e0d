//! The chain against brute force: every way to give a handful of reports to a handful of shots, weighed one by one.

use crate::chain::{Chain, OpenReport, OpenShot};
use crate::model::{Learned, Model};
use crate::weighed::Weighed;
use proptest::prelude::*;
use vocabulary::{Class, Expected, FoundBy, Mono, Severity, Span};

const MS: i64 = 1_000_000;
const WINDOW: i64 = 5_000 * MS;

/// What happened at a slot, in order: a shot (true) or a report, so many milliseconds after the last.
fn happenings() -> impl Strategy<Value = Vec<(bool, i64)>> {
    proptest::collection::vec((any::<bool>(), 1_i64..1_500), 1..9).prop_filter("at most 5 of each", |all| {
        let shots = all.iter().filter(|h| h.0).count();
        shots <= 5 && all.len() - shots <= 5
    })
}

/// Probability that a report is the shot's, by shot and report; the last one is that none is.
fn by_brute_force(shots: &[i64], reports: &[i64], model: &Model<'_>) -> Vec<Vec<f64>> {
    let (placed, echoed) = (model.rates.placed(), model.rates.echoed());
    let graded = model.rates.graded(Expected::only(Severity::Corrected), Class::Corrected);
    let density = |shot: usize, report: usize| {
        graded * model.density(FoundBy::Interrupt, Mono(shots[shot]), Span::point(Mono(reports[report])))
    };
    let fits = |shot: usize, report: usize| (0..=WINDOW).contains(&(reports[report] - shots[shot]));
    let mut sums = vec![vec![0.0; reports.len() + 1]; shots.len()];
    let ways = (shots.len() + 1).pow(reports.len() as u32);
    for way in 0..ways {
        let mut left = way;
        let mut given: Vec<Option<usize>> = vec![None; shots.len()];
        let mut weight = 1.0;
        for (report, seen) in reports.iter().enumerate() {
            let choice = left % (shots.len() + 1);
            left /= shots.len() + 1;
            if choice == shots.len() {
                let now = Model { now: Mono(*seen), ..*model };
                let foreign =
                    now.rates.background(Some(0), Class::Corrected, now.now) + now.rates.inflow(Class::Corrected);
                let echoes: f64 = (0..shots.len())
                    .filter(|shot| given[*shot].is_some() && fits(*shot, report))
                    .map(|shot| echoed * density(shot, report))
                    .sum();
                weight *= foreign + echoes;
            } else if given[choice].is_none() && fits(choice, report) {
                given[choice] = Some(report);
                weight *= placed * density(choice, report);
            } else {
                weight = 0.0;
            }
        }
        for (shot, _) in given.iter().enumerate().filter(|(_, report)| report.is_none()) {
            let waited = model.now.0.min(shots[shot] + WINDOW) - shots[shot];
            weight *= 1.0 - placed * (1.0 - model.survival(waited));
        }
        for (shot, report) in given.iter().enumerate() {
            sums[shot][report.unwrap_or(reports.len())] += weight;
        }
    }
    for sum in &mut sums {
        let all: f64 = sum.iter().sum();
        sum.iter_mut().for_each(|p| *p /= all);
    }
    sums
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn the_stories_sum_to_what_all_ways_sum_to(happenings in happenings()) {
        let mut learned = Learned::default();
        learned.rates.note_slots(4);
        learned.rates.note_time(Mono(0));
        let model = |now: i64| learned.at(0, Mono(now));
        let mut chain = Chain::default();
        let (mut shots, mut reports, mut now) = (Vec::new(), Vec::new(), 0);
        for (is_shot, after) in &happenings {
            now += after * MS;
            if *is_shot {
                let window = Span { from: Mono(now), to: Mono(now + WINDOW) };
                let shot = OpenShot { seq: shots.len() as u64, window, expect: Expected::only(Severity::Corrected), forced: 0, lost: 0.0 };
                chain.shot(shot, reports.len() as u64, &model(now));
                shots.push(now);
            } else if !shots.is_empty() {
                let seen = Span::point(Mono(now));
                let (seq, found_by) = (reports.len() as u64, FoundBy::Interrupt);
                chain.report(OpenReport { seq, found_by, seen, class: Class::Corrected, syndrome: None, count: 1 }, &model(now));
                reports.push(now);
            }
        }
        now += 3_000 * MS;
        let want = by_brute_force(&shots, &reports, &model(now));
        let mut weighed = Weighed::default();
        for (shot, want) in want.iter().enumerate() {
            chain.weigh(shot as u64, &model(now), &mut weighed);
            let fired = shots[shot];
            let waited = now.min(fired + WINDOW) - fired;
            let silence = 1.0 - learned.rates.placed() * (1.0 - model(now).survival(waited));
            let total = weighed.total(silence);
            // What was dropped on the way moves no probability by more than that.
            const NEAR: f64 = 0.03;
            prop_assert!((weighed.none * silence / total - want[reports.len()]).abs() < NEAR);
            for (report, want) in want.iter().take(reports.len()).enumerate() {
                let got = weighed.reports.iter().find(|known| known.0 == report as u64).map_or(0.0, |known| known.1 / total);
                prop_assert!((got - want).abs() < NEAR, "shot {shot}, report {report}: {got} not {want}");
            }
        }
    }
}
