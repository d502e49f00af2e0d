//! The ladder of schema versions: what a new database gets, and how an old one climbs to today's.
//!
//! The version is `PRAGMA user_version`, the owner `PRAGMA application_id`. A step that has been released is never
//! edited: to change the schema, add a file `schema-4.sql` with the statements that lead from version 3 to 4, and a line
//! to [`STEPS`]. Each step is one transaction with its version number, so a power loss leaves the version before it.

use crate::StoreError;
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;

/// `PRAGMA application_id` of our databases: the letters `FLWT`.
pub const APPLICATION_ID: i64 = 0x464c_5754;

/// The schema version that this program writes and asks.
pub const SCHEMA_VERSION: i64 = STEPS.len() as i64;

/// The statements that lead from version `n` to `n + 1`, at index `n`.
const STEPS: [&str; 3] = [
    include_str!("schema.sql"),
    include_str!("schema-2.sql"),
    // The last step counts all totals anew, for which it needs today's tables.
    concat!(include_str!("schema-3.sql"), include_str!("totals.sql")),
];

/// Who a database belongs to, and how old it is.
pub(crate) enum Found {
    /// An empty file, or no file before this one was made.
    Empty,
    /// Ours, with this version.
    Version(i64),
}

/// Looks at the header.
///
/// # Errors
/// [`StoreError::NotOurs`] for a file that is no SQLite database or another program's, [`StoreError::Damaged`].
pub(crate) fn look(conn: &Connection, path: &Path) -> Result<Found, StoreError> {
    let sort = |e: rusqlite::Error| {
        if e.sqlite_error_code() == Some(rusqlite::ErrorCode::NotADatabase) {
            return StoreError::NotOurs { path: path.to_path_buf(), what: "it is not an SQLite file" };
        }
        StoreError::sort(path, e)
    };
    let number = |name: &str| conn.pragma_query_value(None, name, |row| row.get::<_, i64>(0)).map_err(sort);
    let (owner, version) = (number("application_id")?, number("user_version")?);
    let tables: i64 = conn.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(sort)?;
    match (owner, version, tables) {
        (APPLICATION_ID, version, _) => Ok(Found::Version(version)),
        (0, 0, 0) => Ok(Found::Empty),
        _ => Err(StoreError::NotOurs { path: path.to_path_buf(), what: "it is another program's SQLite database" }),
    }
}

/// Brings a database to today's version.
///
/// # Errors
/// Those of [`look`], [`StoreError::Newer`], or what kept a step from being done; the database then has the version of
/// the last step that was.
pub(crate) fn climb(conn: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let from = match look(conn, path)? {
        Found::Empty => 0,
        Found::Version(found) if found > SCHEMA_VERSION => {
            return Err(StoreError::Newer { path: path.to_path_buf(), found, known: SCHEMA_VERSION });
        }
        Found::Version(found) => found,
    };
    climb_steps(conn, from, &STEPS).map_err(|e| StoreError::sort(path, e))
}

fn climb_steps(conn: &mut Connection, from: i64, steps: &[&str]) -> rusqlite::Result<()> {
    for (version, step) in (1_i64..).zip(steps) {
        if version <= from {
            continue;
        }
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        tx.execute_batch(step)?;
        // Both numbers live in the header page, so they are part of the transaction.
        tx.pragma_update(None, "application_id", APPLICATION_ID)?;
        tx.pragma_update(None, "user_version", version)?;
        tx.commit()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn version(conn: &Connection) -> i64 {
        conn.pragma_query_value(None, "user_version", |r| r.get(0)).unwrap()
    }

    #[test]
    fn an_empty_file_becomes_a_database_of_todays_version() {
        let mut conn = Connection::open_in_memory().unwrap();
        climb(&mut conn, Path::new("memory")).unwrap();
        assert_eq!(version(&conn), SCHEMA_VERSION);
        assert_eq!(conn.pragma_query_value(None, "application_id", |r| r.get::<_, i64>(0)).unwrap(), APPLICATION_ID);
        // A second climb has nothing to do.
        climb(&mut conn, Path::new("memory")).unwrap();
        assert_eq!(version(&conn), SCHEMA_VERSION);
    }

    #[test]
    fn steps_are_climbed_from_where_the_database_is_and_keep_its_rows() {
        let steps = [
            "CREATE TABLE a (x) STRICT",
            "ALTER TABLE a ADD COLUMN y INTEGER NOT NULL DEFAULT 7",
            "CREATE TABLE b (z)",
        ];
        let steps = steps.map(|s| s.replace("(x) STRICT", "(x INTEGER) STRICT"));
        let steps: Vec<&str> = steps.iter().map(String::as_str).collect();
        let mut conn = Connection::open_in_memory().unwrap();
        climb_steps(&mut conn, 0, &steps[..1]).unwrap();
        conn.execute_batch("INSERT INTO a VALUES (1)").unwrap();
        climb_steps(&mut conn, 1, &steps).unwrap();
        assert_eq!(version(&conn), 3);
        assert_eq!(conn.query_row("SELECT x, y FROM a", [], |r| Ok((r.get(0)?, r.get(1)?))), Ok((1, 7)));
    }

    #[test]
    fn a_step_that_fails_leaves_the_version_before_it() {
        let mut conn = Connection::open_in_memory().unwrap();
        let steps = ["CREATE TABLE a (x INTEGER)", "CREATE TABLE b (y INTEGER); INSERT INTO nowhere VALUES (1)"];
        assert!(climb_steps(&mut conn, 0, &steps).is_err());
        assert_eq!(version(&conn), 1);
        let tables: i64 = conn.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0)).unwrap();
        assert_eq!(tables, 1, "the half-done step is rolled back");
        assert!(conn.is_autocommit());
    }

    #[test]
    fn other_owners_and_newer_versions_are_told() {
        let mut conn = Connection::open_in_memory().unwrap();
        conn.execute_batch("CREATE TABLE theirs (x)").unwrap();
        assert!(matches!(climb(&mut conn, Path::new("m")), Err(StoreError::NotOurs { .. })));

        let mut conn = Connection::open_in_memory().unwrap();
        climb(&mut conn, Path::new("m")).unwrap();
        conn.pragma_update(None, "user_version", SCHEMA_VERSION + 5).unwrap();
        let told = climb(&mut conn, Path::new("m")).unwrap_err();
        assert!(matches!(told, StoreError::Newer { found, known: SCHEMA_VERSION, .. } if found == SCHEMA_VERSION + 5));
    }
}
