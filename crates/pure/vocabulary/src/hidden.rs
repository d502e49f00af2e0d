//! Characters that a reader cannot see. Whoever shows text of the kernel or of a feed makes them visible.

/// Whether the character hides what stands beside it or reorders it, without being a control character: line and paragraph separators,
/// zero-width and bidirectional formatting characters (Unicode general categories Cf as far as they do that, Zl, Zp).
#[must_use]
pub fn hides(c: char) -> bool {
    matches!(c,
        '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
}
