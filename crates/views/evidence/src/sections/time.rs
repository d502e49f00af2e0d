//! What happened when: the time line, and the tables of gaps and of rails outside their limits.

use crate::figures::{NOT_TOLD, count, counted, date_exact, duration_ns, millivolts};
use crate::model::{Excursion, Gap, Paper, Section, TimeLine};
use crate::parts::{again, head, number, section, shown_of, table};
use crate::plots::timeline;
use maud::{Markup, html};
use vocabulary::Wall;

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let time = &paper.time;
    // A boot that the run did not begin in: the first one begins with the axis.
    let boots: Vec<Wall> = paper.machine.boots.iter().skip(1).filter_map(|b| b.first).collect();
    let body = html! {
        @if time.bins.is_empty() {
            p { "Nothing happened: there are neither shots nor reports." }
        } @else {
            p {
                "Shots stand where they were fired and orphans where they were seen, in bins of " (duration_ns(time.bin_ns)) ". Dates are UTC."
            }
            div.scroll tabindex="0" role="region" aria-label="Time line" { (timeline::plot(time, &boots)) }
            (timeline::keys())
            (left_out(time))
        }
        (gaps(time))
        (excursions(time))
        (again(&paper.recipes, Section::Time))
    };
    section(Section::Time, &body)
}

fn left_out(time: &TimeLine) -> Markup {
    html! {
        @if time.slots_left_out > 0 {
            p { (counted(time.slots_left_out, "further slot", "further slots")) " with misses or orphans are not drawn one by one." }
        }
    }
}

fn gaps(time: &TimeLine) -> Markup {
    if time.gap_count == 0 {
        return html! { p { "There was no gap: everything was watched all the time." } };
    }
    let rows = html! {
        @for gap in &time.gaps { (gap_row(gap)) }
    };
    html! {
        p {
            (counted(time.gap_count, "gap", "gaps")) "; for " (duration_ns(time.gap_ns)) " in all something was not watched. A shot whose window "
            "overlaps such a gap, and that nothing reported, is unknowable, not missed."
        }
        (table("Gaps", "dates in UTC", &head(&["from", ">length", "what was not watched", "where", "why"]), &rows))
        (shown_of(time.gaps.len(), time.gap_count, "gaps, the longest", "flipwitness gaps"))
    }
}

fn gap_row(gap: &Gap) -> Markup {
    html! {
        tr {
            td.w { (date_exact(gap.from)) }
            (number(&duration_ns(gap.to.0.saturating_sub(gap.from.0))))
            td { (gap.source) }
            td { @match gap.controller { Some(c) => { "controller " (c) }, None => "everywhere" } }
            td { (gap.why) }
        }
    }
}

fn excursions(time: &TimeLine) -> Markup {
    if time.excursion_count == 0 {
        return html! {};
    }
    let rows = html! {
        @for out in &time.excursions { (excursion_row(out)) }
    };
    html! {
        (table(
            "Rails outside their limits for operation",
            "dates in UTC",
            &head(&["from", ">length", "rail", "slot", ">farthest reading", ">shots in it"]),
            &rows,
        ))
        (shown_of(time.excursions.len(), time.excursion_count, "excursions, the longest", ""))
    }
}

fn excursion_row(out: &Excursion) -> Markup {
    html! {
        tr {
            td.w { (date_exact(out.from)) }
            (number(&duration_ns(out.to.0.saturating_sub(out.from.0))))
            td { (out.rail) }
            td { (out.slot.as_deref().unwrap_or(NOT_TOLD)) }
            (number(&millivolts(out.worst_mv)))
            (number(&count(out.shots)))
        }
    }
}
