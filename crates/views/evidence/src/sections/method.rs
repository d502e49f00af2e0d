//! How it was measured, in plain words: the chain, what was calculated and from which sources, what was not counted, and the limits.

use super::machine::facts;
use crate::figures::{count, duration_ns};
use crate::model::{Formula, Method, NotCounted, Paper, Section};
use crate::parts::{again, head, number, section, table};
use maud::{Markup, html};

/// What every page says about its limits, whatever the run.
const LIMITS: [&str; 5] = [
    "The injector's word is taken for what was forced. Whether a forced line really differed from what it would have carried, and whether \
     the memory was read at all while it was forced, is not observed: a miss can also be a shot that made no error.",
    "Detection is that of the whole chain on this machine in this state: memory controller, firmware or machine-check layer, kernel. \
     Another firmware, kernel or setting is another chain.",
    "Errors were made on the way between controller and module. What happens inside the devices, and what on-die correction hides, is not \
     tested by that.",
    "A confidence says how often such a procedure is right over many runs; it does not cover mistakes of the set-up, such as an injector \
     in another slot than stated.",
    "The intervals take the shots for independent of each other. Shots close together, or a machine whose state drifts, weaken that.",
];

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let method = &paper.method;
    let body = html! {
        (chain(method))
        @if !method.formulas.is_empty() { (formulas(&method.formulas)) }
        (not_counted(&method.not_counted))
        h3 { "What these numbers do not show" }
        ul {
            @for limit in &method.limits { li { (limit) } }
            @for limit in LIMITS { li { (limit) } }
        }
        @if !method.settings.is_empty() { (facts("Settings of the run that can change an answer", &method.settings)) }
        (again(&paper.recipes, Section::Method))
    };
    section(Section::Method, &body)
}

fn chain(method: &Method) -> Markup {
    html! {
        ol {
            li {
                "An injector forces lines of a memory slot for a short time: a shot. It says so on its feed, and the shot is on disk before the "
                "injector is told that it was accepted."
            }
            li {
                "What the kernel says about memory errors is read as it is said"
                @if !method.sources.is_empty() { ", from " (method.sources.join(", ")) }
                ". Several witnesses of one error are taken together as one report."
            }
            li {
                "Both clocks are put on one, with the bound of what is known, and each report is weighed against each shot that it could belong "
                "to. A report may come up to " (duration_ns(method.window_ns)) " after its shot."
                @if let Some(deadline) = method.deadline_ns { " One that comes after " (duration_ns(deadline)) " is late." }
            }
            li {
                "A shot with a report that fits is detected. One without is missed, but only if everything that could have seen it was watching the "
                "whole time; otherwise it is unknowable. A report that no shot explains is an orphan."
            }
            li { "The counts of each slot give the intervals and the verdict, by the formulas below." }
        }
    }
}

fn formulas(formulas: &[Formula]) -> Markup {
    let rows = html! {
        @for formula in formulas { tr { td { b { (formula.what) } } td { (formula.how) } td.soft { (formula.source) } } }
    };
    table("What was calculated", "", &head(&["what", "how", "source"]), &rows)
}

fn not_counted(all: &[NotCounted]) -> Markup {
    if all.is_empty() {
        return html! {};
    }
    let rows = html! {
        @for one in all { tr { td { (one.what) } (number(&count(one.count))) td { (one.why) } } }
    };
    table("What was not counted", "", &head(&["what", ">how many", "why"]), &rows)
}
