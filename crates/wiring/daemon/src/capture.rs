//! Both streams of a run in the replay format: lines in memory, which the keeper appends to the two files.
//!
//! Must not decide anything; docs/recording.md is the format.

use crate::hub::Line;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

/// The name of the feed's file within a capture directory.
pub const FEED_FILE: &str = "feed.jsonl";
/// The name of the witnesses' file within a capture directory.
pub const WITNESS_FILE: &str = "witnesses.jsonl";

/// Lines that are not yet in the files.
#[derive(Clone, Debug, Default)]
pub(crate) struct Captured {
    feed: String,
    witnesses: String,
}

impl Captured {
    /// Adds a line of a witness file.
    pub(crate) fn entry(&mut self, entry: &recording::Entry) {
        self.witnesses.push_str(&recording::line(entry));
        self.witnesses.push('\n');
    }

    /// Adds a line of a feed file.
    pub(crate) fn line(&mut self, line: &Line<'_>) {
        self.feed.push_str(&feed_lines::recorded(
            line.raw,
            &line.line,
            (line.sent, line.arrival),
            line.feed,
            line.injector,
            line.unit,
        ));
        self.feed.push('\n');
    }

    /// Whether nothing was captured.
    pub(crate) fn is_empty(&self) -> bool {
        self.feed.is_empty() && self.witnesses.is_empty()
    }
}

/// The two files of a capture.
#[derive(Debug)]
pub(crate) struct CaptureFiles {
    feed: File,
    witnesses: File,
}

impl CaptureFiles {
    /// Opens both files for appending, and makes the directory if it is not there.
    ///
    /// # Errors
    /// When the directory or a file cannot be made.
    pub(crate) fn open(directory: &Path) -> io::Result<CaptureFiles> {
        std::fs::create_dir_all(directory)?;
        let open = |name| OpenOptions::new().create(true).append(true).open(directory.join(name));
        Ok(CaptureFiles { feed: open(FEED_FILE)?, witnesses: open(WITNESS_FILE)? })
    }

    /// Appends what was captured.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub(crate) fn append(&mut self, captured: &Captured) -> io::Result<()> {
        self.feed.write_all(captured.feed.as_bytes())?;
        self.witnesses.write_all(captured.witnesses.as_bytes())
    }
}
