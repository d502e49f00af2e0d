//! The plots, as SVG elements inside the page. Each has a title and a description for those who do not see it, and its numbers stand
//! in a table or a caption beside it. Sections call these; nothing here knows where a plot stands on the page.

pub(crate) mod intervals;
pub(crate) mod latency;
pub(crate) mod lines;
mod names;
pub(crate) mod rails;
pub(crate) mod timeline;

use maud::{Markup, html};

/// The hatchings that other plots refer to; stands once on the page.
pub(crate) fn shared_patterns() -> Markup {
    html! {
        svg.defs aria-hidden="true" {
            defs {
                pattern id="blind" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    path.hatch d="M0 0V5" {}
                }
            }
        }
    }
}

/// A bar in outline: down from the top right corner.
pub(crate) fn bar(x: f64, y: f64, width: f64, height: f64) -> String {
    use crate::scale::px;
    format!("M{} {}h{}v{}h{}z", px(x), px(y), px(width), px(height), px(-width))
}
