//! The command line of flipwitness.

fn main() {}
