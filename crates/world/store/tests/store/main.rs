//! The store as its users see it: a directory, a database, and whatever can happen to both.

// `cfg(test)` says nothing new here; it is how the lints know the helper functions of the tests for tests.
#[cfg(test)]
mod asking;
#[cfg(test)]
mod checkpoints;
#[cfg(test)]
mod crash;
#[cfg(test)]
mod damage;
#[cfg(test)]
mod documented;
#[cfg(test)]
mod fixture;
#[cfg(test)]
mod migrating;
#[cfg(test)]
mod opening;
#[cfg(test)]
mod restoring;
#[cfg(test)]
mod runs;
#[cfg(test)]
mod totals;
#[cfg(test)]
mod writing;
