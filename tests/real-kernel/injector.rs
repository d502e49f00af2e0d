//! The host as the injector: it speaks the feed's protocol on the guest's serial line.

use std::time::Duration;

use serde_json::{Value, json};

use super::line::Line;
use super::list::Addressed;

/// What an idle daemon needs is a thousandth of this; a guest on a busy host has to be let breathe.
const ACCEPTED: Duration = Duration::from_secs(20);

pub(crate) struct Injector {
    line: Line,
    last: Option<Value>,
}

impl Injector {
    pub(crate) fn new(line: Line) -> Self {
        Self { line, last: None }
    }

    /// Says who is there. An injector does so whenever it finds the other side newly connected.
    pub(crate) fn hello(&mut self) {
        self.send(&json!({"type": "hello", "who": "lane injector", "unit": "us"}));
    }

    /// Sends an injection without a time stamp of its own and waits until the daemon has it on disk.
    pub(crate) fn fire(&mut self, id: &str, at: Addressed) {
        let at = match at {
            Addressed::Label(slot) => json!(slot.label()),
            Addressed::Numbers(slot) => {
                json!({"controller": slot.controller, "channel": slot.channel, "slot": slot.slot})
            }
        };
        let injection = json!({"type": "injection", "id": id, "at": at, "lines": ["DQ5"], "hold_us": 1000});
        self.send(&injection);
        self.await_accepted(&injection);
        self.last = Some(injection);
    }

    pub(crate) fn resend(&mut self) {
        let injection = self.last.clone().unwrap();
        self.send(&injection);
        self.await_accepted(&injection);
    }

    fn send(&mut self, message: &Value) {
        self.line.send(&format!("{message}\n"));
    }

    fn await_accepted(&mut self, injection: &Value) {
        loop {
            let line = self.line.receive_until("\n", ACCEPTED);
            let answer: Value = serde_json::from_str(line.trim())
                .unwrap_or_else(|error| panic!("the daemon sent {line:?} to the injector: {error}"));
            assert_ne!(answer["type"], "rejected", "the daemon refused {injection}: {answer}");
            // Whatever else the protocol has for an injector, such as a ping, may come in between.
            if answer["type"] == "accepted" && answer["id"] == injection["id"] {
                return;
            }
        }
    }
}
