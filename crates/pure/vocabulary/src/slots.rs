//! The DIMM slots of a run, and which of them a witness can be about.
//!
//! An EDAC object is not always a DIMM: where the controller's layers contain a chip select, one object is one rank, and
//! two ranks share a slot. The book folds ranks into slots, gives every slot one name, and looks slots up by what an
//! injector says (`resolve`) and by what a kernel record says (`blame`).

use crate::dimm::numbers;
use crate::{At, Dimm, Layers};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;
use thiserror::Error;

/// A slot's number in the run, from 0, in order of first sight.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SlotId(pub u32);

/// One DIMM slot of the run.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SlotEntry {
    /// The slot's number.
    pub id: SlotId,
    /// The name in all output: the label, made unique where labels are missing or doubled.
    pub name: String,
    /// The label as the kernel has it.
    pub label: String,
    /// The memory controller, where known.
    pub controller: Option<u16>,
    /// The channel, where the controller has channels.
    pub channel: Option<u16>,
    /// The slot within the channel, or the only number that there is.
    pub slot: Option<u16>,
    /// The position of the first object of the slot.
    pub layers: Layers,
    /// The EDAC objects of the slot: several for ranks; none for a slot that only a feed has named.
    pub dimms: Vec<Dimm>,
}

/// The slots that a witness can be about.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub enum Blame {
    /// Exactly this one.
    Slot(SlotId),
    /// One of these.
    Among(Arc<[SlotId]>),
    /// Not known: compatible with every place, and proof of none.
    Anywhere,
}

impl Blame {
    /// The slot, where exactly one is named.
    #[must_use]
    pub fn exact(&self) -> Option<SlotId> {
        match self {
            Blame::Slot(s) => Some(*s),
            _ => None,
        }
    }

    /// Whether the witness can be about this slot.
    #[must_use]
    pub fn allows(&self, slot: SlotId) -> bool {
        match self {
            Blame::Slot(s) => *s == slot,
            Blame::Among(all) => all.contains(&slot),
            Blame::Anywhere => true,
        }
    }
}

/// Why a slot that an injector named was not found.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum UnknownSlot {
    /// No memory controller at all.
    #[error("no memory controller is registered: nothing can be reported")]
    NoController,
    /// The label or the numbers name none.
    #[error("no slot is named {0}")]
    Unknown(String),
    /// The label names several.
    #[error("{count} slots have the label {label:?}: name the slot by controller, channel and slot numbers")]
    Ambiguous {
        /// The label.
        label: String,
        /// How many slots have it.
        count: usize,
    },
}

/// The DIMM slots that a run knows. Slots are never forgotten: a driver that goes away takes no history with it.
#[derive(Clone, Debug, Default)]
pub struct SlotBook {
    slots: Vec<SlotEntry>,
    by_place: BTreeMap<(u16, Layers), SlotId>,
    /// Slots may be made from what records and injections name: the inventory is not the authority.
    open: bool,
    changes: u64,
}

impl SlotBook {
    /// A book that only knows the slots of the inventory.
    #[must_use]
    pub fn new() -> SlotBook {
        SlotBook::default()
    }

    /// A book for recordings without an inventory: as long as no `Dimm` was added, what records name is a slot.
    #[must_use]
    pub fn learning() -> SlotBook {
        SlotBook { open: true, ..SlotBook::default() }
    }

    /// All slots in order of their numbers.
    #[must_use]
    pub fn slots(&self) -> &[SlotEntry] {
        &self.slots
    }

    /// Counts up with every change of a slot: new, renamed, placed, or with other objects.
    #[must_use]
    pub fn changes(&self) -> u64 {
        self.changes
    }

    /// Puts back a slot that an earlier session knew, in the order of the slots' numbers.
    pub fn restore(&mut self, entry: SlotEntry) {
        self.open = self.open && entry.dimms.is_empty();
        let places: Vec<(u16, Layers)> = match entry.controller {
            Some(controller) if entry.dimms.is_empty() => vec![(controller, entry.layers)],
            _ => entry.dimms.iter().map(|d| (d.controller, d.layers)).collect(),
        };
        let id = self.push(entry);
        self.by_place.extend(places.into_iter().map(|place| (place, id)));
        self.name_slots();
    }

    /// One slot.
    #[must_use]
    pub fn get(&self, id: SlotId) -> Option<&SlotEntry> {
        self.slots.get(id.0 as usize)
    }

    /// Adds or updates one object of the inventory; says which slot it belongs to and whether anything is new.
    pub fn add(&mut self, dimm: Dimm) -> (SlotId, bool) {
        self.open = false;
        let (channel, slot) = numbers(&dimm);
        let known = self.by_place.get(&(dimm.controller, dimm.layers)).copied().or_else(|| {
            // Another rank of a slot that is known already.
            let twin = |s: &&SlotEntry| {
                dimm.rank
                    && s.controller == Some(dimm.controller)
                    && s.channel == channel
                    && s.slot == slot
                    && s.dimms.iter().any(|d| d.rank)
            };
            self.slots.iter().find(twin).map(|s| s.id)
        });
        let id = known.unwrap_or_else(|| {
            self.push(SlotEntry {
                id: SlotId(0),
                name: String::new(),
                label: dimm.label.clone(),
                controller: Some(dimm.controller),
                channel,
                slot,
                layers: dimm.layers,
                dimms: Vec::new(),
            })
        });
        self.by_place.insert((dimm.controller, dimm.layers), id);
        let mut changed = false;
        if let Some(entry) = self.slots.get_mut(id.0 as usize) {
            match entry.dimms.iter_mut().find(|d| d.layers == dimm.layers) {
                Some(old) => {
                    changed = *old != dimm;
                    *old = dimm;
                }
                None => {
                    changed = true;
                    entry.dimms.push(dimm);
                    entry.dimms.sort();
                }
            }
            let mut labels: Vec<&str> = entry.dimms.iter().map(|d| d.label.as_str()).collect();
            labels.dedup();
            entry.label = labels.join(" + ");
        }
        if changed {
            self.name_slots();
        }
        (id, changed)
    }

    /// The slot that an injector names.
    ///
    /// # Errors
    /// When there is no such slot, or a label names several.
    pub fn resolve(&mut self, at: &At) -> Result<SlotId, UnknownSlot> {
        let found: Vec<SlotId> = self.slots.iter().filter(|s| names(s, at)).map(|s| s.id).collect();
        match (found.as_slice(), at) {
            ([one], _) => Ok(*one),
            ([], _) if self.open => Ok(self.learn_from(at)),
            ([], _) if self.slots.is_empty() => Err(UnknownSlot::NoController),
            ([], At::Label(label)) => Err(UnknownSlot::Unknown(format!("{label:?}"))),
            ([], At::Numbers { controller, channel, slot }) => Err(UnknownSlot::Unknown(match channel {
                Some(channel) => format!("controller {controller}, channel {channel}, slot {slot}"),
                None => format!("controller {controller}, slot {slot}"),
            })),
            (several, At::Label(label)) => Err(UnknownSlot::Ambiguous { label: label.clone(), count: several.len() }),
            (several, At::Numbers { controller, .. }) => {
                Err(UnknownSlot::Ambiguous { label: format!("controller {controller}"), count: several.len() })
            }
        }
    }

    /// The slots that a record can be about, from its numbers first and its label second.
    ///
    /// Labels are as `edac_mc_handle_error()` in the kernel's `drivers/edac/edac_mc.c` builds them: `any memory`,
    /// `unknown memory`, or several joined by ` or `. A record whose message says that the syndrome register was not
    /// valid carries row 0 and channel 0 for want of better (`drivers/edac/amd64_edac.c`): it can be about any slot of its
    /// controller. So can one whose numbers name no slot, such as a layer out of range, and no label either.
    pub fn blame(
        &mut self,
        controller: Option<u16>,
        layers: Layers,
        label: Option<&str>,
        message: Option<&str>,
    ) -> Blame {
        if message.is_some_and(|m| m.contains("MCA_SYND not valid")) {
            return self.any_of(controller);
        }
        if let Some(controller) = controller {
            if let Some(id) = self.by_place.get(&(controller, layers)).copied() {
                self.adopt_label(id, label);
                return Blame::Slot(id);
            }
            // A driver with two layers may leave anything in the third.
            let of_controller = |s: &&SlotEntry| s.controller == Some(controller);
            let fits: Vec<SlotId> = self
                .slots
                .iter()
                .filter(of_controller)
                .filter(|s| s.dimms.iter().any(|d| could_be(&d.layers, &layers)))
                .map(|s| s.id)
                .collect();
            if self.open && layers != Layers::UNKNOWN && fits.is_empty() {
                return Blame::Slot(self.learn_place(controller, layers, label));
            }
            let known_to_inventory = self.slots.iter().any(|s| s.controller == Some(controller));
            if known_to_inventory {
                let named = label.and_then(|l| self.by_label(l));
                return match (fits.as_slice(), named) {
                    ([one], _) => Blame::Slot(*one),
                    (_, Some(named)) => named,
                    ([], None) => self.any_of(Some(controller)),
                    (_, None) => Blame::Among(fits.into()),
                };
            }
        }
        label.and_then(|l| self.by_label(l)).unwrap_or(Blame::Anywhere)
    }

    /// All slots of a controller. As long as slots are only learned from what names them, nobody knows them all.
    fn any_of(&self, controller: Option<u16>) -> Blame {
        let known = controller.filter(|_| !self.open);
        let all = self.slots.iter().filter(|s| known.is_some() && s.controller == known).map(|s| s.id);
        one_of(all.collect()).unwrap_or(Blame::Anywhere)
    }

    fn by_label(&self, label: &str) -> Option<Blame> {
        // A slot's own label may contain the word that joins labels.
        one_of(self.with_label(label))
            .or_else(|| one_of(label.split(" or ").flat_map(|l| self.with_label(l)).collect()))
    }

    fn with_label(&self, label: &str) -> Vec<SlotId> {
        let has = |s: &&SlotEntry| !label.is_empty() && (s.label == label || s.dimms.iter().any(|d| d.label == label));
        self.slots.iter().filter(has).map(|s| s.id).collect()
    }

    /// A slot that so far only numbers have named takes the label that a record gives it.
    fn adopt_label(&mut self, id: SlotId, label: Option<&str>) {
        let nameless = |s: &&mut SlotEntry| s.label.is_empty() && s.dimms.is_empty();
        if let (true, Some(label)) = (self.open, label.filter(|l| !l.is_empty()))
            && let Some(entry) = self.slots.get_mut(id.0 as usize).filter(nameless)
        {
            entry.label = label.to_owned();
            self.name_slots();
        }
    }

    fn learn_from(&mut self, at: &At) -> SlotId {
        let entry = match at {
            At::Label(label) => blank(label.clone(), None, None, None, Layers::UNKNOWN),
            At::Numbers { controller, channel, slot } => {
                let positions: Vec<i16> =
                    channel.iter().chain(Some(slot)).map(|n| i16::try_from(*n).unwrap_or(i16::MAX)).collect();
                let layers = Layers::from_slice(&positions);
                blank(String::new(), Some(*controller), *channel, Some(*slot), layers)
            }
        };
        let place = entry.controller.map(|c| (c, entry.layers));
        let id = self.push(entry);
        if let Some(place) = place {
            self.by_place.insert(place, id);
        }
        self.name_slots();
        id
    }

    fn learn_place(&mut self, controller: u16, layers: Layers, label: Option<&str>) -> SlotId {
        let label = label.unwrap_or_default();
        let placeless = |s: &&mut SlotEntry| s.controller.is_none() && !label.is_empty() && s.label == label;
        let numbers = |i: usize| layers.0.get(i).and_then(|n| u16::try_from(*n).ok());
        let (channel, slot) = if numbers(1).is_some() { (numbers(0), numbers(1)) } else { (None, numbers(0)) };
        let id = match self.slots.iter_mut().find(placeless) {
            Some(entry) => {
                (entry.controller, entry.channel, entry.slot, entry.layers) = (Some(controller), channel, slot, layers);
                entry.id
            }
            None => self.push(blank(label.to_owned(), Some(controller), channel, slot, layers)),
        };
        self.by_place.insert((controller, layers), id);
        self.name_slots();
        id
    }

    fn push(&mut self, mut entry: SlotEntry) -> SlotId {
        let id = SlotId(u32::try_from(self.slots.len()).unwrap_or(u32::MAX));
        entry.id = id;
        self.slots.push(entry);
        id
    }

    /// Names are labels, as long as a label names one slot; otherwise numbers are added or stand alone.
    fn name_slots(&mut self) {
        self.changes += 1;
        let mut uses: BTreeMap<String, usize> = BTreeMap::new();
        for slot in &self.slots {
            *uses.entry(slot.label.clone()).or_default() += 1;
        }
        for slot in &mut self.slots {
            let place: Vec<String> = slot.layers.trimmed().iter().map(i16::to_string).collect();
            let numbers = format!("mc{} {}", slot.controller.map_or("?".into(), |c| c.to_string()), place.join(":"));
            slot.name = if slot.label.is_empty() {
                numbers
            } else if uses.get(&slot.label).is_some_and(|n| *n > 1) {
                format!("{} ({numbers})", slot.label)
            } else {
                slot.label.clone()
            };
        }
    }
}

fn blank(label: String, controller: Option<u16>, channel: Option<u16>, slot: Option<u16>, layers: Layers) -> SlotEntry {
    SlotEntry { id: SlotId(0), name: String::new(), label, controller, channel, slot, layers, dimms: Vec::new() }
}

/// One of these slots, if there is any.
fn one_of(mut slots: Vec<SlotId>) -> Option<Blame> {
    slots.sort_unstable();
    slots.dedup();
    match slots.as_slice() {
        [] => None,
        [one] => Some(Blame::Slot(*one)),
        _ => Some(Blame::Among(slots.into())),
    }
}

/// Whether the kernel may have cut the label: it keeps 31 bytes (`EDAC_MC_LABEL_LEN` in `include/linux/edac.h`).
fn is_cut(label: &str) -> bool {
    label.len() == 31
}

fn names(entry: &SlotEntry, at: &At) -> bool {
    match at {
        At::Label(label) => {
            let same = |d: &Dimm| d.label == *label || is_cut(&d.label) && label.starts_with(&d.label);
            entry.name == *label || entry.label == *label || entry.dimms.iter().any(same)
        }
        At::Numbers { controller, channel, slot } => {
            entry.controller == Some(*controller)
                && entry.slot == Some(*slot)
                && (entry.channel == *channel || channel.is_none() && entry.channel == Some(0))
        }
    }
}

/// Whether a record with these layers can be about an object at that place: unknown positions fit all.
fn could_be(place: &Layers, record: &Layers) -> bool {
    place.0.iter().zip(&record.0).all(|(mine, said)| *said < 0 || *mine < 0 || mine == said)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Layer;

    fn dimm(controller: u16, place: &[i16], label: &str) -> Dimm {
        Dimm {
            controller,
            layers: Layers::from_slice(place),
            layer_kinds: vec![Layer::Channel, Layer::Slot],
            label: label.into(),
            edac_mode: None,
            dev_type: None,
            mem_type: None,
            size_mb: None,
            rank: false,
        }
    }

    fn board() -> SlotBook {
        let mut book = SlotBook::new();
        for (c, ch, s, label) in [(0, 0, 0, "A1"), (0, 0, 1, "A2"), (0, 1, 0, "B1"), (1, 0, 0, "C1")] {
            book.add(dimm(c, &[ch, s], label));
        }
        book
    }

    fn numbers_at(controller: u16, channel: Option<u16>, slot: u16) -> At {
        At::Numbers { controller, channel, slot }
    }

    #[test]
    fn injectors_name_slots_by_label_or_numbers() {
        let mut book = board();
        assert_eq!(book.resolve(&At::Label("B1".into())), Ok(SlotId(2)));
        assert_eq!(book.resolve(&numbers_at(0, Some(1), 0)), Ok(SlotId(2)));
        assert_eq!(book.resolve(&numbers_at(1, None, 0)), Ok(SlotId(3)));
        assert_eq!(book.resolve(&At::Label("Z9".into())).unwrap_err().to_string(), "no slot is named \"Z9\"");
        assert!(matches!(book.resolve(&numbers_at(0, Some(7), 0)), Err(UnknownSlot::Unknown(_))));
        assert_eq!(SlotBook::new().resolve(&At::Label("A1".into())), Err(UnknownSlot::NoController));
    }

    #[test]
    fn doubled_labels_get_numbers_and_are_refused_as_targets() {
        let mut book = board();
        book.add(dimm(1, &[1, 0], "A1"));
        assert_eq!(book.get(SlotId(0)).unwrap().name, "A1 (mc0 0:0)");
        assert_eq!(book.get(SlotId(4)).unwrap().name, "A1 (mc1 1:0)");
        assert!(matches!(book.resolve(&At::Label("A1".into())), Err(UnknownSlot::Ambiguous { count: 2, .. })));
        assert_eq!(book.resolve(&At::Label("A1 (mc1 1:0)".into())), Ok(SlotId(4)));
    }

    #[test]
    fn a_label_that_the_kernel_has_cut_is_found_by_the_whole_one() {
        let mut book = board();
        book.add(dimm(2, &[0, 0], "CPU_SrcID#10_MC#11_Chan#0_DIMM#1".get(..31).unwrap()));
        assert_eq!(book.resolve(&At::Label("CPU_SrcID#10_MC#11_Chan#0_DIMM#1".into())), Ok(SlotId(4)));
        // Two that differ only behind the cut cannot be told apart by label.
        book.add(dimm(2, &[0, 1], "CPU_SrcID#10_MC#11_Chan#0_DIMM#0".get(..31).unwrap()));
        let both = book.resolve(&At::Label("CPU_SrcID#10_MC#11_Chan#0_DIMM#0".into()));
        assert!(matches!(both, Err(UnknownSlot::Ambiguous { count: 2, .. })), "{both:?}");
    }

    #[test]
    fn kernel_records_are_located_as_far_as_they_know() {
        let mut book = board();
        let mut at = |c, l: &[i16], label: &str| book.blame(Some(c), Layers::from_slice(l), Some(label), None);
        assert_eq!(at(0, &[1, 0, -1], "B1"), Blame::Slot(SlotId(2)));
        assert_eq!(at(0, &[1, 0, 0], "B1"), Blame::Slot(SlotId(2)));
        assert_eq!(at(0, &[0, -1, -1], "A1 or A2"), Blame::Among([SlotId(0), SlotId(1)].into()));
        assert_eq!(at(0, &[0, -1, -1], "unknown memory"), Blame::Among([SlotId(0), SlotId(1)].into()));
        assert_eq!(at(1, &[-1, -1, -1], "any memory"), Blame::Slot(SlotId(3)));
        assert_eq!(at(7, &[0, 0, -1], "C1"), Blame::Slot(SlotId(3)));
        // drivers/edac/edac_mc.c, edac_mc_handle_error(): a number out of range stays in the event, and matches no label.
        let any_of_0 = Blame::Among([SlotId(0), SlotId(1), SlotId(2)].into());
        assert_eq!(at(0, &[9, 0, -1], "unknown memory"), any_of_0);
        assert_eq!(at(0, &[-1, -1, -1], "any memory"), any_of_0);
        assert_eq!(at(0, &[-1, -1, -1], "A1 or B1"), Blame::Among([SlotId(0), SlotId(2)].into()));
        assert_eq!(at(0, &[-1, -1, -1], "A1 or nobody's"), Blame::Slot(SlotId(0)));
        assert_eq!(at(0, &[i16::MAX, i16::MIN, 0], "any memory"), any_of_0);
        assert_eq!(at(9, &[0, 0, -1], "any memory"), Blame::Anywhere);
        assert_eq!(book.blame(None, Layers::UNKNOWN, None, None), Blame::Anywhere);
        // drivers/edac/amd64_edac.c, __log_ecc_error() with ERR_SYND: row 0 and channel 0 stand for nothing.
        let invalid = "MCA_SYND not valid - unknown syndrome and csrow";
        let mut at_0_0 = |c| book.blame(Some(c), Layers::from_slice(&[0, 0]), Some("A1"), Some(invalid));
        assert_eq!((at_0_0(0), at_0_0(1), at_0_0(7)), (any_of_0.clone(), Blame::Slot(SlotId(3)), Blame::Anywhere));
        let mut learning = SlotBook::learning();
        learning.blame(Some(0), Layers::from_slice(&[0, 0]), None, None);
        assert_eq!(learning.blame(Some(0), Layers::from_slice(&[0, 0]), None, Some(invalid)), Blame::Anywhere);
    }

    #[test]
    fn two_ranks_are_one_slot() {
        let mut book = SlotBook::new();
        for csrow in 0..4 {
            for channel in 0..2 {
                let mut d = dimm(0, &[csrow, channel], &format!("mc#0csrow#{csrow}channel#{channel}"));
                d.layer_kinds = vec![Layer::Csrow, Layer::Channel];
                d.rank = true;
                book.add(d);
            }
        }
        assert_eq!(book.slots().len(), 4);
        let slot = book.resolve(&numbers_at(0, Some(1), 1)).unwrap();
        assert_eq!(book.get(slot).unwrap().name, "mc#0csrow#2channel#1 + mc#0csrow#3channel#1");
        for csrow in 2..4 {
            assert_eq!(book.blame(Some(0), Layers::from_slice(&[csrow, 1]), None, None), Blame::Slot(slot));
        }
        assert_eq!(book.resolve(&At::Label("mc#0csrow#3channel#1".into())), Ok(slot));
    }

    #[test]
    fn a_recording_without_inventory_learns_its_slots() {
        let mut book = SlotBook::learning();
        let by_numbers = book.resolve(&numbers_at(0, Some(1), 0)).unwrap();
        assert_eq!(book.blame(Some(0), Layers::from_slice(&[1, 0]), Some("X"), None), Blame::Slot(by_numbers));
        assert_eq!(book.get(by_numbers).unwrap().name, "X");
        let by_label = book.resolve(&At::Label("Y".into())).unwrap();
        assert_eq!(book.blame(Some(2), Layers::from_slice(&[3, 0]), Some("Y"), None), Blame::Slot(by_label));
        assert_eq!(book.get(by_label).unwrap().channel, Some(3));
        assert_eq!(book.blame(Some(2), Layers::UNKNOWN, Some("any memory"), None), Blame::Anywhere);
        // The first inventory line makes the inventory the authority.
        book.add(dimm(0, &[0, 0], "A1"));
        assert!(book.resolve(&At::Label("Z".into())).is_err());
    }

    #[test]
    fn a_restored_book_is_the_book_that_was() {
        let book = board();
        let mut again = SlotBook::new();
        for entry in book.slots() {
            again.restore(entry.clone());
        }
        assert_eq!(again.slots(), book.slots());
        assert_eq!(again.add(dimm(0, &[1, 0], "B1")), (SlotId(2), false));
        assert_eq!(again.blame(Some(0), Layers::from_slice(&[1, 0]), None, None), Blame::Slot(SlotId(2)));
    }

    #[test]
    fn seeing_an_object_again_changes_nothing_unless_its_label_did() {
        let mut book = board();
        assert_eq!(book.add(dimm(0, &[0, 0], "A1")), (SlotId(0), false));
        assert_eq!(book.add(dimm(0, &[0, 0], "LEFT")), (SlotId(0), true));
        assert_eq!(book.resolve(&At::Label("LEFT".into())), Ok(SlotId(0)));
    }
}
