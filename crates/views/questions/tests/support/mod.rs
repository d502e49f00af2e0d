//! The invented database, made by the real schema.
#![allow(dead_code, reason = "each test file uses its own part")]

use rusqlite::Connection;
use tempfile::TempDir;

/// A database in a folder that lives as long as this does.
pub(crate) struct Invented {
    dir: TempDir,
}

impl Invented {
    /// Made anew for each test.
    pub(crate) fn new() -> Invented {
        let made = Invented::empty();
        made.change(include_str!("../invented.sql"));
        made
    }

    /// The schema and no run.
    pub(crate) fn empty() -> Invented {
        let dir = tempfile::tempdir().unwrap();
        drop(store::Store::open(&dir.path().join("invented.db")).unwrap());
        Invented { dir }
    }

    /// Runs statements, and counts anew what the store would have counted.
    pub(crate) fn change(&self, sql: &str) {
        let sql = format!("BEGIN; {sql}; {} COMMIT;", store::RECOUNT);
        Connection::open(self.path()).unwrap().execute_batch(&sql).unwrap();
    }

    /// Fills it in one transaction.
    pub(crate) fn fill<T>(&self, with: impl FnOnce(&Connection) -> T) -> T {
        let mut db = Connection::open(self.path()).unwrap();
        let tx = db.transaction().unwrap();
        let made = with(&tx);
        tx.execute_batch(store::RECOUNT).unwrap();
        tx.commit().unwrap();
        made
    }

    /// As the command line and the endpoint open it.
    pub(crate) fn open(&self) -> Connection {
        store::open_read(&self.path()).unwrap()
    }

    fn path(&self) -> std::path::PathBuf {
        self.dir.path().join("invented.db")
    }
}
