//! Cuts a stream of bytes into lines, in whatever pieces the bytes come.
//!
//! Lines end with `\n` or `\r\n`. A line that is too long or not UTF-8 costs itself and nothing else: too long a line is
//! not kept, only skipped up to its end. Memory is bounded by [`MAX_LINE`], whatever comes in. The splitter must not know
//! what a line means; its caller is whoever reads a stream.

use crate::Reason;

/// The longest line in bytes, without its line end.
pub const MAX_LINE: usize = 64 * 1024;

/// One line of a stream.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Framed {
    /// The line's number in its stream, from 1. Blank lines have numbers too, though they are not handed out.
    pub number: u64,
    /// The line without its line end, or why it cannot be read.
    pub line: Result<String, Reason>,
}

/// An incremental splitter. It holds at most one unfinished line.
#[derive(Debug)]
pub struct LineSplitter {
    partial: Vec<u8>,
    number: u64,
    /// The unfinished line is already too long and reported as such: everything up to its end is thrown away.
    skipping: bool,
}

impl Default for LineSplitter {
    fn default() -> LineSplitter {
        LineSplitter::new()
    }
}

impl LineSplitter {
    /// A splitter at the beginning of a stream.
    #[must_use]
    pub fn new() -> LineSplitter {
        LineSplitter { partial: Vec::new(), number: 1, skipping: false }
    }

    /// Takes the next bytes of the stream and appends every line that they complete to `out`.
    pub fn push(&mut self, chunk: &[u8], out: &mut Vec<Framed>) {
        let mut pieces = chunk.split(|byte| *byte == b'\n');
        // What follows the last `\n` is the beginning of the next line; everything before it ends with `\n`.
        let rest = pieces.next_back().unwrap_or_default();
        for piece in pieces {
            if self.partial.is_empty() && !self.skipping {
                self.complete(piece, out);
            } else {
                self.extend(piece, out);
                let line = std::mem::take(&mut self.partial);
                if !self.skipping {
                    self.complete(&line, out);
                }
            }
            self.skipping = false;
            self.number += 1;
        }
        self.extend(rest, out);
    }

    /// Ends the stream. Bytes after the last line end are a line if they are a whole JSON object, since some writers leave
    /// out the last line end; anything else may have lost its tail and is refused.
    pub fn finish(&mut self) -> Option<Framed> {
        let line = std::mem::take(&mut self.partial);
        let skipped = std::mem::take(&mut self.skipping);
        let number = self.number;
        self.number += 1;
        if skipped || line.trim_ascii().is_empty() {
            return None;
        }
        let whole = |text: &String| {
            serde_json::from_str::<serde_json::Map<String, serde_json::Value>>(text).is_ok() && text.len() <= MAX_LINE
        };
        let line = String::from_utf8(line).ok().filter(whole).ok_or(Reason::CutShort);
        Some(Framed { number, line })
    }

    /// Appends to the unfinished line, or gives it up once it cannot become a line any more.
    fn extend(&mut self, piece: &[u8], out: &mut Vec<Framed>) {
        // One byte more than a line may have, since the last one may be the `\r` of the line end.
        if !self.skipping && self.partial.len() + piece.len() > MAX_LINE + 1 {
            out.push(Framed { number: self.number, line: Err(Reason::Oversized) });
            self.partial = Vec::new();
            self.skipping = true;
        }
        if !self.skipping {
            self.partial.extend_from_slice(piece);
        }
    }

    fn complete(&self, line: &[u8], out: &mut Vec<Framed>) {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if line.trim_ascii().is_empty() && line.len() <= MAX_LINE {
            return;
        }
        let line = if line.len() > MAX_LINE {
            Err(Reason::Oversized)
        } else {
            match std::str::from_utf8(line) {
                Ok(text) => Ok(text.to_owned()),
                Err(error) => Err(Reason::NotUtf8 { byte: error.valid_up_to() + 1 }),
            }
        };
        out.push(Framed { number: self.number, line });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn split(chunks: &[&[u8]]) -> Vec<Framed> {
        let mut splitter = LineSplitter::new();
        let mut out = Vec::new();
        for chunk in chunks {
            splitter.push(chunk, &mut out);
        }
        out.extend(splitter.finish());
        out
    }

    fn ok(number: u64, line: &str) -> Framed {
        Framed { number, line: Ok(line.to_owned()) }
    }

    fn bad(number: u64, why: Reason) -> Framed {
        Framed { number, line: Err(why) }
    }

    #[test]
    fn line_ends_and_blank_lines() {
        assert_eq!(split(&[b"a\nb\r\n\n \t\r\nc\n"]), [ok(1, "a"), ok(2, "b"), ok(5, "c")]);
        assert_eq!(split(&[b"a", b"b\r", b"\n", b"", b"c\n"]), [ok(1, "ab"), ok(2, "c")]);
        // Only the one `\r` before the `\n` is part of the line end.
        assert_eq!(split(&[b"a\r\r\nb\rc\n"]), [ok(1, "a\r"), ok(2, "b\rc")]);
        assert_eq!(split(&[]), []);
    }

    #[test]
    fn half_a_line_at_the_end() {
        assert_eq!(split(&[b"a\n{\"type\":\"bye\"}"]), [ok(1, "a"), ok(2, "{\"type\":\"bye\"}")]);
        assert_eq!(split(&[b"a\n{\"type\":\"by"]), [ok(1, "a"), bad(2, Reason::CutShort)]);
        assert_eq!(split(&[b"plain text"]), [bad(1, Reason::CutShort)]);
        assert_eq!(split(&[b"a\n \r"]), [ok(1, "a")]);
    }

    #[test]
    fn noise_costs_its_own_line() {
        let noise = b"\0\0\xff\x7f\n{}\n\xc3\xa9t\xc3\n";
        assert_eq!(
            split(&[noise]),
            [bad(1, Reason::NotUtf8 { byte: 3 }), ok(2, "{}"), bad(3, Reason::NotUtf8 { byte: 4 })]
        );
    }

    #[test]
    fn the_longest_line_and_one_byte_more() {
        for end in ["\n", "\r\n"] {
            for (length, fits) in [(MAX_LINE, true), (MAX_LINE + 1, false), (3 * MAX_LINE, false)] {
                let text = format!("{}{end}next\n", "x".repeat(length));
                let expected = if fits { ok(1, &"x".repeat(length)) } else { bad(1, Reason::Oversized) };
                assert_eq!(split(&[text.as_bytes()]), [expected.clone(), ok(2, "next")]);
                let bytes: Vec<&[u8]> = text.as_bytes().chunks(1000).collect();
                assert_eq!(split(&bytes), [expected, ok(2, "next")]);
            }
        }
        // A blank line of any length within the limit is blank; beyond it, it is a line that was too long.
        let blanks = " ".repeat(MAX_LINE + 5);
        assert_eq!(split(&[blanks.as_bytes(), b"\nx\n"]), [bad(1, Reason::Oversized), ok(2, "x")]);
        assert_eq!(split(&[format!("{blanks}\nx\n").as_bytes()]), [bad(1, Reason::Oversized), ok(2, "x")]);
    }

    #[test]
    fn an_endless_line_is_not_kept() {
        let mut splitter = LineSplitter::new();
        let mut out = Vec::new();
        for _ in 0..1000 {
            splitter.push(&[b'x'; 10_000], &mut out);
            assert!(splitter.partial.capacity() <= 2 * (MAX_LINE + 1));
        }
        assert_eq!(out, [bad(1, Reason::Oversized)]);
        assert_eq!(splitter.finish(), None);
    }

    proptest! {
        /// However the bytes are cut into chunks, the lines are the same.
        #[test]
        fn chunks_do_not_matter(
            lines in prop::collection::vec(
                prop_oneof![
                    prop::collection::vec(any::<u8>(), 0..40),
                    prop::collection::vec(prop::sample::select(b"{}\r\n \0\xff:\"a1".to_vec()), 0..40),
                    (MAX_LINE - 2..MAX_LINE + 4).prop_map(|n| vec![b'y'; n]),
                ],
                0..8,
            ),
            cuts in prop::collection::vec(any::<prop::sample::Index>(), 0..30),
        ) {
            let stream = lines.join(&b'\n');
            let mut at: Vec<usize> = cuts.iter().map(|cut| cut.index(stream.len() + 1)).collect();
            at.extend([0, stream.len()]);
            at.sort_unstable();
            let chunks: Vec<&[u8]> = at.windows(2).map(|w| &stream[w[0]..w[1]]).collect();
            prop_assert_eq!(split(&chunks), split(&[&stream]));
        }
    }
}
