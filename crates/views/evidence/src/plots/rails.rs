//! A small plot of a supply rail: the band between its least and most readings, their mean, and its limits.

use super::names::shortened;
use super::timeline::date_axis;
use crate::figures::{count, millivolts};
use crate::model::Rail;
use crate::scale::{Scale, px, round_ticks};
use maud::{Markup, html};
use std::fmt::Write as _;
use vocabulary::Wall;

const LEFT: f64 = 46.0;
const RIGHT: f64 = 290.0;
const TOP: f64 = 22.0;
const BOTTOM: f64 = 118.0;

/// One rail along the time of the run.
pub(crate) fn plot(rail: &Rail, from: Wall, to: Wall) -> Markup {
    let (low, high) = range(rail);
    let volts = Scale::new((low, high), (BOTTOM, TOP));
    let time = Scale::new((0.0, to.0.saturating_sub(from.0) as f64), (LEFT, RIGHT));
    let x = |at: Wall| time.at(at.0.saturating_sub(from.0) as f64);
    let name = named(rail);
    html! {
        svg viewBox="0 0 300 156" role="img" {
            title { "Rail " (name) " along the time" }
            desc {
                (count(rail.readings)) " readings from " (millivolts(rail.least_mv)) " to " (millivolts(rail.most_mv))
                ", mean " (millivolts(rail.mean_mv)) "."
            }
            text.b x=(LEFT) y="13" { (shortened(&name, 36)) }
            @for mv in round_ticks(low, high, 4) {
                path.g d=(format!("M{LEFT} {}H{RIGHT}", volts.at(mv))) {}
                text.s.e x=(LEFT - 5.0) y=(px(volts.at(mv) + 4.0)) { (format!("{mv:.0}")) }
            }
            text.s.e x=(LEFT - 5.0) y="13" { "mV" }
            (date_axis(from, to, &time, BOTTOM, 4))
            path.x d=(format!("M{LEFT} {TOP}V{BOTTOM}H{RIGHT}")) {}
            path.band d=(band(rail, x, &volts)) {}
            path.curve d=(mean(rail, x, &volts)) {}
            @for limit in [rail.low_mv, rail.high_mv].into_iter().flatten() {
                path.limit d=(format!("M{LEFT} {}H{RIGHT}", volts.at(limit))) {}
            }
        }
    }
}

/// The rail with the slot that it feeds.
pub(crate) fn named(rail: &Rail) -> String {
    rail.slot.as_ref().map_or_else(|| rail.name.clone(), |slot| format!("{} at {slot}", rail.name))
}

/// Readings and limits, with a little room around.
fn range(rail: &Rail) -> (f64, f64) {
    let ends = [Some(rail.least_mv), Some(rail.most_mv), rail.low_mv, rail.high_mv];
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for mv in ends.into_iter().flatten() {
        (low, high) = (low.min(mv), high.max(mv));
    }
    let room = ((high - low) * 0.08).max(1.0);
    (low - room, high + room)
}

/// One block for each stretch of readings: times without readings stay empty.
fn band(rail: &Rail, x: impl Fn(Wall) -> f64, volts: &Scale) -> String {
    rail.bins.iter().fold(String::new(), |mut path, bin| {
        let (left, right) = (x(bin.from), x(bin.to));
        let (top, bottom) = (volts.at(bin.most_mv), volts.at(bin.least_mv));
        path.push_str(&super::bar(left, top, (right - left).max(0.5), (bottom - top).max(0.8)));
        path
    })
}

/// The mean, broken where there are no readings.
fn mean(rail: &Rail, x: impl Fn(Wall) -> f64, volts: &Scale) -> String {
    let mut path = String::new();
    let mut until: Option<Wall> = None;
    for bin in &rail.bins {
        let y = volts.at(bin.mean_mv);
        let _ = if until == Some(bin.from) { write!(path, "V{y}") } else { write!(path, "M{} {y}", x(bin.from)) };
        let _ = write!(path, "H{}", x(bin.to));
        until = Some(bin.to);
    }
    path
}
