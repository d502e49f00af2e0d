//! Missed shots with their likely causes, and reports that nobody provoked.

use crate::figures::{
    NOT_ESTIMABLE, NOT_TOLD, count, counted, date_exact, duration_ns, per_hour, percent, percent_short,
};
use crate::model::{Cause, Miss, Misses, Orphan, OrphanRate, Orphans, Paper, Section};
use crate::parts::{again, head, number, row_head, section, shown_of, table, tally};
use maud::{Markup, html};

/// The misses.
pub(crate) fn misses(paper: &Paper) -> Markup {
    let misses = &paper.misses;
    let body = html! {
        @if misses.total == 0 {
            p { "No shot was missed." }
        } @else {
            p {
                "A shot is missed where no report fits it although everything that could have seen it was watching. What else the machine "
                "showed around it speaks for likely causes; none of them is proven by it."
            }
            @let causes = glossary(misses);
            @if !causes.is_empty() {
                @let rows = html! {
                    @for (word, what, shots) in &causes {
                        tr { td.w { (spoken(word)) } (tally(*shots)) td { (what) } }
                    }
                };
                (table("Causes", &looked_into(misses.looked_into, misses.total), &head(&["cause", ">likeliest for", "what it is"]), &rows))
            }
            @let rows = html! { @for miss in &misses.first { (miss_row(miss, &causes)) } };
            (table("Missed shots", "dates in UTC", &head(&["slot", "fired", "injection, shot", "lines", ">sure", "likely causes, and what speaks for them"]), &rows))
            (shown_of(misses.first.len(), misses.total, "missed shots", &misses.all))
        }
        (again(&paper.recipes, Section::Misses))
    };
    section(Section::Misses, &body)
}

fn looked_into(looked: i64, total: i64) -> String {
    if looked < total {
        format!(
            "and of how many misses each is the likeliest: {} were looked into, out of {}",
            count(looked),
            count(total)
        )
    } else {
        "and of how many misses each is the likeliest".to_owned()
    }
}

/// Every cause that is named: first those that were counted, then those that stand only beside a likelier one.
fn glossary(misses: &Misses) -> Vec<(&str, &str, i64)> {
    let mut causes: Vec<(&str, &str, i64)> =
        misses.by_cause.iter().map(|c| (c.word.as_str(), c.what.as_str(), c.shots)).collect();
    for cause in misses.first.iter().flat_map(|miss| &miss.causes) {
        if !causes.iter().any(|(word, ..)| *word == cause.word) {
            causes.push((&cause.word, &cause.what, 0));
        }
    }
    causes
}

/// A word for programs as people write it.
fn spoken(word: &str) -> String {
    word.replace('_', " ")
}

fn miss_row(miss: &Miss, causes: &[(&str, &str, i64)]) -> Markup {
    html! {
        tr {
            (row_head(&miss.slot))
            td.w { (miss.fired.map_or_else(|| NOT_TOLD.to_owned(), date_exact)) }
            td { (miss.injection) ", " (miss.shot) }
            td { (if miss.lines.is_empty() { NOT_TOLD.to_owned() } else { miss.lines.join(" ") }) }
            td.r { (miss.confidence.map_or_else(|| NOT_TOLD.to_owned(), percent)) }
            td {
                @if miss.causes.is_empty() { span.soft { "not looked into" } }
                @for (n, cause) in miss.causes.iter().enumerate() { (cause_text(cause, n == 0, causes)) }
            }
        }
    }
}

/// The likeliest cause with its evidence; of the others only what they are. What the table above says of a cause is not said again.
fn cause_text(cause: &Cause, with_evidence: bool, causes: &[(&str, &str, i64)]) -> Markup {
    let told = causes.iter().any(|(word, what, _)| *word == cause.word && *what == cause.what);
    html! {
        div class=(if with_evidence { "" } else { "small soft" }) {
            (cause.strength) ": " b { (spoken(&cause.word)) }
            @if !told { ". " (cause.what) }
            @if with_evidence && !cause.seen.is_empty() {
                div.small.soft {
                    @for (n, seen) in cause.seen.iter().enumerate() {
                        @if n > 0 { "; " }
                        (seen.fact) ": " (seen.value)
                    }
                }
            }
        }
    }
}

/// The orphans.
pub(crate) fn orphans(paper: &Paper) -> Markup {
    let orphans = &paper.orphans;
    let body = html! {
        @if orphans.total == 0 {
            p { "There is none: every report of the kernel is explained by a shot." }
        } @else {
            p {
                (counted(orphans.total, "report is an orphan", "reports are orphans")) ": no shot explains them. They tell of a module that fails on its "
                "own, or of an error that no feed told of"
                @if orphans.without_place > 0 { "; " (count(orphans.without_place)) " of them name no slot, or several" }
                "."
            }
            (rates(&orphans.by_slot))
            (first(orphans))
        }
        (again(&paper.recipes, Section::Orphans))
    };
    section(Section::Orphans, &body)
}

fn rates(by_slot: &[OrphanRate]) -> Markup {
    if by_slot.is_empty() {
        return html! {};
    }
    let rate = |value: Option<f64>| value.map_or_else(|| NOT_ESTIMABLE.to_owned(), per_hour);
    let rows = html! {
        @for r in by_slot {
            tr {
                (row_head(&r.slot))
                (number(&count(r.orphans)))
                (number(&duration_ns(r.watched_ns)))
                (number(&rate(r.per_hour)))
                td.w { (rate(r.low)) " to " (rate(r.high)) span.soft { " (" (percent_short(r.confidence)) ")" } }
            }
        }
    };
    table(
        "Orphans by slot",
        "most first",
        &head(&["slot", ">orphans", ">watched", ">rate", "interval of the rate"]),
        &rows,
    )
}

fn first(orphans: &Orphans) -> Markup {
    let rows = html! { @for orphan in &orphans.first { (orphan_row(orphan)) } };
    let columns = head(&[">report", "seen", "slot", "errors", "source", "what the kernel said", "address", "syndrome"]);
    html! {
        (table("Orphans", "dates in UTC", &columns, &rows))
        (shown_of(orphans.first.len(), orphans.total, "orphans", &orphans.all))
    }
}

fn orphan_row(o: &Orphan) -> Markup {
    html! {
        tr {
            (number(&count(o.report)))
            td.w { (o.seen.map_or_else(|| NOT_TOLD.to_owned(), date_exact)) }
            td { (o.slot.as_deref().unwrap_or(NOT_TOLD)) }
            td.w { @if o.count == 0 { "1 or more" } @else { (count(o.count)) } " " (o.severity) }
            td.w { (o.source) }
            td { (o.message.as_deref().unwrap_or(NOT_TOLD)) }
            td { (o.address.as_deref().unwrap_or(NOT_TOLD)) }
            td { (o.syndrome.as_deref().unwrap_or(NOT_TOLD)) }
        }
    }
}
