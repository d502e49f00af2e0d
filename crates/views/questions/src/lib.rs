//! The questions put to the database, their JSON and their tables.
