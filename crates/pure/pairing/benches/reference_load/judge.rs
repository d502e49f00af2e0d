//! Holds the answers against the truth of the load.

use crate::load::Load;
use pairing::Answer;
use std::collections::HashMap;
use std::time::Duration;
use vocabulary::{Outcome, ShotAnswer};

fn percent(a: f64, b: f64) -> f64 {
    100.0 * a / b.max(1e-9)
}

pub(crate) fn judge(load: &Load, answers: &[Answer]) {
    let anchor_of: HashMap<i64, i64> = answers
        .iter()
        .filter_map(|answer| match answer {
            Answer::Report(report) => Some((report.report, report.anchor)),
            _ => None,
        })
        .collect();
    let shots: Vec<&ShotAnswer> =
        answers.iter().filter_map(|answer| if let Answer::Shot(shot) = answer { Some(shot) } else { None }).collect();
    let truth = |shot: &ShotAnswer| load.truth[shot.key.injection as usize].report;
    let right = |shot: &ShotAnswer| shot.report.is_some_and(|report| truth(shot) == Some(anchor_of[&report]));
    let count = |which: &dyn Fn(&ShotAnswer) -> bool| shots.iter().filter(|shot| which(shot)).count() as f64;

    let reported = count(&|shot| truth(shot).is_some());
    let missed = shots.len() as f64 - reported;
    let said = count(&|shot| shot.outcome == Outcome::Missed);
    let found = count(&|shot| shot.outcome == Outcome::Missed && truth(shot).is_none());
    println!("  true pairs          {:8.3} %", percent(count(&right), reported));
    println!("  misses              recall {:.2} %, precision {:.2} %", percent(found, missed), percent(found, said));

    let p = |shot: &ShotAnswer| shot.detected_p.unwrap_or(0.0);
    let told: f64 = shots.iter().map(|shot| p(shot)).sum();
    let all = shots.len() as f64;
    println!(
        "  detection rate      {:.3} % estimated, {:.3} % real, {:+.3} points; best answers counted: {:+.3} points",
        percent(told, all),
        percent(reported, all),
        percent(told - reported, all),
        percent(missed - said, all)
    );
    let mut slots = [(0.0_f64, 0.0_f64, 0.0_f64); 32];
    for shot in &shots {
        let slot = &mut slots[load.truth[shot.key.injection as usize].slot as usize];
        slot.0 += 1.0;
        slot.1 += p(shot);
        slot.2 += f64::from(u8::from(truth(shot).is_some()));
    }
    let off: Vec<f64> = slots.iter().map(|(n, told, real)| percent((told - real).abs(), *n)).collect();
    let worst = off.iter().fold(0.0_f64, |a, b| a.max(*b));
    println!(
        "  of single slots     off by {worst:.3} points at most, {:.3} on the average",
        off.iter().sum::<f64>() / 32.0
    );

    println!("  stated    pairs: stated found  shots      missed: stated found  shots");
    let (sure, low) =
        (count(&|shot| shot.confidence.unwrap_or(0.0) >= 0.9), count(&|shot| shot.confidence.unwrap_or(0.0) < 0.5));
    for (from, to) in [(0.99, 1.01), (0.9, 0.99), (0.5, 0.9), (0.0, 0.5)] {
        let within = |c: f64| c >= from && c < to;
        let pairs: Vec<_> =
            shots.iter().filter(|s| s.report.is_some() && within(s.confidence.unwrap_or(0.0))).collect();
        let misses: Vec<_> = shots.iter().filter(|s| within(1.0 - s.detected_p.unwrap_or(1.0))).collect();
        let mean = |sum: f64, n: usize| if n == 0 { f64::NAN } else { 100.0 * sum / n as f64 };
        println!(
            "  {:3.0} %+          {:6.2} {:6.2} {:8}            {:6.2} {:6.2} {:8}",
            from * 100.0,
            mean(pairs.iter().map(|s| s.confidence.unwrap_or(0.0)).sum(), pairs.len()),
            mean(pairs.iter().filter(|s| right(s)).count() as f64, pairs.len()),
            pairs.len(),
            mean(misses.iter().map(|s| 1.0 - s.detected_p.unwrap_or(1.0)).sum(), misses.len()),
            mean(misses.iter().filter(|s| truth(s).is_none()).count() as f64, misses.len()),
            misses.len(),
        );
    }
    println!(
        "  confidence          90 % or more for {:.1} % of the shots, below 50 % for {:.1} %",
        percent(sure, all),
        percent(low, all)
    );
}

/// The same load, solved by scipy with the parameters that it was drawn from.
pub(crate) fn against_scipy(load: &Load, rate: f64, python: &str, took: Duration) {
    let folder = std::env::temp_dir().join(format!("reference-load-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    load.write(&folder);
    let script = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/reference_load/assignment.py");
    let output = std::process::Command::new(python)
        .arg(script)
        .arg(&folder)
        .args(["--rate", &rate.to_string()])
        .output()
        .unwrap();
    std::fs::remove_dir_all(&folder).unwrap();
    let told = String::from_utf8_lossy(&output.stdout);
    println!("scipy with the true parameters:\n{told}{}", String::from_utf8_lossy(&output.stderr));
    if let Some(seconds) =
        told.lines().find_map(|line| line.strip_prefix("seconds ")).and_then(|s| s.trim().parse::<f64>().ok())
    {
        println!("scipy takes {:.2} times as long", seconds / took.as_secs_f64());
    }
}
