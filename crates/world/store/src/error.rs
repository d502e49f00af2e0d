//! What can go wrong with the database, each as one line that says what to do.
//!
//! The command line maps the variants to exit statuses; the daemon tries again after [`StoreError::passes`]. Nothing
//! here logs.

use rusqlite::ErrorCode;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Why the database cannot be used. Every message is one line.
#[derive(Debug, Error)]
pub enum StoreError {
    /// Nothing has been recorded at this path.
    #[error("{}: no database here, or no run recorded in it yet", path.display())]
    NoDatabase {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The directory that should hold the database does not exist.
    #[error("{}: this directory for the database does not exist; create it first", dir.display())]
    NoDirectory {
        /// The directory.
        dir: PathBuf,
    },
    /// Somebody else writes to it: another daemon (its process id is known), or any SQLite client.
    #[error("{}: in use by {}", path.display(), holder(*by))]
    Locked {
        /// The database.
        path: PathBuf,
        /// The process id of the daemon that holds it, if it is one.
        by: Option<u32>,
    },
    /// A newer version of the program wrote it.
    #[error("{}: has schema version {found}, this program knows up to {known}; use a newer flipwitness", path.display())]
    Newer {
        /// The database.
        path: PathBuf,
        /// The version it has.
        found: i64,
        /// The version that this program knows.
        known: i64,
    },
    /// An older version of the program wrote it, and it was opened only for reading.
    #[error("{}: has schema version {found}, older than {known}; the next `flipwitness watch` on it migrates it", path.display())]
    Older {
        /// The database.
        path: PathBuf,
        /// The version it has.
        found: i64,
        /// The version that this program asks.
        known: i64,
    },
    /// The file belongs to another program. It is never written to.
    #[error("{}: not a flipwitness database: {what}", path.display())]
    NotOurs {
        /// The file.
        path: PathBuf,
        /// What it is instead.
        what: &'static str,
    },
    /// The file is a database, but parts of it are broken.
    #[error("{}: the database is damaged ({what}); keep a copy and see docs/database.md, \"Damage\"", path.display())]
    Damaged {
        /// The database.
        path: PathBuf,
        /// What SQLite found.
        what: String,
    },
    /// It cannot be written to.
    #[error("{}: read-only, by its permissions or its file system", path.display())]
    ReadOnly {
        /// The database.
        path: PathBuf,
    },
    /// No room. Nothing of the batch is stored; what was stored before is safe.
    #[error("{}: the disk is full", path.display())]
    Full {
        /// The database.
        path: PathBuf,
    },
    /// The operating system refused.
    #[error("{}: {what}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What was refused.
        what: String,
    },
    /// A run of this name exists, and is of another kind.
    #[error("{}: run {name:?} is a `{found}` run and cannot be continued as `{wanted}`; choose another name", path.display())]
    OtherKind {
        /// The database.
        path: PathBuf,
        /// The run's name.
        name: String,
        /// The kind that it is.
        found: String,
        /// The kind that was asked for.
        wanted: &'static str,
    },
    /// Records were written before a run was begun: a mistake in the program.
    #[error("{}: no run has been begun", path.display())]
    NotBegun {
        /// The database.
        path: PathBuf,
    },
    /// SQLite refused for another reason: a mistake in the program, or a schema changed by hand.
    #[error("{}: {source}", path.display())]
    Refused {
        /// The database.
        path: PathBuf,
        /// What SQLite says.
        source: rusqlite::Error,
    },
}

impl StoreError {
    /// Sorts an error of SQLite into one of the variants.
    #[must_use]
    pub fn sort(path: &Path, error: rusqlite::Error) -> StoreError {
        let path = path.to_path_buf();
        let Some(code) = error.sqlite_error_code() else { return StoreError::Refused { path, source: error } };
        let what = || error.to_string();
        match code {
            ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked | ErrorCode::FileLockingProtocolFailed => {
                StoreError::Locked { path, by: None }
            }
            ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase => StoreError::Damaged { path, what: what() },
            ErrorCode::DiskFull => StoreError::Full { path },
            ErrorCode::ReadOnly => StoreError::ReadOnly { path },
            ErrorCode::CannotOpen | ErrorCode::SystemIoFailure | ErrorCode::PermissionDenied => {
                StoreError::Io { path, what: what() }
            }
            _ => StoreError::Refused { path, source: error },
        }
    }

    /// Sorts an error of the operating system.
    #[must_use]
    pub fn from_io(path: &Path, error: &std::io::Error) -> StoreError {
        use std::io::ErrorKind as Kind;
        let path = path.to_path_buf();
        match error.kind() {
            Kind::ReadOnlyFilesystem | Kind::PermissionDenied => StoreError::ReadOnly { path },
            Kind::StorageFull | Kind::QuotaExceeded => StoreError::Full { path },
            _ => StoreError::Io { path, what: error.to_string() },
        }
    }

    /// Whether the same call may succeed later without anybody touching the database: locked, full, or an I/O error.
    #[must_use]
    pub fn passes(&self) -> bool {
        matches!(
            self,
            StoreError::Locked { .. } | StoreError::Full { .. } | StoreError::Io { .. } | StoreError::ReadOnly { .. }
        )
    }
}

fn holder(by: Option<u32>) -> String {
    match by {
        Some(pid) => format!("the flipwitness daemon with process id {pid}"),
        None => "another program that writes to it".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rusqlite::ffi;

    #[test]
    fn result_codes_as_sqlite_documents_them() {
        // https://www.sqlite.org/rescode.html, with extended codes where those are what really comes.
        let told = |code| {
            let error = rusqlite::Error::SqliteFailure(ffi::Error::new(code), None);
            format!("{:?}", StoreError::sort(Path::new("f.db"), error)).split(' ').next().unwrap_or_default().to_owned()
        };
        for (code, name) in [
            (ffi::SQLITE_BUSY, "Locked"),
            (ffi::SQLITE_BUSY_SNAPSHOT, "Locked"),
            (ffi::SQLITE_LOCKED, "Locked"),
            (ffi::SQLITE_CORRUPT, "Damaged"),
            (ffi::SQLITE_NOTADB, "Damaged"),
            (ffi::SQLITE_FULL, "Full"),
            (ffi::SQLITE_READONLY, "ReadOnly"),
            (ffi::SQLITE_READONLY_DIRECTORY, "ReadOnly"),
            (ffi::SQLITE_IOERR_FSYNC, "Io"),
            (ffi::SQLITE_IOERR_WRITE, "Io"),
            (ffi::SQLITE_CANTOPEN, "Io"),
            (ffi::SQLITE_CONSTRAINT_CHECK, "Refused"),
        ] {
            assert_eq!(told(code), name, "result code {code}");
        }
    }

    #[test]
    fn messages_are_one_line_and_name_the_file() {
        let path = PathBuf::from("/data/x.db");
        for error in [
            StoreError::NoDatabase { path: path.clone() },
            StoreError::Locked { path: path.clone(), by: Some(7) },
            StoreError::Locked { path: path.clone(), by: None },
            StoreError::Newer { path: path.clone(), found: 9, known: 1 },
            StoreError::Full { path: path.clone() },
            StoreError::NotOurs { path, what: "it is not an SQLite file" },
        ] {
            let line = error.to_string();
            assert!(line.starts_with("/data/x.db: ") && !line.contains('\n'), "{line}");
        }
    }
}
