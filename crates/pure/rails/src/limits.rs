//! The limits that are built in, as data, each with its source beside it; and what a setting puts in their place.
//!
//! A value whose source is a data sheet says which. One that nobody has checked says "from memory", also to users, and is no
//! standard's value. A rail that is not in the table has no limits. Voltages are whole microvolts, so that sums and comparisons
//! are exact. `Rails` asks here; nobody else does.

use serde::{Deserialize, Serialize};

/// The standard that a module follows, as far as its supplies are concerned.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Generation {
    /// JESD79-4.
    Ddr4,
    /// JESD79-5.
    Ddr5,
}

impl Generation {
    /// The word in the configuration: `ddr4` or `ddr5`.
    #[must_use]
    pub fn parse(word: &str) -> Option<Generation> {
        match word {
            "ddr4" => Some(Generation::Ddr4),
            "ddr5" => Some(Generation::Ddr5),
            _ => None,
        }
    }

    /// From EDAC's `dimm_mem_type`: the words of `edac_mem_types` in the kernel's `drivers/edac/edac_mc.c`. Low-power memory has
    /// other supplies and is none of these.
    #[must_use]
    pub fn of_mem_type(mem_type: &str) -> Option<Generation> {
        match mem_type {
            "Unbuffered-DDR4" | "Registered-DDR4" | "Load-Reduced-DDR4-RAM" => Some(Generation::Ddr4),
            "Unbuffered-DDR5" | "Registered-DDR5" | "Load-Reduced-DDR5-RAM" => Some(Generation::Ddr5),
            _ => None,
        }
    }

    /// VDD as it should be, in microvolts: what limits relative to VDD are taken from while VDD itself is not read.
    #[must_use]
    pub fn nominal_vdd_uv(self) -> i64 {
        match self {
            Generation::Ddr4 => 1_200_000,
            Generation::Ddr5 => 1_100_000,
        }
    }
}

/// One end of a range.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Bound {
    /// Microvolts.
    Fixed(i64),
    /// So many hundredths of VDD, and so many microvolts more.
    OfVdd {
        /// Hundredths of VDD.
        percent: i64,
        /// Microvolts on top; may be negative.
        plus_uv: i64,
    },
}

impl Bound {
    /// In microvolts, with VDD at so many.
    #[must_use]
    pub fn at(self, vdd_uv: i64) -> i64 {
        match self {
            Bound::Fixed(uv) => uv,
            Bound::OfVdd { percent, plus_uv } => vdd_uv.saturating_mul(percent) / 100 + plus_uv,
        }
    }
}

/// Between what a rail has to be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Limits {
    /// The least at which the module must work.
    pub min: Bound,
    /// The most.
    pub max: Bound,
    /// Beyond these, in microvolts, the module may be damaged. Limits of damage, not test points.
    pub absolute: Option<(i64, i64)>,
    /// VDD as it should be, in microvolts.
    pub nominal_vdd_uv: i64,
    /// Where they come from, in words for people.
    pub from: &'static str,
}

impl Limits {
    /// Whether a reading lies outside, with VDD at so many microvolts. The ends are inside.
    #[must_use]
    pub fn is_outside(&self, uv: i64, vdd_uv: i64) -> bool {
        uv < self.min.at(vdd_uv) || uv > self.max.at(vdd_uv)
    }

    /// Whether they move with VDD.
    #[must_use]
    pub fn is_of_vdd(&self) -> bool {
        matches!((self.min, self.max), (Bound::OfVdd { .. }, _) | (_, Bound::OfVdd { .. }))
    }
}

/// A line of the table.
struct Row {
    generation: Generation,
    rails: &'static [&'static str],
    min: Bound,
    max: Bound,
    absolute: Option<(i64, i64)>,
    from: &'static str,
}

const fn of_vdd(percent: i64, plus_uv: i64) -> Bound {
    Bound::OfVdd { percent, plus_uv }
}

/// What a module has to be supplied with. The supply of DDR5 modules (VIN_BULK) has no line: no source with its tolerance is at hand.
const BUILT_IN: [Row; 7] = [
    Row {
        generation: Generation::Ddr4,
        rails: &["VDD", "VDDQ"],
        min: Bound::Fixed(1_140_000),
        max: Bound::Fixed(1_260_000),
        absolute: Some((-300_000, 1_500_000)),
        from: "DDR4: data sheet of Transcend TS1GSH72V1H, p. 5",
    },
    Row {
        generation: Generation::Ddr4,
        rails: &["VPP"],
        min: Bound::Fixed(2_375_000),
        max: Bound::Fixed(2_750_000),
        absolute: Some((-300_000, 3_000_000)),
        from: "DDR4: data sheet of Transcend TS1GSH72V1H, p. 5",
    },
    Row {
        generation: Generation::Ddr4,
        rails: &["VREFCA"],
        min: of_vdd(49, 0),
        max: of_vdd(51, 0),
        absolute: None,
        from: "DDR4: 0.49 to 0.51 of VDD, data sheet of Transcend TS1GSH72V1H, p. 5",
    },
    Row {
        generation: Generation::Ddr4,
        rails: &["VTT"],
        min: of_vdd(49, -20_000),
        max: of_vdd(51, 20_000),
        absolute: None,
        from: "DDR4: 0.49 of VDD less 20 mV to 0.51 of VDD and 20 mV, from memory, not checked against a source",
    },
    Row {
        generation: Generation::Ddr4,
        rails: &["VDDSPD"],
        min: Bound::Fixed(2_200_000),
        max: Bound::Fixed(3_600_000),
        absolute: None,
        from: "DDR4: data sheet of the 16 GB module CT16G4DFD8",
    },
    Row {
        generation: Generation::Ddr5,
        rails: &["VDD", "VDDQ"],
        min: Bound::Fixed(1_067_000),
        max: Bound::Fixed(1_166_000),
        absolute: None,
        from: "DDR5: data sheet of SK hynix DDR5 SO-DIMM, revision 1.0",
    },
    Row {
        generation: Generation::Ddr5,
        rails: &["VPP"],
        min: Bound::Fixed(1_746_000),
        max: Bound::Fixed(1_908_000),
        absolute: None,
        from: "DDR5: from memory, not checked against a source",
    },
];

/// What is built in for a rail; nothing for one that is not in the table. `rail` is in upper case.
#[must_use]
pub fn built_in(generation: Generation, rail: &str) -> Option<Limits> {
    let row = BUILT_IN.iter().find(|row| row.generation == generation && row.rails.contains(&rail))?;
    Some(Limits {
        min: row.min,
        max: row.max,
        absolute: row.absolute,
        nominal_vdd_uv: generation.nominal_vdd_uv(),
        from: row.from,
    })
}

/// Limits that the user has set.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Override {
    /// The rail, in upper case.
    pub name: String,
    /// The only slot that they are for; all slots, and readings without one, otherwise.
    pub slot: Option<String>,
    /// Microvolts.
    pub min_uv: i64,
    /// Microvolts.
    pub max_uv: i64,
}

/// What users read where limits come from [`Override`].
pub const CONFIGURED: &str = "set in the configuration";

#[cfg(test)]
mod tests {
    use super::*;

    const SHEET: &str = "data sheet of Transcend TS1GSH72V1H, p. 5";

    #[test]
    fn built_in_limits_are_those_of_their_sources() {
        use Generation::{Ddr4, Ddr5};
        // Microvolts at the nominal VDD, and what the origin must say.
        let table = [
            // "Recommended DC operating conditions" of the sheet: 1.14 V, 1.20 V, 1.26 V; 2.375 V, 2.50 V, 2.75 V.
            (Ddr4, "VDD", 1_140_000, 1_260_000, SHEET),
            (Ddr4, "VDDQ", 1_140_000, 1_260_000, SHEET),
            (Ddr4, "VPP", 2_375_000, 2_750_000, SHEET),
            // The sheet: 0.49 and 0.51 of VDD; 0.588 V and 0.612 V at 1.2 V by multiplication.
            (Ddr4, "VREFCA", 588_000, 612_000, SHEET),
            // From memory: data sheets of module makers.
            (Ddr4, "VTT", 568_000, 632_000, "from memory"),
            // Data sheet of CT16G4DFD8: 2.2 V to 3.6 V.
            (Ddr4, "VDDSPD", 2_200_000, 3_600_000, "CT16G4DFD8"),
            // Data sheet of SK hynix DDR5 SO-DIMM revision 1.0: 1.1 V, less 33 mV, more 66 mV.
            (Ddr5, "VDD", 1_067_000, 1_166_000, "SK hynix"),
            (Ddr5, "VDDQ", 1_067_000, 1_166_000, "SK hynix"),
            // From memory.
            (Ddr5, "VPP", 1_746_000, 1_908_000, "from memory"),
        ];
        for (generation, rail, min, max, from) in table {
            let limits = built_in(generation, rail).unwrap();
            let vdd = generation.nominal_vdd_uv();
            assert_eq!((limits.min.at(vdd), limits.max.at(vdd)), (min, max), "{generation:?} {rail}");
            assert!(limits.from.contains(from), "{generation:?} {rail}: {}", limits.from);
            assert!(!limits.is_outside(min, vdd) && !limits.is_outside(max, vdd), "the ends are inside");
            assert!(limits.is_outside(min - 1, vdd) && limits.is_outside(max + 1, vdd));
        }
        // The sheet's "absolute maximum ratings": -0.3 V to 1.5 V, and to 3.0 V for VPP.
        assert_eq!(built_in(Ddr4, "VDD").unwrap().absolute, Some((-300_000, 1_500_000)));
        assert_eq!(built_in(Ddr4, "VPP").unwrap().absolute, Some((-300_000, 3_000_000)));
        // The nominal values of the same sheets lie inside.
        for (generation, rail, nominal) in [(Ddr4, "VPP", 2_500_000), (Ddr5, "VPP", 1_800_000), (Ddr4, "VTT", 600_000)]
        {
            assert!(!built_in(generation, rail).unwrap().is_outside(nominal, generation.nominal_vdd_uv()));
        }
    }

    #[test]
    fn limits_of_vdd_move_with_it() {
        let limits = built_in(Generation::Ddr4, "VREFCA").unwrap();
        assert!(limits.is_of_vdd() && !built_in(Generation::Ddr4, "VDD").unwrap().is_of_vdd());
        // Half of 1.14 V is right at 1.14 V, and too little at 1.2 V.
        assert!(!limits.is_outside(570_000, 1_140_000));
        assert!(limits.is_outside(570_000, 1_200_000));
    }

    #[test]
    fn other_rails_and_other_memory_have_none() {
        assert_eq!(built_in(Generation::Ddr5, "VIN_BULK"), None);
        assert_eq!(built_in(Generation::Ddr5, "VREFCA"), None);
        // edac_mem_types in drivers/edac/edac_mc.c.
        let table = [
            ("Registered-DDR4", Some(Generation::Ddr4)),
            ("Unbuffered-DDR4", Some(Generation::Ddr4)),
            ("Load-Reduced-DDR4-RAM", Some(Generation::Ddr4)),
            ("Unbuffered-DDR5", Some(Generation::Ddr5)),
            ("Registered-DDR5", Some(Generation::Ddr5)),
            ("Load-Reduced-DDR5-RAM", Some(Generation::Ddr5)),
            ("Low-Power-DDR4-RAM", None),
            ("Registered-DDR3", None),
            ("Unknown", None),
        ];
        for (word, generation) in table {
            assert_eq!(Generation::of_mem_type(word), generation, "{word}");
        }
        assert_eq!((Generation::parse("ddr5"), Generation::parse("DDR5")), (Some(Generation::Ddr5), None));
    }
}
