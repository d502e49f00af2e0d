//! Which code a slot has, and what it makes of forced lines.
//!
//! The kernel's words for a slot are what a driver believes; some drivers say the same of every machine. So the configuration goes
//! first, then the driver, and what nobody knows stays unknown: then every report is allowed, and none is called wrong.

use crate::code::{BUILT_IN_NAMES, Code};
use crate::counted::Counted;
use crate::expectation::Expectation;
use crate::lines::{CHECK_LINES, LineError, Resolved, Wiring, data_lines, resolve};
use crate::matrix::Matrix;
use crate::outcomes::{Forced, Outcomes};
use vocabulary::Force;

/// What the kernel says of a slot, in its own words.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SlotFacts<'a> {
    /// `dimm_edac_mode`, such as `SECDED`.
    pub edac_mode: Option<&'a str>,
    /// `dimm_dev_type`, such as `x4`.
    pub dev_type: Option<&'a str>,
    /// `dimm_mem_type`, such as `Registered-DDR5`.
    pub mem_type: Option<&'a str>,
    /// The channel, for codes that are spread over two.
    pub channel: Option<u16>,
}

/// What the configuration says of a slot; where it says nothing, the kernel's words count.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Override {
    /// The code.
    pub code: Option<Choice>,
    /// How many data lines a device has: 4, 8 or 16.
    pub device_lines: Option<u8>,
}

/// A code chosen by the configuration.
#[derive(Clone, PartialEq, Debug)]
pub struct Choice(Chosen);

#[derive(Clone, PartialEq, Debug)]
enum Chosen {
    Matrix(Box<Code>),
    Promise(Promise),
}

/// What a code promises, where its matrix is not known.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Promise {
    SecDed,
    Devices { width: Option<u8>, detects_two: bool },
    Detect,
    Parity,
    None,
    Unknown,
}

/// The promises that have a name.
const PROMISES: [(&str, Promise); 7] = [
    ("sec-ded", Promise::SecDed),
    ("single-device-double-detect", Promise::Devices { width: None, detects_two: true }),
    ("single-device", Promise::Devices { width: None, detects_two: false }),
    ("detect", Promise::Detect),
    ("parity", Promise::Parity),
    ("none", Promise::None),
    ("unknown", Promise::Unknown),
];

/// All names that [`Choice::named`] takes: first what a code can promise, then the built-in matrices.
pub const NAMES: [&str; PROMISES.len() + BUILT_IN_NAMES.len()] = {
    let mut names = [""; PROMISES.len() + BUILT_IN_NAMES.len()];
    let mut n = 0;
    while n < names.len() {
        #[allow(
            clippy::indexing_slicing,
            reason = "the compiler evaluates this, and refuses an index that is out of bounds"
        )]
        {
            names[n] = if n < PROMISES.len() { PROMISES[n].0 } else { BUILT_IN_NAMES[n - PROMISES.len()] };
        }
        n += 1;
    }
    names
};

/// Why a slot cannot have the code that was chosen for it.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum SlotError {
    /// No code has this name.
    #[error("no code {name:?}; there are {}", NAMES.join(", "))]
    UnknownCode {
        /// The name.
        name: String,
    },
    /// The code has another number of data lines than the module.
    #[error("the code {code} has words of {data_lines} data lines, and {mem_type} has words of {}", 96 - data_lines)]
    WrongModule {
        /// The code.
        code: String,
        /// Its data lines.
        data_lines: u32,
        /// The kernel's word for the module.
        mem_type: String,
    },
    /// A width that devices do not have.
    #[error("devices have 4, 8 or 16 data lines, not {found}")]
    DeviceLines {
        /// The width.
        found: u8,
    },
    /// A code that works in devices, and nobody says how wide they are.
    #[error("a code that corrects devices needs their width: the kernel does not say it, so set 4, 8 or 16 data lines")]
    DeviceLinesNeeded,
}

impl Choice {
    /// The code of this name, one of [`NAMES`].
    ///
    /// # Errors
    ///
    /// If no code has this name.
    pub fn named(name: &str) -> Result<Choice, SlotError> {
        if let Some((_, promise)) = PROMISES.iter().find(|(known, _)| *known == name) {
            return Ok(Choice(Chosen::Promise(*promise)));
        }
        Code::builtin(name).map(Choice::matrix).ok_or_else(|| SlotError::UnknownCode { name: name.to_owned() })
    }

    /// A matrix, such as one that a user brought.
    #[must_use]
    pub fn matrix(code: Code) -> Choice {
        Choice(Chosen::Matrix(Box::new(code)))
    }
}

/// Who says which code a slot has.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ChosenBy {
    /// The configuration.
    Configuration,
    /// The driver, by `dimm_edac_mode`.
    Driver,
    /// Nobody: it is unknown.
    Nobody,
}

/// What a module's words are.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Memory {
    /// 64 data lines and 8 check lines.
    Whole,
    /// Two sub-channels of 32 and 8.
    Split,
    /// One or the other: the lines that are named will tell.
    Either,
    /// No module with such lines, such as memory that is soldered down or stacked.
    Other,
}

impl Memory {
    /// From the kernel's words (`edac_mem_types` in `drivers/edac/edac_mc.c`).
    fn of(mem_type: Option<&str>) -> Memory {
        match mem_type.unwrap_or("Unknown") {
            "" | "Unknown" | "Empty" | "Reserved" => Memory::Either,
            "FullyBuffered-DDR2" => Memory::Other,
            low_power if low_power.starts_with("Low-Power-") => Memory::Other,
            ddr5 if ddr5.contains("DDR5") => Memory::Split,
            ddr if ddr.contains("DDR") || ddr.contains("SDR") => Memory::Whole,
            _ => Memory::Other,
        }
    }
}

#[derive(Clone, Debug)]
enum Model {
    Unknown,
    Counted(Counted),
    Matrix(Matrix),
}

/// A module, or each sub-channel of one.
#[derive(Clone, Debug)]
struct Module {
    wiring: Wiring,
    model: Model,
    burst_beats: u32,
}

/// The code that a slot has, made ready for questions.
#[derive(Clone, Debug)]
pub struct SlotCode {
    name: String,
    chosen_by: ChosenBy,
    device_lines: Option<u8>,
    whole: Option<Module>,
    split: Option<Module>,
}

/// The syndromes that forced lines can make.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Syndromes {
    /// The matrix is not known, or not which line has which column.
    NotKnown,
    /// More than 256.
    TooMany,
    /// These, in rising order. 0 is not among them: it is not reported.
    These(Vec<u64>),
}

/// Beats of a burst: 64 bytes over 64 data lines, or over 32.
const BURST_WHOLE: u32 = 8;
const BURST_SPLIT: u32 = 16;

impl SlotCode {
    /// The code of a slot, from what the configuration and the kernel say.
    ///
    /// # Errors
    ///
    /// If the configuration asks for something that this slot cannot have. What the kernel says never is an error: words that are
    /// not understood leave the code unknown.
    pub fn of(slot: &SlotFacts<'_>, chosen: &Override) -> Result<SlotCode, SlotError> {
        if let Some(found) = chosen.device_lines.filter(|width| ![4, 8, 16].contains(width)) {
            return Err(SlotError::DeviceLines { found });
        }
        let memory = Memory::of(slot.mem_type);
        let (promise, chosen_by) = match &chosen.code {
            Some(Choice(Chosen::Matrix(code))) => return SlotCode::of_matrix(code, slot, chosen, memory),
            Some(Choice(Chosen::Promise(promise))) => (*promise, ChosenBy::Configuration),
            None => match driver_says(slot.edac_mode) {
                _ if memory == Memory::Other => (Promise::Unknown, ChosenBy::Nobody),
                Promise::Unknown => (Promise::Unknown, ChosenBy::Nobody),
                promise => (promise, ChosenBy::Driver),
            },
        };
        let said = chosen.device_lines.or_else(|| device_lines(slot.dev_type));
        let (promise, device_lines) = match promise {
            Promise::Devices { width: Some(width), .. } => (promise, said.or(Some(width))),
            Promise::Devices { width: None, detects_two } => {
                let width = said.ok_or(SlotError::DeviceLinesNeeded)?;
                (Promise::Devices { width: Some(width), detects_two }, said)
            }
            _ => (promise, said),
        };
        let module = |count: u32, burst_beats: u32| {
            let lines = data_lines(count) | CHECK_LINES;
            Module { wiring: Wiring::new(lines, device_lines), model: promise.model(lines), burst_beats }
        };
        let name = promise.name().to_owned();
        let whole = (memory != Memory::Split).then(|| module(64, BURST_WHOLE));
        let split = (memory != Memory::Whole).then(|| module(32, BURST_SPLIT));
        Ok(SlotCode { name, chosen_by, device_lines, whole, split })
    }

    fn of_matrix(code: &Code, slot: &SlotFacts<'_>, chosen: &Override, memory: Memory) -> Result<SlotCode, SlotError> {
        let narrow = code.is_for_sub_channels();
        if memory == (if narrow { Memory::Whole } else { Memory::Split }) {
            let (code, mem_type) = (code.name().to_owned(), slot.mem_type.unwrap_or_default().to_owned());
            return Err(SlotError::WrongModule { code, data_lines: if narrow { 32 } else { 64 }, mem_type });
        }
        let device_lines = chosen.device_lines.or_else(|| device_lines(slot.dev_type));
        let module = |burst_beats: u32| {
            let model = Model::Matrix(Matrix::new(code, slot.channel));
            Module { wiring: Wiring::new(code.lines(), device_lines), model, burst_beats }
        };
        Ok(SlotCode {
            name: code.name().to_owned(),
            chosen_by: ChosenBy::Configuration,
            device_lines,
            whole: (!narrow).then(|| module(BURST_WHOLE)),
            split: narrow.then(|| module(BURST_SPLIT)),
        })
    }

    /// The name of the code, one of [`NAMES`] or that of a user's matrix.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Who says so.
    #[must_use]
    pub fn chosen_by(&self) -> ChosenBy {
        self.chosen_by
    }

    /// How many data lines a device of this slot has, where that is known.
    #[must_use]
    pub fn device_lines(&self) -> Option<u8> {
        self.device_lines
    }

    fn lookup<L: AsRef<str>>(
        &self,
        lines: &[L],
        force: Option<Force>,
    ) -> Result<(Option<&Module>, Resolved), LineError> {
        let resolved = resolve(
            lines,
            force,
            self.whole.as_ref().map(|module| &module.wiring),
            self.split.as_ref().map(|module| &module.wiring),
        )?;
        let module = if resolved.sub_channels { self.split.as_ref() } else { self.whole.as_ref() };
        Ok((module, resolved))
    }

    /// What is to be expected when these lines are forced in this way.
    ///
    /// Lines are JEDEC names in canonical spelling. `Low` and `High` make each line wrong in half of the beats, since data on the
    /// lines is as good as random; `Invert` makes it wrong in all of them. Where the way is not said, it is taken for `Low` or `High`:
    /// what may be reported then holds everything that `Invert` could make too. Without lines nothing is known.
    ///
    /// # Errors
    ///
    /// If the module has no such line.
    pub fn expect<L: AsRef<str>>(&self, lines: &[L], force: Option<Force>) -> Result<Expectation, LineError> {
        let (module, resolved) = self.lookup(lines, force)?;
        let Some(module) = module.filter(|_| !lines.is_empty()) else { return Ok(Expectation::unknown()) };
        let mut words: [(Outcomes, u32); 2] = Default::default();
        let mut count = 0;
        let forced = resolved.words.iter().filter(|forced| **forced != Forced::default());
        for (place, forced) in words.iter_mut().zip(forced) {
            let (outcomes, beats) = match &module.model {
                Model::Unknown => return Ok(Expectation::unknown()),
                Model::Counted(counted) => (counted.outcomes(*forced), counted.beats),
                Model::Matrix(matrix) => (matrix.outcomes(*forced), matrix.beats),
            };
            // Lines that are only inverted make the same error in every word.
            let words = if forced.random == 0 { 1 } else { (module.burst_beats / beats).max(1) };
            *place = (outcomes, words);
            count += 1;
        }
        let share = if resolved.sub_channels { f64::from(count) / 2.0 } else { 1.0 };
        Ok(Expectation::of(words.get(..count as usize).unwrap_or_default(), share))
    }

    /// The syndromes that these lines can make when they are forced in this way.
    ///
    /// # Errors
    ///
    /// If the module has no such line.
    pub fn syndromes<L: AsRef<str>>(&self, lines: &[L], force: Option<Force>) -> Result<Syndromes, LineError> {
        let (module, resolved) = self.lookup(lines, force)?;
        let matrix = match module.map(|module| &module.model) {
            Some(Model::Matrix(matrix)) if matrix.ordered && !lines.is_empty() => matrix,
            _ => return Ok(Syndromes::NotKnown),
        };
        let mut all = Vec::new();
        for forced in resolved.words.iter().filter(|forced| **forced != Forced::default()) {
            match matrix.syndromes(*forced, 8) {
                Some(some) => all.extend(some),
                None => return Ok(Syndromes::TooMany),
            }
        }
        all.sort_unstable();
        all.dedup();
        Ok(Syndromes::These(all))
    }
}

/// What `dimm_edac_mode` promises: the words of `edac_caps` in the kernel's `drivers/edac/edac_mc_sysfs.c`, with the meanings of `enum
/// edac_type` in `include/linux/edac.h`.
fn driver_says(edac_mode: Option<&str>) -> Promise {
    let devices = |width| Promise::Devices { width: Some(width), detects_two: true };
    match edac_mode.unwrap_or_default() {
        "None" => Promise::None,
        "PARITY" => Promise::Parity,
        "EC" => Promise::Detect,
        "SECDED" => Promise::SecDed,
        "S2ECD2ED" => devices(2),
        "S4ECD4ED" => devices(4),
        "S8ECD8ED" => devices(8),
        "S16ECD16ED" => devices(16),
        _ => Promise::Unknown,
    }
}

/// The number in `x4`, from `dimm_dev_type`.
fn device_lines(dev_type: Option<&str>) -> Option<u8> {
    dev_type?.strip_prefix('x')?.parse().ok()
}

impl Promise {
    fn name(self) -> &'static str {
        let same = |other: &Promise| std::mem::discriminant(other) == std::mem::discriminant(&self);
        let detects = |promise: &Promise| matches!(promise, Promise::Devices { detects_two: true, .. });
        let found = PROMISES.iter().find(|(_, known)| same(known) && detects(known) == detects(&self));
        found.map_or("unknown", |(name, _)| name)
    }

    fn model(self, lines: u128) -> Model {
        Model::Counted(match self {
            Promise::Unknown => return Model::Unknown,
            Promise::SecDed => Counted::sec_ded(lines),
            Promise::Devices { width, detects_two } => Counted::devices(lines, width.unwrap_or(4), detects_two),
            Promise::Detect => Counted::detect(lines),
            Promise::Parity => Counted::parity(lines),
            Promise::None => Counted::no_ecc(lines),
        })
    }
}
