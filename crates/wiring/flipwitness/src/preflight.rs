//! Before a run: what crate `preflight` finds of this machine, for people or as JSON, and the exit status that says it.
//!
//! It starts nothing, writes nothing and opens no database. What is good or bad is not decided here.

use crate::cli::{Limits, Preflight};
use crate::{ask, drive, exit};
use anyhow::Result;
use daemon::Config;
use kernel_watch::{Places, machine_facts};
use preflight::{Finding, Readiness, Weight, judge};
use serde::Serialize;
use std::time::Duration;

/// Columns of the text.
const WIDTH: usize = 100;

#[derive(Serialize)]
struct Answer<'a> {
    ready: Readiness,
    findings: &'a [Finding],
}

/// Says what was found; returns the exit status.
pub(crate) fn preflight(order: Preflight) -> Result<u8> {
    let mut config = Config::load(order.config.as_deref())?;
    drive::limits(&mut config, &Limits { window: order.window, deadline: None });
    // A configuration that the daemon would refuse is refused here too.
    config.settings()?;
    let places = Places {
        sys: config.kernel.sys,
        tracefs: config.kernel.tracefs,
        proc: config.kernel.proc,
        instance: config.trace.instance,
        mc_event: config.trace.mc_event,
        mce_record: config.trace.mce_record,
        database: order.db.unwrap_or(config.database.path),
    };
    let findings = judge(&machine_facts(&places), Duration::from_millis(config.pairing.window_ms));
    let ready = Readiness::of(&findings);
    let text = match order.json {
        true => serde_json::to_string_pretty(&Answer { ready, findings: &findings })?,
        false => told(&findings, ready),
    };
    match ask::say(&text) {
        // Whoever read the first lines only still gets the status.
        Err(error) if !exit::is_broken_pipe(&error) => Err(error),
        _ => Ok(status(ready)),
    }
}

fn status(ready: Readiness) -> u8 {
    match ready {
        Readiness::Ready => exit::READY,
        Readiness::ReadyWithWarnings => exit::READY_WITH_WARNINGS,
        Readiness::NotAble => exit::NOT_ABLE,
    }
}

fn told(findings: &[Finding], ready: Readiness) -> String {
    let mut text = String::new();
    for finding in findings {
        let word = match finding.weight {
            Weight::Blocks => "BLOCKS",
            Weight::Warns => "WARNS",
            Weight::Fine => "fine",
        };
        paragraph(&mut text, word, &finding.what);
        paragraph(&mut text, "", &format!("seen: {}", finding.evidence));
        if let Some(remedy) = &finding.remedy {
            paragraph(&mut text, "", &format!("do: {remedy}"));
        }
        text.push('\n');
    }
    let count = |weight| findings.iter().filter(|finding| finding.weight == weight).count();
    let (blocks, warns) = (count(Weight::Blocks), count(Weight::Warns));
    text + &match ready {
        Readiness::Ready => "Ready: nothing was found that keeps errors from being reported.\n".to_owned(),
        Readiness::ReadyWithWarnings => format!("Ready with warnings: {warns} of the findings above.\n"),
        Readiness::NotAble => format!("Not able: {blocks} of the findings above must be mended first, {warns} warn.\n"),
    }
}

/// Words behind a column of eight, broken at blanks.
fn paragraph(text: &mut String, head: &str, words: &str) {
    let mut line = format!("{head:<8}");
    let mut is_empty = true;
    for word in words.split_whitespace() {
        if !is_empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            text.push_str(&line);
            text.push('\n');
            line = " ".repeat(8);
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    text.push_str(&line);
    text.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_keeps_within_its_columns() {
        let finding = |weight, remedy: Option<&str>| Finding {
            weight,
            what: "word ".repeat(50),
            evidence: "/a/file: text".to_owned(),
            remedy: remedy.map(str::to_owned),
        };
        let findings = [finding(Weight::Blocks, Some("mend it")), finding(Weight::Fine, None)];
        let text = told(&findings, Readiness::NotAble);
        assert!(text.lines().all(|line| line.len() <= WIDTH), "{text}");
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[0].starts_with("BLOCKS  word word") && lines[0].ends_with("word"), "{text}");
        assert!(lines[1].starts_with("        word"), "{text}");
        assert_eq!(lines[3..6], ["        seen: /a/file: text", "        do: mend it", ""], "{text}");
        assert_eq!(lines.last(), Some(&"Not able: 1 of the findings above must be mended first, 0 warn."));
        assert_eq!(text.matches("do: ").count(), 1);
    }
}
