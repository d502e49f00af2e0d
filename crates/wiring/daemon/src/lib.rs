//! Ties sources, feed, pairing and store into one pipeline: live, replayed or rehearsed.
