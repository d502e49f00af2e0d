//! The page as a whole: sound markup, nothing loaded from elsewhere, harmless strings, small, honest, and the same every time.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

mod checker;
mod invented;

use checker::{attributes, check};
use evidence::model::*;
use evidence::page;
use std::collections::BTreeSet;
use std::path::PathBuf;

/// A run of which nothing is known but its name.
fn empty() -> Paper {
    let mut paper = invented::paper(4, 20);
    paper.run.totals = Totals::default();
    paper.run.host = None;
    paper.run.ended = None;
    paper.run.watched_until = None;
    paper.run.remarks.clear();
    paper.verdict = Verdict::default();
    paper.machine = Machine::default();
    paper.slots.clear();
    paper.latency = Latency::default();
    paper.time.bins.clear();
    paper.time.slots.clear();
    paper.time.gaps.clear();
    paper.time.excursions.clear();
    (paper.time.gap_count, paper.time.excursion_count) = (0, 0);
    paper.lines.clear();
    paper.misses = Misses::default();
    paper.orphans = Orphans::default();
    paper.clocks.clear();
    paper.rails.clear();
    paper.method = Method::default();
    paper.recipes.clear();
    paper
}

/// The text of the page without its markup, blanks put together.
fn text(html: &str) -> String {
    let body = html.split("</style>").nth(1).unwrap();
    let mut out = String::new();
    let mut inside = false;
    for c in body.chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            c if !inside => out.push(if c == '\u{202f}' || c == '\u{a0}' { ' ' } else { c }),
            _ => {}
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn markup_is_sound_for_large_small_and_empty_runs() {
    for paper in [invented::paper(32, 400), invented::paper(1, 1), empty()] {
        let html = page(&paper);
        let faults = check(&html);
        assert!(faults.is_empty(), "{faults:#?}");
        assert!(!html.contains("NaN") && !html.contains("inf\""), "a number that is none reached the page");
    }
}

#[test]
fn nothing_is_loaded_and_nothing_runs() {
    let html = page(&invented::paper(32, 400));
    for word in [
        "http://",
        "https://",
        "//www",
        "<script",
        "<link",
        "<img",
        "<iframe",
        "<object",
        "<embed",
        "@import",
        "javascript:",
    ] {
        assert!(!html.contains(word), "{word}");
    }
    for url in html.split("url(").skip(1) {
        assert!(url.starts_with("#blind)"), "{}", &url[..30]);
    }
    let mut targets = BTreeSet::new();
    let mut links = BTreeSet::new();
    for (name, value) in attributes(&html) {
        assert!(!name.starts_with("on") && name != "src" && name != "style", "{name}={value}");
        match name {
            "id" => assert!(targets.insert(value.to_owned()), "{value} is there twice"),
            "href" => assert!(links.insert(value.strip_prefix('#').unwrap().to_owned()) || !value.is_empty()),
            _ => {}
        }
    }
    assert!(links.len() > 15, "{links:?}");
    assert_eq!(links.difference(&targets).collect::<Vec<_>>(), Vec::<&String>::new());
    assert!(targets.contains("blind"));
}

#[test]
fn every_plot_has_words_and_every_table_a_caption() {
    let html = page(&invented::paper(32, 400));
    for svg in html.split("<svg").skip(1) {
        let head = svg.split('>').next().unwrap();
        let told = head.contains("aria-hidden=\"true\"")
            || head.contains("aria-label=")
            || svg.split_once('>').unwrap().1.starts_with("<title>");
        assert!(told, "<svg{}", &svg[..120.min(svg.len())]);
    }
    assert_eq!(html.matches("<table>").count(), html.matches("<caption>").count());
    // One small plot for each slot, its shots and quantiles in words.
    assert!(html.contains("CPU0_B1: share of shots reported within a time"));
    assert_eq!(html.matches("50\u{202f}% within: ").count(), 32);
}

#[test]
fn the_largest_page_is_small_and_the_same_every_time() {
    let html = page(&invented::paper(64, 400));
    assert!(html.len() < 2_000_000, "{} bytes", html.len());
    assert!(html == page(&invented::paper(64, 400)), "the same model gave other bytes");
}

#[test]
fn strings_from_outside_do_no_harm() {
    let evil = "<script>alert(\"x\")</script>&amp;'\u{1b}[31m\u{202e}\0]]>-->".to_owned();
    let some = Some(evil.clone());
    let mut paper = invented::paper(13, 20);
    (paper.run.name, paper.run.host, paper.run.database, paper.run.version) =
        (evil.clone(), some.clone(), evil.clone(), evil.clone());
    paper.run.caution = some.clone();
    paper.run.remarks[0].text = evil.clone();
    paper.verdict.reasons = vec![evil.clone()];
    (paper.verdict.criteria_from, paper.verdict.criteria_text, paper.verdict.plan) =
        (some.clone(), some.clone(), some.clone());
    (paper.verdict.criteria[0].name, paper.verdict.criteria[0].demand) = (evil.clone(), evil.clone());
    (paper.verdict.criteria[0].slots[0].slot, paper.verdict.criteria[0].slots[0].note) = (evil.clone(), some.clone());
    (paper.machine.boots[0].kernel, paper.machine.boots[0].boot_id) = (evil.clone(), evil.clone());
    paper.machine.facts[0] = Fact { what: evil.clone(), value: evil.clone(), source: some.clone() };
    let slot = &mut paper.slots[0];
    (slot.name, slot.inventory.label, slot.inventory.memory, slot.inventory.ecc_assumed) =
        (evil.clone(), some.clone(), some.clone(), some.clone());
    slot.blamed_on = vec![Blamed { slot: evil.clone(), shots: 1 }];
    (paper.latency.each, paper.latency.curves[0].name) = (evil.clone(), evil.clone());
    (paper.time.slots[0].slot, paper.time.gaps[0].why, paper.time.gaps[0].source) =
        (evil.clone(), evil.clone(), evil.clone());
    (paper.time.excursions[0].rail, paper.time.excursions[0].slot) = (evil.clone(), some.clone());
    (paper.lines[0].title, paper.lines[0].lines[0], paper.lines[0].rows[0].slot) =
        (some.clone(), evil.clone(), evil.clone());
    let miss = &mut paper.misses.first[0];
    (miss.injection, miss.slot, miss.lines) = (evil.clone(), evil.clone(), vec![evil.clone()]);
    miss.causes[0] = Cause {
        word: evil.clone(),
        strength: evil.clone(),
        what: evil.clone(),
        seen: vec![Seen { fact: evil.clone(), value: evil.clone() }],
    };
    (paper.misses.all, paper.orphans.all, paper.orphans.by_slot[0].slot) = (evil.clone(), evil.clone(), evil.clone());
    let orphan = &mut paper.orphans.first[0];
    (orphan.slot, orphan.message, orphan.address, orphan.syndrome) =
        (some.clone(), some.clone(), some.clone(), some.clone());
    (orphan.severity, orphan.source) = (evil.clone(), evil.clone());
    (paper.clocks[0].injector, paper.clocks[0].how, paper.clocks[0].remarks[0]) =
        (evil.clone(), evil.clone(), evil.clone());
    (paper.rails[0].name, paper.rails[0].slot, paper.rails[0].limits_from) = (evil.clone(), some.clone(), some.clone());
    (paper.method.sources[0], paper.method.limits[0], paper.method.not_counted[0].why) =
        (evil.clone(), evil.clone(), evil.clone());
    paper.recipes[0] = Recipe { section: Section::Slots, what: evil.clone(), command: some.clone(), sql: some };

    let html = page(&paper);
    let faults = check(&html);
    assert!(faults.is_empty(), "{faults:#?}");
    assert!(!html.contains("<script") && !html.contains("alert(\"x"), "a string became markup");
    assert!(html.chars().all(|c| !c.is_control() || c == '\n' || c == '\t') && !html.contains('\u{202e}'));
    let shown = html
        .matches("&lt;script&gt;alert(&quot;x&quot;)&lt;/script&gt;&amp;amp;'\\u{1b}[31m\\u{202e}\\u{0}]]&gt;--&gt;")
        .count();
    assert!(shown > 55, "shown {shown} times");
}

#[test]
fn what_is_not_known_is_said() {
    let told = text(&page(&empty()));
    for words in [
        "No verdict: no criteria were given.",
        "So far. The run was not ended on purpose",
        "No slot is known",
        "No latency can be told",
        "Nothing happened",
        "There was no gap",
        "No feed named the lines",
        "No shot was missed.",
        "There is none: every report of the kernel is explained by a shot.",
        "No injector told of its clock",
        "No feed sent supply readings.",
        "No command was recorded",
    ] {
        assert!(told.contains(words), "{words}");
    }
    let told = text(&page(&invented::paper(32, 400)));
    // The last slot has no shots.
    assert!(told.contains("CPU1_H2: not estimable") && told.contains("not estimable: no shot can be judged"));
    assert!(told.contains("not enough evidence not estimable; 0 of 0"));
    assert!(!told.contains("So far."));
}

#[test]
fn a_run_that_goes_on_and_one_that_is_no_machine_are_marked_at_the_top() {
    let mut paper = invented::paper(4, 20);
    (paper.run.ended, paper.run.kind, paper.run.invented) = (None, Kind::Rehearse, false);
    let told = text(&page(&paper));
    let top = told.split("Criteria and verdict").next().unwrap();
    assert!(top.contains("up to 2031-04-08 07:42:10 UTC, and may change"), "{top}");
    assert!(top.contains("The criteria are so far: not met") && top.contains("A simulated machine."), "{top}");
    assert!(!top.contains("[invented]"));
    paper.run.kind = Kind::Replay;
    paper.verdict.answer = Some(Answer::NotEnough);
    let told = text(&page(&paper));
    assert!(told.contains("A replay.") && told.contains("so far: not enough evidence to say whether they are met"));
}

#[test]
fn the_parts_are_those_of_the_documentation() {
    let documented =
        std::fs::read_to_string(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../docs/evidence.md")).unwrap();
    let rows: Vec<(String, String)> = documented
        .lines()
        .filter_map(|line| line.strip_prefix("| ")?.split_once(" | "))
        .filter(|(number, _)| number.parse::<usize>().is_ok())
        .map(|(number, rest)| (number.to_owned(), rest.split(" | ").next().unwrap().to_owned()))
        .collect();
    let parts: Vec<(String, String)> =
        Section::ALL.iter().map(|s| (s.number().to_string(), s.title().to_owned())).collect();
    assert_eq!(rows, parts);
    let html = page(&invented::paper(4, 20));
    for (_, title) in parts {
        assert!(html.contains(&title), "{title}");
    }
}

/// One part of the page, a tag a line, so that a difference can be read.
fn part(html: &str, n: usize) -> String {
    let section = html.split(&format!("<section id=\"part-{n}\">")).nth(1).unwrap().split("</section>").next().unwrap();
    section.replace("><", ">\n<").trim().to_owned() + "\n"
}

#[test]
fn parts_are_as_they_were_last_read() {
    let html = page(&invented::paper(4, 20));
    for (name, n) in [("verdict", 2), ("slots", 4), ("recompute", 12)] {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("tests/golden/{name}.html"));
        let found = part(&html, n);
        if std::env::var_os("FLIPWITNESS_BLESS").is_some() {
            std::fs::write(&path, &found).unwrap();
        }
        let golden = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(found == golden, "{} differs; FLIPWITNESS_BLESS=1 writes it anew", path.display());
    }
}
