//! What is still to come, earliest first: inputs that were not reached yet, and timers.
//!
//! Almost everything comes in the order in which it is due, so a plain queue holds it; what comes out of order waits in a
//! heap beside it. The queue knows nothing of what it holds; the engine calls it.

use serde::{Deserialize, Serialize};
use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};

/// See the module's page.
#[derive(Serialize, Deserialize)]
pub(crate) struct Upcoming<T: Ord> {
    in_order: VecDeque<T>,
    rest: BinaryHeap<Reverse<T>>,
}

impl<T: Ord> Default for Upcoming<T> {
    fn default() -> Self {
        Upcoming { in_order: VecDeque::new(), rest: BinaryHeap::new() }
    }
}

impl<T: Ord> Upcoming<T> {
    pub(crate) fn push(&mut self, item: T) {
        if self.in_order.back().is_none_or(|last| *last <= item) {
            self.in_order.push_back(item);
        } else {
            self.rest.push(Reverse(item));
        }
    }

    pub(crate) fn first(&self) -> Option<&T> {
        match (self.in_order.front(), self.rest.peek()) {
            (Some(a), Some(Reverse(b))) => Some(a.min(b)),
            (a, b) => a.or(b.map(|Reverse(b)| b)),
        }
    }

    pub(crate) fn pop(&mut self) -> Option<T> {
        let from_rest = match (self.in_order.front(), self.rest.peek()) {
            (Some(a), Some(Reverse(b))) => b < a,
            (front, _) => front.is_none(),
        };
        if from_rest { self.rest.pop().map(|Reverse(item)| item) } else { self.in_order.pop_front() }
    }

    /// All of it, in no order.
    pub(crate) fn iter(&self) -> impl Iterator<Item = &T> {
        self.in_order.iter().chain(self.rest.iter().map(|Reverse(item)| item))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_gives_back_in_order_what_came_in_any() {
        let mut upcoming = Upcoming::default();
        let mut state = 7_u64;
        let mut all: Vec<u64> = Vec::new();
        for n in 0..2_000 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // Mostly rising, as inputs are.
            let item = n * 10 + (state >> 33) % if n % 7 == 0 { 500 } else { 10 };
            upcoming.push(item);
            all.push(item);
        }
        all.sort_unstable();
        assert_eq!(upcoming.iter().count(), all.len());
        let mut back = Vec::new();
        while let Some(first) = upcoming.first().copied() {
            assert_eq!(upcoming.pop(), Some(first));
            back.push(first);
        }
        assert_eq!(back, all);
    }
}
