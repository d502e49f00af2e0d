//! What a line of a feed says, once it is read.

use serde::{Deserialize, Serialize};
use vocabulary::{At, Injection, Mono};

/// The unit of an injector's ticks.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
pub enum Unit {
    /// Nanoseconds.
    #[serde(rename = "ns")]
    Nanoseconds,
    /// Microseconds: what an injector is taken to count in until it says otherwise.
    #[default]
    #[serde(rename = "us")]
    Microseconds,
    /// Milliseconds.
    #[serde(rename = "ms")]
    Milliseconds,
    /// Seconds.
    #[serde(rename = "s")]
    Seconds,
}

impl Unit {
    /// The unit that a word names.
    #[must_use]
    pub fn parse(word: &str) -> Option<Unit> {
        [Unit::Nanoseconds, Unit::Microseconds, Unit::Milliseconds, Unit::Seconds]
            .into_iter()
            .find(|unit| unit.word() == word)
    }

    /// The word in the feed.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Unit::Nanoseconds => "ns",
            Unit::Microseconds => "us",
            Unit::Milliseconds => "ms",
            Unit::Seconds => "s",
        }
    }

    /// How many nanoseconds one tick is.
    #[must_use]
    pub fn ns_per_tick(self) -> i64 {
        match self {
            Unit::Nanoseconds => 1,
            Unit::Microseconds => 1_000,
            Unit::Milliseconds => 1_000_000,
            Unit::Seconds => 1_000_000_000,
        }
    }
}

/// One line of a feed.
#[derive(Clone, PartialEq, Debug)]
pub enum FeedLine {
    /// The injector says who it is; from here on its lines are under this name.
    Hello {
        /// The injector's name.
        who: String,
        /// What its ticks count.
        unit: Unit,
    },
    /// One order: which slot, which lines, how long, how many shots.
    Injection(Injection),
    /// The injector's clock, read as the line was sent.
    Tick {
        /// In the unit of the hello; never negative.
        t: i64,
    },
    /// A supply reading.
    Rail {
        /// The rail, such as `VDD`.
        name: String,
        /// The slot where it was measured, if it belongs to one.
        slot: Option<At>,
        /// The reading; finite.
        millivolts: f64,
        /// The injector's `t` as it was sent, or nothing: then the arrival is the time.
        t: Option<String>,
    },
    /// The answer to a ping.
    Pong {
        /// The ping's number.
        n: u64,
        /// The injector's clock when the ping came in.
        received: i64,
        /// The injector's clock when the pong went out.
        t: i64,
    },
    /// The injector has nothing more to say.
    Bye {
        /// Why, if it says so.
        why: Option<String>,
    },
}

impl FeedLine {
    /// The line in the JSON form of the protocol; what is not said is absent.
    #[must_use]
    pub fn to_json(&self) -> serde_json::Map<String, serde_json::Value> {
        crate::written::fields_of(self)
    }
}

/// A line and what stands beside it in a recording.
#[derive(Clone, PartialEq, Debug)]
pub struct Parsed {
    /// What the line says.
    pub line: FeedLine,
    /// `t_ns` of a recording: when the live feed stamped the line's arrival.
    pub t_ns: Option<Mono>,
    /// `sent_ns` of a recording, beside a pong: when its ping was written.
    pub sent_ns: Option<Mono>,
    /// `feed` of a recording: the name of the feed that the line came by.
    pub feed: Option<String>,
    /// The injector's name beside a line that is no hello: found by a pattern in a line of text, or written by a recording.
    pub who: Option<String>,
    /// What the ticks of a recorded line count, where no hello of the injector says so.
    pub unit: Option<Unit>,
}
