//! The parts of the page, one file for one or two of them, in the order in which they stand. Each takes the model and answers markup;
//! `page` puts them together.

pub(crate) mod cautions;
pub(crate) mod clock_and_rails;
pub(crate) mod findings;
pub(crate) mod latency;
pub(crate) mod lines;
pub(crate) mod machine;
pub(crate) mod method;
pub(crate) mod recompute;
pub(crate) mod run;
pub(crate) mod slots;
pub(crate) mod time;
pub(crate) mod verdict;
