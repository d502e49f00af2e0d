//! The run along its time: lanes of shots, misses and orphans above each other, each on a scale of its own, then the slots that had
//! some, gaps, rails and dates.

use super::bar;
use super::names::{in_margin, width as margin};
use crate::figures::{count, counted, date, duration_ns};
use crate::model::{SlotEvents, TimeBin, TimeLine};
use crate::parts::key;
use crate::scale::{Scale, date_ticks, px};
use maud::{Markup, html};
use vocabulary::Wall;

const RIGHT: f64 = 985.0;
const ROW: f64 = 13.0;

/// A lane: where it stands and how tall it is.
#[derive(Clone, Copy)]
struct Lane {
    top: f64,
    height: f64,
    most: i64,
}

impl Lane {
    fn bottom(&self) -> f64 {
        self.top + self.height
    }

    /// How tall a count is.
    fn tall(&self, n: i64) -> f64 {
        if self.most > 0 { self.height * n as f64 / self.most as f64 } else { 0.0 }
    }
}

/// The end of the axis.
pub(crate) fn end(time: &TimeLine) -> Wall {
    let bins = i64::try_from(time.bins.len()).unwrap_or(i64::MAX);
    Wall(time.from.0.saturating_add(time.bin_ns.saturating_mul(bins)))
}

/// The whole figure.
pub(crate) fn plot(time: &TimeLine, boots: &[Wall]) -> Markup {
    let to = end(time);
    let left = margin(time.slots.iter().map(|slot| slot.slot.as_str()), 100.0);
    let scale = Scale::new((0.0, to.0.saturating_sub(time.from.0) as f64), (left, RIGHT));
    let most = |of: fn(&TimeBin) -> i64| time.bins.iter().map(of).max().unwrap_or(0);
    let shots = Lane { top: 10.0, height: 92.0, most: most(|b| b.detected + b.missed + b.unknowable + b.open) };
    let missed = Lane { top: 118.0, height: 40.0, most: most(|b| b.missed) };
    let orphans = Lane { top: 174.0, height: 40.0, most: most(|b| b.orphans) };
    let rows = 236.0;
    let gaps = rows + ROW * time.slots.len() as f64 + if time.slots.is_empty() { 0.0 } else { 12.0 };
    let bottom = gaps + 44.0;
    html! {
        svg.wide viewBox=(format!("0 0 1000 {}", bottom + 34.0)) role="img" {
            title { "Shots, misses, orphans, gaps and rails along the time of the run" }
            desc { (described(time)) }
            (date_axis(time.from, to, &scale, bottom, 9))
            @for at in boots.iter().filter(|at| (time.from..=to).contains(*at)) {
                path.boot d=(format!("M{} 4V{bottom}", scale.at(at.0.saturating_sub(time.from.0) as f64))) {
                    title { "A boot begins, " (date(*at)) " UTC" }
                }
            }
            (stacked(time, &scale, shots))
            (counted_lane(time, &scale, missed, "missed", "mis", |b| b.missed))
            (counted_lane(time, &scale, orphans, "orphans", "orp", |b| b.orphans))
            @if !time.slots.is_empty() {
                text.s.e x=(left - 8.0) y=(rows - 5.0) { "by slot" }
            }
            @for (n, slot) in time.slots.iter().enumerate() {
                (slot_row(slot, time, &scale, rows + ROW * n as f64))
            }
            (blind(time, &scale, gaps))
        }
    }
}

/// Dates below a plot.
pub(crate) fn date_axis(from: Wall, to: Wall, scale: &Scale, bottom: f64, most: i64) -> Markup {
    let ticks = date_ticks(from, to, most);
    html! {
        @for (n, tick) in ticks.iter().enumerate() {
            @let x = scale.at(tick.at.0.saturating_sub(from.0) as f64);
            path.g d=(format!("M{x} 10V{bottom}")) {}
            path.x d=(format!("M{x} {bottom}v4")) {}
            @if let Some(time) = &tick.time { text.s.m x=(x) y=(bottom + 15.0) { (time) } }
            @if let Some(day) = &tick.day {
                // The year is said once.
                text.s.m x=(x) y=(bottom + if tick.time.is_some() { 28.0 } else { 15.0 }) {
                    @if n == 0 { (day) } @else { (day.get(5..).unwrap_or(day)) }
                }
            }
        }
    }
}

/// A lane's name, its scale, and the line that it stands on.
fn lane_frame(lane: Lane, name: &str, left: f64) -> Markup {
    html! {
        text.e x=(left - 34.0) y=(px(lane.top + lane.height / 2.0 + 4.0)) { (name) }
        text.s.e x=(left - 6.0) y=(lane.top + 8.0) { (count(lane.most)) }
        text.s.e x=(left - 6.0) y=(lane.bottom()) { "0" }
        path.g d=(format!("M{left} {}H{RIGHT}", lane.top)) {}
        path.x d=(format!("M{left} {}H{RIGHT}", lane.bottom())) {}
    }
}

fn bin_edges(n: usize, time: &TimeLine, scale: &Scale) -> (f64, f64) {
    let edge = |n: usize| scale.at(time.bin_ns as f64 * n as f64);
    let (left, right) = (edge(n), edge(n + 1));
    (left, (right - left).max(0.8))
}

/// All shots: detected below, then those that nobody can know about, missed, and open.
fn stacked(time: &TimeLine, scale: &Scale, lane: Lane) -> Markup {
    let mut paths = [String::new(), String::new(), String::new(), String::new()];
    for (n, bin) in time.bins.iter().enumerate() {
        let (x, width) = bin_edges(n, time, scale);
        let mut y = lane.bottom();
        for (path, part) in paths.iter_mut().zip([bin.detected, bin.unknowable, bin.missed, bin.open]) {
            let tall = lane.tall(part);
            if tall > 0.0 {
                path.push_str(&bar(x, y - tall, width, tall));
                y -= tall;
            }
        }
    }
    html! {
        (lane_frame(lane, "shots", scale.left()))
        @for (class, path) in ["det", "unk", "mis", "opn"].into_iter().zip(&paths) {
            @if !path.is_empty() { path class=(class) d=(path) {} }
        }
    }
}

/// A lane of one count; each bar has its figure for those who point at it.
fn counted_lane(
    time: &TimeLine,
    scale: &Scale,
    lane: Lane,
    name: &str,
    class: &str,
    of: fn(&TimeBin) -> i64,
) -> Markup {
    html! {
        (lane_frame(lane, name, scale.left()))
        g class=(class) {
            @for (n, bin) in time.bins.iter().enumerate().filter(|(_, bin)| of(bin) > 0) {
                @let (x, width) = bin_edges(n, time, scale);
                @let tall = lane.tall(of(bin)).max(1.0);
                path d=(bar(x, lane.bottom() - tall, width.max(1.4), tall)) {
                    title { (of(bin)) " " (name) " from " (date(at(time, n))) " UTC" }
                }
            }
        }
    }
}

fn at(time: &TimeLine, bin: usize) -> Wall {
    Wall(time.from.0.saturating_add(time.bin_ns.saturating_mul(i64::try_from(bin).unwrap_or(0))))
}

/// Squares for misses, rings for orphans: they differ in shape as well.
fn slot_row(slot: &SlotEvents, time: &TimeLine, scale: &Scale, y: f64) -> Markup {
    let left = scale.left();
    let middle = y + ROW / 2.0;
    let x = |bin: usize| scale.at(time.bin_ns as f64 * (bin as f64 + 0.5));
    let squares: String = slot.missed.iter().map(|(bin, _)| bar(x(*bin) - 2.5, middle - 2.5, 5.0, 5.0)).collect();
    let total = |of: &[(usize, i64)]| of.iter().map(|(_, n)| n).sum::<i64>();
    html! {
        text.e x=(left - 8.0) y=(px(middle + 4.0)) { (in_margin(&slot.slot)) }
        path.g d=(format!("M{left} {middle}H{RIGHT}")) {}
        g {
            title { (slot.slot) ": " (count(total(&slot.missed))) " missed, " (counted(total(&slot.orphans), "orphan", "orphans")) }
            @for (bin, _) in &slot.orphans {
                circle.ring cx=(x(*bin)) cy=(middle) r="3.4" {}
            }
            @if !squares.is_empty() { path.mis d=(squares) {} }
        }
    }
}

/// When something was not watched, and when a rail was outside its limits.
fn blind(time: &TimeLine, scale: &Scale, top: f64) -> Markup {
    let edge = scale.left();
    let x = |at: Wall| scale.at(at.0.saturating_sub(time.from.0) as f64);
    let mark = |from: Wall, to: Wall| (x(from), (x(to) - x(from)).max(3.0));
    html! {
        text.e x=(edge - 8.0) y=(top + 11.0) { "not watched" }
        path.x d=(format!("M{edge} {}H{RIGHT}", top + 14.0)) {}
        @for gap in &time.gaps {
            @let (left, width) = mark(gap.from, gap.to);
            rect.gap x=(left) y=(top + 2.0) width=(px(width)) height="12" {
                title { (gap.source) " not watched for " (duration_ns(gap.to.0.saturating_sub(gap.from.0))) ": " (gap.why) }
            }
        }
        text.e x=(edge - 8.0) y=(top + 31.0) { "rail outside" }
        path.x d=(format!("M{edge} {}H{RIGHT}", top + 34.0)) {}
        @for out in &time.excursions {
            @let (left, width) = mark(out.from, out.to);
            rect.out x=(left) y=(top + 22.0) width=(px(width)) height="12" {
                title { (out.rail) " outside its limits from " (date(out.from)) " UTC" }
            }
        }
    }
}

fn described(time: &TimeLine) -> String {
    let sum = |of: fn(&TimeBin) -> i64| count(time.bins.iter().map(of).sum());
    format!(
        "From {} to {} UTC in {} bins of {}. Detected {}, missed {}, unknowable {}, open {}, orphans {}. {}, together {}. {} of rails.",
        date(time.from),
        date(end(time)),
        time.bins.len(),
        duration_ns(time.bin_ns),
        sum(|b| b.detected),
        sum(|b| b.missed),
        sum(|b| b.unknowable),
        sum(|b| b.open),
        sum(|b| b.orphans),
        counted(time.gap_count, "gap", "gaps"),
        duration_ns(time.gap_ns),
        counted(time.excursion_count, "excursion", "excursions"),
    )
}

/// What the marks mean.
pub(crate) fn keys() -> Markup {
    html! {
        p.small.keys {
            @for (class, words) in [("det", "detected"), ("mis", "missed"), ("unk", "unknowable"), ("opn", "open")] {
                (key(&html! { rect class=(class) x="5" y="1" width="14" height="10" {} }, words))
            }
            (key(&html! { circle.ring cx="12" cy="6" r="4" {} }, "orphan"))
            (key(&html! { rect.gap x="3" y="1" width="18" height="10" {} }, "not watched"))
            (key(&html! { rect.out x="3" y="1" width="18" height="10" {} }, "rail outside its limits"))
            (key(&html! { path.boot d="M12 0V12" {} }, "a boot begins"))
            "Each lane has a scale of its own, from 0 to the figure at its top."
        }
    }
}
