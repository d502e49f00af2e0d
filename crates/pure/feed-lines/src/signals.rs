//! The JEDEC names of the signals that an injector can force.
//!
//! Source of the ranges: the 288-contact DDR4 modules (JESD79-4 and the module standards built on it) carry DQ0..DQ63,
//! CB0..CB7 and, with x4 devices, strobes DQS0..DQS17. DDR5 modules (JESD79-5) have two sub-channels A and B, each with
//! 32 data lines, up to 8 check lines and up to 10 strobes, named with the sub-channel at the end.

/// The canonical spelling of a signal, such as `DQ17` or `CB3_B` for `cb3_b`; nothing if no module has it.
///
/// Numbers have no leading zeros, so that one signal has one name.
#[must_use]
pub fn canonical_signal(name: &str) -> Option<String> {
    let name = name.to_ascii_uppercase();
    let (stem, sub_channel) = match name.strip_suffix("_A").or_else(|| name.strip_suffix("_B")) {
        Some(stem) => (stem, true),
        None => (name.as_str(), false),
    };
    let digits = stem.find(|c: char| c.is_ascii_digit())?;
    let (prefix, number) = stem.split_at_checked(digits)?;
    let highest = match (prefix, sub_channel) {
        ("DQ", false) => 63,
        ("DQ", true) => 31,
        ("CB", _) => 7,
        ("DQS", false) => 17,
        ("DQS", true) => 9,
        _ => return None,
    };
    let leading_zero = number.len() > 1 && number.starts_with('0');
    let plain = number.bytes().all(|b| b.is_ascii_digit()) && !leading_zero;
    (plain && number.parse::<u8>().is_ok_and(|n| n <= highest)).then_some(name)
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
