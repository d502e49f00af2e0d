//! The time in which a feed cannot be read, told once when it begins and as a gap when it is over.

use crate::output::Output;
use crate::{FeedEvent, FeedSpec};
use std::sync::Arc;
use vocabulary::{Gap, Mono, Span};

/// What gaps of this crate are of.
const GAP_OF: &str = "feed";

/// Whether a feed is down, and since when.
pub(crate) struct Downtime {
    spec: Arc<FeedSpec>,
    open: Option<(Mono, String)>,
}

impl Downtime {
    pub(crate) fn none(spec: &Arc<FeedSpec>) -> Downtime {
        Downtime { spec: spec.clone(), open: None }
    }

    /// The feed cannot be read; said again while it is down already, nothing new.
    pub(crate) async fn begin<T: From<FeedEvent> + Send>(&mut self, why: String, output: &mut Output<T>) {
        if self.open.is_none() {
            let (feed, since) = (self.spec.name.clone(), clocks::mono());
            tracing::warn!(%feed, "the feed cannot be read, and is tried again every second: {why}");
            self.open = Some((since, why.clone()));
            // A daemon that stops meanwhile hears of it by the gap.
            let _ = output.send(FeedEvent::Down { feed, since, why }).await;
        }
    }

    /// The feed can be read again, or ends altogether.
    pub(crate) async fn end<T: From<FeedEvent> + Send>(&mut self, output: &Output<T>) {
        if let Some((since, why)) = self.open.take() {
            let span = Span::new(since, clocks::mono());
            let why = format!("feed {}: {why}", self.spec.name);
            tracing::info!(feed = %self.spec.name, "the feed's gap is over");
            output.last_word(FeedEvent::Gap(Gap { span, of: GAP_OF.to_owned(), controller: None, why })).await;
        }
    }
}
