//! Supply rails: what an injector reads of them becomes rows of one second each and totals of the boot.
//!
//! A state machine that keeps one open second per rail, however long a run is, and at most [`MOST_RAILS`] rails. Readings in
//! ([`Rails::read`]), rows out ([`Rails::tell`]): each row states all that is known of its second or rail by then, so that a row that
//! is told again stands in the place of the one before. It reads no clock and keeps no reading. The daemon's hub drives it, the
//! store keeps what it tells and gives it back after a restart.

mod limits;
mod series;

pub use limits::{Bound, CONFIGURED, Generation, Limits, Override, built_in};
pub use series::{Last, Second, Totals};

use serde::{Deserialize, Serialize};
use series::Series;
use std::collections::BTreeMap;
use std::sync::Arc;
use thiserror::Error;
use vocabulary::{Mono, SlotEntry, SlotId};

/// Rails at the most, of all injectors and slots together, in one boot of a run.
pub const MOST_RAILS: usize = 1024;
/// The longest name of a rail, in bytes.
pub const LONGEST_NAME: usize = 64;
/// Nothing that feeds a module has more microvolts than this, of either sign: a thousand volts.
pub const MOST_UV: i64 = 1_000_000_000;
/// How long a reading holds if nothing else is set.
pub const DEFAULT_HOLD_NS: i64 = 2_000_000_000;

/// What the rows depend on besides the readings.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Settings {
    /// The generation of all modules; what each slot's memory type says otherwise.
    pub generation: Option<Generation>,
    /// How long a reading holds at the most, nanoseconds.
    pub hold_ns: i64,
    /// Limits in the place of the built-in ones. One with a slot goes before one without; of equals, the first.
    pub limits: Vec<Override>,
}

impl Default for Settings {
    fn default() -> Settings {
        Settings { generation: None, hold_ns: DEFAULT_HOLD_NS, limits: Vec::new() }
    }
}

/// Why a reading was not taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
pub enum Refused {
    /// No supply has that much.
    #[error("`millivolts` must lie between -1000000 and 1000000")]
    Voltage,
    /// The name is too long.
    #[error("`name` must have at most {LONGEST_NAME} bytes")]
    Name,
    /// There are as many rails as are kept.
    #[error("{MOST_RAILS} rails are known already, and no more are kept")]
    TooMany,
}

/// What tells one rail from another.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Key {
    /// Who reads it.
    pub injector: Arc<str>,
    /// The slot that it feeds, if it feeds one.
    pub slot: Option<SlotId>,
    /// Its name, in upper case.
    pub name: Arc<str>,
}

/// A rail's numbers as they are now, with every second that has changed since it was last told.
#[derive(Clone, PartialEq, Debug)]
pub struct Told {
    /// The rail's number in the boot, from 0 in the order of first readings.
    pub number: u32,
    /// Which rail.
    pub key: Key,
    /// Its limits, if it has any.
    pub limits: Option<Limits>,
    /// Everything since the boot's first reading.
    pub totals: Totals,
    /// The seconds, in order; the last one may still change.
    pub seconds: Vec<Second>,
}

/// What an earlier session of the boot had told of a rail.
#[derive(Clone, PartialEq, Debug)]
pub struct Left {
    /// Which rail.
    pub key: Key,
    /// Its totals.
    pub totals: Totals,
    /// The second of its newest reading.
    pub open: Option<Second>,
}

struct Rail {
    key: Key,
    limits: Option<Limits>,
    series: Series,
    changed: bool,
}

/// What is known of a slot's module.
struct Module {
    name: String,
    label: String,
    generation: Option<Generation>,
}

/// See the crate's page.
pub struct Rails {
    settings: Settings,
    modules: BTreeMap<SlotId, Module>,
    rails: Vec<Rail>,
    numbers: BTreeMap<Key, usize>,
    waiting: usize,
}

impl Rails {
    /// No rail was read yet, and no slot is known.
    #[must_use]
    pub fn new(settings: Settings) -> Rails {
        Rails { settings, modules: BTreeMap::new(), rails: Vec::new(), numbers: BTreeMap::new(), waiting: 0 }
    }

    /// Goes on with what an earlier session of this boot had told, in order of the rails' numbers.
    pub fn restore(&mut self, left: Vec<Left>) {
        for Left { key, totals, open } in left {
            let limits = self.limits_of(&key);
            self.numbers.insert(key.clone(), self.rails.len());
            let series = Series { totals, open, closed: Vec::new() };
            self.rails.push(Rail { key, limits, series, changed: false });
        }
    }

    /// What is known of the slots now. Limits follow it from the next reading on.
    pub fn know(&mut self, slots: &[SlotEntry]) {
        for slot in slots {
            let generation = common(slot.dimms.iter().map(|d| d.mem_type.as_deref().and_then(Generation::of_mem_type)));
            let module = Module { name: slot.name.clone(), label: slot.label.clone(), generation };
            self.modules.insert(slot.id, module);
        }
        let limits: Vec<_> = self.rails.iter().map(|rail| self.limits_of(&rail.key)).collect();
        for (rail, limits) in self.rails.iter_mut().zip(limits) {
            rail.limits = limits;
        }
    }

    /// A reading: by whom, of which rail, of which slot, when, millivolts. Finite ones only make sense.
    ///
    /// # Errors
    /// Why it was not taken; everything else is as it was.
    pub fn read(
        &mut self,
        injector: &Arc<str>,
        name: &str,
        slot: Option<SlotId>,
        at: Mono,
        millivolts: f64,
    ) -> Result<(), Refused> {
        let uv = microvolts(millivolts).ok_or(Refused::Voltage)?;
        let name = name.trim();
        if name.len() > LONGEST_NAME {
            return Err(Refused::Name);
        }
        let key = Key { injector: injector.clone(), slot, name: name.to_ascii_uppercase().into() };
        let number = match self.numbers.get(&key) {
            Some(number) => *number,
            None if self.rails.len() >= MOST_RAILS => return Err(Refused::TooMany),
            None => {
                let number = self.rails.len();
                let limits = self.limits_of(&key);
                self.numbers.insert(key.clone(), number);
                self.rails.push(Rail { key: key.clone(), limits, series: Series::beginning(at, uv), changed: false });
                number
            }
        };
        let outside = self.is_outside(number, &key, at, uv);
        let hold_ns = self.settings.hold_ns;
        if let Some(rail) = self.rails.get_mut(number) {
            let before = rail.series.closed.len() + usize::from(rail.changed);
            rail.series.take(at, uv, outside, hold_ns);
            rail.changed = true;
            self.waiting += rail.series.closed.len() + 1 - before;
        }
        Ok(())
    }

    /// The rails that were read since the last call, in order of their numbers.
    pub fn tell(&mut self) -> Vec<Told> {
        self.waiting = 0;
        let changed = (0..).zip(&mut self.rails).filter(|(_, rail)| rail.changed);
        changed
            .map(|(number, rail)| {
                rail.changed = false;
                let mut seconds = std::mem::take(&mut rail.series.closed);
                seconds.extend(rail.series.open);
                Told { number, key: rail.key.clone(), limits: rail.limits, totals: rail.series.totals, seconds }
            })
            .collect()
    }

    /// How many rows the next [`Rails::tell`] has, about.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.waiting
    }

    fn is_outside(&self, number: usize, key: &Key, at: Mono, uv: i64) -> bool {
        let Some(limits) = self.rails.get(number).and_then(|rail| rail.limits) else { return false };
        if !limits.is_of_vdd() {
            return limits.is_outside(uv, limits.nominal_vdd_uv);
        }
        // VDD as the same injector has just read it there; as it should be, if it has not.
        let vdd = Key { name: "VDD".into(), ..key.clone() };
        let read = self.numbers.get(&vdd).and_then(|n| self.rails.get(*n)).map(|rail| rail.series.totals.last);
        let held = read.filter(|last| at.since(last.at).saturating_abs() <= self.settings.hold_ns);
        limits.is_outside(uv, held.map_or(limits.nominal_vdd_uv, |last| last.uv))
    }

    fn limits_of(&self, key: &Key) -> Option<Limits> {
        let module = key.slot.and_then(|slot| self.modules.get(&slot));
        let generation = match (self.settings.generation, key.slot) {
            (Some(set), _) => Some(set),
            (None, Some(_)) => module.and_then(|m| m.generation),
            (None, None) => common(self.modules.values().map(|m| m.generation)),
        };
        let built_in = generation.and_then(|generation| built_in(generation, &key.name));
        let is_here = |slot: &String| module.is_some_and(|m| m.name == *slot || m.label == *slot);
        let named = || self.settings.limits.iter().filter(|set| *set.name == *key.name);
        let set = named()
            .find(|set| set.slot.as_ref().is_some_and(is_here))
            .or_else(|| named().find(|set| set.slot.is_none()));
        match set {
            Some(set) => Some(Limits {
                min: Bound::Fixed(set.min_uv),
                max: Bound::Fixed(set.max_uv),
                // What damages a module does not depend on what somebody allows.
                absolute: built_in.and_then(|limits| limits.absolute),
                nominal_vdd_uv: generation.map_or(0, Generation::nominal_vdd_uv),
                from: CONFIGURED,
            }),
            None => built_in,
        }
    }
}

/// Whole microvolts; nothing for what no supply has.
#[must_use]
pub fn microvolts(millivolts: f64) -> Option<i64> {
    let uv = (millivolts * 1000.0).round();
    // A NaN is in no range.
    (-(MOST_UV as f64)..=MOST_UV as f64).contains(&uv).then_some(uv as i64)
}

/// What all say, if there is anybody and all say the same.
fn common(mut all: impl Iterator<Item = Option<Generation>>) -> Option<Generation> {
    let first = all.next()??;
    all.all(|other| other == Some(first)).then_some(first)
}

#[cfg(test)]
mod tests {
    use super::*;
    use vocabulary::{Dimm, Layer, Layers};

    fn slot(id: u32, name: &str, mem_type: Option<&str>) -> SlotEntry {
        let layers = Layers::from_slice(&[0]);
        let dimm = Dimm {
            controller: 0,
            layers,
            layer_kinds: vec![Layer::Slot],
            label: name.to_owned(),
            edac_mode: None,
            dev_type: None,
            mem_type: mem_type.map(str::to_owned),
            size_mb: None,
            rank: false,
        };
        SlotEntry {
            id: SlotId(id),
            name: name.to_owned(),
            label: name.to_owned(),
            controller: Some(0),
            channel: None,
            slot: None,
            layers,
            dimms: vec![dimm],
        }
    }

    fn limits(rails: &mut Rails, name: &str, slot: Option<u32>) -> Option<Limits> {
        rails.read(&"bench".into(), name, slot.map(SlotId), Mono(0), 1200.0).unwrap();
        rails.tell().pop().unwrap().limits
    }

    #[test]
    fn the_generation_comes_from_the_slot_or_from_all_of_them() {
        let mut rails = Rails::new(Settings::default());
        rails.know(&[slot(0, "A1", Some("Registered-DDR4")), slot(1, "A2", Some("Registered-DDR4"))]);
        let ddr4 = built_in(Generation::Ddr4, "VDD");
        assert_eq!(limits(&mut rails, "VDD", Some(0)), ddr4);
        assert_eq!(limits(&mut rails, "vdd ", None), ddr4, "all modules agree, and the case does not matter");
        assert_eq!(limits(&mut rails, "VDD", Some(9)), None);
        assert_eq!(limits(&mut rails, "V1P8_AUX", Some(0)), None);
        // One module more that says nothing, or something else: readings without a slot have no limits any more.
        rails.know(&[slot(2, "B1", None)]);
        assert_eq!(limits(&mut rails, "VDD", None), None);
        assert_eq!(limits(&mut rails, "VDD", Some(0)), ddr4);
        let mut set = Rails::new(Settings { generation: Some(Generation::Ddr5), ..Settings::default() });
        assert_eq!(limits(&mut set, "VDD", None), built_in(Generation::Ddr5, "VDD"));
    }

    #[test]
    fn what_is_set_goes_before_what_is_built_in() {
        let set = |slot: Option<&str>, min_uv| Override {
            name: "VDD".to_owned(),
            slot: slot.map(str::to_owned),
            min_uv,
            max_uv: 1_300_000,
        };
        let settings = Settings { limits: vec![set(None, 1), set(Some("A2"), 2)], ..Settings::default() };
        let mut rails = Rails::new(settings);
        rails.know(&[slot(0, "A1", Some("Registered-DDR4")), slot(1, "A2", Some("Registered-DDR4"))]);
        for (slot, min) in [(Some(0), 1), (Some(1), 2), (None, 1)] {
            let limits = limits(&mut rails, "VDD", slot).unwrap();
            assert_eq!((limits.min, limits.from), (Bound::Fixed(min), CONFIGURED));
            assert_eq!(limits.absolute, Some((-300_000, 1_500_000)));
        }
        assert_eq!(limits(&mut rails, "VPP", Some(1)), built_in(Generation::Ddr4, "VPP"));
    }

    #[test]
    fn vrefca_is_held_against_vdd_as_it_was_read() {
        let mut rails = Rails::new(Settings { generation: Some(Generation::Ddr4), ..Settings::default() });
        let bench: Arc<str> = "bench".into();
        let mut outside = |reads: &[(&str, i64, f64)]| {
            for (name, ms, mv) in reads {
                rails.read(&bench, name, None, Mono(ms * 1_000_000), *mv).unwrap();
            }
            rails.tell().iter().map(|t| t.totals.outside).collect::<Vec<_>>()
        };
        // Half of 1.2 V while nobody reads VDD; then half of what is read; then VDD is not known any more.
        assert_eq!(outside(&[("VREFCA", 0, 600.0), ("VREFCA", 100, 570.0)]), [1]);
        assert_eq!(outside(&[("VDD", 200, 1140.0), ("VREFCA", 300, 570.0), ("VREFCA", 400, 600.0)]), [2, 0]);
        assert_eq!(outside(&[("VREFCA", 2300, 600.0)]), [2]);
    }

    #[test]
    fn what_cannot_be_taken_is_said_and_changes_nothing() {
        let mut rails = Rails::new(Settings::default());
        let bench: Arc<str> = "bench".into();
        for mv in [f64::NAN, f64::INFINITY, 1e300, -1_000_001.0] {
            assert_eq!(rails.read(&bench, "VDD", None, Mono(0), mv), Err(Refused::Voltage), "{mv}");
        }
        assert_eq!(rails.read(&bench, &"V".repeat(65), None, Mono(0), 1.0), Err(Refused::Name));
        assert_eq!((rails.tell(), rails.waiting()), (vec![], 0));
        for n in 0..MOST_RAILS {
            rails.read(&bench, &format!("V{n}"), None, Mono(0), 1.0).unwrap();
        }
        assert_eq!(rails.waiting(), MOST_RAILS);
        let refused = rails.read(&bench, "ONE_MORE", None, Mono(0), 1.0).unwrap_err();
        assert_eq!(refused.to_string(), "1024 rails are known already, and no more are kept");
        rails.read(&bench, "V7", None, Mono(1), 1.0).unwrap();
        assert_eq!(rails.tell().len(), MOST_RAILS);
    }
}
