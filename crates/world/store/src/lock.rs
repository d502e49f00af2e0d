//! One writer: an advisory lock beside the database.
//!
//! SQLite itself lets writers take turns, which would let two daemons answer the same shots twice. The lock is on a file
//! of its own, since SQLite's locks on the database are lost when any descriptor of it is closed in the process. The
//! kernel drops the lock when the process ends in any way, so a stale file locks nobody out; it is left where it is,
//! since removing it would let two daemons lock two different files of the same name.

use crate::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Held as long as the value lives.
#[derive(Debug)]
pub(crate) struct WriterLock {
    _file: File,
}

/// `<database>.lock`
pub(crate) fn lock_path(database: &Path) -> PathBuf {
    let mut name = database.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

impl WriterLock {
    /// Takes the lock without waiting.
    ///
    /// # Errors
    /// [`StoreError::Locked`] with the process id of whoever has it, or what the operating system refused.
    pub(crate) fn take(database: &Path) -> Result<WriterLock, StoreError> {
        let path = lock_path(database);
        // Where the lock cannot be made, the database cannot be written either: it is the one that people know.
        let told = |e: &std::io::Error| StoreError::from_io(database, e);
        let mut file =
            OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(|e| told(&e))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut pid = String::new();
                // Whoever holds the lock may not have written its number yet: then nobody is named.
                let by = file.read_to_string(&mut pid).ok().and_then(|_| pid.trim().parse().ok());
                return Err(StoreError::Locked { path: database.to_path_buf(), by });
            }
            Err(TryLockError::Error(e)) => return Err(told(&e)),
        }
        // The number is for people; a full disk must not keep the daemon from starting to tell that it is full.
        let _told =
            file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{}", std::process::id()));
        Ok(WriterLock { _file: file })
    }
}
