//! Intervals in which the tool was not watching.

use crate::Span;
use serde::{Deserialize, Serialize};

/// An interval in which a source lost data or was not being read.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub struct Gap {
    /// When.
    pub span: Span,
    /// The source that was blind, such as `mc_event`, `counter`, `feed` or `daemon`.
    pub of: String,
    /// The only controller that was blind, if not the whole machine was.
    pub controller: Option<u16>,
    /// Why, in plain words.
    pub why: String,
}
