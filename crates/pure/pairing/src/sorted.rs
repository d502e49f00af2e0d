//! A short list of numbered things in order of time, of which the old ones go first.
//!
//! It finds what lies within a span in logarithmic time, and adds and removes at its ends in constant time, which is where
//! almost everything happens. `table` keeps one for each slot.

use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use vocabulary::{Mono, Span};

/// See the module's page.
#[derive(Default, Debug, Serialize, Deserialize)]
pub(crate) struct Sorted(VecDeque<(Mono, u64)>);

impl Sorted {
    pub(crate) fn insert(&mut self, at: Mono, n: u64) {
        let item = (at, n);
        if self.0.back().is_none_or(|last| *last < item) {
            self.0.push_back(item);
            return;
        }
        let place = self.0.partition_point(|known| *known < item);
        if self.0.get(place) != Some(&item) {
            self.0.insert(place, item);
        }
    }

    pub(crate) fn remove(&mut self, at: Mono, n: u64) {
        let item = (at, n);
        if self.0.front() == Some(&item) {
            self.0.pop_front();
            return;
        }
        let place = self.0.partition_point(|known| *known < item);
        if self.0.get(place) == Some(&item) {
            self.0.remove(place);
        }
    }

    /// What lies within a span, both ends included, earliest first.
    pub(crate) fn within(&self, span: Span) -> impl DoubleEndedIterator<Item = u64> {
        let first = self.0.partition_point(|known| known.0 < span.from);
        let end = self.0.partition_point(|known| known.0 <= span.to).max(first);
        self.0.range(first..end).map(|item| item.1)
    }

    pub(crate) fn all(&self) -> impl DoubleEndedIterator<Item = u64> {
        self.0.iter().map(|item| item.1)
    }
}
