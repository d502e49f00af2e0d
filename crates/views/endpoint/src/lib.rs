//! The JSON endpoint on loopback.
