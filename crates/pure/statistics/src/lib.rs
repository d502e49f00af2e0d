//! What counted shots and reports prove, as plain formulas.
//!
//! Every function states its source and its units, and answers nothing (`None`) where nothing can be inferred: "not estimable"
//! is an answer. The crate only calculates: it counts no rows, reads no clock and shows nothing. The crate `questions` calls it.

pub mod chance;
