//! Shares the strings that come again and again: labels and driver messages.
//!
//! A machine has some dozens of labels and messages, and a burn-in makes millions of events of them; each is kept once.
//! The memory is bounded: a full interner forgets everything and begins anew.

use std::collections::HashMap;
use std::sync::Arc;

/// How many different strings are kept.
const CAPACITY: usize = 4096;

/// A bounded set of shared strings.
#[derive(Debug, Default)]
pub struct Interner {
    // Looked up only, never walked: its order cannot reach any output.
    known: HashMap<Box<[u8]>, Arc<str>>,
}

impl Interner {
    /// An empty one.
    #[must_use]
    pub fn new() -> Interner {
        Interner::default()
    }

    /// The shared string for these bytes; none for no bytes. What is not UTF-8 becomes U+FFFD.
    pub fn text(&mut self, bytes: &[u8]) -> Option<Arc<str>> {
        if bytes.is_empty() {
            return None;
        }
        if let Some(known) = self.known.get(bytes) {
            return Some(known.clone());
        }
        if self.known.len() >= CAPACITY {
            self.known.clear();
        }
        let text: Arc<str> = String::from_utf8_lossy(bytes).into();
        self.known.insert(bytes.into(), text.clone());
        Some(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_bytes_share_one_string_and_the_set_stays_bounded() {
        let mut interner = Interner::new();
        let a = interner.text(b"A1").unwrap();
        assert!(Arc::ptr_eq(&a, &interner.text(b"A1").unwrap()));
        assert_eq!(interner.text(b""), None);
        assert_eq!(interner.text(b"\xff1").as_deref(), Some("\u{fffd}1"));
        for i in 0..3 * CAPACITY {
            assert_eq!(interner.text(i.to_string().as_bytes()).as_deref(), Some(i.to_string().as_str()));
            assert!(interner.known.len() <= CAPACITY);
        }
    }
}
