//! Which syndromes the same forced lines gave before, and which came by chance.
//!
//! Under a linear code the syndrome depends on the error alone (any textbook, such as Lin and Costello, Error Control Coding, chapter
//! 3), so the same lines forced on the same slot give the same syndrome, and a module that fails on its own repeats another.
//! Drivers differ in what they call a syndrome, and data can mask a line: how often one repeats is learned too, and where it
//! never does, a syndrome says nothing. `chain`, `elsewhere` and `crowd` ask through `Model`; `settle` teaches.

use crate::table::LaneNo;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The probability of one certain syndrome where nothing is known: about one of those that eight check bits have.
const ANY: f64 = 1.0 / 256.0;
/// No syndrome makes a cause more or less likely than by this.
const MOST: f64 = 200.0;
/// The most kinds of forcing that are remembered over all slots, and the most syndromes of each.
const MOST_KINDS: usize = 8_192;
const MOST_SYNDROMES: usize = 8;

/// Syndromes with the weight of the reports that had them.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Seen {
    all: f64,
    of: Vec<(u64, f64)>,
}

impl Seen {
    /// The share of what was seen that had this syndrome.
    fn share(&self, syndrome: u64) -> f64 {
        let found = self.of.iter().find(|(known, _)| *known == syndrome);
        found.map_or(0.0, |(_, weight)| weight / self.all)
    }

    fn learn(&mut self, syndrome: u64, weight: f64) {
        self.all += weight;
        if let Some((_, seen)) = self.of.iter_mut().find(|(known, _)| *known == syndrome) {
            *seen += weight;
        } else if self.of.len() < MOST_SYNDROMES {
            self.of.push((syndrome, weight));
        }
    }
}

/// See the module's page.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Fingerprints {
    forced: BTreeMap<(LaneNo, u64), Seen>,
    chance: BTreeMap<LaneNo, Seen>,
    /// How often a syndrome was one that the same lines gave before, of so many.
    repeated: (f64, f64),
}

impl Default for Fingerprints {
    fn default() -> Fingerprints {
        Fingerprints { forced: BTreeMap::new(), chance: BTreeMap::new(), repeated: (1.0, 2.0) }
    }
}

impl Fingerprints {
    /// How many times likelier a syndrome is where these lines were forced at the slot than by chance on the slot of the
    /// report; 1 where one of both is not known.
    pub(crate) fn ratio(&self, lane: LaneNo, forced: u64, reported: LaneNo, syndrome: Option<u64>) -> f64 {
        let Some(syndrome) = syndrome.filter(|_| forced != 0) else { return 1.0 };
        let Some(seen) = self.forced.get(&(lane, forced)) else { return 1.0 };
        let repeats = self.repeated.0 / self.repeated.1;
        let caused = repeats * seen.share(syndrome) + (1.0 - repeats) * ANY;
        let by_chance = self.chance.get(&reported).map_or(ANY, |seen| {
            let known = seen.all / (seen.all + 1.0);
            known * seen.share(syndrome) + (1.0 - known) * ANY
        });
        (caused / by_chance.max(ANY / MOST)).clamp(1.0 / MOST, MOST)
    }

    /// A report that was most likely about a shot.
    pub(crate) fn learn(&mut self, lane: LaneNo, forced: u64, syndrome: Option<u64>, weight: f64) {
        let Some(syndrome) = syndrome.filter(|_| forced != 0) else { return };
        if self.forced.len() >= MOST_KINDS && !self.forced.contains_key(&(lane, forced)) {
            return;
        }
        let seen = self.forced.entry((lane, forced)).or_default();
        if seen.all >= 1.0 {
            self.repeated.0 += weight * seen.share(syndrome);
            self.repeated.1 += weight;
        }
        seen.learn(syndrome, weight);
    }

    /// A report that nobody provoked, most likely.
    pub(crate) fn learn_chance(&mut self, lane: LaneNo, syndrome: Option<u64>, weight: f64) {
        if let Some(syndrome) = syndrome {
            self.chance.entry(lane).or_default().learn(syndrome, weight);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_known_syndrome_speaks_for_its_lines_and_another_against() {
        let mut known = Fingerprints::default();
        assert_eq!(known.ratio(0, 7, 0, Some(0xb5)), 1.0);
        for _ in 0..20 {
            known.learn(0, 7, Some(0xb5), 1.0);
        }
        assert!(known.ratio(0, 7, 0, Some(0xb5)) > 100.0);
        assert!(known.ratio(0, 7, 0, Some(0x17)) < 0.2);
        // Other lines, another slot, and a record without a syndrome say nothing.
        for ratio in [known.ratio(0, 8, 0, Some(0xb5)), known.ratio(1, 7, 0, Some(0xb5)), known.ratio(0, 7, 0, None)] {
            assert_eq!(ratio, 1.0);
        }
        // A module that fails on its own with that very syndrome takes the force out of it.
        for _ in 0..20 {
            known.learn_chance(0, Some(0xb5), 1.0);
        }
        assert!(known.ratio(0, 7, 0, Some(0xb5)) < 2.0);
    }

    #[test]
    fn syndromes_that_never_repeat_say_nothing() {
        let mut known = Fingerprints::default();
        for n in 0..500 {
            known.learn(0, 7, Some(n), 1.0);
        }
        let ratio = known.ratio(0, 7, 0, Some(9_999));
        assert!((0.9..1.1).contains(&ratio), "{ratio}");
    }
}
