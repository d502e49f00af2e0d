//! What the run teaches about how often things happen: misses, wrong blame, other severities, reports that nobody provoked.
//!
//! Every count is of probabilities, not of best answers, which would be biased. Every rate starts from a prior that is worth
//! little and is never zero. The priors are orders of magnitude, not measurements.

use crate::table::LaneNo;
use serde::{Deserialize, Serialize};
use vocabulary::{Class, Expected, Mono};

/// A share that is learned: so many of so many.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Share {
    yes: f64,
    all: f64,
    share: f64,
}

impl Share {
    fn prior(share: f64, worth: f64) -> Share {
        Share { yes: share * worth, all: worth, share }
    }

    /// The old fades: what was learned while little was known must not weigh for ever.
    fn learn(&mut self, yes: f64, all: f64) {
        let keep = 1.0 - all / MEMORY;
        self.yes = self.yes * keep + yes;
        self.all = self.all * keep + all;
        self.share = self.yes / self.all;
    }
}

/// See the module's page.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Rates {
    missed: Share,
    misplaced: Share,
    placeless: Share,
    misgraded: Share,
    echoed: Share,
    /// How often a report with a count has more errors than shots explain.
    spare: Share,
    /// How often the errors that nobody provoked are corrected ones, and those that were provoked.
    corrected: Share,
    provoked_corrected: Share,
    /// Reports by slot that nobody provoked, those without a place, and all of them, each times `fade`.
    background: Vec<f64>,
    /// The least of `background`.
    background_least: f64,
    background_placeless: f64,
    background_all: f64,
    /// The seconds in which they came up to `watched`, faded as they are.
    seconds: f64,
    watched: Option<Mono>,
    /// What a report of the past counts by now; a factor, so that not every count must be touched when one comes.
    fade: f64,
    slots: usize,
    /// Shots a second over all slots, and when the last one was fired.
    firing: f64,
    fired: Option<Mono>,
}

/// Shares are those of about so many shots.
const MEMORY: f64 = 10_000.0;
/// The background is that of about so many reports that nobody provoked.
const MEMORY_REPORTS: f64 = 1_000.0;
/// How many events of the average slot a slot's own background starts from.
const AVERAGE_EVENTS: f64 = 1.0;

/// A background of nearly nothing, worth this many seconds of watching: a good module soon shows that it has less.
const BACKGROUND_EVENTS: f64 = 0.1;
const BACKGROUND_SECONDS: f64 = 100.0;
/// Before the factor loses digits, all counts are multiplied by it.
const SMALLEST_FADE: f64 = 1e-30;
/// The rate of firing is that of about the last so many seconds.
const FIRING_SECONDS: f64 = 20.0;

impl Default for Rates {
    fn default() -> Rates {
        Rates {
            missed: Share::prior(0.015, 10.0),
            misplaced: Share::prior(0.01, 10.0),
            placeless: Share::prior(0.05, 1.0),
            misgraded: Share::prior(0.005, 20.0),
            echoed: Share::prior(0.1, 1.0),
            spare: Share::prior(0.3, 5.0),
            corrected: Share::prior(0.9, 10.0),
            provoked_corrected: Share::prior(0.9, 10.0),
            background: Vec::new(),
            background_least: 0.0,
            background_placeless: 0.0,
            background_all: 0.0,
            seconds: 0.0,
            watched: None,
            fade: 1.0,
            slots: 0,
            firing: 0.0,
            fired: None,
        }
    }
}

impl Rates {
    /// Time has come to be known; the first is where rates count from.
    pub(crate) fn note_time(&mut self, at: Mono) {
        self.watched.get_or_insert(at);
    }

    pub(crate) fn note_slots(&mut self, slots: usize) {
        self.slots = slots;
        if self.background.len() < slots {
            self.background.resize(slots, 0.0);
            self.background_least = 0.0;
        }
    }

    /// A shot was fired.
    pub(crate) fn note_shot(&mut self, fired: Mono, expect: Expected) {
        let seconds = self.fired.map_or(0.0, |last| fired.since(last).max(0) as f64 / 1e9);
        self.firing = self.firing * libm::exp(-seconds / FIRING_SECONDS) + 1.0 / FIRING_SECONDS;
        self.fired = Some(self.fired.map_or(fired, |last| last.max(fired)));
        let corrected = expect.share(Class::Corrected).unwrap_or(0.5);
        self.provoked_corrected.learn(corrected, 1.0);
    }

    /// Probability that nothing is said of a shot.
    pub(crate) fn missed(&self) -> f64 {
        self.missed.share
    }

    /// Probability that a shot is reported at one certain other slot.
    pub(crate) fn misplaced(&self) -> f64 {
        self.misplaced.share / self.others()
    }

    /// Probability that a shot is reported without a place.
    pub(crate) fn placeless(&self) -> f64 {
        self.placeless.share
    }

    /// Probability that a shot is reported, on its own slot.
    pub(crate) fn placed(&self) -> f64 {
        (1.0 - self.missed.share - self.misplaced.share - self.placeless.share).max(0.01)
    }

    /// Probability of the severity class of a report, given what the shot should be reported as.
    pub(crate) fn graded(&self, expected: Expected, said: Class) -> f64 {
        let wrong = self.misgraded.share;
        expected.share(said).map_or(0.5, |share| share * (1.0 - wrong) + (1.0 - share) * wrong)
    }

    /// How many further reports a detected shot gives.
    pub(crate) fn echoed(&self) -> f64 {
        self.echoed.share
    }

    /// Probability that a report with a count has more errors than shots explain.
    pub(crate) fn spare(&self) -> f64 {
        self.spare.share.clamp(1e-3, 0.999)
    }

    /// Reports a second of one class that nobody provoked: of a slot, or of those without a place.
    pub(crate) fn background(&self, lane: Option<LaneNo>, class: Class, now: Mono) -> f64 {
        let seen = match lane {
            Some(lane) => self.background.get(lane).copied().unwrap_or(0.0),
            None => self.background_placeless,
        };
        self.background_rate(seen, class, now)
    }

    /// The same of the slot where it is least.
    pub(crate) fn least_background(&self, class: Class, now: Mono) -> f64 {
        self.background_rate(self.background_least, class, now)
    }

    /// Reports a second of one class on a slot about shots at other slots.
    pub(crate) fn inflow(&self, class: Class) -> f64 {
        let corrected = self.provoked_corrected.share;
        let share = if class == Class::Corrected { corrected } else { 1.0 - corrected };
        self.firing * self.misplaced.share / self.slots.max(2) as f64 * share
    }

    fn background_rate(&self, seen: f64, class: Class, now: Mono) -> f64 {
        let corrected = self.corrected.share;
        let share = if class == Class::Corrected { corrected } else { 1.0 - corrected };
        let seconds = self.seconds + self.watched.map_or(0, |watched| now.since(watched).max(0)) as f64 / 1e9;
        let average = (self.fade * self.background_all / self.slots.max(1) as f64 + BACKGROUND_EVENTS)
            / (seconds + BACKGROUND_SECONDS);
        // As if the slot had been watched for as much longer as the average slot needs for AVERAGE_EVENTS.
        share * (self.fade * seen + AVERAGE_EVENTS) / (seconds + AVERAGE_EVENTS / average)
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

    /// A report with a count is settled: with this probability it has more errors than shots explain.
    pub(crate) fn learn_spare(&mut self, spare: f64) {
        self.spare.learn(spare, 1.0);
    }

    /// A report is settled now: with these probabilities nobody provoked it, or it was an echo.
    pub(crate) fn learn_report(
        &mut self,
        lane: Option<LaneNo>,
        class: Class,
        (unprovoked, echo): (f64, f64),
        now: Mono,
    ) {
        let keep = 1.0 - unprovoked / MEMORY_REPORTS;
        self.seconds += self.watched.map_or(0, |watched| now.since(watched).max(0)) as f64 / 1e9;
        self.watched = self.watched.map(|watched| watched.max(now));
        self.seconds *= keep;
        self.fade *= keep;
        let counts = unprovoked / self.fade;
        self.background_all += counts;
        match lane {
            Some(lane) => {
                if let Some(seen) = self.background.get_mut(lane) {
                    *seen += counts;
                }
            }
            None => self.background_placeless += counts,
        }
        if self.fade < SMALLEST_FADE {
            let each = self.background.iter_mut().chain([&mut self.background_placeless, &mut self.background_all]);
            each.for_each(|seen| *seen *= self.fade);
            self.fade = 1.0;
        }
        self.background_least = self.background.iter().copied().reduce(f64::min).unwrap_or(0.0);
        self.corrected.learn(if class == Class::Corrected { unprovoked } else { 0.0 }, unprovoked);
        self.echoed.learn(echo, 0.0);
    }

    /// A shot was detected, with this probability: it may have echoes.
    pub(crate) fn learn_detected(&mut self, weight: f64) {
        self.echoed.learn(0.0, weight);
    }

    fn others(&self) -> f64 {
        self.slots.saturating_sub(1).max(1) as f64
    }
}
