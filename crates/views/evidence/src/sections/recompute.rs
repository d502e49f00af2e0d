//! How a reader makes every table again: the commands and the SQL, word for word.

use crate::model::{Paper, Recipe, Section};
use crate::parts::section;
use maud::{Markup, html};

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let run = &paper.run;
    let body = html! {
        p {
            "Every number on this page comes from the database " code { (run.database) } ", run number " (run.number) " (" (run.name)
            "), schema version " (run.schema) ". Whoever has that file can make each table again: with the program, or with any SQLite client, "
            "opened read-only. The meaning of every column is in the program's page on its database."
        }
        @if paper.recipes.is_empty() { p { "No command was recorded for this page." } }
        @for (n, recipe) in paper.recipes.iter().enumerate() { (one(recipe, n + 1)) }
    };
    section(Section::Recompute, &body)
}

fn one(recipe: &Recipe, n: usize) -> Markup {
    html! {
        div.recipe id=(format!("recipe-{n}")) {
            h3 { (recipe.what) " " span.soft { "(part " (recipe.section.number()) ")" } }
            @if let Some(command) = &recipe.command { pre { (command) } }
            @if let Some(sql) = &recipe.sql { pre { (sql) } }
        }
    }
}
