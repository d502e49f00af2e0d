//! One object of the EDAC inventory, and which channel and slot it is.

use crate::Layers;
use serde::{Deserialize, Serialize};

/// The words that the kernel uses for layers (`edac_layer_name` in `drivers/edac/edac_mc.c`).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Layer {
    /// A branch of channels (fully buffered DIMMs).
    Branch,
    /// A channel.
    Channel,
    /// A slot in a channel.
    Slot,
    /// A chip select: one rank.
    Csrow,
    /// One flat list of modules (firmware-first mode).
    Memory,
}

impl Layer {
    /// The layer that the kernel's word names.
    #[must_use]
    pub fn parse(word: &str) -> Option<Layer> {
        Some(match word {
            "branch" => Layer::Branch,
            "channel" => Layer::Channel,
            "slot" => Layer::Slot,
            "csrow" => Layer::Csrow,
            "memory" => Layer::Memory,
            _ => return None,
        })
    }
}

/// One EDAC `dimm` or `rank` object of the inventory.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Dimm {
    /// The memory controller.
    pub controller: u16,
    /// The position below the controller.
    pub layers: Layers,
    /// What each position means, top layer first; empty where not said.
    pub layer_kinds: Vec<Layer>,
    /// Label as the kernel has it; cut by the kernel at 31 characters.
    pub label: String,
    /// Such as `SECDED`; what the driver believes.
    pub edac_mode: Option<String>,
    /// Such as `x8`; what the driver believes.
    pub dev_type: Option<String>,
    /// Such as `Registered-DDR4`.
    pub mem_type: Option<String>,
    /// Size in MiB.
    pub size_mb: Option<u64>,
    /// Whether the object is one rank of a DIMM.
    pub rank: bool,
}

/// Channel and slot numbers of an object. Two chip selects make one slot.
///
/// Without layer words, two positions are channel and slot, and one is the slot: what most server drivers have.
pub(crate) fn numbers(dimm: &Dimm) -> (Option<u16>, Option<u16>) {
    let positions = dimm.layers.trimmed();
    let number = |n: &i16| u16::try_from(*n).ok();
    if dimm.layer_kinds.is_empty() {
        return match positions {
            [slot] => (None, number(slot)),
            [channel, slot] => (number(channel), number(slot)),
            [_, channel, slot] => (number(channel), number(slot)),
            _ => (None, None),
        };
    }
    let (mut channel, mut slot) = (None, None);
    for (kind, n) in dimm.layer_kinds.iter().zip(positions) {
        match kind {
            Layer::Channel => channel = number(n),
            Layer::Slot | Layer::Memory => slot = number(n),
            // The pairing of chip selects is common practice on the processors that have them, not read from hardware.
            Layer::Csrow => slot = number(n).map(|n| n / 2),
            Layer::Branch => {}
        }
    }
    (channel, slot)
}
