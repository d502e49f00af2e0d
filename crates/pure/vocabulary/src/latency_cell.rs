//! The cells that latencies are kept in: how they are rounded so that few numbers stand for a million of them.
//!
//! A latency is known as an interval. Its lower end is rounded down and its upper end up, to whole numbers with at most
//! six binary digits in front of zeros: the interval only ever grows, and no latency is told to be shorter than it was. It is
//! integer arithmetic, so that the same latency falls into the same cell on every machine. `store` keeps the cells, and states
//! the same rule in SQL (`totals.sql`); `questions` makes quantiles from them.

/// How many binary digits are kept.
const DIGITS: u32 = 6;

/// A rounded latency is off by less than this part of the true one: 1/32.
pub const LATENCY_CELL_PART: i64 = 1 << (DIGITS - 1);

/// Greater latencies, of 146 years and more, count as this one.
const MOST_NS: i64 = 1 << 62;

/// An interval of latencies with rounded ends, in nanoseconds; both are included.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct LatencyCell {
    /// At most the true upper end times 1 + 1 / [`LATENCY_CELL_PART`], and never below it.
    pub to_ns: i64,
    /// At least the true lower end times 1 - 1 / [`LATENCY_CELL_PART`], and never above it.
    pub from_ns: i64,
}

impl LatencyCell {
    /// The cell of a latency that lies somewhere from `least_ns` to `most_ns`. Negative numbers count as 0, and ends that are
    /// crossed as one point.
    #[must_use]
    pub fn of(least_ns: i64, most_ns: i64) -> LatencyCell {
        LatencyCell { to_ns: rounded_up(most_ns), from_ns: rounded_down(least_ns.min(most_ns)) }
    }
}

/// How many of the last binary digits of a number are not kept.
fn dropped(ns: i64) -> u32 {
    (i64::BITS - ns.leading_zeros()).saturating_sub(DIGITS)
}

fn rounded_down(ns: i64) -> i64 {
    let ns = ns.clamp(0, MOST_NS);
    let drop = dropped(ns);
    ns >> drop << drop
}

fn rounded_up(ns: i64) -> i64 {
    let ns = ns.clamp(0, MOST_NS);
    let drop = dropped(ns);
    (ns + ((1 << drop) - 1)) >> drop << drop
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All small numbers, and those around each multiple of an eighth of a power of two.
    fn numbers() -> Vec<i64> {
        let mut numbers: Vec<i64> = (0..5_000).collect();
        for power in 10..62 {
            for eighth in 0..8 {
                let at = (1_i64 << power) + (eighth << (power - 3));
                numbers.extend((at - 3).max(0)..=at + 3);
            }
        }
        numbers.push(1 << 62);
        numbers.sort_unstable();
        numbers
    }

    #[test]
    fn examples_by_hand() {
        // 63 has six binary digits; 64 to 127 have seven, and keep every second number; 40 ms have 26.
        for (ns, down, up) in [
            (0, 0, 0),
            (1, 1, 1),
            (63, 63, 63),
            (64, 64, 64),
            (65, 64, 66),
            (127, 126, 128),
            (129, 128, 132),
            (40_000_000, 38 << 20, 39 << 20),
            (-5, 0, 0),
            (i64::MAX, 1 << 62, 1 << 62),
        ] {
            assert_eq!((rounded_down(ns), rounded_up(ns)), (down, up), "{ns}");
        }
        assert_eq!(LatencyCell::of(300, 200), LatencyCell { from_ns: 200, to_ns: 200 });
        assert_eq!(LatencyCell::of(i64::MIN, 129), LatencyCell { from_ns: 0, to_ns: 132 });
    }

    #[test]
    fn rounding_goes_outward_by_less_than_its_part_and_keeps_the_order() {
        let (mut down_before, mut up_before) = (0, 0);
        for ns in numbers() {
            let (down, up) = (rounded_down(ns), rounded_up(ns));
            assert!(down <= ns && ns <= up, "{ns}");
            let wide = |off: i64| i128::from(off) * i128::from(LATENCY_CELL_PART);
            assert!(ns == 0 || wide(ns - down) < i128::from(ns) && wide(up - ns) < i128::from(ns), "{ns}");
            assert!(down_before <= down && up_before <= up, "{ns}");
            assert_eq!((rounded_down(down), rounded_up(up)), (down, up), "what is rounded stays, {ns}");
            (down_before, up_before) = (down, up);
        }
    }

    #[test]
    fn a_power_of_two_has_no_more_than_its_part_of_cells() {
        let of = |power: u32| {
            let mut ends: Vec<i64> = (1_i64 << power..1 << (power + 1)).map(rounded_down).collect();
            ends.dedup();
            i64::try_from(ends.len()).unwrap()
        };
        assert!((5..20).all(|power| of(power) == LATENCY_CELL_PART));
    }
}
