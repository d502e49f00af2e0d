//! The `stats` file of one CPU's ring: how much it has lost.
//!
//! Source: `tracing_stats_read()` in the kernel's `kernel/trace/trace.c`.

/// The numbers of one `per_cpu/cpuN/stats` file that count records; 0 where the kernel has no such line.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct RingStats {
    /// Records in the ring, not yet read.
    pub entries: u64,
    /// Records overwritten before they were read.
    pub overrun: u64,
    /// Records lost because a writer was interrupted by too many others.
    pub commit_overrun: u64,
    /// Records not written because the ring was full; only where overwriting is off.
    pub dropped: u64,
}

impl RingStats {
    /// Parses the file's text; lines that are not known are passed over.
    #[must_use]
    pub fn parse(text: &str) -> RingStats {
        let mut stats = RingStats::default();
        for (key, value) in text.lines().filter_map(|line| line.split_once(':')) {
            let Ok(value) = value.trim().parse() else { continue };
            match key.trim() {
                "entries" => stats.entries = value,
                "overrun" => stats.overrun = value,
                "commit overrun" => stats.commit_overrun = value,
                "dropped events" => stats.dropped = value,
                _ => {}
            }
        }
        stats
    }

    /// All records that were lost so far, for whichever reason.
    #[must_use]
    pub fn lost(&self) -> u64 {
        self.overrun.saturating_add(self.commit_overrun).saturating_add(self.dropped)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_live_file() {
        // Captured from a 6.18 kernel after 2000 records had been written to a ring that held 730 of them.
        let text = "entries: 730\noverrun: 1270\ncommit overrun: 0\nbytes: 22000\noldest event ts:  1131.503200\n\
                    now ts:  1140.265919\ndropped events: 1\nread events: 0\n";
        let stats = RingStats::parse(text);
        assert_eq!(stats, RingStats { entries: 730, overrun: 1270, commit_overrun: 0, dropped: 1 });
        assert_eq!(stats.lost(), 1271);
        assert_eq!(RingStats::parse("x\n: 3\noverrun: -1"), RingStats::default());
    }
}
