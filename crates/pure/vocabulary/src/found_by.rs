//! How an error was found, as far as a witness says: what its delay depends on.
//!
//! Latencies are learned for each of these apart, since an interrupt tells within microseconds and the periodic timer after
//! minutes. `pairing` uses it as a key; what decides it is [`Witness::found_by`](crate::Witness::found_by).

use serde::{Deserialize, Serialize};

/// See the module's page.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FoundBy {
    /// By an interrupt or exception, or by whatever a driver does of itself: nothing says that it waited for somebody. A
    /// driver that polls its chipset's registers is in here too, since its events do not say so.
    Interrupt,
    /// By the kernel's periodic look at the machine-check banks.
    Polling,
    /// By firmware, which told the kernel in its own time.
    Firmware,
    /// By two reads of a counter.
    Counter,
}

impl FoundBy {
    /// All of them, in their order.
    pub const ALL: [FoundBy; 4] = [FoundBy::Interrupt, FoundBy::Polling, FoundBy::Firmware, FoundBy::Counter];

    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            FoundBy::Interrupt => "interrupt",
            FoundBy::Polling => "polling",
            FoundBy::Firmware => "firmware",
            FoundBy::Counter => "counter",
        }
    }

    /// How the error of a driver's event was found, where a machine-check record about the same error was seen: the record
    /// knows better than an event that says nothing.
    #[must_use]
    pub fn with_record(self, record: FoundBy) -> FoundBy {
        if self == FoundBy::Interrupt { record } else { self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_record_tells_of_an_event_that_says_nothing() {
        use FoundBy::{Counter, Firmware, Interrupt, Polling};
        assert_eq!(Interrupt.with_record(Polling), Polling);
        assert_eq!(Interrupt.with_record(Firmware), Firmware);
        for known in [Polling, Firmware, Counter] {
            assert_eq!(known.with_record(Interrupt), known);
        }
        assert_eq!(FoundBy::ALL.map(FoundBy::word), ["interrupt", "polling", "firmware", "counter"]);
    }
}
