//! Detection slot by slot with bars of its intervals, and the other counts of each slot.

use super::verdict::detection_limit;
use crate::figures::{NOT_ESTIMABLE, NOT_TOLD, Round, count, counted, percent, percent_rounded, three_digits};
use crate::model::{Blamed, Paper, Section, Slot};
use crate::parts::{again, number, row_head, section, table, tally};
use crate::plots::intervals::{Bars, keys};
use maud::{Markup, html};

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let body = html! {
        @if paper.slots.is_empty() {
            p { "No slot is known: the machine has registered no memory controller." }
        } @else {
            p {
                "Detection is the share of shots with a report that fits, out of those that can be judged: settled, and watched in their whole window. "
                "Shots that nobody can know about, since something was not being watched, do not count. Neither do those that were detected "
                "all the same while it was not: had they been missed, nobody would know."
            }
            (detection(paper))
            (keys())
            (others(&paper.slots))
        }
        (again(&paper.recipes, Section::Slots))
    };
    section(Section::Slots, &body)
}

fn detection(paper: &Paper) -> Markup {
    let bars = Bars::new(&paper.slots, detection_limit(&paper.verdict));
    let columns = html! {
        th scope="col" { "slot" }
        th.bar scope="col" { (bars.axis()) }
        th.r scope="col" { "missed" }
        th.r scope="col" { "judged" }
        th.r scope="col" { "estimate" }
        th.r scope="col" { "at least" }
        th scope="col" { "two-sided" }
    };
    let rows = html! {
        @for slot in &paper.slots {
            tr.mid {
                (row_head(&slot.name))
                td.bar { (bars.row(&slot.name, slot.detection.as_ref())) }
                (tally(slot.counts.missed))
                (number(&count(slot.counts.judged())))
                @match &slot.detection {
                    Some(i) => {
                        (number(&percent(i.estimate))) (number(&percent_rounded(i.at_least, Round::Down)))
                        td.w { (percent_rounded(i.low, Round::Down)) " to " (percent_rounded(i.high, Round::Up)) }
                    },
                    None => td.soft colspan="3" { (NOT_ESTIMABLE) ": no shot can be judged" },
                }
            }
        }
    };
    table("Detection", &confidence(&paper.slots), &columns, &rows)
}

/// The confidence of the bounds, which is one for all slots; if it is not, every row would have to say its own.
fn confidence(slots: &[Slot]) -> String {
    let mut levels: Vec<String> = slots
        .iter()
        .filter_map(|s| s.detection)
        .map(|i| format!("one-sided {}, two-sided {}", percent_of(i.at_least_confidence), percent_of(i.confidence)))
        .collect();
    levels.sort();
    levels.dedup();
    match levels.as_slice() {
        [] => String::new(),
        [one] => format!("confidence {one}"),
        several => format!("confidence differs: {}", several.join("; ")),
    }
}

fn percent_of(share: f64) -> String {
    crate::figures::percent_short(share)
}

fn others(slots: &[Slot]) -> Markup {
    let rows = html! {
        @for slot in slots {
            @let c = &slot.counts;
            tr {
                (row_head(&slot.name))
                @for n in [c.shots, c.detected, c.unwatched, c.missed, c.unknowable, c.open, c.late, c.misgraded, c.misplaced] { (tally(n)) }
                @for n in [c.shared, c.unsure, c.echoes, c.orphans] { (tally(n)) }
                td.r.z[slot.accidental == Some(0.0)] { (slot.accidental.map_or_else(|| NOT_TOLD.to_owned(), three_digits)) }
            }
        }
    };
    let columns = crate::parts::head(&[
        "slot",
        ">shots",
        ">detected",
        ">unwatched",
        ">missed",
        ">unknowable",
        ">open",
        ">late",
        ">misgraded",
        ">misplaced",
        ">shared",
        ">unsure",
        ">echoes",
        ">orphans",
        ">by chance",
    ]);
    html! {
        (table("All counts", "shots, and reports", &columns, &rows))
        @for slot in slots.iter().filter(|s| !s.blamed_on.is_empty()) {
            p { "Shots at " b { (slot.name) } " were blamed on " (blamed(&slot.blamed_on)) "." }
        }
        p.small.soft {
            "Unwatched, late, misgraded, misplaced and shared shots are detected ones. Unwatched: something was not being watched in the window. Misgraded: reported with a severity that a working "
            "machine does not give to these lines. Misplaced: blamed on another slot. Shared: one report for several shots. Unsure: the "
            "answer is less than 90 % sure. Echoes: further reports of detected shots. Orphans: reports that no shot explains. By "
            "chance: how many detections unprovoked reports would make on average."
        }
    }
}

fn blamed(on: &[Blamed]) -> String {
    let words: Vec<String> = on.iter().map(|b| format!("{} ({})", b.slot, counted(b.shots, "shot", "shots"))).collect();
    words.join(", ")
}
