//! What a working machine may report of a shot, as the code of its slot has it.
//!
//! Shares are whole millionths, so that what is stored and what is kept in memory are the same number. The hub works this out
//! for each injection, pairing weighs reports by it and calls those outside it misgraded, the store keeps it.

use crate::{Class, Severity};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// A whole, in millionths.
pub const WHOLE_PPM: u32 = 1_000_000;

/// Which reports a working machine may give of a shot.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Expected {
    /// The share of reports that say corrected, in millionths; nothing where that is not known.
    pub corrected_ppm: Option<u32>,
    /// Of the reports that say corrected, the share in which the code took several wrong bits for another one, so that the
    /// data are wrong: a miscorrection. In millionths.
    pub miscorrected_ppm: u32,
}

impl Expected {
    /// Nothing is known: any report will do.
    pub const ANY: Expected = Expected { corrected_ppm: None, miscorrected_ppm: 0 };

    /// Exactly this class, because somebody who knows says so.
    #[must_use]
    pub fn only(severity: Severity) -> Expected {
        let corrected = severity.class() == Class::Corrected;
        Expected { corrected_ppm: Some(if corrected { WHOLE_PPM } else { 0 }), miscorrected_ppm: 0 }
    }

    /// The share of a working machine's reports that are of this class; nothing where that is not known.
    #[must_use]
    pub fn share(self, class: Class) -> Option<f64> {
        let corrected = f64::from(self.corrected_ppm?.min(WHOLE_PPM)) / f64::from(WHOLE_PPM);
        Some(if class == Class::Corrected { corrected } else { 1.0 - corrected })
    }

    /// Whether a working machine may report this class.
    #[must_use]
    pub fn allows(self, class: Class) -> bool {
        self.share(class).is_none_or(|share| share > 0.0)
    }

    /// The class, where only one is allowed.
    #[must_use]
    pub fn class(self) -> Option<Class> {
        match self.corrected_ppm? {
            0 => Some(Class::NotCorrected),
            WHOLE_PPM.. => Some(Class::Corrected),
            _ => None,
        }
    }

    /// Whether a report of this class more likely than not stands for wrong data that somebody was told are right.
    #[must_use]
    pub fn is_dangerous(self, class: Class) -> bool {
        class == Class::Corrected && self.miscorrected_ppm > WHOLE_PPM / 2
    }
}

/// What is worked out for an injection before it is fired.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Foreseen {
    /// Which reports a working machine may give.
    pub expected: Expected,
    /// The code that this follows from, by name; nothing where the sender or the configuration says what to expect, or nobody
    /// knows.
    pub code: Option<Arc<str>>,
    /// Probability that a shot makes an error that is read and reported, in millionths; nothing where that is not known.
    pub seen_ppm: Option<u32>,
    /// The syndromes that the code can give, in rising order; empty where the matrix is not known.
    pub syndromes: Vec<u64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_allowed_and_what_is_dangerous() {
        use Class::{Corrected, NotCorrected};
        let told = |corrected_ppm, miscorrected_ppm| {
            let e = Expected { corrected_ppm, miscorrected_ppm };
            (e.allows(Corrected), e.allows(NotCorrected), e.class(), e.is_dangerous(Corrected))
        };
        assert_eq!(told(None, 0), (true, true, None, false));
        assert_eq!(told(Some(WHOLE_PPM), 0), (true, false, Some(Corrected), false));
        assert_eq!(told(Some(0), 0), (false, true, Some(NotCorrected), false));
        // Three wrong bits under SEC-DED: more than half are taken for another single one.
        assert_eq!(told(Some(562_844), WHOLE_PPM), (true, true, None, true));
        assert!(!Expected { corrected_ppm: Some(1), miscorrected_ppm: WHOLE_PPM }.is_dangerous(NotCorrected));
        assert!(!Expected { corrected_ppm: Some(1), miscorrected_ppm: WHOLE_PPM / 2 }.is_dangerous(Corrected));
        assert_eq!(Expected::only(Severity::Fatal).class(), Some(NotCorrected));
        assert_eq!(Expected::ANY.share(Corrected), None);
        assert_eq!(Expected { corrected_ppm: Some(250_000), miscorrected_ppm: 0 }.share(NotCorrected), Some(0.75));
    }
}
