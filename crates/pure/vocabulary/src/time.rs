//! Time stamps that name their clock.

use serde::{Deserialize, Serialize};

/// Nanoseconds of CLOCK_MONOTONIC within one boot. The only clock that orders events.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Mono(pub i64);

/// Nanoseconds of CLOCK_REALTIME since the Unix epoch, UTC. For people and for crossing a reboot; never orders events.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Wall(pub i64);

impl Mono {
    /// This instant moved by `ns` nanoseconds, saturating at the ends of the clock.
    #[must_use]
    pub fn plus(self, ns: i64) -> Mono {
        Mono(self.0.saturating_add(ns))
    }

    /// This instant moved back by `ns` nanoseconds, saturating at the ends of the clock.
    #[must_use]
    pub fn minus(self, ns: i64) -> Mono {
        Mono(self.0.saturating_sub(ns))
    }

    /// Nanoseconds from `earlier` to this instant; negative if `earlier` is later.
    #[must_use]
    pub fn since(self, earlier: Mono) -> i64 {
        self.0.saturating_sub(earlier.0)
    }
}

impl Wall {
    /// RFC 3339 in UTC with milliseconds, such as `2027-03-04T05:06:07.089Z`.
    #[must_use]
    pub fn rfc3339(self) -> String {
        chrono::DateTime::from_timestamp_nanos(self.0).to_rfc3339_opts(chrono::SecondsFormat::Millis, true)
    }

    /// Date and time in UTC for a name, such as `20270304-050607`.
    #[must_use]
    pub fn compact(self) -> String {
        chrono::DateTime::from_timestamp_nanos(self.0).format("%Y%m%d-%H%M%S").to_string()
    }

    /// Reads an RFC 3339 date and time with its offset.
    pub fn parse_rfc3339(text: &str) -> Option<Wall> {
        chrono::DateTime::parse_from_rfc3339(text).ok()?.timestamp_nanos_opt().map(Wall)
    }
}

/// An interval on the monotonic clock, both ends included. A point has equal ends.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
pub struct Span {
    /// The earliest instant.
    pub from: Mono,
    /// The latest instant.
    pub to: Mono,
}

impl Span {
    /// The interval of one instant.
    #[must_use]
    pub fn point(at: Mono) -> Span {
        Span { from: at, to: at }
    }

    /// The interval between two instants, in whichever order they come.
    #[must_use]
    pub fn new(a: Mono, b: Mono) -> Span {
        Span { from: a.min(b), to: a.max(b) }
    }

    /// Whether the two intervals share an instant.
    #[must_use]
    pub fn overlaps(self, other: Span) -> bool {
        self.from <= other.to && other.from <= self.to
    }
}

/// One measured pair of both clocks: what turns a monotonic stamp into a date.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct ClockPair {
    /// CLOCK_MONOTONIC at the moment.
    pub mono: Mono,
    /// CLOCK_REALTIME at the same moment.
    pub wall: Wall,
}

impl ClockPair {
    /// The date of a monotonic stamp, as this pair sees it.
    #[must_use]
    pub fn wall_at(self, at: Mono) -> Wall {
        Wall(self.wall.0.saturating_add(at.since(self.mono)))
    }

    /// The monotonic stamp of a date, as this pair sees it.
    #[must_use]
    pub fn mono_at(self, at: Wall) -> Mono {
        self.mono.plus(at.0.saturating_sub(self.wall.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc3339_examples_of_the_rfc() {
        // RFC 3339 section 5.8: the second example, and its equal in UTC.
        let a = Wall::parse_rfc3339("1996-12-19T16:39:57-08:00").unwrap();
        let b = Wall::parse_rfc3339("1996-12-20T00:39:57Z").unwrap();
        assert_eq!(a, b);
        assert_eq!(a.rfc3339(), "1996-12-20T00:39:57.000Z");
        assert_eq!(a.compact(), "19961220-003957");
        assert_eq!(Wall::parse_rfc3339("1985-04-12T23:20:50.52Z").unwrap().0 % 1_000_000_000, 520_000_000);
        assert!(Wall::parse_rfc3339("1996-12-19 later").is_none());
    }

    #[test]
    fn a_pair_converts_both_ways() {
        let pair = ClockPair { mono: Mono(1_000), wall: Wall(5_000_000) };
        assert_eq!(pair.wall_at(Mono(400)), Wall(4_999_400));
        assert_eq!(pair.mono_at(Wall(4_999_400)), Mono(400));
    }

    #[test]
    fn overlap_counts_shared_ends() {
        let a = Span::new(Mono(10), Mono(20));
        assert!(a.overlaps(Span::point(Mono(20))));
        assert!(a.overlaps(Span::new(Mono(0), Mono(10))));
        assert!(!a.overlaps(Span::new(Mono(21), Mono(30))));
        assert_eq!(Span::new(Mono(20), Mono(10)), a);
    }
}
