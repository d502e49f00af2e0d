//! Carries a scenario out: has the injector give its orders, has the machine answer, and writes down what really
//! happened.
//!
//! One thing after the other, so that a delay anywhere moves everything behind it and changes no order.

use super::injector::Injector;
use super::machine::{Fault, Machine};
use super::scenario::{Act, Fate, Fire, HOLD, Plan, What};
use super::truth::{ReportTruth, ShotTruth, UnprovokedTruth};
use anyhow::Result;
use std::time::Duration;
use tokio::sync::watch;
use vocabulary::{Mono, Severity};

/// What really happened.
#[derive(Debug, Default)]
pub(super) struct Played {
    pub(super) shots: Vec<ShotTruth>,
    pub(super) unprovoked: Vec<UnprovokedTruth>,
    /// The slots of readings that were outside the limits.
    pub(super) outside: Vec<String>,
    /// Whether somebody said stop before the end.
    pub(super) cut_short: bool,
}

/// Plays all acts, or as many as there are until `stop` holds true.
///
/// # Errors
/// When the feed breaks or rejects something, or the machine's files cannot be written.
pub(super) async fn play(
    plan: Plan,
    injector: &mut Injector,
    machine: &mut Machine,
    stop: &mut watch::Receiver<bool>,
) -> Result<Played> {
    let mut played = Played::default();
    let mut began = clocks::mono();
    for (number, Act { wait, what }) in (1..).zip(plan.acts()) {
        let left = wait.saturating_sub(clocks::elapsed_since(began));
        if is_stopped_within(left, stop).await {
            played.cut_short = true;
            break;
        }
        began = clocks::mono();
        match what {
            What::Unprovoked(slot) => {
                let fault = Fault { slot, severity: Severity::Corrected, count: 1 };
                let seen = machine.report(fault, Duration::ZERO).await?;
                played.unprovoked.push(UnprovokedTruth { slot: slot.label(), seen });
            }
            What::Supply(supply) => {
                injector.supply(supply).await?;
                played.outside.extend(supply.outside.then(|| supply.slot.label()));
            }
            What::Fire(fire) => {
                let id = format!("r-{number:03}");
                let arrived = injector.order(&id, &fire).await?;
                let seen = force(&fire, machine).await?;
                let shots = shots(plan, &id, &fire, arrived, seen);
                if let (Some(seen), Fate::Reported { blamed, .. }, true) =
                    (seen, fire.fate, shots.iter().all(|shot| shot.report.is_none()))
                {
                    played.unprovoked.push(UnprovokedTruth { slot: blamed.label(), seen });
                }
                played.shots.extend(shots);
            }
        }
    }
    Ok(played)
}

/// Waits; true if somebody says stop meanwhile.
pub(super) async fn is_stopped_within(wait: Duration, stop: &mut watch::Receiver<bool>) -> bool {
    tokio::select! {
        biased;
        () = stopped(stop) => true,
        () = tokio::time::sleep(wait) => false,
    }
}

/// Ends when somebody says stop. When nobody is left to say it, nobody does.
pub(super) async fn stopped(stop: &mut watch::Receiver<bool>) {
    if stop.wait_for(|stop| *stop).await.is_err() {
        std::future::pending::<()>().await;
    }
}

/// Forces the lines as often as ordered, and answers with the stamp of the report, if there is one.
async fn force(fire: &Fire, machine: &mut Machine) -> Result<Option<Mono>> {
    let last_shot = fire.spacing * fire.shots.saturating_sub(1);
    let (after, blamed, severity) = match fire.fate {
        Fate::Reported { after, blamed, severity } => (after, blamed, severity),
        Fate::Collected(after) => {
            machine.collect(fire.slot, last_shot + after).await?;
            return Ok(None);
        }
        Fate::Silent => {
            tokio::time::sleep(last_shot).await;
            return Ok(None);
        }
    };
    let fault = Fault { slot: blamed, severity, count: u16::try_from(fire.shots).unwrap_or(u16::MAX) };
    Ok(Some(machine.report(fault, last_shot + after).await?))
}

/// What the stamps say of each shot of an injection.
fn shots(plan: Plan, id: &str, fire: &Fire, arrived: Mono, seen: Option<Mono>) -> Vec<ShotTruth> {
    let latency = |n: u32| {
        let fired = arrived.plus(nanos(fire.spacing).saturating_mul(i64::from(n) - 1));
        // On a machine that is held up for longer than a window, the report is not the shot's any more.
        seen.map(|seen| seen.since(fired)).filter(|latency| *latency <= nanos(HOLD + plan.window))
    };
    let shared = (1..=fire.shots).filter_map(latency).count() > 1;
    let of_shot = |n: u32| {
        let report = match (latency(n), fire.fate) {
            (Some(latency_ns), Fate::Reported { blamed, severity, .. }) => Some(ReportTruth {
                blamed: blamed.label(),
                severity,
                latency_ns,
                late: plan.deadline.is_some_and(|deadline| latency_ns > nanos(deadline)),
                shared,
            }),
            _ => None,
        };
        let collected = matches!(fire.fate, Fate::Collected(_));
        ShotTruth { injection: id.to_owned(), shot: n, slot: fire.slot.label(), report, collected }
    };
    (1..=fire.shots).map(of_shot).collect()
}

fn nanos(duration: Duration) -> i64 {
    i64::try_from(duration.as_nanos()).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::super::board::LEFT_A1;
    use super::*;

    #[test]
    fn the_truth_goes_by_the_stamps() {
        let [window, deadline, spacing, after] = [1000, 250, 100, 20].map(Duration::from_millis);
        let plan = Plan { seed: 0, length: window, window, deadline: Some(deadline) };
        let fate = Fate::Reported { after, blamed: LEFT_A1, severity: Severity::Corrected };
        let fire = Fire { slot: LEFT_A1, line: "DQ0".to_owned(), shots: 3, spacing, fate };
        // Of each shot: whether it is reported, late, shared. The hold of 250 us belongs to the window.
        let told = |seen_ms: i64, ns: i64| {
            let seen = Mono(7_000 + seen_ms * 1_000_000 + ns);
            let told = |s: ShotTruth| s.report.map(|r| (r.late, r.shared));
            shots(plan, "r", &fire, Mono(7_000), Some(seen)).into_iter().map(told).collect::<Vec<_>>()
        };
        let (in_time, late) = (Some((false, true)), Some((true, true)));
        assert_eq!(told(220, 0), [in_time, in_time, in_time]);
        assert_eq!(told(350, 0), [late, in_time, in_time]);
        assert_eq!(told(1000, 250_000), [late, late, late]);
        assert_eq!(told(1000, 250_001), [None, late, late]);
        assert_eq!(told(1150, 0), [None, None, Some((true, false))]);
        assert_eq!(told(1300, 0), [None, None, None]);
        let silent = Fire { fate: Fate::Silent, ..fire };
        assert!(shots(plan, "r", &silent, Mono(7_000), None).iter().all(|s| s.report.is_none()));
    }
}
