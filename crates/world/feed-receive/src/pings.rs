//! Pings that wait for their pongs, and when the next one is due.
//!
//! A ping is stamped where it is written, so that only the way counts and not the queue in front of it; its pong is told by the
//! number, on the same connection. What the stamps say of the injector's clock is crate `injector-clock`'s.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use vocabulary::Mono;

/// How many pings may wait for their answers; older ones are given up.
const OPEN: usize = 32;
/// How many pings come quickly, so that the clock is known soon.
const QUICK: u32 = 5;
/// From one of these to the next.
const QUICK_WAIT: Duration = Duration::from_millis(200);
/// After so many without any answer an injector is taken not to know pings.
const TRIES: u32 = 15;

/// The pings of one connection, shared by who writes them and who reads the answers.
#[derive(Clone, Debug, Default)]
pub(crate) struct Pings(Arc<Mutex<Table>>);

#[derive(Debug, Default)]
struct Table {
    last: u64,
    open: VecDeque<(u64, Mono)>,
    answered: bool,
}

impl Pings {
    /// A ping is about to be written; its number.
    pub(crate) fn sent(&self, at: Mono) -> u64 {
        let mut table = self.table();
        table.last += 1;
        let n = table.last;
        if table.open.len() >= OPEN {
            table.open.pop_front();
        }
        table.open.push_back((n, at));
        n
    }

    /// A pong has come: when its ping was written, if it waits for an answer.
    pub(crate) fn answered(&self, n: u64) -> Option<Mono> {
        let mut table = self.table();
        let at = table.open.iter().position(|(of, _)| *of == n)?;
        let (_, sent) = table.open.remove(at)?;
        table.answered = true;
        Some(sent)
    }

    fn any_answered(&self) -> bool {
        self.table().answered
    }

    /// Nothing that holds the lock can panic; were it otherwise, the table would still be whole.
    fn table(&self) -> MutexGuard<'_, Table> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// When pings are due on one connection.
#[derive(Debug)]
pub(crate) struct Pace {
    /// Nothing: never.
    every: Option<Duration>,
    begun: bool,
    asked: u32,
}

impl Pace {
    pub(crate) fn new(every: Option<Duration>) -> Pace {
        Pace { every, begun: false, asked: 0 }
    }

    /// The injector has said hello. Answers whether this begins the pings.
    pub(crate) fn begin(&mut self) -> bool {
        let begins = self.every.is_some() && !self.begun;
        self.begun |= begins;
        begins
    }

    /// Whether pings go out.
    pub(crate) fn is_on(&self) -> bool {
        self.begun && self.every.is_some()
    }

    /// A ping is due: how long until the next one, or nothing if the injector never answers and gets no more.
    pub(crate) fn ask(&mut self, pings: &Pings) -> Option<Duration> {
        if self.asked >= TRIES && !pings.any_answered() {
            self.every = None;
        }
        self.asked = self.asked.saturating_add(1);
        let every = self.every?;
        Some(if self.asked < QUICK { QUICK_WAIT.min(every) } else { every })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pong_is_matched_once_and_old_pings_are_given_up() {
        let pings = Pings::default();
        let numbers: Vec<u64> = (0..40).map(|at| pings.sent(Mono(at))).collect();
        assert_eq!(numbers, (1..=40).collect::<Vec<u64>>());
        assert_eq!((pings.answered(8), pings.answered(9)), (None, Some(Mono(8))), "32 wait");
        assert_eq!((pings.answered(9), pings.answered(41), pings.answered(40)), (None, None, Some(Mono(39))));
    }

    #[test]
    fn a_few_quickly_then_slowly_then_none_if_nobody_answers() {
        let (pings, every) = (Pings::default(), Duration::from_secs(5));
        assert!(!Pace::new(None).begin() && !Pace::new(None).is_on());
        let mut pace = Pace::new(Some(every));
        assert!(!pace.is_on() && pace.begin() && !pace.begin() && pace.is_on());
        let waits: Vec<_> = (0..6).map(|_| pace.ask(&pings)).collect();
        assert_eq!(waits, [Some(QUICK_WAIT); 4].into_iter().chain([Some(every); 2]).collect::<Vec<_>>());
        let more = (0..100).take_while(|_| pace.ask(&pings).is_some()).count();
        assert_eq!((more, pace.is_on()), (9, false), "fifteen in all");

        let mut pace = Pace::new(Some(every));
        pace.begin();
        pings.answered(pings.sent(Mono(1)));
        assert!((0..100).all(|_| pace.ask(&pings).is_some()));
    }
}
