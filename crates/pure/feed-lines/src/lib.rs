//! The injector's line protocol: framing, parsing, replies.
