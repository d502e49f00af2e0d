//! Feeds over real sockets, a pseudo-terminal, files and FIFOs, with a stand-in for the daemon that answers every
//! injection. Times in here only end a test that hangs; no result depends on them.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    reason = "this is test code all through: it may panic"
)]

mod bench;
mod files;
mod flood;
mod serial;
mod tcp;
mod unix;
