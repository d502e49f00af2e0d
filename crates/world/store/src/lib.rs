//! The SQLite database of a run: schema, migrations, the one writer.
