//! Numbers as people read them: the one place that formats shares, times, dates, counts and voltages.
//!
//! A rounded number never says more than the number did: only all is 100 %, only none is 0 %. Sections and plots call this.

use crate::model::{Bound, Quantity};
use vocabulary::Wall;

/// What stands where a number cannot be inferred.
pub(crate) const NOT_ESTIMABLE: &str = "not estimable";

/// What stands where something was not told.
pub(crate) const NOT_TOLD: &str = "–";

/// A thin blank that no line breaks at.
const THIN: char = '\u{202f}';

/// Which way a number is rounded. A bound is rounded to the side on which it still holds.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Round {
    Nearest,
    Down,
    Up,
}

impl Round {
    /// The text of a value with so many decimals.
    fn text(self, value: f64, decimals: usize) -> String {
        let size = 10f64.powi(i32::try_from(decimals).unwrap_or(0));
        // What is off by a rounding error of the calculation is not rounded away by a whole digit.
        let whole = match self {
            Round::Nearest => return format!("{value:.decimals$}"),
            Round::Down => (value * size + 1e-6).floor(),
            Round::Up => (value * size - 1e-6).ceil(),
        };
        format!("{:.decimals$}", whole / size)
    }
}

/// A share in percent, rounded to the nearest.
pub(crate) fn percent(share: f64) -> String {
    percent_rounded(share, Round::Nearest)
}

/// A share in percent, with as many decimals as its distance from 0 or 100 needs: two digits of it, at least two decimals.
pub(crate) fn percent_rounded(share: f64, round: Round) -> String {
    if !share.is_finite() {
        return NOT_ESTIMABLE.to_owned();
    }
    let share = share.clamp(0.0, 1.0);
    let from_end = 100.0 * share.min(1.0 - share);
    if from_end <= 0.0 {
        return format!("{:.0}{THIN}%", share * 100.0);
    }
    // Half of a thousandth more, so that 0.1 counts as 0.1 although its binary form is a little less.
    let decimals = (1.0 - (from_end.log10() + 5e-4).floor()).clamp(2.0, 6.0) as usize;
    let text = round.text(share * 100.0, decimals);
    match text.parse::<f64>() {
        Ok(shown) if shown >= 100.0 => format!("over 99.999999{THIN}%"),
        Ok(shown) if shown <= 0.0 => format!("under 0.000001{THIN}%"),
        _ => format!("{text}{THIN}%"),
    }
}

/// A share in percent without decimals that say nothing: for limits that people chose, such as 99.9 %.
pub(crate) fn percent_short(share: f64) -> String {
    let text = format!("{:.6}", share * 100.0);
    format!("{}{THIN}%", text.trim_end_matches('0').trim_end_matches('.'))
}

/// A whole number, in groups of three where it is long.
pub(crate) fn count(n: i64) -> String {
    let digits = n.unsigned_abs().to_string();
    let mut out = String::new();
    if n < 0 {
        out.push('−');
    }
    for (at, digit) in digits.chars().enumerate() {
        if digits.len() > 4 && at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push(THIN);
        }
        out.push(digit);
    }
    out
}

/// `1 shot`, `2 shots`.
pub(crate) fn counted(n: i64, one: &str, several: &str) -> String {
    format!("{} {}", count(n), if n == 1 { one } else { several })
}

/// Three digits of a number, without an exponent, rounded to the nearest.
pub(crate) fn three_digits(value: f64) -> String {
    three_digits_rounded(value, Round::Nearest)
}

/// Three digits of a number, without an exponent.
fn three_digits_rounded(value: f64, round: Round) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value:.0}");
    }
    let decimals = (2.0 - value.abs().log10().floor()).clamp(0.0, 9.0) as usize;
    round.text(value, decimals)
}

/// A length of time in the unit that suits it, rounded to the nearest.
pub(crate) fn duration(ns: f64) -> String {
    duration_rounded(ns, Round::Nearest)
}

fn duration_rounded(ns: f64, round: Round) -> String {
    const UNITS: [(f64, &str); 7] =
        [(864e11, "d"), (36e11, "h"), (6e10, "min"), (1e9, "s"), (1e6, "ms"), (1e3, "µs"), (1.0, "ns")];
    // Below two hours minutes are easier to grasp than a broken number of hours; the same one unit lower.
    let enough = |size: f64| if size > 1e9 { 2.0 * size } else { size };
    let unit = UNITS.iter().find(|(size, _)| ns.abs() >= enough(*size));
    let (size, word) = unit.copied().unwrap_or((1.0, "ns"));
    format!("{}{THIN}{word}", three_digits_rounded(ns / size, round))
}

/// A length of time in whole nanoseconds.
pub(crate) fn duration_ns(ns: i64) -> String {
    // An f64 holds every whole number of nanoseconds up to 104 days, and three digits are shown.
    duration(ns as f64)
}

/// A date and time in UTC to the second, without the zone: headings name it.
pub(crate) fn date(at: Wall) -> String {
    let text = at.rfc3339();
    let whole = text.split('.').next().unwrap_or_default();
    whole.replacen('T', " ", 1)
}

/// A date and time in UTC with milliseconds.
pub(crate) fn date_exact(at: Wall) -> String {
    at.rfc3339().trim_end_matches('Z').replacen('T', " ", 1)
}

/// A date and time in UTC to the second with its zone, for running text.
pub(crate) fn date_utc(at: Wall) -> String {
    format!("{} UTC", date(at))
}

/// A voltage.
pub(crate) fn millivolts(mv: f64) -> String {
    format!("{mv:.0}{THIN}mV")
}

/// So many in an hour.
pub(crate) fn per_hour(rate: f64) -> String {
    if rate == 0.0 { format!("0{THIN}/h") } else { format!("{}{THIN}/h", three_digits(rate)) }
}

/// A number with its unit.
pub(crate) fn quantity(value: Quantity, round: Round) -> String {
    match value {
        Quantity::Share(share) => percent_rounded(share, round),
        Quantity::Nanoseconds(ns) => duration_rounded(ns, round),
        Quantity::PerHour(rate) => format!("{}{THIN}/h", three_digits_rounded(rate, round)),
        Quantity::Count(n) => count(n),
        Quantity::Millivolts(mv) => format!("{}{THIN}mV", round.text(mv, 0)),
    }
}

/// A bound with its sign, or that there is none to be had.
pub(crate) fn bound(value: Option<Bound>) -> String {
    match value {
        None => NOT_ESTIMABLE.to_owned(),
        Some(Bound::AtLeast(value)) => format!("≥{THIN}{}", quantity(value, Round::Down)),
        Some(Bound::AtMost(value)) => format!("≤{THIN}{}", quantity(value, Round::Up)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_keep_two_digits_of_their_distance_from_the_ends() {
        let table = [
            (1.0, "100 %"),
            (0.0, "0 %"),
            (0.5, "50.00 %"),
            (0.99, "99.00 %"),
            (0.999, "99.90 %"),
            (0.9987, "99.87 %"),
            (0.99999, "99.9990 %"),
            (0.000_12, "0.012 %"),
            (1.0 - 1e-12, "over 99.999999 %"),
            (1e-12, "under 0.000001 %"),
        ];
        for (share, text) in table {
            assert_eq!(percent(share).replace(THIN, " "), text);
        }
        assert_eq!(percent(f64::NAN), NOT_ESTIMABLE);
        assert_eq!(percent_short(0.99).replace(THIN, " "), "99 %");
        assert_eq!(percent_short(0.9995).replace(THIN, " "), "99.95 %");
    }

    #[test]
    fn bounds_are_rounded_to_the_side_on_which_they_hold() {
        let table = [
            (Bound::AtLeast(Quantity::Share(0.998_996)), "≥ 99.89 %"),
            (Bound::AtMost(Quantity::Share(0.998_996)), "≤ 99.90 %"),
            (Bound::AtLeast(Quantity::Share(0.999)), "≥ 99.90 %"),
            (Bound::AtMost(Quantity::Nanoseconds(2.000_4e9)), "≤ 2.01 s"),
            (Bound::AtLeast(Quantity::PerHour(3.329)), "≥ 3.32 /h"),
            (Bound::AtMost(Quantity::Count(7)), "≤ 7"),
            (Bound::AtMost(Quantity::Millivolts(1139.2)), "≤ 1140 mV"),
        ];
        for (value, text) in table {
            assert_eq!(bound(Some(value)).replace(THIN, " "), text);
        }
        assert_eq!(bound(None), NOT_ESTIMABLE);
    }

    #[test]
    fn times_have_the_unit_that_suits() {
        let table = [
            (0.0, "0 ns"),
            (20_000.0, "20.0 µs"),
            (1_500_000.0, "1.50 ms"),
            (250e6, "250 ms"),
            (5e9, "5.00 s"),
            (90e9, "90.0 s"),
            (600e9, "10.0 min"),
            (3.6e13, "10.0 h"),
            (6e14, "6.94 d"),
        ];
        for (ns, text) in table {
            assert_eq!(duration(ns).replace(THIN, " "), text);
        }
    }

    #[test]
    fn counts_are_grouped_and_dates_are_in_utc() {
        let table = [(0, "0"), (9999, "9999"), (10_000, "10 000"), (1_234_567, "1 234 567"), (-12_345, "−12 345")];
        for (n, text) in table {
            assert_eq!(count(n).replace(THIN, " "), text);
        }
        // 2001-09-09T01:46:40Z is the billionth second of POSIX time.
        assert_eq!(date_utc(Wall(1_000_000_000_000_000_000)), "2001-09-09 01:46:40 UTC");
        assert_eq!(date_exact(Wall(1_000_000_000_007_000_000)), "2001-09-09 01:46:40.007");
    }
}
