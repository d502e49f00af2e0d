//! The spelling of the signals that an injector can force.

use vocabulary::Signal;

/// The canonical spelling of a signal, such as `DQ17` or `CB3_B` for `cb3_b`; nothing if no module has it.
#[must_use]
pub fn canonical_signal(name: &str) -> Option<String> {
    Signal::parse(&name.to_ascii_uppercase()).map(|signal| signal.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_both_generations() {
        // JESD79-4 based modules: DQ0-63 and CB0-7; 18 strobes where the devices are x4.
        for name in ["DQ0", "DQ63", "CB0", "CB7", "DQS0", "DQS17"] {
            assert_eq!(canonical_signal(name).as_deref(), Some(name));
        }
        // JESD79-5 based modules: two sub-channels of 32 data and 8 check lines.
        for name in ["DQ0_A", "DQ31_B", "CB7_A", "CB0_B", "DQS9_A"] {
            assert_eq!(canonical_signal(name).as_deref(), Some(name));
        }
        assert_eq!(canonical_signal("dq5_b").as_deref(), Some("DQ5_B"));
    }

    #[test]
    fn everything_else_is_unknown() {
        let unknown = [
            "",
            "DQ",
            "DQ64",
            "DQ32_A",
            "CB8",
            "CB8_B",
            "DQS18",
            "DQS10_A",
            "DQ07",
            "DQ00",
            "DQ1_C",
            "DQ1_",
            "DQ-1",
            "DQ 1",
            "DQ1 ",
            "1",
            "A1",
            "DQ1_A_A",
            "DQ99999999999",
            "DQé1",
            "ＤＱ1",
            "DQ1x",
            "VDD",
        ];
        for name in unknown {
            assert_eq!(canonical_signal(name), None, "{name:?}");
        }
    }
}
