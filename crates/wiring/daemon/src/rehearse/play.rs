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
            What::Fire(fire) => {
                let id = format!("r-{number:03}");
                let arrived = injector.order(&id, &fire).await?;
                let seen = force(&fire, machine).await?;
                played.shots.extend(shots(plan, &id, &fire, arrived, seen));
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
    let Fate::Reported { after, blamed, severity } = fire.fate else {
        tokio::time::sleep(last_shot).await;
        return Ok(None);
    };
    let fault = Fault { slot: blamed, severity, count: u16::try_from(fire.shots).unwrap_or(u16::MAX) };
    Ok(Some(machine.report(fault, last_shot + after).await?))
}

/// What the stamps say of each shot of an injection.
fn shots(plan: Plan, id: &str, fire: &Fire, arrived: Mono, seen: Option<Mono>) -> Vec<ShotTruth> {
    let of_shot = |n: u32| {
        let fired = arrived.plus(nanos(fire.spacing).saturating_mul(i64::from(n) - 1));
        // On a machine that is held up for longer than a window, a report is nobody's.
        let in_time = seen.filter(|seen| seen.since(fired) <= nanos(HOLD + plan.window));
        let report = in_time.zip(match fire.fate {
            Fate::Reported { blamed, severity, .. } => Some((blamed, severity)),
            Fate::Silent => None,
        });
        let report = report.map(|(seen, (blamed, severity))| ReportTruth {
            blamed: blamed.label(),
            severity,
            latency_ns: seen.since(fired),
            late: plan.deadline.is_some_and(|deadline| seen.since(fired) > nanos(deadline)),
            shared: fire.shots > 1,
        });
        ShotTruth { injection: id.to_owned(), shot: n, slot: fire.slot.label(), report }
    };
    (1..=fire.shots).map(of_shot).collect()
}

fn nanos(duration: Duration) -> i64 {
    i64::try_from(duration.as_nanos()).unwrap_or(i64::MAX)
}
