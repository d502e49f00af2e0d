//! One rail: the second that is open, and the totals of the boot.
//!
//! A reading holds until the next one of the same rail, at most for the time that the settings say; then nobody knows. That time is
//! counted when the next reading comes, so what the newest reading will hold is in no number yet, and the numbers depend on
//! the readings and on nothing else: not on how often they are written down, nor on restarts. A reading that is older than the newest
//! one is late: it only counts as such, and widens the totals' minimum and maximum. Called by `Rails`.

use vocabulary::Mono;

const SECOND_NS: i64 = 1_000_000_000;

/// A whole second of the monotonic clock in which a rail was read, or in which an earlier reading held.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Second {
    /// The second: whole seconds of the boot's monotonic clock.
    pub at_s: i64,
    /// Readings taken in it.
    pub readings: u64,
    /// Their sum, microvolts.
    pub sum_uv: i64,
    /// The least that was read in it or held in it, microvolts.
    pub min_uv: i64,
    /// The most, microvolts.
    pub max_uv: i64,
    /// For how much of it a reading held, nanoseconds.
    pub covered_ns: i64,
    /// Readings outside the limits.
    pub outside: u64,
    /// For how much of it a reading outside the limits held, nanoseconds.
    pub outside_ns: i64,
}

impl Second {
    fn new(at_s: i64, uv: i64) -> Second {
        Second { at_s, readings: 0, sum_uv: 0, min_uv: uv, max_uv: uv, covered_ns: 0, outside: 0, outside_ns: 0 }
    }
}

/// The newest reading of a rail.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Last {
    /// When.
    pub at: Mono,
    /// Microvolts.
    pub uv: i64,
    /// Whether it was outside the limits.
    pub outside: bool,
}

/// Everything of a rail in a boot.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Totals {
    /// Readings, without the late ones.
    pub readings: u64,
    /// Readings that were older than the newest one when they came.
    pub late: u64,
    /// The sum of the readings, microvolts.
    pub sum_uv: i64,
    /// The least, late ones included, microvolts.
    pub min_uv: i64,
    /// The most, late ones included, microvolts.
    pub max_uv: i64,
    /// For how long a reading held, nanoseconds.
    pub covered_ns: i64,
    /// Readings outside the limits.
    pub outside: u64,
    /// For how long a reading outside the limits held, nanoseconds.
    pub outside_ns: i64,
    /// How often the rail left its limits, or was outside when it was read again after a silence.
    pub excursions: u64,
    /// The longest of these, nanoseconds.
    pub longest_ns: i64,
    /// The length so far of the one that is not over, nanoseconds; 0 if none is.
    pub excursion_ns: i64,
    /// The first reading outside.
    pub first_outside: Option<Mono>,
    /// The first reading.
    pub first: Mono,
    /// The newest reading.
    pub last: Last,
}

/// A rail as it is now, and the seconds since it was last told.
#[derive(Clone, Debug)]
pub(crate) struct Series {
    pub(crate) totals: Totals,
    pub(crate) open: Option<Second>,
    pub(crate) closed: Vec<Second>,
}

impl Series {
    /// A rail that has this as its first reading, which [`Series::take`] is still to be given.
    pub(crate) fn beginning(at: Mono, uv: i64) -> Series {
        let totals = Totals {
            readings: 0,
            late: 0,
            sum_uv: 0,
            min_uv: uv,
            max_uv: uv,
            covered_ns: 0,
            outside: 0,
            outside_ns: 0,
            excursions: 0,
            longest_ns: 0,
            excursion_ns: 0,
            first_outside: None,
            first: at,
            last: Last { at, uv, outside: false },
        };
        Series { totals, open: None, closed: Vec::new() }
    }

    /// A reading.
    pub(crate) fn take(&mut self, at: Mono, uv: i64, outside: bool, hold_ns: i64) {
        let last = self.totals.last;
        self.totals.min_uv = self.totals.min_uv.min(uv);
        self.totals.max_uv = self.totals.max_uv.max(uv);
        if at < last.at {
            self.totals.late += 1;
            return;
        }
        let known_to = last.at.plus(hold_ns);
        self.hold(last, at.min(known_to));
        let goes_on = last.outside && at <= known_to;
        if outside && !goes_on {
            self.totals.excursions += 1;
        }
        if !(outside && goes_on) {
            self.totals.excursion_ns = 0;
        }
        let second = self.second(at, uv);
        second.readings += 1;
        second.sum_uv = second.sum_uv.saturating_add(uv);
        second.outside += u64::from(outside);
        let t = &mut self.totals;
        t.readings += 1;
        t.sum_uv = t.sum_uv.saturating_add(uv);
        t.outside += u64::from(outside);
        if outside {
            t.first_outside.get_or_insert(at);
        }
        t.last = Last { at, uv, outside };
    }

    /// Counts the time from a reading to `to`, second by second.
    fn hold(&mut self, last: Last, to: Mono) {
        let mut from = last.at;
        while from < to {
            let end = Mono(second_of(from).saturating_add(1).saturating_mul(SECOND_NS)).min(to);
            let part = end.since(from);
            let second = self.second(from, last.uv);
            second.covered_ns += part;
            second.outside_ns += if last.outside { part } else { 0 };
            from = end;
        }
        let held = to.since(last.at);
        let t = &mut self.totals;
        t.covered_ns = t.covered_ns.saturating_add(held);
        if last.outside {
            t.outside_ns = t.outside_ns.saturating_add(held);
            t.excursion_ns = t.excursion_ns.saturating_add(held);
            t.longest_ns = t.longest_ns.max(t.excursion_ns);
        }
    }

    /// The second of an instant, with a value that was seen in it. Instants never go back here.
    fn second(&mut self, at: Mono, uv: i64) -> &mut Second {
        let at_s = second_of(at);
        if let Some(done) = self.open.take_if(|open| open.at_s != at_s) {
            self.closed.push(done);
        }
        let second = self.open.get_or_insert_with(|| Second::new(at_s, uv));
        second.min_uv = second.min_uv.min(uv);
        second.max_uv = second.max_uv.max(uv);
        second
    }
}

fn second_of(at: Mono) -> i64 {
    at.0.div_euclid(SECOND_NS)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOLD: i64 = 2 * SECOND_NS;

    fn ms(ms: i64) -> Mono {
        Mono(ms * 1_000_000)
    }

    /// Readings at so many milliseconds, in millivolts, with limits of 1140 mV to 1260 mV.
    fn series(readings: &[(i64, i64)]) -> Series {
        let mut series = Series::beginning(ms(readings[0].0), readings[0].1 * 1000);
        for (at, mv) in readings {
            series.take(ms(*at), mv * 1000, !(1140..=1260).contains(mv), HOLD);
        }
        series
    }

    fn seconds(series: &Series) -> Vec<(i64, u64, i64, i64, i64, i64)> {
        let told = |s: &Second| {
            (s.at_s, s.readings, s.min_uv / 1000, s.max_uv / 1000, s.covered_ns / 1_000_000, s.outside_ns / 1_000_000)
        };
        series.closed.iter().chain(&series.open).map(told).collect()
    }

    #[test]
    fn an_excursion_over_the_end_of_a_second() {
        let s = series(&[(10_000, 1200), (10_800, 1132), (11_300, 1131), (11_600, 1200), (11_700, 1200)]);
        assert_eq!(
            seconds(&s),
            [(10, 2, 1132, 1200, 1000, 200), (11, 3, 1131, 1200, 700, 600)],
            "the second 11 begins with what held since 10.8 s"
        );
        let t = s.totals;
        assert_eq!((t.readings, t.outside, t.excursions), (5, 2, 1));
        assert_eq!((t.outside_ns, t.longest_ns, t.excursion_ns), (800_000_000, 800_000_000, 0));
        assert_eq!((t.covered_ns, t.first_outside), (1_700_000_000, Some(ms(10_800))));
    }

    #[test]
    fn silence_is_neither_inside_nor_outside() {
        // Two seconds hold; the third second and the rest of the gap are nobody's.
        let s = series(&[(500, 1300), (60_000, 1300), (60_100, 1200)]);
        assert_eq!(
            seconds(&s),
            [
                (0, 1, 1300, 1300, 500, 500),
                (1, 0, 1300, 1300, 1000, 1000),
                (2, 0, 1300, 1300, 500, 500),
                (60, 2, 1200, 1300, 100, 100)
            ]
        );
        let t = s.totals;
        assert_eq!((t.excursions, t.longest_ns), (2, 2 * SECOND_NS));
    }

    #[test]
    fn late_readings_count_as_late_and_widen_the_totals() {
        let s = series(&[(1000, 1200), (2000, 1201), (1500, 1000), (2000, 1202), (2100, 1200)]);
        let t = s.totals;
        assert_eq!((t.readings, t.late, t.outside, t.excursions), (4, 1, 0, 0));
        assert_eq!((t.min_uv, t.max_uv, t.covered_ns), (1_000_000, 1_202_000, 1_100_000_000));
        assert_eq!(seconds(&s), [(1, 1, 1200, 1200, 1000, 0), (2, 3, 1200, 1202, 100, 0)]);
    }

    #[test]
    fn the_ends_of_the_clock() {
        let mut s = Series::beginning(Mono(i64::MIN), 1);
        s.take(Mono(i64::MIN), 1, false, HOLD);
        s.take(Mono(i64::MAX), 1, false, HOLD);
        s.take(Mono(i64::MAX), 1, true, HOLD);
        assert_eq!((s.totals.readings, s.totals.covered_ns), (3, HOLD));
    }
}
