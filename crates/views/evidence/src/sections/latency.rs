//! How soon reports came: small curves, and a table of quantiles.

use crate::figures::{NOT_ESTIMABLE, count, duration_ns, percent, percent_short};
use crate::model::{Curve, Estimator, Latency, Paper, Quantile, Section};
use crate::parts::{again, number, row_head, section, table};
use crate::plots::latency::Axes;
use maud::{Markup, html};

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let latency = &paper.latency;
    let axes = Axes::new(latency);
    let body = html! {
        @if latency.curves.is_empty() {
            p { "No latency can be told: no shot was detected." }
        } @else {
            p {
                "Each curve shows the share of shots that were reported within a time, one curve for each " (latency.each)
                ", on a logarithmic axis of time that is the same for all. It stays below 100 % where shots were missed: of those it is "
                "known only that no report came within the window of " (duration_ns(latency.window_ns)) ". "
                (estimators_told(&latency.curves))
                (limit(latency))
            }
            div.multiples {
                @for curve in &latency.curves { figure { (axes.plot(curve, latency)) } }
            }
            (quantiles(latency))
        }
        (again(&paper.recipes, Section::Latency))
    };
    section(Section::Latency, &body)
}

/// How the curves were estimated, and what their bands are.
fn estimators_told(curves: &[Curve]) -> String {
    let has = |with: Estimator| curves.iter().any(|c| c.estimator == with);
    let mut text = String::new();
    if has(Estimator::KaplanMeier) {
        text += &format!("The shaded band is {}. ", bands(curves));
    }
    if has(Estimator::Turnbull) {
        text += "Where latencies are known only to lie between two times, as between two reads of a counter, the curve is Turnbull's: it rises at the \
                 end of each interval and has no band. ";
    }
    if has(Estimator::KaplanMeier) && has(Estimator::Turnbull) {
        text += "The table says which curve is which, and part 11 by what rule. ";
    }
    text
}

fn bands(curves: &[Curve]) -> String {
    let mut levels: Vec<String> = curves.iter().map(|c| percent_short(c.confidence)).collect();
    levels.sort();
    levels.dedup();
    format!("its {} confidence band, point by point", levels.join(" or "))
}

fn limit(latency: &Latency) -> Markup {
    html! {
        @match (latency.limit_ns, latency.limit_share) {
            (Some(ns), Some(share)) => {
                " The dashed lines are the criterion: " (percent_short(share)) " within " (duration_ns(ns)) "; a curve that meets it passes "
                "above and to the left of where they cross."
            },
            (Some(ns), None) => { " The dashed line is at " (duration_ns(ns)) "." },
            _ => {},
        }
    }
}

fn estimator(curve: &Curve) -> &'static str {
    match curve.estimator {
        Estimator::KaplanMeier => "Kaplan–Meier",
        Estimator::Turnbull => "Turnbull",
    }
}

fn quantiles(latency: &Latency) -> Markup {
    let mut shares: Vec<f64> = latency.curves.iter().flat_map(|c| &c.quantiles).map(|q| q.share).collect();
    shares.sort_by(f64::total_cmp);
    shares.dedup();
    let mut estimators: Vec<&str> = latency.curves.iter().map(estimator).collect();
    estimators.sort_unstable();
    estimators.dedup();
    let columns = html! {
        th scope="col" { (latency.each) }
        th.r scope="col" { "shots" }
        th.r scope="col" { "not reported" }
        @for share in &shares { th scope="col" { (percent_short(*share)) " within" } }
        th.r scope="col" { "reported in all" }
        @if estimators.len() > 1 { th scope="col" { "estimator" } }
    };
    let rows = html! {
        @for curve in &latency.curves {
            tr {
                (row_head(&curve.name))
                (number(&count(curve.shots)))
                (number(&count(curve.missed)))
                @for share in &shares { td.w { (quantile(curve.quantiles.iter().find(|q| q.share == *share))) } }
                td.r { (curve.steps.last().map_or_else(|| NOT_ESTIMABLE.to_owned(), |s| percent(s.share))) }
                @if estimators.len() > 1 { td { (estimator(curve)) } }
            }
        }
    };
    let unit =
        format!("by {}, with their intervals; missed shots count as later than the window", estimators.join(" and "));
    table("Quantiles of latency", &unit, &columns, &rows)
}

fn quantile(found: Option<&Quantile>) -> Markup {
    let Some((q, ns)) = found.and_then(|q| Some((q, q.ns?))) else {
        return html! { span.soft { (NOT_ESTIMABLE) } };
    };
    let end = |ns: Option<i64>| ns.map_or_else(|| "?".to_owned(), duration_ns);
    html! {
        (duration_ns(ns))
        div.small.soft {
            @if q.low_ns.is_none() && q.high_ns.is_none() { "interval " (NOT_ESTIMABLE) }
            @else { (end(q.low_ns)) " to " (end(q.high_ns)) }
        }
    }
}
