//! docs/database.md against the schema: what it lists is what there is, and its queries run.

use crate::fixture::{begun, fill, place};
use rusqlite::Connection;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

type Columns = BTreeMap<String, Vec<String>>;

fn page() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../docs/database.md");
    fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Under a heading of the first level: each heading of the second that is a name in code, with the names in code that
/// begin the rows of its list.
fn listed(page: &str, part: &str) -> Columns {
    let mut found = Columns::new();
    let mut name = String::new();
    let begin = page.find(&format!("\n## {part}\n")).unwrap_or_else(|| panic!("no part {part:?}"));
    for line in page[begin..].lines().skip(2).take_while(|l| !l.starts_with("## ")) {
        if let Some(heading) = line.strip_prefix("### `") {
            name = heading.trim_end_matches('`').to_owned();
            found.insert(name.clone(), Vec::new());
        } else if let Some((column, _)) = line.strip_prefix("| `").and_then(|l| l.split_once('`')) {
            found.get_mut(&name).unwrap().push(column.to_owned());
        }
    }
    found
}

fn real(conn: &Connection, kind: &str) -> Columns {
    let mut names =
        conn.prepare("SELECT name FROM sqlite_schema WHERE type = ?1 AND name NOT LIKE 'sqlite_%'").unwrap();
    let names: Vec<String> = names.query_map([kind], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
    let columns = |name: &String| {
        let mut query = conn.prepare("SELECT name FROM pragma_table_info(?1) ORDER BY cid").unwrap();
        query.query_map([name], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
    };
    names.iter().map(|name| (name.clone(), columns(name))).collect()
}

#[test]
fn the_page_lists_every_table_view_and_column_in_order() {
    let at = place();
    let (_store, _) = begun(&at.db);
    let conn = store::open_read(&at.db).unwrap();
    let page = page();
    for (part, kind) in [("Tables", "table"), ("Views", "view")] {
        let (listed, real) = (listed(&page, part), real(&conn, kind));
        assert!(real.len() > 4);
        assert_eq!(listed.keys().collect::<Vec<_>>(), real.keys().collect::<Vec<_>>(), "{part}");
        for (name, columns) in &real {
            assert_eq!(&listed[name], columns, "columns of `{name}`");
        }
    }
}

#[test]
fn the_page_states_the_version_and_the_owners_mark() {
    let page = page();
    for fact in [
        format!("`PRAGMA user_version` is {}", store::SCHEMA_VERSION),
        format!("`PRAGMA application_id` is {}", store::APPLICATION_ID),
    ] {
        assert!(page.contains(&fact), "{fact}");
    }
}

#[test]
fn the_queries_of_the_page_run_and_answer() {
    let at = place();
    let (mut store, _) = begun(&at.db);
    fill(&mut store);
    let conn = store::open_read(&at.db).unwrap();
    let page = page();
    let queries: Vec<&str> =
        page.split("```sql\n").skip(1).map(|rest| rest.split("```").next().unwrap_or_default()).collect();
    let mut answers = Vec::new();
    for sql in &queries {
        let mut query = conn.prepare(sql).unwrap_or_else(|e| panic!("{e}\n{sql}"));
        let width = query.column_count();
        let rows: Vec<Vec<String>> = query
            .query_map([], |r| (0..width).map(|i| Ok(shown(r.get_ref(i)?))).collect())
            .unwrap()
            .map(Result::unwrap)
            .collect();
        assert!(!rows.is_empty(), "no answer to\n{sql}");
        answers.push(rows);
    }
    assert_eq!(queries.len(), 5, "five worked queries");
    let has = |n: usize, want: &[&str]| {
        assert!(
            answers[n].iter().any(|row| want.iter().all(|w| row.iter().any(|c| c == w))),
            "{want:?} not in {:?}",
            answers[n]
        );
    };
    has(0, &["A1", "5", "1", "1", "1", "0.5"]);
    has(1, &["i-1", "2", "mc_event", "ring overrun"]);
    has(2, &["A1", "40.0"]);
    has(3, &["2", "memory read error", "0x8000000012345678"]);
    has(4, &["warning", "counters only"]);
}

fn shown(value: rusqlite::types::ValueRef<'_>) -> String {
    use rusqlite::types::ValueRef as V;
    match value {
        V::Null => String::new(),
        V::Integer(n) => n.to_string(),
        V::Real(x) => format!("{x:?}"),
        V::Text(t) | V::Blob(t) => String::from_utf8_lossy(t).into_owned(),
    }
}
