//! The pieces that the sections are put together from: headings, tables, flags, keys, pointers to the recipes.
//!
//! Everything goes through `maud`, which escapes whatever it is given; nothing in this crate writes markup as text.

use crate::model::{Answer, Recipe, Section};
use maud::{Markup, html};

/// A section with its number and heading.
pub(crate) fn section(section: Section, body: &Markup) -> Markup {
    html! {
        section id=(anchor(section)) {
            h2 { span.n { (section.number()) } (section.title()) }
            (body)
        }
    }
}

/// The name by which the page links to a section.
pub(crate) fn anchor(section: Section) -> String {
    format!("part-{}", section.number())
}

/// A table that scrolls by itself where it is wider than the screen. Its caption says what it holds.
pub(crate) fn table(caption: &str, unit: &str, head: &Markup, rows: &Markup) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label=(caption) {
            table {
                caption { (caption) @if !unit.is_empty() { " " span { (unit) } } }
                thead { tr { (head) } }
                tbody { (rows) }
            }
        }
    }
}

/// A head of words; those that begin with `>` stand over numbers.
pub(crate) fn head(columns: &[&str]) -> Markup {
    html! {
        @for column in columns {
            @match column.strip_prefix('>') {
                Some(word) => th.r scope="col" { (word) },
                None => th scope="col" { (column) },
            }
        }
    }
}

/// The head of a row. A long name may be broken behind its separators, so that it leaves room for the numbers.
pub(crate) fn row_head(name: &str) -> Markup {
    let long = name.chars().count() > 14;
    html! {
        th scope="row" {
            @if long {
                @for part in name.split_inclusive(['_', '/', '+']) { (part) wbr; }
            } @else { (name) }
        }
    }
}

/// A cell of a number.
pub(crate) fn number(text: &str) -> Markup {
    html! { td.r { (text) } }
}

/// A cell of a count; none at all is set back, so that the others are seen.
pub(crate) fn tally(n: i64) -> Markup {
    html! { td.r.z[n == 0] { (crate::figures::count(n)) } }
}

/// Something that must be known before the numbers are believed.
pub(crate) fn flag(word: &str, text: &str) -> Markup {
    html! { div.flag role="note" { b { (word) } " " (text) } }
}

/// The word for an answer.
pub(crate) fn answer_word(answer: Answer) -> &'static str {
    match answer {
        Answer::Met => "met",
        Answer::NotMet => "not met",
        Answer::NotEnough => "not enough evidence",
    }
}

/// An answer by shape and word, so that it can be read without colour.
pub(crate) fn answer(answer: Answer) -> Markup {
    let class = match answer {
        Answer::Met => "a met",
        Answer::NotMet => "a notmet",
        Answer::NotEnough => "a notenough",
    };
    html! {
        span class=(class) {
            svg viewBox="0 0 10 10" aria-hidden="true" {
                @match answer {
                    Answer::Met => circle cx="5" cy="5" r="4.2" fill="currentColor" {},
                    Answer::NotMet => path d="M1 1L9 9M9 1L1 9" stroke="currentColor" stroke-width="2" {},
                    Answer::NotEnough => circle cx="5" cy="5" r="3.8" fill="none" stroke="currentColor" stroke-width="1.4" stroke-dasharray="2.4 1.6" {},
                }
            }
            (answer_word(answer))
        }
    }
}

/// What a mark of a plot means. `mark` is drawn on 24 by 12 units.
pub(crate) fn key(mark: &Markup, words: &str) -> Markup {
    html! { span { svg.key viewBox="0 0 24 12" aria-hidden="true" { (mark) } (words) } " " }
}

/// Where the page says how a section's tables are made again.
pub(crate) fn again(recipes: &[Recipe], of: Section) -> Markup {
    let own = recipes.iter().enumerate().filter(|(_, recipe)| recipe.section == of);
    html! {
        @if own.clone().next().is_some() {
            p.again {
                "Recompute: "
                @for (n, (at, recipe)) in own.enumerate() {
                    @if n > 0 { "; " }
                    a href=(format!("#recipe-{}", at + 1)) { (recipe.what) }
                }
                "."
            }
        }
    }
}

/// How many of all are shown, where it is not all.
pub(crate) fn shown_of(shown: usize, total: i64, several: &str, all: &str) -> Markup {
    let left = total.saturating_sub(i64::try_from(shown).unwrap_or(i64::MAX));
    html! {
        @if left > 0 {
            p {
                "Shown are the first " (crate::figures::count(i64::try_from(shown).unwrap_or(i64::MAX))) " of "
                (crate::figures::count(total)) " " (several) "."
                @if !all.is_empty() { " All of them: " code { (all) } }
            }
        }
    }
}
