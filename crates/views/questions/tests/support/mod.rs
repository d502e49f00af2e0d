//! The invented database, made by the real schema.

use rusqlite::Connection;
use tempfile::TempDir;

/// A database in a folder that lives as long as this does.
pub struct Invented {
    dir: TempDir,
}

impl Invented {
    /// Made anew for each test.
    pub fn new() -> Invented {
        let made = Invented::empty();
        made.change(include_str!("../invented.sql"));
        made
    }

    /// The schema and no run.
    pub fn empty() -> Invented {
        let dir = tempfile::tempdir().unwrap();
        drop(store::Store::open(&dir.path().join("invented.db")).unwrap());
        Invented { dir }
    }

    /// Runs statements.
    pub fn change(&self, sql: &str) {
        Connection::open(self.path()).unwrap().execute_batch(sql).unwrap();
    }

    /// As the command line and the endpoint open it.
    pub fn open(&self) -> Connection {
        store::open_read(&self.path()).unwrap()
    }

    fn path(&self) -> std::path::PathBuf {
        self.dir.path().join("invented.db")
    }
}
