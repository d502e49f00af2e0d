//! The replay format: witness lines and feed lines of a captured run.
