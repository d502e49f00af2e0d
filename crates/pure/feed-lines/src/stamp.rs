//! What the `t` of an injection or a rail reading means.

use vocabulary::Wall;

/// When something happened, in the sender's own terms.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stamp {
    /// Not said: the time of the line's arrival.
    Arrival,
    /// The injector's own clock, in the unit of its hello.
    Ticks(i64),
    /// A date and time of day.
    Date {
        /// The date as written.
        at: Wall,
        /// What the last digit of it stands for, in nanoseconds: the true time lies within that after `at`.
        resolution_ns: i64,
    },
}

impl Stamp {
    /// Reads a `t` as `Injection::t` keeps it: decimal ticks, an RFC 3339 date, or nothing.
    ///
    /// Nothing comes back for other text, for negative ticks, and for dates beyond the years 1677 to 2262, which
    /// nanoseconds in 64 bits cannot hold.
    #[must_use]
    pub fn read(t: Option<&str>) -> Option<Stamp> {
        let Some(text) = t else { return Some(Stamp::Arrival) };
        if text.bytes().all(|b| b.is_ascii_digit()) {
            return text.parse().ok().map(Stamp::Ticks);
        }
        let at = Wall::parse_rfc3339(text)?;
        let fraction = text.split_once('.').map_or(0, |(_, rest)| rest.bytes().take_while(u8::is_ascii_digit).count());
        let resolution_ns =
            u32::try_from(fraction).ok().and_then(|digits| 1_000_000_000_i64.checked_div(10_i64.checked_pow(digits)?));
        Some(Stamp::Date { at, resolution_ns: resolution_ns.unwrap_or(1).max(1) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_dates_and_nothing() {
        assert_eq!(Stamp::read(None), Some(Stamp::Arrival));
        assert_eq!(Stamp::read(Some("0")), Some(Stamp::Ticks(0)));
        assert_eq!(Stamp::read(Some("9223372036854775807")), Some(Stamp::Ticks(i64::MAX)));
        for unreadable in ["", "9223372036854775808", "-1", "+1", "1.5", "soon", "1985-04-12", "9999-01-01T00:00:00Z"] {
            assert_eq!(Stamp::read(Some(unreadable)), None, "{unreadable:?}");
        }
    }

    #[test]
    fn dates_of_rfc_3339() {
        // RFC 3339 section 5.8: all of its examples, as seconds since 1970 computed from the calendar, and the digits.
        let cases = [
            ("1985-04-12T23:20:50.52Z", 482_196_050_520_000_000, 10_000_000),
            ("1996-12-19T16:39:57-08:00", 851_042_397_000_000_000, 1_000_000_000),
            ("1990-12-31T15:59:60-08:00", 662_688_000_000_000_000, 1_000_000_000),
            ("1990-12-31T23:59:60Z", 662_688_000_000_000_000, 1_000_000_000),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130_000_000, 10_000_000),
        ];
        for (text, ns, resolution_ns) in cases {
            assert_eq!(Stamp::read(Some(text)), Some(Stamp::Date { at: Wall(ns), resolution_ns }), "{text}");
        }
        let finer = Stamp::read(Some("2027-03-04T05:06:07.123456789123456789123Z"));
        assert!(matches!(finer, Some(Stamp::Date { resolution_ns: 1, .. })), "{finer:?}");
    }
}
