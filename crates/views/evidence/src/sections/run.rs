//! The top of the page: which run this is, what must be known before its numbers are believed, and the verdict in one line.

use crate::figures::{NOT_TOLD, count, date_utc, duration_ns, percent_short};
use crate::model::{Answer, Kind, Paper, Run, Section, Totals, Verdict};
use crate::parts::{anchor, answer, flag};
use maud::{Markup, html};

/// Title, flags, verdict, facts and the list of parts.
pub(crate) fn top(paper: &Paper) -> Markup {
    let run = &paper.run;
    html! {
        header id=(anchor(Section::Run)) {
            h1 { "Were injected memory errors reported?" }
            p.sub {
                "Evidence from run " b { (run.name) }
                @if let Some(host) = &run.host { " on " b { (host) } }
                ", from " span.w { (date_utc(run.started)) }
                @match run.ended { Some(ended) => { " to " span.w { (date_utc(ended)) } }, None => ", not ended" }
            }
            (flags(run))
            (result(&paper.verdict, run))
            (facts(run, paper.machine.boots.last().map(|boot| boot.kernel.as_str())))
            (remarks(run))
            nav aria-label="Parts of this page" {
                ol {
                    @for section in Section::ALL { li { a href=(format!("#{}", anchor(section))) { (section.title()) } } }
                }
            }
        }
    }
}

fn flags(run: &Run) -> Markup {
    html! {
        @if run.invented { (flag("[invented]", "Nothing here was measured: the machine, the run and all numbers are made up.")) }
        @match run.kind {
            Kind::Watch => {},
            Kind::Rehearse => (flag("A simulated machine.", "This run was a rehearsal: its numbers say nothing about any hardware.")),
            Kind::Replay => (flag("A replay.", "This run was made from a recorded capture, not from a machine that was watched live.")),
        }
        @if run.ended.is_none() {
            @let until = run.watched_until.map_or_else(|| "an unknown time".to_owned(), date_utc);
            (flag("So far.", &format!("The run was not ended on purpose: it still goes on, or the machine or the program stopped. Everything \
                below is what was known of it up to {until}, and may change.")))
        }
        @if let Some(caution) = &run.caution { (flag("Single answers are unsure.", caution)) }
    }
}

fn result(verdict: &Verdict, run: &Run) -> Markup {
    let so_far = if run.ended.is_none() { " so far" } else { "" };
    html! {
        div.result {
            @match verdict.answer {
                None => p { "No verdict: no criteria were given. The numbers below stand for themselves." },
                Some(found) => p {
                    "The criteria are" (so_far) ": " (answer(found))
                    @if found == Answer::NotEnough { span.soft { " to say whether they are met" } }
                },
            }
            @if !verdict.reasons.is_empty() { ul { @for reason in &verdict.reasons { li { (reason) } } } }
        }
    }
}

fn facts(run: &Run, kernel: Option<&str>) -> Markup {
    let t = &run.totals;
    let kernel = kernel.map_or_else(|| NOT_TOLD.to_owned(), str::to_owned);
    let rows: [(&str, String); 8] = [
        ("Kernel", kernel),
        ("Shots", told_shots(t)),
        ("Reports of the kernel", told_reports(t)),
        ("Watched", duration_ns(run.watched_ns)),
        ("Unsure answers", unsure(t)),
        ("Run in the database", format!("number {}, schema version {}", run.number, run.schema)),
        ("Database", run.database.clone()),
        ("Program", told_versions(run)),
    ];
    html! {
        dl.facts { @for (what, value) in &rows { dt { (what) } dd { (value) } } }
    }
}

fn told_versions(run: &Run) -> String {
    format!(
        "flipwitness {} began the run; {} made this page, {}",
        run.version,
        run.page_version,
        date_utc(run.page_made)
    )
}

fn told_shots(t: &Totals) -> String {
    let parts = [("detected", t.detected), ("missed", t.missed), ("unknowable", t.unknowable), ("open", t.open)];
    let parts: Vec<String> = parts.iter().map(|(word, n)| format!("{} {word}", count(*n))).collect();
    format!("{} in {} injections: {}", count(t.shots), count(t.injections), parts.join(", "))
}

fn told_reports(t: &Totals) -> String {
    format!(
        "{}: {} detected a shot, {} were echoes of a detected one, {} orphans",
        count(t.reports),
        count(t.matches),
        count(t.echoes),
        count(t.orphans)
    )
}

fn unsure(t: &Totals) -> String {
    let judged = t.detected + t.missed;
    if judged == 0 {
        return NOT_TOLD.to_owned();
    }
    let share = (t.unsure as f64 / judged as f64 * 1e4).round() / 1e4;
    format!(
        "{} of {} shots have an answer that is less than 90 % sure ({})",
        count(t.unsure),
        count(judged),
        percent_short(share)
    )
}

fn remarks(run: &Run) -> Markup {
    html! {
        @if !run.remarks.is_empty() {
            h3 { "What the run says of itself" }
            ul {
                @for remark in &run.remarks {
                    li {
                        @if remark.warning { b { "Limits what the numbers prove: " } }
                        (remark.text)
                        @if let Some(at) = remark.at { span.soft { " (" (date_utc(at)) ")" } }
                    }
                }
            }
        }
    }
}
