//! What goes back to the injector, one JSON object a line.

use serde::{Deserialize, Serialize};
use vocabulary::Mono;

/// One line from the daemon to the injector.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "lowercase")]
pub enum Reply {
    /// The injection is on disk: the injector may force now. To be sent only once that is so.
    Accepted {
        /// The injection's id.
        id: String,
        /// The number of the line in its stream.
        line: u64,
        /// When the line arrived, on the daemon's monotonic clock.
        t_ns: Mono,
        /// The id was known already: this is the same injection, sent again.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        again: bool,
    },
    /// The line was refused, and nothing was kept of it.
    Rejected {
        /// The number of the line in its stream.
        line: u64,
        /// Why.
        why: String,
        /// The injection's id, if it could be read.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        id: Option<String>,
    },
    /// Asks the injector for its clock.
    Ping {
        /// Counts up; the pong carries it back.
        n: u64,
        /// Right before the ping was written, on the daemon's monotonic clock.
        t_ns: Mono,
    },
}

impl Reply {
    /// Appends the reply as one line of JSON, line end included.
    pub fn write_line(&self, out: &mut Vec<u8>) {
        // Writing strings and numbers into memory cannot fail; if it did, half a line must not stay behind.
        let before = out.len();
        match serde_json::to_writer(&mut *out, self) {
            Ok(()) => out.push(b'\n'),
            Err(_) => out.truncate(before),
        }
    }

    /// The reply as one line of JSON, line end included.
    #[must_use]
    pub fn to_line(&self) -> String {
        let mut line = Vec::new();
        self.write_line(&mut line);
        String::from_utf8(line).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn replies_as_documented() {
        // docs/feed.md shows these very shapes.
        let accepted = |again| Reply::Accepted { id: "b1-17".into(), line: 4, t_ns: Mono(812), again };
        assert_eq!(accepted(false).to_line(), "{\"type\":\"accepted\",\"id\":\"b1-17\",\"line\":4,\"t_ns\":812}\n");
        assert_eq!(
            accepted(true).to_line(),
            "{\"type\":\"accepted\",\"id\":\"b1-17\",\"line\":4,\"t_ns\":812,\"again\":true}\n"
        );
        let rejected = |id| Reply::Rejected { line: 9, why: "a \"reason\"".into(), id };
        assert_eq!(rejected(None).to_line(), "{\"type\":\"rejected\",\"line\":9,\"why\":\"a \\\"reason\\\"\"}\n");
        assert_eq!(
            rejected(Some("x".into())).to_line(),
            "{\"type\":\"rejected\",\"line\":9,\"why\":\"a \\\"reason\\\"\",\"id\":\"x\"}\n"
        );
        assert_eq!(Reply::Ping { n: 7, t_ns: Mono(5) }.to_line(), "{\"type\":\"ping\",\"n\":7,\"t_ns\":5}\n");
    }

    proptest! {
        /// Whatever an injector puts into an id, a reply stays one line and reads back as what it was.
        #[test]
        fn one_line_that_reads_back(id in ".*", why in ".*", line: u64, t: i64, again: bool, known: bool) {
            let replies = [
                Reply::Accepted { id: id.clone(), line, t_ns: Mono(t), again },
                Reply::Rejected { line, why, id: known.then_some(id) },
                Reply::Ping { n: line, t_ns: Mono(t) },
            ];
            for reply in replies {
                let text = reply.to_line();
                prop_assert_eq!(text.matches('\n').count(), 1);
                prop_assert_eq!(serde_json::from_str::<Reply>(&text).unwrap(), reply);
            }
        }
    }
}
