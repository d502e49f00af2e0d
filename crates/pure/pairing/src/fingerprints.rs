//! Which syndromes the same forced lines gave before, and which came by chance.
//!
//! Under a linear code the syndrome depends on the error alone (any textbook, such as Lin and Costello, Error Control Coding, chapter
//! 3), so the same lines forced on the same slot give the same syndrome, and a module that fails on its own repeats another.
//! Drivers differ in what they call a syndrome, and data can mask a line: how often one repeats is learned too, and where it
//! never does, a syndrome says nothing. `chain`, `elsewhere` and `crowd` ask through `Model`; `settle` teaches, and asks what an
//! orphan looks like.

use crate::table::LaneNo;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use vocabulary::{LooksLike, Mono, ShotKey};

/// The probability of one certain syndrome where nothing is known: about one of those that eight check bits have.
const ANY: f64 = 1.0 / 256.0;
/// No syndrome makes a cause more or less likely than by this.
pub(crate) const MOST_AGREEMENT: f64 = 200.0;
/// The most kinds of forcing that are remembered over all slots, and the most syndromes of each.
const MOST_KINDS: usize = 8_192;
const MOST_SYNDROMES: usize = 8;

/// Lines are known to give a syndrome if they gave it that often, and in this share of all reports about them.
const GIVES: f64 = 0.5;
const GIVES_SHARE: f64 = 0.1;
/// A syndrome speaks of its cause only where the same lines repeat theirs at least that often.
const REPEATS: f64 = 0.5;

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
    /// By slot and forced lines: the last shot that nothing was said of, and when it was fired.
    silent: BTreeMap<(LaneNo, u64), (Mono, ShotKey)>,
    chance: BTreeMap<LaneNo, Seen>,
    /// How often a syndrome was one that the same lines gave before, of so many.
    repeated: (f64, f64),
}

impl Default for Fingerprints {
    fn default() -> Fingerprints {
        Fingerprints { forced: BTreeMap::new(), silent: BTreeMap::new(), chance: BTreeMap::new(), repeated: (1.0, 2.0) }
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
        (caused / by_chance.max(ANY / MOST_AGREEMENT)).clamp(1.0 / MOST_AGREEMENT, MOST_AGREEMENT)
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

    /// Nothing was said of a shot within its window: a report about it may still come.
    pub(crate) fn note_silent(&mut self, lane: LaneNo, forced: u64, fired: Mono, shot: ShotKey) {
        if forced == 0 || self.silent.len() >= MOST_KINDS && !self.silent.contains_key(&(lane, forced)) {
            return;
        }
        let last = self.silent.entry((lane, forced)).or_insert((fired, shot));
        *last = (*last).max((fired, shot));
    }

    /// What the syndrome of a report that no shot explains says. The shot that it names is not named again.
    pub(crate) fn looks_like(&mut self, lane: LaneNo, syndrome: Option<u64>, seen: Mono) -> Option<LooksLike> {
        let syndrome = syndrome.filter(|_| self.repeated.0 >= REPEATS * self.repeated.1)?;
        let mut learned = false;
        let mut best: Option<(f64, u64)> = None;
        for ((_, forced), known) in self.forced.range((lane, 0)..=(lane, u64::MAX)) {
            learned |= known.all >= GIVES;
            let share = known.share(syndrome);
            let gave = share * known.all;
            if share >= GIVES_SHARE && gave >= GIVES && best.is_none_or(|(most, _)| gave > most) {
                best = Some((gave, *forced));
            }
        }
        let Some((_, forced)) = best else { return learned.then_some(LooksLike::UnknownFingerprint) };
        let silent = self.silent.get(&(lane, forced)).filter(|(fired, _)| *fired <= seen).map(|(_, shot)| *shot);
        if silent.is_some() {
            self.silent.remove(&(lane, forced));
        }
        Some(LooksLike::LateReport { shot: silent })
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
    fn an_orphan_is_told_by_the_lines_that_give_its_syndrome() {
        let mut known = Fingerprints::default();
        let key = |injection| ShotKey { injection, n: 1 };
        // Nothing is known of the slot yet.
        assert_eq!(known.looks_like(0, Some(0xb5), Mono(50)), None);
        for _ in 0..3 {
            known.learn(0, 7, Some(0xb5), 1.0);
            known.learn(0, 8, Some(0x17), 1.0);
        }
        known.note_silent(0, 7, Mono(20), key(2));
        known.note_silent(0, 7, Mono(10), key(1));
        known.note_silent(0, 7, Mono(60), key(3));
        // Fired after the report, that shot cannot be its cause; and each is named once.
        assert_eq!(known.looks_like(0, Some(0xb5), Mono(50)), Some(LooksLike::LateReport { shot: None }));
        assert_eq!(known.looks_like(0, Some(0xb5), Mono(70)), Some(LooksLike::LateReport { shot: Some(key(3)) }));
        assert_eq!(known.looks_like(0, Some(0xb5), Mono(80)), Some(LooksLike::LateReport { shot: None }));
        assert_eq!(known.looks_like(0, Some(0x99), Mono(80)), Some(LooksLike::UnknownFingerprint));
        assert_eq!((known.looks_like(1, Some(0xb5), Mono(80)), known.looks_like(0, None, Mono(80))), (None, None));
    }

    #[test]
    fn syndromes_that_never_repeat_say_nothing() {
        let mut known = Fingerprints::default();
        for n in 0..500 {
            known.learn(0, 7, Some(n), 1.0);
        }
        let ratio = known.ratio(0, 7, 0, Some(9_999));
        assert!((0.9..1.1).contains(&ratio), "{ratio}");
        assert_eq!(known.looks_like(0, Some(9_999), Mono(0)), None);
    }
}
