//! Making strings from the kernel and from feeds safe to print, and lines short enough to read.

/// The text with every character escaped that could move a cursor, hide or reorder what stands beside it.
///
/// Labels, messages and notes come from firmware and from a feed: an escape sequence in one of them must not reach a
/// terminal. Control characters, line and paragraph separators, zero-width and bidirectional formatting characters
/// (Unicode general categories Cc, Cf as far as they reorder or hide, Zl, Zp) become `\u{…}` as in Rust.
#[must_use]
pub fn printable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || vocabulary::hides(c) {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}
