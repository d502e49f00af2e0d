//! What is shipped beside the program says what the program does: configuration, its page, the unit, the list of
//! dependencies, and the links between the pages.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

#[path = "common/mod.rs"]
mod common;
use common::{flipwitness, packages, root};
use daemon::Config;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

fn read(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

fn parse(text: &str) -> Config {
    Config::parse(text, Path::new("flipwitness.toml")).unwrap()
}

/// The shipped configuration with every setting made that it shows.
fn everything() -> String {
    let lines = read("systemd/flipwitness.toml");
    let made = |line: &str| match line.strip_prefix('#') {
        Some(setting) if setting.starts_with(|c: char| c == '[' || c.is_ascii_lowercase()) => setting.to_owned(),
        _ => line.to_owned(),
    };
    lines.lines().map(|line| made(line) + "\n").collect()
}

#[test]
fn the_shipped_configuration_is_the_default() {
    let shipped = parse(&read("systemd/flipwitness.toml"));
    assert_eq!(format!("{shipped:?}"), format!("{:?}", Config::default()));
    assert_eq!(shipped.doubts(), ["no feed is configured: every report will be an orphan"]);
}

#[test]
fn every_setting_of_the_shipped_configuration_can_be_made() {
    let mut all = parse(&everything());
    // The matrix of a board is not shipped; any code's file will do.
    let matrix = all.ecc.iter_mut().find_map(|ecc| ecc.matrix.as_mut()).unwrap();
    *matrix = root().join("crates/pure/ecc/codes/nxp-72-64.txt");
    all.settings().unwrap();
    assert_eq!(all.feeds().unwrap().len(), 4);
    assert_eq!(all.doubts(), [""; 0]);
    // What has no default shows an example; all the rest shows its default.
    for example in [&mut all.run.name, &mut all.expect.severity, &mut all.rails.generation] {
        assert!(example.take().is_some());
    }
    assert!(all.pairing.deadline_ms.take().is_some());
    assert!(all.capture.directory.take().is_some());
    assert!(all.criteria.file.take().is_some());
    assert_eq!(all.rail.len(), 1);
    all.rail.clear();
    all.feed.clear();
    assert_eq!(all.ecc.len(), 2);
    all.ecc.clear();
    assert_eq!(format!("{all:?}"), format!("{:?}", Config::default()));
}

/// The keys that the program knows below this, as its own refusal of an unknown one lists them.
fn known_keys(path: &str, keys: &mut BTreeSet<String>) {
    let headers = match path.rsplit_once('.') {
        None if path.is_empty() => vec![String::new()],
        None => vec![format!("[{path}]\n"), format!("[[{path}]]\n")],
        Some((list, _)) => vec![format!("[[{list}]]\n[[{path}]]\n")],
    };
    for header in headers {
        let text = format!("{header}no_such_key = 0\n");
        let Err(error) = Config::parse(&text, Path::new("x")) else { continue };
        let told = error.to_string();
        let Some((_, expected)) = told.split_once("unknown field `no_such_key`, expected ") else { continue };
        for key in expected.split('`').skip(1).step_by(2) {
            known_keys(&if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") }, keys);
        }
        return;
    }
    keys.insert(path.to_owned());
}

fn keys_of(value: &toml::Table, path: &str, keys: &mut BTreeMap<String, String>) {
    for (key, value) in value {
        let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        match value {
            toml::Value::Table(table) => keys_of(table, &path, keys),
            toml::Value::Array(list) => list.iter().for_each(|v| keys_of(v.as_table().unwrap(), &path, keys)),
            value => drop(keys.insert(path, value.to_string())),
        }
    }
}

/// The rows of a page's tables, cell by cell.
fn rows(text: &str) -> Vec<Vec<&str>> {
    let table = text.lines().filter(|line| line.starts_with("| "));
    table.map(|line| line.trim_matches('|').split(" | ").map(str::trim).collect()).collect()
}

#[test]
fn every_key_has_its_row_and_every_row_its_key() {
    let mut known = BTreeSet::new();
    known_keys("", &mut known);
    assert!(known.contains("version") && known.contains("feed.pattern.regex"), "{known:?}");

    let mut shown = BTreeMap::new();
    keys_of(&everything().parse().unwrap(), "", &mut shown);
    assert_eq!(shown.keys().cloned().collect::<BTreeSet<_>>(), known, "systemd/flipwitness.toml");

    let page = read("docs/configuration.md");
    let table = page.split("\n### ").next().unwrap();
    let mut documented = BTreeSet::new();
    for row in rows(table) {
        let Some(key) = row[0].strip_prefix('`').and_then(|key| key.strip_suffix('`')) else { continue };
        assert_eq!(row.len(), 4, "{row:?}");
        documented.insert(key.to_owned());
        // Where the page states a default, the example shows it; that the example's are the program's is tested above.
        let optional = !row[2].starts_with('`') || key.starts_with("feed.");
        assert!(optional || row[2] == format!("`{}`", shown[key]), "{key}: {} but {}", row[2], shown[key]);
    }
    assert_eq!(documented, known, "docs/configuration.md");
}

#[test]
fn doubts_are_quoted_as_they_are_said() {
    let page = read("docs/configuration.md");
    let doubtful = "endpoint.listen = \"192.0.2.7:9741\"\ncounters.interval_ms = 6000\npairing.deadline_ms = 9000\n\
        trace.per_cpu_kib = 4\n";
    let feed = "[[feed]]\nfrom = \"tcp:0.0.0.0:9740\"\nping_ms = 100000\n";
    let said: Vec<String> =
        [doubtful.to_owned(), format!("{doubtful}{feed}")].iter().flat_map(|t| parse(t).doubts()).collect();
    let said: BTreeSet<&str> = said.iter().map(String::as_str).collect();
    let section = page.split("### Dangerous or useless settings").nth(1).unwrap().split("\n#").next().unwrap();
    let quoted: BTreeSet<&str> = rows(section).iter().filter_map(|row| row[1].split('`').nth(1)).collect();
    assert_eq!(said, quoted);
}

#[test]
fn every_flag_is_on_the_page() {
    let page = read("docs/configuration.md");
    let help = flipwitness(&["--help"]).stdout;
    let commands = help.split("Commands:\n").nth(1).unwrap().split("\n\n").next().unwrap();
    let commands: Vec<&str> = commands.lines().filter_map(|line| line.split_whitespace().next()).collect();
    assert!(commands.len() > 5, "{commands:?}");
    for command in commands.into_iter().filter(|command| *command != "help") {
        let help = flipwitness(&[command, "--help"]).stdout;
        // An option's line begins with blanks and its name; texts that go on in a further line begin further right.
        let flag = |line: &'_ str| -> Option<String> {
            let rest = line.trim_start().trim_start_matches("-h, ");
            let name = rest.strip_prefix("--")?.split([' ', '=']).next()?;
            line.starts_with("  ").then(|| format!("--{name}"))
        };
        let mut flags: BTreeSet<String> = help.lines().filter_map(flag).collect();
        assert!(flags.remove("--help") && flags.remove("--quiet"), "{command}: {flags:?}");
        let section =
            page.split(&format!("\n### {command}\n")).nth(1).unwrap_or_else(|| panic!("no section {command}"));
        let section = section.split("\n#").next().unwrap();
        let rows = rows(section);
        let documented: BTreeSet<String> = rows
            .iter()
            .filter_map(|row| Some(row[0].strip_prefix("`--")?.split([' ', '`']).next()?.to_owned()))
            .collect();
        assert_eq!(documented.into_iter().map(|name| format!("--{name}")).collect::<BTreeSet<_>>(), flags, "{command}");
    }
}

#[test]
fn exit_statuses_are_those_of_the_help() {
    let help = flipwitness(&["--help"]).stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    let told = help.split("Exit status: ").nth(1).unwrap().trim_end_matches('.');
    let told: Vec<(&str, &str)> = told.split("; ").map(|part| part.split_once(' ').unwrap()).collect();
    let page = read("docs/configuration.md");
    let section = page.split("## Exit statuses").nth(1).unwrap();
    let rows = rows(section);
    let documented: Vec<(&str, &str)> =
        rows.iter().filter(|row| row[0].chars().all(|c| c.is_ascii_digit())).map(|row| (row[0], row[1])).collect();
    assert_eq!(documented, told);

    let unit = read("systemd/flipwitness.service");
    let hopeless = unit.lines().find_map(|line| line.strip_prefix("RestartPreventExitStatus=")).unwrap();
    for status in hopeless.split(' ') {
        assert!(told.iter().any(|(known, _)| *known == status), "status {status} of the unit");
        // Somebody else's lock goes away by itself, and so may trouble with a disk.
        assert!(!["0", "1", "74", "75"].contains(&status));
    }
}

#[test]
fn the_unit_fits_the_defaults() {
    let unit = read("systemd/flipwitness.service");
    let has = |line: &str| assert!(unit.lines().any(|l| l == line), "no line {line}");
    has(&format!("ExecStart=/usr/local/bin/flipwitness watch --config {}", daemon::DEFAULT_PATH));
    has("Type=notify");
    let defaults = Config::default();
    let state = defaults.database.path.parent().unwrap().strip_prefix("/var/lib").unwrap().display().to_string();
    has(&format!("StateDirectory={state}"));
    has(&format!("ReadWritePaths=-{}/instances", defaults.kernel.tracefs.display()));
    assert!(defaults.endpoint.listen.ip().is_loopback());
    has("IPAddressAllow=localhost");
}

#[test]
fn the_recording_on_the_page_is_answered_as_it_says() {
    let page = read("docs/recording.md");
    let block = |fence: &str| page.split(&format!("```{fence}\n")).nth(1).unwrap().split("```").next().unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name).display().to_string();
    std::fs::write(path("feed"), block("json feed example")).unwrap();
    std::fs::write(path("witnesses"), block("json witness example")).unwrap();
    let db = path("db");
    let done = flipwitness(&["replay", "--feed", &path("feed"), "--witnesses", &path("witnesses"), "--db", &db]);
    assert_eq!((done.status, done.stderr.as_str()), (0, ""));

    let ask = |question| -> Vec<serde_json::Value> {
        serde_json::from_str(&flipwitness(&[question, "--json", "--db", &db]).stdout).unwrap()
    };
    let text = |value: &serde_json::Value| value.as_str().unwrap_or("-").to_owned();
    let shots = ask("shots");
    let told: Vec<_> = shots.iter().map(|s| [&s["injection"], &s["outcome"], &s["blamed_slot"]].map(text)).collect();
    let expected = [
        ["r01", "detected", "LEFT_A1"],
        ["r03", "missed", "-"],
        ["r04", "detected", "LEFT_B2"],
        ["r08", "unknowable", "-"],
    ];
    assert_eq!(told, expected);
    assert_eq!(shots[0]["latency_ns"], 42_000_000);
    assert_eq!(shots[2]["misplaced"], true);
    let orphans = ask("orphans");
    assert_eq!(orphans.iter().map(|o| text(&o["slot"])).collect::<Vec<_>>(), ["LEFT_B1"]);
}

#[test]
fn every_dependency_has_its_reason() {
    let mut used = BTreeSet::new();
    for package in packages() {
        for dependency in package["dependencies"].as_array().unwrap() {
            let name = dependency["name"].as_str().unwrap();
            if dependency["path"].is_null() {
                let source = dependency["source"].as_str().unwrap_or_default();
                assert!(source.starts_with("registry+"), "{name} comes from {source:?}");
                used.insert(name.to_owned());
            }
        }
    }
    let page = read("DEVELOPERS.md");
    let section = page.split("## Dependencies").nth(1).unwrap().split("\n## ").next().unwrap();
    let rows = rows(section);
    let reasons: BTreeSet<String> =
        rows.iter().filter_map(|row| Some(row[0].strip_prefix('`')?.strip_suffix('`')?.to_owned())).collect();
    assert_eq!(reasons, used, "DEVELOPERS.md, the table of dependencies");
    let unreasoned = rows.iter().filter(|row| row[0].starts_with('`') && row[1].len() < 20);
    assert_eq!(unreasoned.count(), 0);
}

/// The files in these folders whose names end so, as paths from the top.
fn files(folders: &[&str], ending: &str) -> Vec<String> {
    let mut found = Vec::new();
    for folder in folders {
        for entry in std::fs::read_dir(root().join(folder)).unwrap() {
            let name = entry.unwrap().file_name().into_string().unwrap();
            if name.ends_with(ending) {
                found.push(format!("{folder}/{name}"));
            }
        }
    }
    found.sort();
    found
}

#[test]
fn links_between_the_pages_lead_somewhere() {
    let pages = files(&[".", "docs", "systemd", "fixtures/feed", "fixtures/kernel"], ".md");
    let mut broken = Vec::new();
    let mut followed = 0;
    for page in &pages {
        let text = read(page);
        let folder = root().join(page).parent().unwrap().to_owned();
        for link in text.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            let path = link.split('#').next().unwrap();
            if !link.contains("://") && !path.is_empty() {
                followed += 1;
                if !folder.join(path).exists() {
                    broken.push(format!("{page}: {link}"));
                }
            }
        }
    }
    assert!(pages.len() > 8 && followed > 8, "{followed} links in {pages:?}");
    assert!(broken.is_empty(), "{broken:#?}");
}

#[test]
fn every_test_file_says_what_it_covers() {
    let page = read("DEVELOPERS.md");
    let missing: Vec<_> = files(&["tests"], ".rs").into_iter().filter(|f| !page.contains(&format!("`{f}`"))).collect();
    assert!(missing.is_empty(), "not in DEVELOPERS.md: {missing:?}");
}
