//! The injectors' clocks, and what the run says of them.
//!
//! Each injector has a clock, made with its first line. What happens to it becomes a remark, not more than one a minute for each
//! injector, and what is known of it a row, every five seconds and at the end. Both go by the arrivals of lines, so that a replay
//! says the same. Must not place shots; the hub does.

use crate::hub::Line;
use injector_clock::{ClockEvent, DEFAULT_SLACK_NS, Exchange, InjectorClock};
use std::collections::BTreeMap;
use std::sync::Arc;
use store::Record;
use vocabulary::{ClockPair, Mono, Span};

/// From one row about a clock to the next.
const TELL_NS: i64 = 5_000_000_000;
/// From one remark about a clock to the next.
const REMARK_NS: i64 = 60_000_000_000;

/// The clocks by their injectors' names.
#[derive(Default)]
pub(super) struct Clocks {
    all: BTreeMap<Arc<str>, Clock>,
}

/// One injector's clock.
pub(super) struct Clock {
    clock: InjectorClock,
    injector: Arc<str>,
    told: Option<Mono>,
    remarked: Option<Mono>,
    unsaid: u64,
}

impl Clocks {
    /// The clock of the injector that a line is from.
    pub(super) fn of(&mut self, line: &Line<'_>) -> &mut Clock {
        let clock = self.all.entry(line.injector.clone()).or_insert_with(|| Clock {
            clock: InjectorClock::new(line.unit, DEFAULT_SLACK_NS),
            injector: line.injector.clone(),
            told: None,
            remarked: None,
            unsaid: 0,
        });
        clock.clock.hear(line.unit, line.arrival);
        clock
    }

    /// What is known of all clocks: nothing more will come.
    pub(super) fn finish(&self) -> impl Iterator<Item = Record> {
        self.all.values().map(Clock::row)
    }
}

impl Clock {
    /// Where on the kernel's clock a `t` lies.
    pub(super) fn place(&self, t: Option<&str>, arrival: Mono, pair: ClockPair) -> Span {
        self.clock.place(t, arrival, pair)
    }

    /// A tick line.
    pub(super) fn tick(&mut self, ticks: i64, arrived: Mono) -> Record {
        self.clock.tick(ticks, arrived);
        Record::Tick { injector: self.injector.clone(), ticks, arrived }
    }

    /// A pong, with the stamp of its ping.
    ///
    /// # Errors
    /// In words for the injector, where no ping is known or the stamps cannot be.
    pub(super) fn pong(
        &mut self,
        n: u64,
        sent: Option<Mono>,
        (received, ticks, arrived): (i64, i64, Mono),
    ) -> Result<Record, String> {
        let sent = sent.ok_or_else(|| feed_lines::Reason::NoSuchPing(n).to_string())?;
        let exchange = Exchange { sent, received, ticks, arrived };
        self.clock.exchange(exchange).map_err(|why| why.to_string())?;
        Ok(Record::Exchange { injector: self.injector.clone(), exchange })
    }

    /// What the run says of the clock now, after a line that came at `now`.
    pub(super) fn tell(&mut self, now: Mono, records: &mut Vec<Record>) {
        for event in self.clock.take_events() {
            if self.remarked.is_some_and(|at| now.since(at) < REMARK_NS) {
                self.unsaid = self.unsaid.saturating_add(1);
                continue;
            }
            self.remarked = Some(now);
            let text = remark(&self.injector, event, std::mem::take(&mut self.unsaid));
            match event.is_warning() {
                true => tracing::warn!("{text}"),
                false => tracing::info!("{text}"),
            }
            records.push(Record::Remark { at: now, warning: event.is_warning(), text });
        }
        if self.told.is_none_or(|at| now.since(at) >= TELL_NS) {
            self.told = Some(now);
            records.push(self.row());
        }
    }

    fn row(&self) -> Record {
        Record::InjectorClock { injector: self.injector.clone(), summary: Box::new(self.clock.summary()) }
    }
}

fn remark(injector: &str, event: ClockEvent, unsaid: u64) -> String {
    match unsaid {
        0 => format!("injector {injector}: {event}"),
        n => format!("injector {injector}: {event} ({n} more such things since the last remark about it)"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use feed_lines::{FeedLine, Unit};

    const S: i64 = 1_000_000_000;

    #[test]
    fn remarks_are_few_and_rows_regular() {
        let (mut clocks, name) = (Clocks::default(), Arc::from("rig"));
        let mut records = Vec::new();
        for n in 0..100 {
            let arrival = Mono((10 + n) * S);
            // A counter that is reset with every line.
            let line = FeedLine::Tick { t: 1000 - n };
            let (feed, injector) = (&name, &name);
            let line = Line { feed, injector, unit: Unit::Seconds, number: 1, arrival, raw: "", line, sent: None };
            let clock = clocks.of(&line);
            records.push(clock.tick(1000 - n, arrival));
            clock.tell(arrival, &mut records);
        }
        let remarks: Vec<&str> = records
            .iter()
            .filter_map(|r| match r {
                Record::Remark { text, warning: false, .. } => Some(text.as_str()),
                _ => None,
            })
            .collect();
        assert_eq!(remarks.len(), 2, "{remarks:?}");
        assert!(remarks[0].starts_with("injector rig: its counter went back"), "{remarks:?}");
        assert!(remarks[1].ends_with("(59 more such things since the last remark about it)"), "{remarks:?}");
        let rows = records.iter().filter(|r| matches!(r, Record::InjectorClock { .. })).count();
        assert_eq!((rows, clocks.finish().count()), (20, 1));
    }

    #[test]
    fn a_pong_that_cannot_be_is_refused_in_words() {
        let (mut clocks, name) = (Clocks::default(), Arc::from("rig"));
        let line = FeedLine::Bye { why: None };
        let (feed, injector) = (&name, &name);
        let line =
            Line { feed, injector, unit: Unit::Microseconds, number: 1, arrival: Mono(9), raw: "", line, sent: None };
        let clock = clocks.of(&line);
        let why = |told: Result<Record, String>| told.unwrap_err();
        assert!(why(clock.pong(7, None, (1, 1, Mono(9)))).starts_with("no ping with `n` 7"));
        assert!(why(clock.pong(7, Some(Mono(10)), (1, 1, Mono(9)))).starts_with("the pong arrived 1 ns before"));
        assert!(why(clock.pong(7, Some(Mono(1)), (2, 1, Mono(9)))).contains("ran backwards"));
        assert!(clock.pong(7, Some(Mono(1)), (1, 1, Mono(9))).is_ok());
    }
}
