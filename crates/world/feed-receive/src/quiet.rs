//! Warnings that a flood of bad input cannot turn into a flood of log lines.

use vocabulary::Mono;

const PAUSE_NS: i64 = 1_000_000_000;

/// Lets one warning a second through and counts the others.
#[derive(Debug, Default)]
pub(crate) struct Quiet {
    next: Option<Mono>,
    held: u64,
}

impl Quiet {
    /// Whether a warning may be written now, and if so, how many things went unsaid since the last one.
    pub(crate) fn may_speak(&mut self, now: Mono) -> Option<u64> {
        if self.next.is_some_and(|next| now < next) {
            self.held += 1;
            return None;
        }
        self.next = Some(now.plus(PAUSE_NS));
        Some(std::mem::take(&mut self.held))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_a_second_and_the_rest_counted() {
        let mut quiet = Quiet::default();
        let said: Vec<Option<u64>> =
            [-5, 0, 1, PAUSE_NS - 6, PAUSE_NS, PAUSE_NS + 1].map(|now| quiet.may_speak(Mono(now))).into();
        assert_eq!(said, [Some(0), None, None, None, Some(3), None]);
    }
}
