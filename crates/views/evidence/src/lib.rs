//! The evidence of a run as one HTML page: complete in itself, readable on a screen, on a phone and in print, without scripts and
//! without anything that is loaded from elsewhere.
//!
//! [`Paper`] in, [`page`] out: the crate asks no database, reads no clock, and does no calculation that the reader
//! could not follow; it lays out what the model says. Same model, same bytes. The parts of the page are in `sections`, its plots in
//! `plots`. The command line calls it with what the crate `questions` found.

mod clean;
mod figures;
pub mod formulas;
pub mod model;
mod parts;
mod plots;
mod scale;
mod sections;

use maud::{DOCTYPE, PreEscaped, html};
use model::Paper;

/// The whole look of the page, for screen, phone and paper.
const STYLE: &str = include_str!("style.css");

/// What the browser is told to refuse: everything but the style sheet in the page.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'";

/// The page as HTML, in UTF-8.
#[must_use]
pub fn page(paper: &Paper) -> String {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { "Evidence: run " (paper.run.name) @if paper.run.invented { " [invented]" } }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (plots::shared_patterns())
                main {
                    (sections::run::top(paper))
                    (sections::verdict::part(paper))
                    (sections::machine::part(paper))
                    (sections::slots::part(paper))
                    (sections::latency::part(paper))
                    (sections::time::part(paper))
                    (sections::lines::part(paper))
                    (sections::findings::misses(paper))
                    (sections::findings::orphans(paper))
                    (sections::clock_and_rails::part(paper))
                    (sections::method::part(paper))
                    (sections::recompute::part(paper))
                    (sections::cautions::part())
                }
            }
        }
    };
    clean::visible(&markup.into_string())
}
