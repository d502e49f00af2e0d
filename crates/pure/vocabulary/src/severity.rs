//! How bad the kernel says an error was.

use serde::{Deserialize, Serialize};

/// Severity as the kernel's memory-controller event has it.
///
/// Source: `enum hw_event_mc_err_type` and `mc_event_error_type()` in the kernel's `include/linux/edac.h`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// The error was corrected.
    Corrected,
    /// The error could not be corrected.
    Uncorrected,
    /// Not corrected, and not yet consumed by anybody.
    Deferred,
    /// Not corrected, and the machine may not go on.
    Fatal,
    /// For information; every number that the kernel does not know prints as this.
    Info,
}

/// What matching compares: drivers call the same error uncorrected or fatal depending on who found it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub enum Class {
    /// Corrected.
    Corrected,
    /// Everything else; the kernel counts all of it in its uncorrected counters.
    NotCorrected,
}

impl Severity {
    /// The severity for the number in the kernel's record.
    #[must_use]
    pub fn from_kernel(error_type: u32) -> Severity {
        match error_type {
            0 => Severity::Corrected,
            1 => Severity::Uncorrected,
            2 => Severity::Deferred,
            3 => Severity::Fatal,
            _ => Severity::Info,
        }
    }

    /// Corrected, or not.
    #[must_use]
    pub fn class(self) -> Class {
        match self {
            Severity::Corrected => Class::Corrected,
            _ => Class::NotCorrected,
        }
    }

    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Severity::Corrected => "corrected",
            Severity::Uncorrected => "uncorrected",
            Severity::Deferred => "deferred",
            Severity::Fatal => "fatal",
            Severity::Info => "info",
        }
    }

    /// The severity that a word names.
    #[must_use]
    pub fn parse(word: &str) -> Option<Severity> {
        [Severity::Corrected, Severity::Uncorrected, Severity::Deferred, Severity::Fatal, Severity::Info]
            .into_iter()
            .find(|s| s.word() == word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_the_kernel_header() {
        // include/linux/edac.h: HW_EVENT_ERR_CORRECTED.. in this order; any other number prints as Info.
        let words: Vec<_> = [0, 1, 2, 3, 4, 9].map(|n| Severity::from_kernel(n).word()).into();
        assert_eq!(words, ["corrected", "uncorrected", "deferred", "fatal", "info", "info"]);
        for n in 0..5 {
            let s = Severity::from_kernel(n);
            assert_eq!(Severity::parse(s.word()), Some(s));
            assert_eq!(s.class() == Class::Corrected, n == 0);
        }
        assert_eq!(Severity::parse("Corrected"), None);
    }
}
