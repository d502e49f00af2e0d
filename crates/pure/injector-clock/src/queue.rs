//! How long lines were on their way beyond the fastest ones: quantiles in bounded memory.

/// Eight classes for each power of two: a value is told to within an eighth.
const CLASSES: usize = 64 * 8;

/// The time that lines needed on top of what the fastest ones need, in nanoseconds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Queue {
    /// Half of the lines needed no more than this; told to within an eighth above.
    pub p50_ns: i64,
    /// 95 of 100 lines needed no more; told in the same way.
    pub p95_ns: i64,
    /// The slowest line needed this.
    pub max_ns: i64,
}

/// Counts of lines by their time.
#[derive(Clone, Debug)]
pub(crate) struct Spread {
    classes: Vec<u64>,
    lines: u64,
    max: u64,
}

impl Default for Spread {
    fn default() -> Spread {
        Spread { classes: vec![0; CLASSES], lines: 0, max: 0 }
    }
}

impl Spread {
    /// Counts a line; less than nothing is nothing.
    pub(crate) fn add(&mut self, ns: i64) {
        let ns = ns.max(0).unsigned_abs();
        if let Some(class) = self.classes.get_mut(class_of(ns)) {
            *class = class.saturating_add(1);
        }
        self.lines = self.lines.saturating_add(1);
        self.max = self.max.max(ns);
    }

    /// The quantiles, once there is a line.
    pub(crate) fn queue(&self) -> Option<Queue> {
        let quantile = |percent: u64| {
            let wanted = (u128::from(self.lines) * u128::from(percent)).div_ceil(100);
            let mut seen = 0;
            let within = self.classes.iter().position(|count| {
                seen += u128::from(*count);
                seen >= wanted
            });
            signed(last_of(within.unwrap_or(CLASSES)).min(self.max))
        };
        (self.lines > 0).then(|| Queue { p50_ns: quantile(50), p95_ns: quantile(95), max_ns: signed(self.max) })
    }
}

fn signed(ns: u64) -> i64 {
    i64::try_from(ns).unwrap_or(i64::MAX)
}

fn class_of(ns: u64) -> usize {
    if ns < 16 {
        return ns as usize;
    }
    // From 16 on: four bits of the number, the first of which is always 1.
    let power = ns.ilog2();
    let part = (ns >> (power - 3)) & 7;
    (power as usize - 2) * 8 + part as usize
}

/// The greatest value of a class.
fn last_of(class: usize) -> u64 {
    if class < 16 {
        return class as u64;
    }
    let (power, part) = (class / 8 + 2, (class % 8) as u128);
    let next = (8 + part + 1) << (power - 3);
    u64::try_from(next - 1).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn quantiles_are_nearest_ranks_to_within_an_eighth() {
        assert_eq!(Spread::default().queue(), None);
        let mut spread = Spread::default();
        (1..=100).for_each(|ms| spread.add(ms * 1_000_000));
        spread.add(-5);
        let queue = spread.queue().unwrap();
        assert!((50_000_000..=57_000_000).contains(&queue.p50_ns), "{queue:?}");
        assert!((95_000_000..=100_000_000).contains(&queue.p95_ns), "{queue:?}");
        assert_eq!(queue.max_ns, 100_000_000);
    }

    proptest! {
        #[test]
        fn every_value_lies_in_its_class(ns in any::<u64>()) {
            let class = class_of(ns);
            prop_assert!(class < CLASSES && ns <= last_of(class));
            prop_assert!(class == 0 || last_of(class - 1) < ns);
        }
    }
}
