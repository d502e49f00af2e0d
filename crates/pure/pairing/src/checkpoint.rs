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

/// Counts up with every change of what is kept or of how it is used.
const FORM: u32 = 2;

impl Engine {
    /// Everything that the engine knows.
    #[must_use]
    pub fn checkpoint(&self) -> Checkpoint {
        let mut state = FORM.to_le_bytes().to_vec();
        // Writing to memory fails for no value of these types; an empty state would be refused as damaged.
        state.extend(postcard::to_stdvec(&(self.settings(), self)).unwrap_or_default());
        Checkpoint { horizon: self.horizon(), spacing_ns: self.enough_spacing(), state }
    }

    /// An engine that goes on from a checkpoint.
    ///
    /// # Errors
    /// When the checkpoint is of another form, of other settings, or damaged.
    pub fn resume(settings: Settings, checkpoint: &Checkpoint) -> Result<Engine, NotResumed> {
        let damaged = |why: &dyn std::fmt::Display| NotResumed::Damaged(why.to_string());
        let Some((form, rest)) = checkpoint.state.split_first_chunk() else { return Err(damaged(&"it is too short")) };
        let found = u32::from_le_bytes(*form);
        if found != FORM {
            return Err(NotResumed::OtherForm { found, wanted: FORM });
        }
        let (made_under, mut engine): (Settings, Engine) = postcard::from_bytes(rest).map_err(|why| damaged(&why))?;
        if made_under != settings {
            return Err(NotResumed::OtherSettings);
        }
        engine.set(settings);
        Ok(engine)
    }
}
