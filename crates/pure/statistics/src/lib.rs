//! What counted shots and reports prove, as plain formulas.
//!
//! Every function states its source, its units, and when it has no answer: "not estimable" ([`NotEstimable`], or `None` in
//! [`chance`]) is an answer, and never a number that looks like one. The crate only calculates: it counts no rows, reads no clock
//! and shows nothing. The crate `questions` calls it; `docs/statistics.md` says which formula is used for what.
//!
//! `alpha` is everywhere the probability that the answer is wrong: 1 less the confidence. It is asked for in this form because
//! dividing it among many slots, or between two ends, then loses no digits. Probabilities of a detection are per shot.
//!
//! All of it is the same in every bit on every machine: sums have one order, and logarithms come from `libm`. All loops have a
//! bound that is not reached.

mod beta;
pub mod binomial;
pub mod chance;
mod error;
mod gamma;
pub mod interval_censored;
pub mod kaplan_meier;
mod masses;
mod nearest_monotone;
mod normal;
pub mod order;
pub mod plan;
pub mod poisson;
pub mod proportion;
mod quadrature;
mod root;
pub mod sequential;
pub mod several;
pub mod turnbull;
pub mod unsure;

pub use error::NotEstimable;

/// From `lower` to `upper`, both included, in the unit of what is estimated.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Interval {
    /// The smallest value that is not ruled out.
    pub lower: f64,
    /// The largest value that is not ruled out.
    pub upper: f64,
}
