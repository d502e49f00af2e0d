//! Detection slot by slot with bars of its intervals, and the other counts of each slot.

use super::verdict::detection_limit;
use crate::figures::{NOT_ESTIMABLE, NOT_TOLD, Round, count, counted, percent, percent_rounded, three_digits};
use crate::model::{Blamed, Paper, Section, Slot, SlotCounts};
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
                "all the same while it was not: had they been missed, nobody would know. And dangerous ones do not: they were reported, but as "
                "corrected, and more likely than not the data are wrong."
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

/// A column of counts.
type Column = (&'static str, fn(&SlotCounts) -> i64);

/// All of them. The first ones are always shown, of the others those that are not zero at every slot.
const ALWAYS: usize = 3;
const COLUMNS: [Column; 14] = [
    ("shots", |c| c.shots),
    ("detected", |c| c.detected),
    ("missed", |c| c.missed),
    ("unwatched", |c| c.unwatched),
    ("unknowable", |c| c.unknowable),
    ("open", |c| c.open),
    ("late", |c| c.late),
    ("misgraded", |c| c.misgraded),
    ("dangerous", |c| c.dangerous),
    ("misplaced", |c| c.misplaced),
    ("shared", |c| c.shared),
    ("unsure", |c| c.unsure),
    ("echoes", |c| c.echoes),
    ("orphans", |c| c.orphans),
];

fn others(slots: &[Slot]) -> Markup {
    let zero = |(_, of): &Column| slots.iter().all(|slot| of(&slot.counts) == 0);
    let (shown, left_out): (Vec<_>, Vec<_>) =
        COLUMNS.into_iter().enumerate().partition(|(n, column)| *n < ALWAYS || !zero(column));
    let rows = html! {
        @for slot in slots {
            tr {
                (row_head(&slot.name))
                @for (_, (_, of)) in &shown { (tally(of(&slot.counts))) }
                td.r.z[slot.accidental == Some(0.0)] { (slot.accidental.map_or_else(|| NOT_TOLD.to_owned(), three_digits)) }
            }
        }
    };
    let names: Vec<String> = shown.iter().map(|(_, (name, _))| format!(">{name}")).collect();
    let mut columns = vec!["slot"];
    columns.extend(names.iter().map(String::as_str));
    columns.push(">by chance");
    let columns = crate::parts::head(&columns);
    let none: Vec<&str> = left_out.iter().map(|(_, (name, _))| *name).collect();
    html! {
        (table("All counts", "shots, and reports", &columns, &rows))
        @if !none.is_empty() { p { "None at any slot: " (none.join(", ")) "." } }
        @for slot in slots.iter().filter(|s| !s.blamed_on.is_empty()) {
            p { "Shots at " b { (slot.name) } " were blamed on " (blamed(&slot.blamed_on)) "." }
        }
        p.small.soft {
            "Unwatched, late, misgraded, dangerous, misplaced and shared shots are detected ones. Unwatched: something was not being watched in the window. Misgraded: reported with a severity that a working "
            "machine does not give to these lines. Dangerous: reported as corrected where the code more likely than not took several wrong \
            bits for another one. Misplaced: blamed on another slot. Shared: one report for several shots. Unsure: the "
            "answer is less than 90 % sure. Echoes: further reports of detected shots. Orphans: reports that no shot explains. By "
            "chance: how many detections unprovoked reports would make on average."
        }
    }
}

fn blamed(on: &[Blamed]) -> String {
    let words: Vec<String> = on.iter().map(|b| format!("{} ({})", b.slot, counted(b.shots, "shot", "shots"))).collect();
    words.join(", ")
}
