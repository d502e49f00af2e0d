//! How the injector's clock was related to the machine's, and the supply rails.

use crate::figures::{NOT_ESTIMABLE, NOT_TOLD, count, duration_ns, millivolts, three_digits};
use crate::model::{ClockFit, Paper, Rail, Section};
use crate::parts::{again, head, number, row_head, section, table};
use crate::plots::rails::{named, plot};
use crate::plots::timeline::end;
use maud::{Markup, html};
use vocabulary::Wall;

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let body = html! {
        @if paper.clocks.is_empty() {
            p { "No injector told of its clock: shots are dated by the arrival of their lines." }
        } @else {
            p {
                "A shot's time is known to an interval, since two clocks are never exactly one. That interval is part of every latency on this page."
            }
            (clocks(&paper.clocks))
        }
        @if paper.rails.is_empty() {
            p { "No feed sent supply readings." }
        } @else {
            h3 { "Supply rails" }
            p {
                "The shaded band lies between the least and the most reading of each stretch of time, the line is the mean, and the dashed lines "
                "are the limits for operation. These say where the parts are meant to work. Absolute maximum ratings are something else: limits "
                "beyond which a part may be damaged for good, and no target for a test."
            }
            div.multiples { @for rail in paper.rails.iter().filter(|rail| !rail.bins.is_empty()) { figure { (plot(rail, span(paper, rail).0, span(paper, rail).1)) } } }
            (rails(&paper.rails))
        }
        (again(&paper.recipes, Section::ClockAndRails))
    };
    section(Section::ClockAndRails, &body)
}

/// The time line's axis, so that the plots can be laid side by side; a run without one has the rail's own.
fn span(paper: &Paper, rail: &Rail) -> (Wall, Wall) {
    if paper.time.bins.is_empty() {
        let from = rail.bins.first().map_or(Wall(0), |b| b.from);
        return (from, rail.bins.last().map_or(from, |b| b.to));
    }
    (paper.time.from, end(&paper.time))
}

fn clocks(clocks: &[ClockFit]) -> Markup {
    let time = |ns: Option<i64>| ns.map_or_else(|| NOT_ESTIMABLE.to_owned(), |ns| format!("± {}", duration_ns(ns)));
    let worst = clocks.iter().any(|clock| clock.worst_ns.is_some());
    let rows = html! {
        @for clock in clocks {
            tr {
                (row_head(&clock.injector))
                td {
                    (clock.how)
                    @for remark in &clock.remarks { div.small.soft { (remark) } }
                }
                (number(&count(clock.samples)))
                td.w {
                    @match clock.drift_ppm {
                        Some(ppm) => {
                            (three_digits(ppm)) " ppm"
                            @if let Some(bound) = clock.drift_bound_ppm { " ± " (three_digits(bound)) }
                        },
                        None => span.soft { (NOT_ESTIMABLE) },
                    }
                }
                (number(&time(clock.typical_ns)))
                @if worst { (number(&time(clock.worst_ns))) }
                (number(&count(clock.jumps)))
            }
        }
    };
    let mut columns = vec!["injector", "how its clock was fitted", ">samples", "drift", ">times known to"];
    if worst {
        columns.push(">at worst");
    }
    columns.push(">jumps");
    table("Injectors' clocks", "", &head(&columns), &rows)
}

fn rails(rails: &[Rail]) -> Markup {
    let limit = |mv: Option<f64>| mv.map_or_else(|| NOT_TOLD.to_owned(), millivolts);
    let rows = html! {
        @for rail in rails {
            tr {
                (row_head(&named(rail)))
                (number(&count(rail.readings)))
                (number(&millivolts(rail.least_mv)))
                (number(&millivolts(rail.mean_mv)))
                (number(&millivolts(rail.most_mv)))
                td.w { (limit(rail.low_mv)) " to " (limit(rail.high_mv)) }
                td.r { (rail.outside_ns.map_or_else(|| "no limits".to_owned(), outside)) }
                td.soft { (rail.limits_from.as_deref().unwrap_or(NOT_TOLD)) }
            }
        }
    };
    let columns =
        head(&["rail", ">readings", ">least", ">mean", ">most", "limits for operation", ">outside for", "limits from"]);
    table("Supply rails", "", &columns, &rows)
}

fn outside(ns: i64) -> String {
    if ns == 0 { "never".to_owned() } else { duration_ns(ns) }
}
