//! Ties sources, feed, pairing and store into one pipeline: live, replayed or rehearsed.
//!
//! `hub` is where everything meets and is the same for all three; `keeper` is the store's thread; `watch` is the live
//! daemon, `replay` reads a recording, `rehearse` runs the live daemon on a simulated machine. Only this crate knows all
//! the others; the command line calls it.

mod capture;
mod config;
mod health;
mod hub;
mod keeper;
mod live;
mod notify;
mod rehearse;
mod replay;
mod settings;
mod watch;

pub use capture::{FEED_FILE, WITNESS_FILE};
pub use config::{Config, ConfigError, DEFAULT_PATH, FeedPart};
pub use rehearse::{Rehearsal, RehearseOrder, Rehearsed, ReportTruth, ShotTruth, SlotTruth, UnprovokedTruth, rehearse};
pub use replay::{Refused, ReplayOrder, Replayed, replay};
pub use settings::{EccSetting, Settings};
pub use watch::Daemon;
