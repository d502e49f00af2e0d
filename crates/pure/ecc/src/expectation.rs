//! The answer for one set of lines: per word, per burst, and over the time that the lines are held.

use crate::outcomes::{Outcomes, power};
use vocabulary::Class;

/// Which reports a working machine may make.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Classes {
    /// A corrected error.
    pub corrected: bool,
    /// An error that was not corrected.
    pub not_corrected: bool,
    /// None at all, although the lines were read from while they were forced.
    pub nothing: bool,
}

impl Classes {
    /// Whether a working machine may report this.
    #[must_use]
    pub fn allows(self, class: Class) -> bool {
        match class {
            Class::Corrected => self.corrected,
            Class::NotCorrected => self.not_corrected,
        }
    }

    /// The only class that a working machine may report, if there is just one.
    #[must_use]
    pub fn only(self) -> Option<Class> {
        match (self.corrected, self.not_corrected) {
            (true, false) => Some(Class::Corrected),
            (false, true) => Some(Class::NotCorrected),
            _ => None,
        }
    }
}

/// Probabilities for one burst: the read of one cache line while the lines are forced.
///
/// A controller makes one report of a burst, and the worst of its words decides: uncorrected if any word is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Burst {
    /// How many words of a burst go right or wrong each by itself. 1 where lines are only inverted: then all go the same way.
    pub words: u32,
    /// No bit of it is wrong.
    pub clean: f64,
    /// No report, whether bits are wrong or not.
    pub nothing: f64,
    /// Reported as corrected.
    pub corrected: f64,
    /// Reported as not corrected.
    pub uncorrected: f64,
    /// Reported as corrected, and all its data is right.
    pub corrected_rightly: f64,
}

impl Burst {
    pub(crate) fn of(word: &Outcomes, words: u32) -> Burst {
        let unreported = word.none + word.silent;
        let quiet = power(unreported, words);
        // All in one sum, so that a burst of one word is exactly its word.
        let no_uncorrected = power(unreported + word.corrected + word.miscorrected, words);
        let right = power(word.none + word.corrected, words) - power(word.none, words);
        Burst {
            words,
            clean: power(word.none, words),
            nothing: quiet,
            corrected: (no_uncorrected - quiet).max(0.0),
            uncorrected: (1.0 - no_uncorrected).max(0.0),
            corrected_rightly: right.max(0.0),
        }
    }

    /// Of several bursts that are equally likely to be the one that is read, from their words.
    fn mean(words: &[(Outcomes, u32)]) -> Option<Burst> {
        let mut bursts = words.iter().map(|(word, count)| Burst::of(word, *count));
        let first = bursts.next()?;
        let sum = bursts.fold(first, |sum, burst| Burst {
            words: sum.words,
            clean: sum.clean + burst.clean,
            nothing: sum.nothing + burst.nothing,
            corrected: sum.corrected + burst.corrected,
            uncorrected: sum.uncorrected + burst.uncorrected,
            corrected_rightly: sum.corrected_rightly + burst.corrected_rightly,
        });
        let n = words.len() as f64;
        Some(Burst {
            words: sum.words,
            clean: sum.clean / n,
            nothing: sum.nothing / n,
            corrected: sum.corrected / n,
            uncorrected: sum.uncorrected / n,
            corrected_rightly: sum.corrected_rightly / n,
        })
    }
}

/// What is to be expected when certain lines of a slot are forced in a certain way.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Expectation {
    /// What becomes of a word; nothing where the code or the lines are not known. On DDR5 a word of a sub-channel with forced
    /// lines; where both have some, the mean of the two.
    pub word: Option<Outcomes>,
    /// What becomes of a burst, likewise.
    pub burst: Option<Burst>,
    /// The share of the slot's reads that go over forced lines: one half where one of two sub-channels has them all.
    pub share: f64,
    /// Which reports a working machine may make. Everything, where nothing is known.
    pub may_report: Classes,
}

/// What a shot is likely to show, from how long it was held and how much was read.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Seen {
    /// How many bursts were read from the slot during the hold, on the average.
    pub reads: f64,
    /// The probability that at least one wrong word was read.
    pub wrong_p: f64,
    /// The probability of at least one report.
    pub reported_p: f64,
    /// The probability that there is a report and the first says corrected.
    pub corrected_first_p: f64,
    /// The probability that there is a report and the first says not corrected.
    pub not_corrected_first_p: f64,
}

/// How long a burst is on the lines, in nanoseconds: 8 beats at 3200 million a second, or 16 at 6400 million.
const BURST_NS: f64 = 2.5;

impl Expectation {
    /// Nothing is known: everything may be reported.
    #[must_use]
    pub fn unknown() -> Expectation {
        let may_report = Classes { corrected: true, not_corrected: true, nothing: true };
        Expectation { word: None, burst: None, share: 1.0, may_report }
    }

    /// From the words that have forced lines, each with how many of it in a burst go wrong each by itself.
    pub(crate) fn of(words: &[(Outcomes, u32)], share: f64) -> Expectation {
        let word = Outcomes::mean(words);
        let may_report = Classes {
            corrected: word.corrected + word.miscorrected > 0.0,
            not_corrected: word.uncorrected > 0.0,
            nothing: word.none + word.silent > 0.0,
        };
        Expectation { word: Some(word), burst: Burst::mean(words), share, may_report }
    }

    /// The probability that the first report, if there is one, says corrected; nothing where that is not known, and where no
    /// report is possible.
    #[must_use]
    pub fn corrected_first(&self) -> Option<f64> {
        let burst = self.burst?;
        let reported = burst.corrected + burst.uncorrected;
        (reported > 0.0).then(|| burst.corrected / reported)
    }

    /// The probability that a burst which was reported as corrected delivered wrong data; nothing where that is not known, and
    /// where no such report is possible.
    #[must_use]
    pub fn wrong_if_corrected(&self) -> Option<f64> {
        let burst = self.burst.filter(|burst| burst.corrected > 0.0)?;
        Some((1.0 - burst.corrected_rightly / burst.corrected).clamp(0.0, 1.0))
    }

    /// Whether a report that says corrected would more likely than not hide wrong data. Such a report is no pass.
    #[must_use]
    pub fn dangerous(&self) -> bool {
        self.wrong_if_corrected().is_some_and(|wrong| wrong > 0.5)
    }

    /// What a shot is likely to show: held for so many nanoseconds, with so many bursts a second read from the slot, at random times.
    /// Nothing where the code or the lines are not known.
    ///
    /// Reads of a Poisson process are kept with the probability that matters and so make another (thinning). The mean number of
    /// bursts that meet the hold is `reads_per_second` × (hold + one burst), since one that is on the lines as the hold begins is hit.
    /// Then P(at least one with the property q) = 1 − exp(−reads × share × q).
    #[must_use]
    pub fn shot(&self, hold_ns: i64, reads_per_second: f64) -> Option<Seen> {
        let burst = self.burst?;
        let rate = if reads_per_second > 0.0 { reads_per_second } else { 0.0 };
        let reads = rate * (hold_ns.max(0) as f64 + BURST_NS) * 1e-9;
        let at_least_one = |p: f64| -libm::expm1(-reads * self.share * p);
        let reported_p = at_least_one(1.0 - burst.nothing);
        let corrected_first_p = reported_p * self.corrected_first().unwrap_or(0.0);
        Some(Seen {
            reads,
            wrong_p: at_least_one(1.0 - burst.clean),
            reported_p,
            corrected_first_p,
            not_corrected_first_p: reported_p - corrected_first_p,
        })
    }
}
