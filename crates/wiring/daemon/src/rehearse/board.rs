//! The simulated machine's board, which exists nowhere else: two memory controllers, LEFT and RIGHT, with two channels of
//! two DIMM slots each.
//!
//! `tree` shows it in sysfs, `machine` counts on it, `scenario` gives its slots their habits.

/// One DIMM slot.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Slot {
    /// The memory controller.
    pub(super) controller: u8,
    /// The channel within the controller.
    pub(super) channel: u8,
    /// The slot within the channel.
    pub(super) number: u8,
}

impl Slot {
    const fn new(controller: u8, channel: u8, number: u8) -> Slot {
        Slot { controller, channel, number }
    }

    /// What is printed beside the slot on the board: the side, the channel counted through both controllers, the slot.
    pub(super) fn label(self) -> String {
        let side = if self.controller == 0 { "LEFT" } else { "RIGHT" };
        let channel = char::from(b'A' + 2 * self.controller + self.channel);
        format!("{side}_{channel}{}", self.number + 1)
    }
}

pub(super) const LEFT_A1: Slot = Slot::new(0, 0, 0);
pub(super) const LEFT_A2: Slot = Slot::new(0, 0, 1);
pub(super) const LEFT_B1: Slot = Slot::new(0, 1, 0);
pub(super) const LEFT_B2: Slot = Slot::new(0, 1, 1);
pub(super) const RIGHT_C1: Slot = Slot::new(1, 0, 0);
pub(super) const RIGHT_C2: Slot = Slot::new(1, 0, 1);
pub(super) const RIGHT_D1: Slot = Slot::new(1, 1, 0);
pub(super) const RIGHT_D2: Slot = Slot::new(1, 1, 1);

/// All slots, in the order in which sysfs shows them.
pub(super) const SLOTS: [Slot; 8] = [LEFT_A1, LEFT_A2, LEFT_B1, LEFT_B2, RIGHT_C1, RIGHT_C2, RIGHT_D1, RIGHT_D2];

/// How many memory controllers the board has. Each reports through a CPU of its own.
pub(super) const CONTROLLERS: u8 = 2;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_what_the_constants_are_named() {
        let labels = SLOTS.map(Slot::label);
        assert_eq!(
            labels,
            ["LEFT_A1", "LEFT_A2", "LEFT_B1", "LEFT_B2", "RIGHT_C1", "RIGHT_C2", "RIGHT_D1", "RIGHT_D2"]
        );
        assert!(SLOTS.is_sorted() && SLOTS.iter().all(|s| s.controller < CONTROLLERS));
    }
}
