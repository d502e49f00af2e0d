//! From the bytes of one stream to events: cuts, parses, answers what makes no sense.
//!
//! Must not wait for anything; the stream's task calls it after every read.

use crate::pings::Pings;
use crate::quiet::Quiet;
use crate::{Bad, Batch, FeedEvent, FeedSpec, Received, ReplySender, StreamId};
use feed_lines::{FeedLine, Framed, LineError, LineSplitter, Parsed, Reason, Reply, Unit, parse};
use std::sync::Arc;
use vocabulary::Mono;

/// One stream's state between two reads.
pub(crate) struct Lines {
    stream: StreamId,
    spec: Arc<FeedSpec>,
    reply: ReplySender,
    pings: Pings,
    greeted: bool,
    injector: Arc<str>,
    unit: Unit,
    splitter: LineSplitter,
    framed: Vec<Framed>,
    last_read: Mono,
    quiet: Quiet,
}

impl Lines {
    pub(crate) fn new(stream: StreamId, spec: Arc<FeedSpec>, reply: ReplySender, pings: Pings) -> Lines {
        Lines {
            stream,
            injector: spec.name.clone(),
            unit: spec.unit,
            spec,
            reply,
            pings,
            greeted: false,
            splitter: LineSplitter::new(),
            framed: Vec::new(),
            last_read: Mono::default(),
            quiet: Quiet::default(),
        }
    }

    /// Takes what one read gave, and gives the events that come of it: at most two.
    pub(crate) fn take(&mut self, bytes: &[u8], arrival: Mono) -> Vec<FeedEvent> {
        self.last_read = arrival;
        let mut framed = std::mem::take(&mut self.framed);
        self.splitter.push(bytes, &mut framed);
        let events = self.read(&mut framed);
        // The empty list goes back, since its memory serves the next read as well.
        self.framed = framed;
        events
    }

    /// Whether the stream had a hello.
    pub(crate) fn greeted(&self) -> bool {
        self.greeted
    }

    /// Ends the stream, and gives the events of what was left without a line end.
    pub(crate) fn finish(&mut self) -> Vec<FeedEvent> {
        let mut framed: Vec<Framed> = self.splitter.finish().into_iter().collect();
        self.read(&mut framed)
    }

    fn read(&mut self, framed: &mut Vec<Framed>) -> Vec<FeedEvent> {
        let mut lines = Vec::new();
        let mut ignored = 0;
        let mut bad: Option<Bad> = None;
        for Framed { number, line } in framed.drain(..) {
            let error = match line {
                Err(why) => LineError::from(why),
                Ok(raw) => match self.parse(&raw) {
                    None => {
                        ignored += 1;
                        continue;
                    }
                    Some(Ok(line)) => match self.ping_of(&line) {
                        Ok(sent) => {
                            let (injector, unit) = (self.injector.clone(), self.unit);
                            lines.push(Received { injector, unit, number, raw, line, sent });
                            continue;
                        }
                        Err(why) => why.into(),
                    },
                    Some(Err(error)) => error,
                },
            };
            let why = error.to_string();
            self.refuse(number, &why, error.id);
            match &mut bad {
                Some(bad) => bad.count += 1,
                None => bad = Some(self.bad(number, why)),
            }
        }
        let Lines { stream, ref spec, last_read: arrival, .. } = *self;
        let (feed, reply) = (spec.name.clone(), self.reply.clone());
        let batch = Batch { stream, feed, arrival, lines, ignored, reply };
        let batch = (ignored > 0 || !batch.lines.is_empty()).then_some(FeedEvent::Lines(batch));
        batch.into_iter().chain(bad.map(FeedEvent::Bad)).collect()
    }

    /// Reads a line and learns who sends; nothing for text that no pattern matches.
    fn parse(&mut self, raw: &str) -> Option<Result<FeedLine, LineError>> {
        let patterns = &self.spec.patterns;
        // A `who` beside a line of JSON belongs to recordings; a live injector says it once, in its hello.
        let (parsed, who) = match if patterns.is_empty() { Some(parse(raw)) } else { patterns.read(raw) }? {
            Err(error) => return Some(Err(error)),
            Ok(Parsed { line, who, .. }) => (line, who.filter(|_| !patterns.is_empty())),
        };
        if let Some(who) = who.filter(|who| **who != *self.injector) {
            self.injector = who.into();
        }
        if let FeedLine::Hello { who, unit } = &parsed {
            self.injector = who.as_str().into();
            self.unit = *unit;
            self.greeted = true;
        }
        Some(Ok(parsed))
    }

    /// When the ping was written that a pong answers; nothing for all other lines.
    fn ping_of(&self, line: &FeedLine) -> Result<Option<Mono>, Reason> {
        match line {
            FeedLine::Pong { n, .. } => self.pings.answered(*n).map(Some).ok_or(Reason::NoSuchPing(*n)),
            _ => Ok(None),
        }
    }

    fn refuse(&mut self, line: u64, why: &str, id: Option<String>) {
        if let Some(unsaid) = self.quiet.may_speak(self.last_read) {
            tracing::warn!(feed = %self.spec.name, stream = self.stream.0, line, unsaid, "refused a line: {why}");
        }
        // A sender that is gone, or has no way back, cannot be told.
        let _ = self.reply.send(Reply::Rejected { line, why: why.to_owned(), id });
    }

    fn bad(&self, number: u64, why: String) -> Bad {
        Bad { stream: self.stream, feed: self.spec.name.clone(), arrival: self.last_read, count: 1, number, why }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reply;
    use feed_lines::{Kind, Pattern, Patterns};

    fn lines(patterns: Vec<Pattern>) -> (Lines, reply::Replies) {
        let spec: FeedSpec = "stdin".parse().unwrap();
        let spec = FeedSpec { name: "bench".into(), patterns: Patterns(patterns), ..spec };
        let (to, from) = reply::channel(100);
        (Lines::new(StreamId(3), Arc::new(spec), to, Pings::default()), from)
    }

    fn shown(events: &[FeedEvent]) -> Vec<String> {
        let show = |event: &FeedEvent| match event {
            FeedEvent::Lines(batch) => {
                let lines = batch.lines.iter().map(|l| format!(" {}:{}:{}", l.number, l.injector, l.unit.word()));
                format!("lines{} ignored {} at {}", lines.collect::<String>(), batch.ignored, batch.arrival.0)
            }
            FeedEvent::Bad(bad) => format!("bad {} from {}: {}", bad.count, bad.number, bad.why),
            other => format!("{other:?}"),
        };
        events.iter().map(show).collect()
    }

    #[test]
    fn a_hello_names_the_lines_from_there_on() {
        let (mut lines, _replies) = lines(Vec::new());
        let text = b"{\"type\":\"tick\",\"t\":1}\n{\"type\":\"hello\",\"who\":\"rig\",\"unit\":\"ms\"}\n{\"type\":\"tick\",\"t\":1,\"who\":\"x\"}\n{\"type\":";
        assert_eq!(shown(&lines.take(text, Mono(5))), ["lines 1:bench:us 2:rig:ms 3:rig:ms ignored 0 at 5"]);
        assert_eq!(shown(&lines.take(b"\"bye\"}", Mono(6))), Vec::<String>::new());
        assert_eq!(shown(&lines.finish()), ["lines 4:rig:ms ignored 0 at 6"]);
    }

    #[test]
    fn bad_lines_are_answered_and_counted_and_cost_nothing_else() {
        let (mut lines, mut replies) = lines(Vec::new());
        let text = b"\xff\n{\"type\":\"bye\"}\n{\"type\":\"injection\",\"id\":4}\n";
        let events = shown(&lines.take(text, Mono(5)));
        assert_eq!(
            events,
            ["lines 2:bench:us ignored 0 at 5", "bad 2 from 1: the line is not valid UTF-8 from byte 1 on"]
        );
        let first = replies.queue.try_recv().unwrap().to_line();
        assert_eq!(
            first,
            "{\"type\":\"rejected\",\"line\":1,\"why\":\"the line is not valid UTF-8 from byte 1 on\"}\n"
        );
        assert!(matches!(
            replies.queue.try_recv(),
            Ok(Reply::Rejected { line: 3, id: Some(id), .. }) if id == "4"
        ));
        assert!(replies.queue.try_recv().is_err());
    }

    #[test]
    fn a_pong_is_told_with_its_ping_and_refused_without() {
        let (mut lines, mut replies) = lines(Vec::new());
        assert_eq!(lines.pings.sent(Mono(40)), 1);
        let text = b"{\"type\":\"pong\",\"n\":1,\"t\":7,\"sent_ns\":3}\n{\"type\":\"pong\",\"n\":1,\"t\":7}\n";
        let events = lines.take(text, Mono(50));
        let FeedEvent::Lines(batch) = &events[0] else { panic!("{events:?}") };
        assert_eq!(batch.lines.iter().map(|line| line.sent).collect::<Vec<_>>(), [Some(Mono(40))]);
        let why = "no ping with `n` 1 waits for an answer on this connection; each is answered once";
        assert_eq!(shown(&events[1..]), [format!("bad 1 from 2: {why}")]);
        assert!(matches!(replies.queue.try_recv(), Ok(Reply::Rejected { line: 2, .. })));
        assert!(!lines.greeted());
    }

    #[test]
    fn text_that_no_pattern_matches_is_counted() {
        let pattern = Pattern::new(Kind::Tick, r"^(?<who>\w+) up (?<t>\S+)").unwrap();
        let (mut lines, mut replies) = lines(vec![pattern]);
        let events = shown(&lines.take(b"boot\nrig up 5\nrig up long\n{\"type\":\"bye\"}\n", Mono(5)));
        assert_eq!(
            events,
            [
                "lines 2:rig:us ignored 2 at 5",
                "bad 1 from 3: `t` must be an integer of 0 or more; found the text \"long\""
            ]
        );
        assert!(matches!(replies.queue.try_recv(), Ok(Reply::Rejected { line: 3, .. })));
    }
}
