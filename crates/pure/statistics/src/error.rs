//! Why there is no number.
//!
//! One type for the whole crate, so that whoever shows an answer has one place to say why there is none.

use thiserror::Error;

/// Why there is no number.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
pub enum NotEstimable {
    /// Nothing was counted, so everything is possible.
    #[error("nothing was counted")]
    Nothing,
    /// The claim cannot be reached with so few, whatever they show.
    #[error("{have} are too few: {need} are needed")]
    TooFew {
        /// How many there are.
        have: u64,
        /// How many there would have to be.
        need: u64,
    },
    /// It lies where nothing was seen: behind the end of the observation, because too many were missed.
    #[error("it lies behind what was observed")]
    Beyond,
    /// Chance alone would detect nearly everything.
    #[error("chance alone would detect nearly everything")]
    Chance,
    /// No number within the limits of the search is enough.
    #[error("nothing within {limit} is enough")]
    Unreachable {
        /// The largest that was tried.
        limit: u64,
    },
    /// The question itself makes no sense.
    #[error("{0}")]
    Argument(&'static str),
}

/// `alpha`, if it is a probability of error that leaves something to say.
pub(crate) fn risk(alpha: f64) -> Result<f64, NotEstimable> {
    if alpha > 0.0 && alpha < 1.0 { Ok(alpha) } else { Err(NotEstimable::Argument("alpha is not between 0 and 1")) }
}

/// `p`, if it is a probability that is neither impossible nor certain.
pub(crate) fn open_probability(p: f64) -> Result<f64, NotEstimable> {
    if p > 0.0 && p < 1.0 { Ok(p) } else { Err(NotEstimable::Argument("a probability is not between 0 and 1")) }
}

/// `p`, if it is a probability, 0 and 1 included.
pub(crate) fn probability(p: f64) -> Result<f64, NotEstimable> {
    if (0.0..=1.0).contains(&p) { Ok(p) } else { Err(NotEstimable::Argument("a probability is not from 0 to 1")) }
}

/// Whether a calculated probability of error is as small as was asked for.
///
/// The last digits of both are rounded: 0.9³ is 0.7290000000000001 and 1 − 0.271 is 0.729, and three shots are meant to be enough.
pub(crate) fn reached(error: f64, alpha: f64) -> bool {
    error <= alpha * (1.0 + 1e-12)
}
