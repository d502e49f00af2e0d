//! Opening the database: once for writing, any number of times for asking.
//!
//! The file itself is only ever opened through SQLite. A plain `File` on it would, when closed, drop the POSIX locks
//! that this process's other connections hold on it (<https://www.sqlite.org/howtocorrupt.html>, section 2.2); that is
//! why existence and size are asked by `stat`.

use crate::lock::WriterLock;
use crate::run::Current;
use crate::schema::{self, Found};
use crate::{SCHEMA_VERSION, StoreError};
use nix::fcntl::{AT_FDCWD, AtFlags};
use nix::unistd::{AccessFlags, faccessat};
use rusqlite::{Connection, MAIN_DB, OpenFlags};
use std::fmt::Write as _;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long the writer waits for another program's write to end: the daemon has bounded queues behind it and tries again.
const WRITER_WAITS: Duration = Duration::from_secs(2);

/// How long a question waits. In WAL mode readers wait for nobody but a database that is just being opened.
const READER_WAITS: Duration = Duration::from_secs(5);

/// The one writer of a database. Every call blocks until what it wrote is on disk.
#[derive(Debug)]
pub struct Store {
    pub(crate) conn: Connection,
    pub(crate) path: PathBuf,
    pub(crate) current: Option<Current>,
    // After the connection, since fields are dropped in this order: nobody else may write before it is closed.
    _lock: WriterLock,
}

impl Store {
    /// Opens the database for writing; makes it if there is none, and brings an older one to today's schema.
    ///
    /// # Errors
    /// [`StoreError::NoDirectory`], [`StoreError::Locked`], [`StoreError::Newer`], [`StoreError::NotOurs`],
    /// [`StoreError::Damaged`], [`StoreError::ReadOnly`], [`StoreError::Full`], [`StoreError::Io`]. A file that is not
    /// ours is left exactly as it is.
    pub fn open(path: &Path) -> Result<Store, StoreError> {
        let path = absolute(path)?;
        if let Some(dir) = path.parent() {
            if !dir.is_dir() {
                return Err(StoreError::NoDirectory { dir: dir.to_path_buf() });
            }
            // The log and the lock are files beside the database. SQLite would fail later, and not say why.
            if faccessat(AT_FDCWD, dir, AccessFlags::W_OK, AtFlags::AT_EACCESS).is_err() {
                return Err(StoreError::ReadOnly { path });
            }
        }
        if path.is_dir() {
            return Err(StoreError::NotOurs { path, what: "it is a directory" });
        }
        let sort = |e| StoreError::sort(&path, e);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut conn = Connection::open_with_flags(&path, flags).map_err(|e| cannot_open(&path, e))?;
        conn.busy_timeout(WRITER_WAITS).map_err(sort)?;
        // SQLite quietly opens a file that it may not write to for reading.
        if conn.is_readonly(MAIN_DB).map_err(sort)? {
            return Err(StoreError::ReadOnly { path });
        }
        // Whose it is comes first, so that nothing is put beside or into a file of somebody else.
        schema::look(&conn, &path)?;
        let lock = WriterLock::take(&path)?;
        set_up(&conn, &path)?;
        schema::climb(&mut conn, &path)?;
        conn.set_prepared_statement_cache_capacity(32);
        Ok(Store { conn, path, current: None, _lock: lock })
    }

    /// Where the database is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

fn set_up(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    let sort = |e| StoreError::sort(path, e);
    let mode: String = conn.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0)).map_err(sort)?;
    if mode != "wal" {
        let what = format!("its file system cannot do write-ahead logging (SQLite stays in {mode} mode)");
        return Err(StoreError::Io { path: path.to_path_buf(), what });
    }
    for (name, value) in [
        // Each commit is on the medium before it returns: what `accepted` promises to the injector.
        ("synchronous", "FULL"),
        // The only writer takes every key from a row it has just written or read. A look-up per row would buy nothing,
        // and a violation could only be answered by refusing evidence. The tests check all keys instead.
        ("foreign_keys", "OFF"),
        ("temp_store", "MEMORY"),
        // 8 MiB: the unique index of injections stays in memory through a long run; used only as it fills.
        ("cache_size", "-8192"),
    ] {
        conn.pragma_update(None, name, value).map_err(sort)?;
    }
    // A long question keeps the log from being reset; once it ends, the log shrinks to this again.
    conn.pragma_update_and_check(None, "journal_size_limit", 64 << 20, |_| Ok(())).map_err(sort)?;
    Ok(())
}

/// Opens the database for questions: read-only, never makes anything, works while the daemon writes.
///
/// A database in a place where nothing can be written (a read-only file system, somebody else's directory) is read as
/// it is, if it was closed properly, so that no log of unmerged changes lies beside it.
///
/// # Errors
/// [`StoreError::NoDatabase`], [`StoreError::NotOurs`], [`StoreError::Newer`], [`StoreError::Older`],
/// [`StoreError::Damaged`], [`StoreError::Locked`], [`StoreError::Io`].
pub fn open_read(path: &Path) -> Result<Connection, StoreError> {
    let path = absolute(path)?;
    match path.metadata() {
        Ok(meta) if meta.is_dir() => return Err(StoreError::NotOurs { path, what: "it is a directory" }),
        Ok(_) => {}
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Err(StoreError::NoDatabase { path }),
        Err(e) => return Err(StoreError::Io { path, what: e.to_string() }),
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let opened = Connection::open_with_flags(&path, flags).map_err(|e| cannot_open(&path, e)).and_then(|conn| {
        check(&conn, &path)?;
        Ok(conn)
    });
    match opened {
        // The shared-memory file of the log could not be made. Without a log there is nothing to share: the file is
        // complete in itself, and nobody can be writing it, since a writer would have made one.
        Err(StoreError::Io { .. } | StoreError::ReadOnly { .. }) if !has_log(&path) => {
            let conn = Connection::open_with_flags(immutable_uri(&path), flags | OpenFlags::SQLITE_OPEN_URI)
                .map_err(|e| cannot_open(&path, e))?;
            check(&conn, &path)?;
            Ok(conn)
        }
        other => other,
    }
}

/// Reads every page of the database and tells the first fault. Takes seconds on a large one, so it is only done on demand.
///
/// # Errors
/// Those of [`open_read`], and [`StoreError::Damaged`] with what SQLite found.
pub fn quick_check(path: &Path) -> Result<(), StoreError> {
    let conn = open_read(path)?;
    let found: String =
        conn.query_row("PRAGMA quick_check(1)", [], |row| row.get(0)).map_err(|e| StoreError::sort(path, e))?;
    match found.as_str() {
        "ok" => Ok(()),
        fault => {
            Err(StoreError::Damaged { path: path.to_path_buf(), what: fault.lines().collect::<Vec<_>>().join("; ") })
        }
    }
}

fn check(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    conn.busy_timeout(READER_WAITS).map_err(|e| StoreError::sort(path, e))?;
    let path_buf = || path.to_path_buf();
    match schema::look(conn, path)? {
        Found::Empty => Err(StoreError::NoDatabase { path: path_buf() }),
        Found::Version(found) if found > SCHEMA_VERSION => {
            Err(StoreError::Newer { path: path_buf(), found, known: SCHEMA_VERSION })
        }
        Found::Version(found) if found < SCHEMA_VERSION => {
            Err(StoreError::Older { path: path_buf(), found, known: SCHEMA_VERSION })
        }
        Found::Version(_) => Ok(()),
    }
}

/// SQLite interprets names that begin with `file:` or `:memory:`; an absolute path never does.
fn absolute(path: &Path) -> Result<PathBuf, StoreError> {
    std::path::absolute(path).map_err(|e| StoreError::Io { path: path.to_path_buf(), what: e.to_string() })
}

fn cannot_open(path: &Path, e: rusqlite::Error) -> StoreError {
    match e.sqlite_error_code() {
        Some(rusqlite::ErrorCode::NotADatabase) => {
            StoreError::NotOurs { path: path.to_path_buf(), what: "it is not an SQLite file" }
        }
        _ => StoreError::sort(path, e),
    }
}

fn has_log(path: &Path) -> bool {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    Path::new(&log).metadata().is_ok_and(|meta| meta.len() > 0)
}

/// <https://www.sqlite.org/uri.html>: everything that could be read as syntax is percent-encoded.
fn immutable_uri(path: &Path) -> String {
    let mut uri = String::from("file:");
    for byte in path.as_os_str().as_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' => uri.push(char::from(*byte)),
            // Writing into a String cannot fail.
            _ => drop(write!(uri, "%{byte:02x}")),
        }
    }
    uri.push_str("?immutable=1");
    uri
}
