//! What a plan says in words: why shots must be so far apart, what was assumed, and what to look at before starting.
//!
//! `plan` puts these beside its numbers; nothing is calculated here.

use crate::criteria::{Criteria, Detection};
use crate::plan::{Row, Setup};
use crate::reckoning::MOST_MISSES;
use crate::spacing::{Banks, Way};
use crate::words::{percent, plain, up};

/// Why shots must be as far apart as the plan's banks say.
pub(crate) fn spacing_reason(setup: &Setup) -> String {
    let (apart_ms, why) = setup.way.apart();
    let mut text = format!("at least {} s between shots at slots of one bank: {why}", plain(apart_ms as f64 / 1e3));
    let (ms, why) = match (setup.advised_ms, setup.window_ms) {
        (Some(advised), _) => (advised, "an earlier run could tell those apart"),
        (None, Some(window)) => (window, "the window, so that no report fits two of them"),
        (None, None) => return text,
    };
    text += &format!("; and at least {ms} ms between shots at one slot: {why}");
    text
}

/// What was assumed, and what to look at.
pub(crate) fn notes(criteria: &Criteria, setup: &Setup, rows: &[Row]) -> Vec<String> {
    let mut notes = vec![banks(setup.banks).to_owned()];
    notes.extend(way(setup.way));
    notes.extend(too_slow(criteria, setup));
    notes.extend(chance_to_pass(criteria, rows));
    if setup.window_ms.is_some() {
        notes.push(format!(
            "Allowed for: {} unprovoked reports an hour, with the upper bound that a run of this length gives, since \
             they can pass for detections.",
            up(setup.orphans_per_hour)
        ));
    }
    notes
}

fn banks(banks: Banks) -> &'static str {
    match banks {
        Banks::Channel => "Assumed: the slots of a channel share a machine-check bank, and no others do.",
        Banks::Controller => "Assumed: the slots of a controller share a machine-check bank, and no others do.",
        Banks::Machine => "Assumed: all slots share one machine-check bank.",
    }
}

fn way(way: Way) -> Option<String> {
    match way {
        Way::Interrupt => Some(
            "Keep each shot short: five errors read by interrupt within one shot start a storm at once. After a storm \
             leave 31 s of quiet."
                .to_owned(),
        ),
        Way::Polling { every_s: 0 } => Some(
            "The banks are never polled, and no interrupt tells of errors: nothing will be found. Write 1 to \
             check_interval under /sys/devices/system/machinecheck/machinecheck0."
                .to_owned(),
        ),
        Way::Polling { every_s } => Some(format!(
            "The banks are polled every {every_s} s: a single error is found after anything from 0 to {every_s} s. \
             Writing 1 to check_interval under /sys/devices/system/machinecheck/machinecheck0 makes that a second."
        )),
        Way::EdacPolling { .. } => None,
        Way::Firmware => Some(
            "Firmware reads errors first: many firmwares stop reporting corrected errors after a number in a time that \
             only their makers know, until the next boot. Try a few dozen shots before the long run."
                .to_owned(),
        ),
    }
}

/// Where finding takes longer than the run waits, or than the criteria allow.
fn too_slow(criteria: &Criteria, setup: &Setup) -> Vec<String> {
    let mut notes = Vec::new();
    let Some(slowest_ms) = setup.way.slowest_ms() else { return notes };
    if let Some(window_ms) = setup.window_ms.filter(|window_ms| slowest_ms >= *window_ms) {
        notes.push(format!(
            "An error can take {slowest_ms} ms to be found, and the window is {window_ms} ms: shots will be missed. Make \
             the window longer, or poll more often."
        ));
    }
    if let Some(latency) = &criteria.latency {
        let in_time = latency.at_most_ms as f64 / slowest_ms.max(1) as f64;
        if in_time < latency.quantile {
            notes.push(format!(
                "With polling, {} of the errors are found within {} ms, and {} are asked: poll more often.",
                percent(in_time),
                latency.at_most_ms,
                percent(latency.quantile)
            ));
        }
    }
    notes
}

fn chance_to_pass(criteria: &Criteria, rows: &[Row]) -> Option<String> {
    match criteria.detection {
        Some(Detection { good: None, .. }) => Some(
            "The criteria do not say what a good machine detects (detection.good), so that its chance to pass is not \
             known; the row without misses is the shortest and fails most often."
                .to_owned(),
        ),
        Some(Detection { good: Some(good), .. }) if !rows.is_empty() && !rows.iter().any(|row| row.recommended) => {
            Some(format!(
                "With up to {MOST_MISSES} allowed misses, no number of shots gives a machine that detects {} the chance \
                 to pass that is asked: good and at_least are too close. The numbers are those of the first row.",
                percent(good)
            ))
        }
        _ => None,
    }
}
