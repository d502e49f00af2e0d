//! The criteria, and the verdict for each of them and each slot.

use crate::figures::{NOT_TOLD, Round, bound, count, counted, quantity};
use crate::model::{Answer, Bound, Criterion, Paper, Quantity, Section, SlotAnswer, Verdict};
use crate::parts::{again, answer, head, row_head, section, table};
use maud::{Markup, html};

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let verdict = &paper.verdict;
    let body = html! {
        @if verdict.criteria.is_empty() {
            p { "No criteria were given, so nothing was judged." }
        } @else {
            p {
                "A criterion is " b { "met" } " where the evidence shows that it holds with the confidence demanded, "
                b { "not met" } " where it shows that it does not, and there is " b { "not enough evidence" } " where it shows neither."
                @if let Some(plan) = &verdict.plan { " " (plan) }
            }
            (overview(&verdict.criteria))
            (by_slot(&verdict.criteria))
        }
        @if let Some(text) = &verdict.criteria_text {
            h3 { "The criteria as they were written" @if let Some(from) = &verdict.criteria_from { ", in " (from) } }
            pre { (text) }
        }
        (again(&paper.recipes, Section::Verdict))
    };
    section(Section::Verdict, &body)
}

fn how_many(criterion: &Criterion, of: Answer) -> String {
    if criterion.slots.is_empty() {
        return NOT_TOLD.to_owned();
    }
    count(i64::try_from(criterion.slots.iter().filter(|s| s.answer == of).count()).unwrap_or(i64::MAX))
}

fn overview(criteria: &[Criterion]) -> Markup {
    let rows = html! {
        @for c in criteria {
            tr {
                (row_head(&c.name))
                td { (c.demand) }
                td { (answer(c.answer)) @if let Some(whole) = &c.whole { div.small { (figures(whole, true)) } } }
                td.r { (how_many(c, Answer::Met)) }
                td.r { (how_many(c, Answer::NotMet)) }
                td.r { (how_many(c, Answer::NotEnough)) }
            }
        }
    };
    let columns = head(&["criterion", "demands", "answer", ">slots met", ">not met", ">not enough"]);
    table("Criteria", "and at how many slots each is met", &columns, &rows)
}

/// One row a slot, one column a criterion. The order of the slots is that of the criterion that has most of them.
fn by_slot(criteria: &[Criterion]) -> Markup {
    let judged: Vec<&Criterion> = criteria.iter().filter(|c| !c.slots.is_empty()).collect();
    let mut names: Vec<&str> = Vec::new();
    for criterion in &judged {
        for slot in &criterion.slots {
            if !names.contains(&slot.slot.as_str()) {
                names.push(&slot.slot);
            }
        }
    }
    if names.is_empty() {
        return html! {};
    }
    let rows = html! {
        @for name in &names {
            @let answers: Vec<Option<&SlotAnswer>> = judged.iter().map(|c| c.slots.iter().find(|s| s.slot == *name)).collect();
            tr.some[answers.iter().flatten().any(|s| s.answer == Answer::NotMet)] {
                (row_head(name))
                @for found in answers {
                    td {
                        @match found {
                            None => span.soft { "not judged" },
                            Some(found) => { (answer(found.answer)) " " span.small { (figures(found, false)) } },
                        }
                    }
                }
            }
        }
    };
    let mut columns = vec!["slot"];
    columns.extend(judged.iter().map(|c| c.name.as_str()));
    table(
        "Verdict by slot",
        "the bound that decides, and how many of how many count against the slot",
        &head(&columns),
        &rows,
    )
}

fn figures(found: &SlotAnswer, best: bool) -> Markup {
    html! {
        span.soft {
            @if let Some(Bound::AtLeast(Quantity::Count(n))) = found.bound {
                (count(n)) ", " (count(found.of)) " demanded"
            } @else {
                (bound(found.bound))
            }
            @if let (true, Some(best)) = (best, found.estimate) { ", best estimate " (quantity(best, Round::Nearest)) }
            (against(found))
            @if let Some(note) = &found.note { "; " (note) }
        }
    }
}

/// So many of so many; orphans are not part of anything that could be counted.
fn against(found: &SlotAnswer) -> String {
    match found.bound {
        Some(Bound::AtLeast(Quantity::PerHour(_)) | Bound::AtMost(Quantity::PerHour(_))) => {
            format!("; {}", counted(found.against, "orphan", "orphans"))
        }
        // What is counted and not estimated has said all.
        Some(Bound::AtLeast(Quantity::Count(_))) => String::new(),
        _ => format!("; {}\u{a0}of\u{a0}{}", count(found.against), count(found.of)),
    }
}

/// The share of detected shots that the criteria demand, where they demand one: the limit that the bars show.
pub(crate) fn detection_limit(verdict: &Verdict) -> Option<f64> {
    let share = |c: &Criterion| match c.limit {
        Some(Quantity::Share(share)) if c.judges_detection => Some(share),
        _ => None,
    };
    verdict.criteria.iter().find_map(share)
}
