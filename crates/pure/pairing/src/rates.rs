//! What the run teaches about how often things happen: misses, wrong blame, other severities, reports that nobody provoked.
//!
//! Every count is of probabilities, not of best answers, which would be biased. Every rate starts from a prior that is worth
//! little and is never zero. The priors are orders of magnitude, not measurements.

use std::collections::BTreeMap;
use vocabulary::{Class, Mono, SlotId};

/// A share that is learned: so many of so many.
#[derive(Clone, Copy, Debug)]
struct Share {
    yes: f64,
    all: f64,
}

impl Share {
    fn prior(share: f64, worth: f64) -> Share {
        Share { yes: share * worth, all: worth }
    }

    fn get(self) -> f64 {
        self.yes / self.all
    }

    /// The old fades: what was learned while little was known must not weigh for ever.
    fn learn(&mut self, yes: f64, all: f64) {
        let keep = 1.0 - all / MEMORY_SHOTS;
        self.yes = self.yes * keep + yes;
        self.all = self.all * keep + all;
    }
}

/// See the module's page.
#[derive(Clone, Debug)]
pub(crate) struct Rates {
    missed: Share,
    misplaced: Share,
    placeless: Share,
    misgraded: Share,
    echoed: Share,
    /// How often the errors that nobody provoked are corrected ones.
    corrected: Share,
    background: BTreeMap<Option<SlotId>, f64>,
    background_all: f64,
    began: Option<Mono>,
    slots: usize,
}

/// Shares are those of about so many shots.
const MEMORY_SHOTS: f64 = 20_000.0;
/// How many events of the average slot a slot's own background starts from.
const AVERAGE_EVENTS: f64 = 1.0;

/// A background of nearly nothing, worth this many seconds of watching: a good module has none in a day.
const BACKGROUND_EVENTS: f64 = 0.05;
const BACKGROUND_SECONDS: f64 = 100.0;

impl Default for Rates {
    fn default() -> Rates {
        Rates {
            missed: Share::prior(0.01, 10.0),
            misplaced: Share::prior(0.01, 10.0),
            placeless: Share::prior(0.05, 1.0),
            misgraded: Share::prior(0.005, 20.0),
            echoed: Share::prior(0.05, 10.0),
            corrected: Share::prior(0.9, 10.0),
            background: BTreeMap::new(),
            background_all: 0.0,
            began: None,
            slots: 0,
        }
    }
}

impl Rates {
    /// Time has come to be known; the first is where rates count from.
    pub(crate) fn note_time(&mut self, at: Mono) {
        self.began.get_or_insert(at);
    }

    pub(crate) fn note_slots(&mut self, slots: usize) {
        self.slots = slots;
    }

    /// Probability that nothing is said of a shot.
    pub(crate) fn missed(&self) -> f64 {
        self.missed.get()
    }

    /// Probability that a shot is reported at one certain other slot.
    pub(crate) fn misplaced(&self) -> f64 {
        self.misplaced.get() / (self.slots.saturating_sub(1).max(1)) as f64
    }

    /// Probability that a shot is reported without a place.
    pub(crate) fn placeless(&self) -> f64 {
        self.placeless.get()
    }

    /// Probability that a shot is reported, on its own slot.
    pub(crate) fn placed(&self) -> f64 {
        (1.0 - self.missed.get() - self.misplaced.get() - self.placeless.get()).max(0.01)
    }

    /// Probability of the severity class of a report, given what the shot should be reported as.
    pub(crate) fn graded(&self, expected: Option<Class>, said: Class) -> f64 {
        match expected {
            Some(expected) if expected == said => 1.0 - self.misgraded.get(),
            Some(_) => self.misgraded.get(),
            None => 0.5,
        }
    }

    /// How many further reports a detected shot gives.
    pub(crate) fn echoed(&self) -> f64 {
        self.echoed.get()
    }

    /// Reports a second on a slot that nobody provoked, of one class.
    pub(crate) fn background(&self, slot: Option<SlotId>, class: Class, now: Mono) -> f64 {
        let corrected = self.corrected.get();
        let share = if class == Class::Corrected { corrected } else { 1.0 - corrected };
        self.background_rate(slot, now) * share
    }

    /// Reports a second on a slot that nobody provoked.
    pub(crate) fn background_rate(&self, slot: Option<SlotId>, now: Mono) -> f64 {
        let seconds = self.began.map_or(0, |began| now.since(began).max(0)) as f64 / 1e9;
        let seen = self.background.get(&slot).copied().unwrap_or(0.0);
        let average =
            (self.background_all / self.slots.max(1) as f64 + BACKGROUND_EVENTS) / (seconds + BACKGROUND_SECONDS);
        // As if the slot had been watched for as much longer as the average slot needs for AVERAGE_EVENTS.
        (seen + AVERAGE_EVENTS) / (seconds + AVERAGE_EVENTS / average)
    }

    /// A shot is settled: with these probabilities it was missed, reported elsewhere, reported without a place.
    pub(crate) fn learn_shot(&mut self, missed: f64, misplaced: f64, placeless: f64) {
        self.missed.learn(missed, 1.0);
        self.misplaced.learn(misplaced, 1.0);
        self.placeless.learn(placeless, 1.0);
    }

    /// A shot that expects a class got a report of that class or not, with this probability.
    pub(crate) fn learn_grade(&mut self, as_expected: bool, weight: f64) {
        self.misgraded.learn(if as_expected { 0.0 } else { weight }, weight);
    }

    /// A report is settled: with these probabilities nobody provoked it, or it was an echo.
    pub(crate) fn learn_report(&mut self, slot: Option<SlotId>, class: Class, unprovoked: f64, echo: f64) {
        *self.background.entry(slot).or_default() += unprovoked;
        self.background_all += unprovoked;
        self.corrected.learn(if class == Class::Corrected { unprovoked } else { 0.0 }, unprovoked);
        self.echoed.yes += echo;
    }

    /// A shot was detected, with this probability: it may have echoes.
    pub(crate) fn learn_detected(&mut self, weight: f64) {
        self.echoed.all += weight;
    }
}
