//! The last pass over the page: what could hide or reorder text becomes visible.
//!
//! Labels and messages come from firmware, and notes from a feed. `maud` makes their markup harmless; what it leaves, control
//! characters and invisible formatting characters, is made visible here for the whole page at once, so that no part of it can be
//! forgotten. `page` calls it.

/// The page with every character written out as `\u{…}` that a reader could not see: control characters other than line breaks and
/// tabs, and formatting characters that hide or reorder.
pub(crate) fn visible(page: &str) -> String {
    let mut out = String::with_capacity(page.len());
    for c in page.chars() {
        if vocabulary::hides(c) || (c.is_control() && c != '\n' && c != '\t') {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::visible;

    #[test]
    fn what_hides_is_shown_and_what_is_seen_stays() {
        assert_eq!(visible("DIMM\u{202e}1A\u{1b}[2J\0"), "DIMM\\u{202e}1A\\u{1b}[2J\\u{0}");
        assert_eq!(visible("a\n\tb 10\u{202f}000 µs – ü"), "a\n\tb 10\u{202f}000 µs – ü");
    }
}
