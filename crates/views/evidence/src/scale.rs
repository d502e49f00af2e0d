//! Axes: values to pixels, and where the ticks stand. Plots call this; it draws nothing.

use crate::figures::percent_short;
use vocabulary::Wall;

/// One tenth of a pixel is exact enough, and short.
pub(crate) fn px(at: f64) -> f64 {
    if at.is_finite() { (at * 10.0).round() / 10.0 } else { 0.0 }
}

/// A stretch of an axis: `from` lies at pixel `left`, `to` at pixel `right`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Scale {
    from: f64,
    to: f64,
    left: f64,
    right: f64,
}

impl Scale {
    /// A scale; a stretch without length gets one.
    pub(crate) fn new((from, to): (f64, f64), (left, right): (f64, f64)) -> Scale {
        let to = if to > from { to } else { from + 1.0 };
        Scale { from, to, left, right }
    }

    /// The pixel at which the scale begins.
    pub(crate) fn left(&self) -> f64 {
        self.left
    }

    /// The pixel of a value, held inside the plot.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let share = ((value - self.from) / (self.to - self.from)).clamp(0.0, 1.0);
        px(self.left + share * (self.right - self.left))
    }
}

/// Round values inside a stretch, at most `most` of them, a step of 1, 2 or 5 apart.
pub(crate) fn round_ticks(from: f64, to: f64, most: usize) -> Vec<f64> {
    let span = to - from;
    if !(span.is_finite() && span > 0.0) || most == 0 {
        return vec![from];
    }
    let rough = span / most as f64;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough * 0.999_999);
    let step = step.unwrap_or(10.0 * power);
    let first = (from / step).ceil() as i64;
    (first..).map(|n| n as f64 * step).take_while(|v| *v <= to + step * 1e-6).take(most + 1).collect()
}

/// Powers of ten of nanoseconds inside a stretch, at most `most` of them: exponent and words.
pub(crate) fn decade_ticks(from_ns: f64, to_ns: f64, most: usize) -> Vec<(f64, String)> {
    let (first, last) = (from_ns.max(1.0).log10().ceil() as i32, to_ns.max(1.0).log10().floor() as i32);
    let every = (last - first + 1).max(1).unsigned_abs().div_ceil(most.max(1) as u32).max(1) as usize;
    (first..=last).step_by(every).map(|exponent| (10f64.powi(exponent), decade_words(exponent))).collect()
}

fn decade_words(exponent: i32) -> String {
    let (unit, below) = match exponent {
        ..3 => ("ns", 0),
        3..6 => ("µs", 3),
        6..9 => ("ms", 6),
        _ => ("s", 9),
    };
    format!("{}\u{202f}{unit}", 10i64.pow((exponent - below).clamp(0, 15).unsigned_abs()))
}

/// A tick of an axis of dates.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct DateTick {
    /// Where.
    pub(crate) at: Wall,
    /// The time of day; nothing where ticks are whole days apart.
    pub(crate) time: Option<String>,
    /// The day, where it is another one than at the tick before.
    pub(crate) day: Option<String>,
}

/// Ticks at round times of UTC, at most `most` of them.
pub(crate) fn date_ticks(from: Wall, to: Wall, most: i64) -> Vec<DateTick> {
    const SECOND: i64 = 1_000_000_000;
    const STEPS_S: [i64; 24] = [
        1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400, 172_800,
        604_800, 1_209_600, 2_419_200, 7_257_600, 31_536_000,
    ];
    let span = to.0.saturating_sub(from.0).max(1);
    let step = STEPS_S.into_iter().map(|s| s * SECOND).find(|step| span / step < most.max(1)).unwrap_or(span);
    let first = from.0.div_euclid(step) + i64::from(from.0.rem_euclid(step) != 0);
    let mut ticks: Vec<DateTick> = Vec::new();
    let mut last_day = String::new();
    for n in first..=to.0.div_euclid(step) {
        let at = Wall(n.saturating_mul(step));
        let text = at.rfc3339();
        let (day, time) = text.split_once('T').unwrap_or((&text, ""));
        let shown = if step < 60 * SECOND { time.get(..8) } else { time.get(..5) };
        let time = (step < 86_400 * SECOND).then(|| shown.unwrap_or_default().to_owned());
        let new_day = (day != last_day).then(|| day.to_owned());
        day.clone_into(&mut last_day);
        ticks.push(DateTick { at, time, day: new_day });
    }
    ticks
}

/// A scale of shares on which 99 %, 99.9 % and 99.99 % are equally far apart: the logarithm of the share that is missing. All
/// of 100 % has no place on it and stands apart, behind a break of the axis.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Nines {
    scale: Scale,
    all: f64,
}

impl Nines {
    /// A scale from 0 to 100 % in which every one of these shares below 100 % has its place; `right` is where 100 % stands.
    pub(crate) fn holding(shares: impl IntoIterator<Item = f64>, (left, right): (f64, f64)) -> Nines {
        let nines = shares.into_iter().filter(|s| *s < 1.0).map(nines);
        let (mut least, mut most) = (f64::INFINITY, 2.0f64);
        for n in nines {
            (least, most) = (least.min(n), most.max(n));
        }
        // Whole nines on both sides.
        let from = if least.is_finite() { least.floor().clamp(0.0, 2.0) } else { 0.0 };
        let to = most.ceil().clamp(from + 1.0, 9.0);
        Nines { scale: Scale::new((from, to), (left, right - 44.0)), all: right }
    }

    /// The pixel of a share.
    pub(crate) fn at(&self, share: f64) -> f64 {
        if share >= 1.0 { self.all } else { self.scale.at(nines(share)) }
    }

    /// Where the axis is broken, before 100 %.
    pub(crate) fn break_at(&self) -> f64 {
        px((self.scale.right + self.all) / 2.0)
    }

    /// Labelled ticks: pixel and words.
    pub(crate) fn ticks(&self) -> Vec<(f64, String)> {
        let whole = [0.0, 0.9, 0.99, 0.999, 0.9999, 0.99999, 0.999_999, 0.999_999_9, 0.999_999_99, 0.999_999_999];
        let inside = |s: &f64| (self.scale.from - 1e-6..=self.scale.to + 1e-6).contains(&nines(*s));
        // A label needs about this much room.
        let room = 46.0;
        let nine = (self.scale.right - self.scale.left) / (self.scale.to - self.scale.from);
        let half = [0.5].into_iter().filter(|_| nine * 0.3 > room);
        let every = (room / nine).ceil().max(1.0) as usize;
        let mut ticks: Vec<f64> = whole.into_iter().filter(inside).step_by(every).chain(half.filter(inside)).collect();
        ticks.sort_by(f64::total_cmp);
        ticks.push(1.0);
        ticks.into_iter().map(|s| (self.at(s), percent_short(s))).collect()
    }

    /// Ticks without words between them: 20, 50, 80, 95, 98, 99.5 % and so on.
    pub(crate) fn between(&self) -> Vec<f64> {
        let every = (0..9).flat_map(|n| [0.5, 0.2].map(|left| 1.0 - left * 10f64.powi(-n)));
        every.filter(|s| (self.scale.from..=self.scale.to).contains(&nines(*s))).map(|s| self.at(s)).collect()
    }
}

/// How many nines a share has: 0.99 has two.
fn nines(share: f64) -> f64 {
    -(1.0 - share.clamp(0.0, 1.0 - 1e-9)).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_ticks_are_round_and_few() {
        assert_eq!(round_ticks(0.0, 1.0, 5), [0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0]);
        assert_eq!(round_ticks(1137.0, 1263.0, 4), [1150.0, 1200.0, 1250.0]);
        assert_eq!(round_ticks(3.0, 3.0, 4), [3.0]);
        assert_eq!(round_ticks(f64::NAN, 3.0, 4).len(), 1);
    }

    #[test]
    fn decades_are_named_by_their_unit() {
        let words = |from, to, most| decade_ticks(from, to, most).into_iter().map(|(_, w)| w).collect::<Vec<_>>();
        assert_eq!(words(1e6, 1e10, 5).join(" ").replace('\u{202f}', ""), "1ms 10ms 100ms 1s 10s");
        assert_eq!(words(1e3, 1e10, 4).join(" ").replace('\u{202f}', ""), "1µs 100µs 10ms 1s");
    }

    #[test]
    fn dates_stand_at_round_times_and_name_each_day_once() {
        let at = |text: &str| Wall::parse_rfc3339(text).unwrap();
        let ticks = date_ticks(at("2026-11-24T21:10:00Z"), at("2026-11-25T05:00:00Z"), 8);
        let told: Vec<_> =
            ticks.iter().map(|t| (t.time.as_deref().unwrap(), t.day.as_deref().unwrap_or("-"))).collect();
        let expected = [
            ("22:00", "2026-11-24"),
            ("23:00", "-"),
            ("00:00", "2026-11-25"),
            ("01:00", "-"),
            ("02:00", "-"),
            ("03:00", "-"),
            ("04:00", "-"),
            ("05:00", "-"),
        ];
        assert_eq!(told, expected);
        let weeks = date_ticks(at("2026-01-01T00:00:00Z"), at("2026-03-01T00:00:00Z"), 10);
        assert!(weeks.len() <= 10 && weeks.iter().all(|t| t.time.is_none() && t.day.is_some()), "{weeks:?}");
        assert_eq!(date_ticks(Wall(0), Wall(0), 5).len(), 1);
    }

    #[test]
    fn nines_are_equally_far_apart_and_all_stands_by_itself() {
        let scale = Nines::holding([0.97, 0.9996], (0.0, 326.0));
        let at = |s| scale.at(s);
        assert!((at(0.99) - at(0.9) - (at(0.999) - at(0.99))).abs() < 0.2);
        assert!(at(0.9999) < scale.break_at() && scale.break_at() < at(1.0));
        assert_eq!(at(1.0), 326.0);
        let words: Vec<_> = scale.ticks().into_iter().map(|(_, w)| w.replace('\u{202f}', "")).collect();
        assert_eq!(words, ["90%", "99%", "99.9%", "99.99%", "100%"]);
        // Nothing known: from nothing to all.
        assert_eq!(Nines::holding([], (0.0, 100.0)).at(0.0), 0.0);
    }
}
