//! The question `clock`: how each injector's times are put on the kernel's clock, and how exactly.

use crate::{Listing, Page, QuestionError, Snapshot};
use serde::Serialize;

/// What the latency timer of a USB serial bridge does to lines: between these, 95 of 100 of them are spread. The timer is 16 ms unless
/// somebody has set it (FTDI's application note AN232B-04; the kernel's `drivers/usb/serial/ftdi_sio.c`).
const BRIDGE_NS: std::ops::RangeInclusive<i64> = 8_000_000..=18_000_000;

/// What is known of an injector's clock in one boot.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct ClockRow {
    /// The injector's name.
    pub injector: String,
    /// The boot whose clock it is compared with.
    pub boot: i64,
    /// two-way, one-way or arrival.
    pub how: String,
    /// Its last line, monotonic nanoseconds.
    pub at_ns: i64,
    /// `at_ns` as a date, RFC 3339 in UTC; null where the boot has no measured clock pair.
    pub at: Option<String>,
    /// How wide the interval of a time of its clock was then; null for arrival.
    pub uncertainty_ns: Option<i64>,
    /// The shortest round trip of a ping.
    pub round_trip_ns: Option<i64>,
    /// By how many parts per million its clock is fast, slow is negative; null while not measured.
    pub drift_ppm: Option<f64>,
    /// The truth is within this of `drift_ppm`, or of 0 while nothing was measured.
    pub drift_bound_ppm: Option<f64>,
    /// Tick lines.
    pub ticks: i64,
    /// Pings that were answered.
    pub pongs: i64,
    /// How often its counter went back.
    pub resets: i64,
    /// How often its counter went around at 32 bits.
    pub wraps: i64,
    /// How often its clock went ahead or back by more than drift explains.
    pub jumps: i64,
    /// How often its ticks and its pongs contradicted each other.
    pub contradictions: i64,
    /// How long its lines were on their way beyond the fastest ones; null before the second line.
    pub queue_ns: Option<QueueNs>,
    /// What that does to latencies, in plain words.
    pub means: String,
}

/// How long lines were on their way beyond the fastest ones, in nanoseconds.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct QueueNs {
    /// Half of the lines needed no more.
    pub p50: i64,
    /// 95 of 100 lines needed no more.
    pub p95: i64,
    /// The slowest line.
    pub max: i64,
}

impl Snapshot<'_> {
    /// The injectors' clocks by boot and name.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn clocks(&self) -> Result<Vec<ClockRow>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT c.injector, c.boot, c.how, c.at_ns, c.uncertainty_ns, c.round_trip_ns, c.drift_ppb, c.drift_bound_ppb, c.ticks,
                    c.pongs, c.resets, c.wraps, c.jumps, c.contradictions, c.queue_p50_ns, c.queue_p95_ns, c.queue_max_ns
             FROM injector_clock c JOIN boot b USING (boot) WHERE b.run = ?1 ORDER BY c.boot, c.injector",
        )?;
        let ppm = |ppb: Option<i64>| ppb.map(|ppb| ppb as f64 / 1e3);
        let rows = ask.query_map([self.run], |row| {
            let (boot, at_ns) = (row.get(1)?, row.get(3)?);
            let queue =
                (row.get::<_, Option<i64>>(14)?, row.get::<_, Option<i64>>(15)?, row.get::<_, Option<i64>>(16)?);
            let mut clock = ClockRow {
                injector: row.get(0)?,
                boot,
                how: row.get(2)?,
                at_ns,
                at: self.dates.date(boot, at_ns),
                uncertainty_ns: row.get(4)?,
                round_trip_ns: row.get(5)?,
                drift_ppm: ppm(row.get(6)?),
                drift_bound_ppm: ppm(row.get(7)?),
                ticks: row.get(8)?,
                pongs: row.get(9)?,
                resets: row.get(10)?,
                wraps: row.get(11)?,
                jumps: row.get(12)?,
                contradictions: row.get(13)?,
                queue_ns: match queue {
                    (Some(p50), Some(p95), Some(max)) => Some(QueueNs { p50, p95, max }),
                    _ => None,
                },
                means: String::new(),
            };
            clock.means = means(&clock);
            Ok(clock)
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// The same a page at a time.
    ///
    /// # Errors
    /// When the cursor is not one of this question, or the database cannot be read.
    pub fn clocks_page(&self, page: &Page) -> Result<Listing<ClockRow>, QuestionError> {
        let (after, _) = page.cursor()?;
        let rows = (1..).zip(self.clocks()?).map(|(n, row)| (row, (n, 0))).filter(|(_, (n, _))| *n > after);
        Ok(Listing::of(rows.collect(), page))
    }
}

/// What the alignment does to latencies.
fn means(c: &ClockRow) -> String {
    let ms = |ns: i64| format!("{:.2} ms", ns as f64 / 1e6);
    let mut text = match (c.how.as_str(), c.uncertainty_ns) {
        ("two-way", Some(width)) => format!(
            "its pongs show its clock: latencies of shots that it gives a time of its clock for are known to within {}",
            ms(width)
        ),
        ("one-way", Some(width)) => format!(
            "it answers no pings now, so the way of its lines is guessed at: if the fastest tick of each minute needed no more \
             than 20 ms, latencies of shots that it gives a time of its clock for are known to within {}",
            ms(width)
        ),
        _ => "it tells nothing of its clock: its shots count from when their lines arrived, so their latencies have the ways \
              between both sides in them"
            .to_owned(),
    };
    if let Some(queue) = c.queue_ns {
        text += &format!("; 95 of 100 lines needed up to {} more than the fastest", ms(queue.p95));
        if BRIDGE_NS.contains(&queue.p95) {
            text += ", which the 16 ms timer of a USB serial bridge would explain";
        }
    }
    if c.jumps > 0 {
        text += "; its clock jumped, so shots from before its next line are doubtful each time";
    }
    if c.contradictions > 0 {
        text += "; its ticks contradict its pongs, so its times are as wide as both together: see that ticks are read as late as they can be";
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_wrong_with_a_clock_is_said() {
        let mut c = ClockRow {
            injector: "rig".into(),
            boot: 1,
            how: "two-way".into(),
            at_ns: 0,
            at: None,
            uncertainty_ns: Some(8_200_000),
            round_trip_ns: Some(8_100_000),
            drift_ppm: None,
            drift_bound_ppm: Some(100.0),
            ticks: 0,
            pongs: 9,
            resets: 0,
            wraps: 0,
            jumps: 0,
            contradictions: 0,
            queue_ns: None,
            means: String::new(),
        };
        assert!(means(&c).ends_with("are known to within 8.20 ms"), "{}", means(&c));
        c.queue_ns = Some(QueueNs { p50: 8_000_000, p95: 15_000_000, max: 16_000_000 });
        assert!(means(&c).ends_with("which the 16 ms timer of a USB serial bridge would explain"), "{}", means(&c));
        c.queue_ns = Some(QueueNs { p50: 8_000_000, p95: 25_000_000, max: 90_000_000 });
        (c.jumps, c.contradictions) = (1, 1);
        let text = means(&c);
        assert!(
            !text.contains("USB") && text.contains("its clock jumped") && text.contains("its ticks contradict"),
            "{text}"
        );
    }
}
