//! What a working machine would have said: from the forced lines to the severities that it may report.
//!
//! A memory word has more bits than its data needs, and the code says what the extra ones are. Forced lines make bits of a
//! word wrong; the decoder of the memory controller sees only the *syndrome*, the sum of the wrong bits' columns in the
//! code's parity-check matrix, and from it corrects, gives up, or errs. This crate does that sum for all the ways in which
//! the forced lines can go wrong, and says how likely each outcome is: nothing wrong, corrected, uncorrected, "corrected"
//! with wrong data, or not seen at all.
//!
//! ```
//! use ecc::{Override, SlotCode, SlotFacts};
//! use vocabulary::Force;
//!
//! let slot = SlotFacts { edac_mode: Some("SECDED"), dev_type: Some("x8"), mem_type: Some("Registered-DDR4"), channel: Some(0) };
//! let code = SlotCode::of(&slot, &Override::default()).unwrap();
//! let one = code.expect(&["DQ3"], Some(Force::Invert)).unwrap();
//! assert!(one.may_report.corrected && !one.may_report.not_corrected);
//! let three = code.expect(&["DQ3", "DQ4", "CB1"], Some(Force::Invert)).unwrap();
//! assert!(three.may_report.corrected && three.dangerous());
//! ```
//!
//! [`Code`] is a matrix, built in or brought by a user in a text file; `docs/ecc.md` has the format. [`SlotCode`] is the code that
//! a slot has, as far as that is known. [`Expectation`] is the answer for one set of lines, and its [`Expectation::shot`] for a
//! hold time and a read rate. Nothing here reads a file or a clock; the daemon's hub calls it for every injection.

mod code;
mod counted;
mod expectation;
mod lines;
mod matrix;
mod outcomes;
mod parse;
mod slot;
mod span;

pub use code::{Code, Decoded, Kind, Symbol, Word};
pub use expectation::{Burst, Classes, Expectation, Seen};
pub use lines::LineError;
pub use outcomes::Outcomes;
pub use parse::CodeError;
pub use slot::{Choice, ChosenBy, NAMES, Override, SlotCode, SlotError, SlotFacts, Syndromes};
