//! Acceptance criteria: what is asked of a platform, as a file of its own or as a table of the daemon's configuration.
//!
//! Units are in the names of keys, unknown keys are refused, and criteria that contradict each other or that no run could ever
//! show are refused with the line and the key. What can only be seen with a run at hand (a slot that it does not have) is
//! refused by `judge`. docs/criteria.md lists every key; a test holds it against these structures.

use crate::lines;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::collections::BTreeSet;
use std::fmt;
use std::path::{Path, PathBuf};
use thiserror::Error;
use toml::de::{DeTable, DeValue};

/// Why criteria cannot be used.
#[derive(Debug, Error)]
pub enum CriteriaError {
    /// The file is no TOML, has an unknown key, or a value of the wrong kind.
    #[error("{}: {why}", path.display())]
    Syntax {
        /// The file.
        path: PathBuf,
        /// Where and why: the text names line and column.
        why: String,
    },
    /// A value that cannot be used.
    #[error("{}:{line}: {fault}", path.display())]
    Value {
        /// The file.
        path: PathBuf,
        /// The line of the key, from 1; of its table where the key is absent.
        line: usize,
        /// The key and why.
        fault: Fault,
    },
}

/// A key and why its value cannot be used.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
#[error("{key}: {why}")]
pub struct Fault {
    /// The key with its table, such as `detection.at_least`.
    pub key: &'static str,
    /// Why.
    pub why: String,
}

/// What is asked of a platform. Absent parts are not asked for.
#[derive(Clone, PartialEq, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Criteria {
    /// The format; 1.
    #[serde(default = "one")]
    pub version: u32,
    /// Which platform they are for; free text for the report.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub platform: Option<String>,
    /// How sure every statement must be, between 0.5 and 1.
    #[serde(default = "usual_confidence")]
    pub confidence: f64,
    /// Whether the confidence is that of all statements about the slots together (Holm), or of each slot by itself.
    #[serde(default = "yes")]
    pub slots_together: bool,
    /// How many shots are enough: decided before, or while counting.
    #[serde(default)]
    pub method: Method,
    /// `[detection]`
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detection: Option<Detection>,
    /// `[latency]`
    #[serde(skip_serializing_if = "Option::is_none")]
    pub latency: Option<Latency>,
    /// `[misplaced]`: of the detected shots, those blamed on another slot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub misplaced: Option<AtMost>,
    /// `[misgraded]`: of the detected shots, those of a severity that the ECC code does not allow there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub misgraded: Option<AtMost>,
    /// `[dangerous]`: of the detected shots, those reported as corrected although the ECC code makes it a miscorrection.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dangerous: Option<AtMost>,
    /// `[orphans]`
    #[serde(skip_serializing_if = "Option::is_none")]
    pub orphans: Option<Orphans>,
    /// `[cover]`
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cover: Option<Cover>,
}

/// When there are enough shots.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Their number is chosen before the run (`plan` says it), and the verdict is asked for once they are fired.
    #[default]
    Fixed,
    /// Detection is decided by Wald's sequential test: the verdict may be asked for after every shot.
    Sequential,
}

/// `[detection]`
#[derive(Clone, Copy, PartialEq, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Detection {
    /// The smallest share of shots that must be detected, between 0 and 1.
    pub at_least: f64,
    /// The share that a good machine detects, above `at_least`: what a plan reckons with, and the sequential test's other side.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub good: Option<f64>,
    /// The chance to fail a machine as good as `good`.
    #[serde(default = "usual_false_alarm")]
    pub false_alarm: f64,
}

/// `[latency]`
#[derive(Clone, Copy, PartialEq, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Latency {
    /// The share of shots that must be reported in time, between 0 and 1. A missed shot is not.
    pub quantile: f64,
    /// In time is at most so long after the forcing began, milliseconds.
    pub at_most_ms: u64,
}

/// A share that must not be exceeded.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct AtMost {
    /// The largest share of the detected shots, between 0 and 1.
    pub at_most: f64,
}

/// `[orphans]`
#[derive(Clone, Copy, PartialEq, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Orphans {
    /// The most reports of a slot that nothing provoked, for each hour in which it was watched.
    pub at_most_per_hour: f64,
}

/// `[cover]`
#[derive(Clone, PartialEq, Eq, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Cover {
    /// The slots that must have shots; without it, those that have.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slots: Option<Slots>,
    /// How many watched shots each of them must have at least; 1 without it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shots_per_slot: Option<u64>,
    /// The lines that must have been forced at every slot: names, or ranges such as `DQ0-DQ63`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lines: Vec<String>,
    /// How many watched shots must have forced each of them at least; 1 without it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shots_per_line: Option<u64>,
}

/// Which slots.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Slots {
    /// Every slot that the run knows; `"all"` in the file.
    All,
    /// These, by name.
    Named(Vec<String>),
}

fn one() -> u32 {
    1
}
fn yes() -> bool {
    true
}
fn usual_confidence() -> f64 {
    0.95
}
fn usual_false_alarm() -> f64 {
    0.05
}

impl Serialize for Slots {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        match self {
            Slots::All => to.serialize_str("all"),
            Slots::Named(names) => names.serialize(to),
        }
    }
}

impl<'de> Deserialize<'de> for Slots {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Slots, D::Error> {
        struct Words;
        impl<'de> de::Visitor<'de> for Words {
            type Value = Slots;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("\"all\" or a list of slots' names")
            }
            fn visit_str<E: de::Error>(self, word: &str) -> Result<Slots, E> {
                if word == "all" { Ok(Slots::All) } else { Err(E::invalid_value(de::Unexpected::Str(word), &self)) }
            }
            fn visit_seq<A: de::SeqAccess<'de>>(self, mut names: A) -> Result<Slots, A::Error> {
                let mut all = Vec::new();
                while let Some(name) = names.next_element()? {
                    all.push(name);
                }
                Ok(Slots::Named(all))
            }
        }
        from.deserialize_any(Words)
    }
}

impl Criteria {
    /// Reads and checks a file's text. `path` is only told in errors.
    ///
    /// # Errors
    /// When the text is not what it should be or asks for what cannot be shown: with path, line and key.
    pub fn parse(text: &str, path: &Path) -> Result<Criteria, CriteriaError> {
        let syntax = |error: toml::de::Error| CriteriaError::Syntax {
            path: path.into(),
            why: error.to_string().trim_end().into(),
        };
        let criteria: Criteria = toml::from_str(text).map_err(syntax)?;
        let value = |fault: Fault| CriteriaError::Value { path: path.into(), line: line_of(text, fault.key), fault };
        criteria.check().map_err(value)?;
        Ok(criteria)
    }

    /// Whether they can be used: what types cannot say. For criteria that are a table of another file; [`Criteria::parse`] has
    /// done it.
    ///
    /// # Errors
    /// The first key whose value cannot be used, and why.
    pub fn check(&self) -> Result<(), Fault> {
        if self.version != 1 {
            return fault("version", format!("this program knows version 1, not {}", self.version));
        }
        if !(self.confidence > 0.5 && self.confidence < 1.0) {
            return fault(
                "confidence",
                format!("must lie between 0.5 and 1, such as 0.95, and not be {}", self.confidence),
            );
        }
        if let Some(detection) = &self.detection {
            detection.check()?;
        }
        if self.method == Method::Sequential {
            match &self.detection {
                None => return fault("method", "\"sequential\" decides on detection: it needs detection.at_least"),
                Some(detection) if detection.good.is_none() => {
                    return fault(
                        "detection.good",
                        "\"sequential\" needs to know what a good machine detects, such as 0.999",
                    );
                }
                Some(_) => {}
            }
        }
        if let Some(latency) = &self.latency {
            open_share("latency.quantile", latency.quantile, "with 1, no number of shots could show it")?;
            if latency.at_most_ms == 0 {
                return fault("latency.at_most_ms", "no report comes in no time");
            }
        }
        let shares = [
            ("misplaced.at_most", &self.misplaced),
            ("misgraded.at_most", &self.misgraded),
            ("dangerous.at_most", &self.dangerous),
        ];
        for (key, share) in shares {
            if let Some(AtMost { at_most }) = share {
                open_share(key, *at_most, "with 0, no number of shots could show it, and with 1 nothing is asked")?;
            }
        }
        if let Some(Orphans { at_most_per_hour: most }) = &self.orphans
            && !(most.is_finite() && *most > 0.0)
        {
            let why =
                format!("must be above 0, and not {most}: no number of hours could show that there will never be one");
            return fault("orphans.at_most_per_hour", why);
        }
        if let Some(cover) = &self.cover {
            cover.check()?;
        }
        let parts = [self.detection.is_some(), self.latency.is_some(), self.orphans.is_some(), self.cover.is_some()];
        if !parts.contains(&true) && shares.iter().all(|(_, share)| share.is_none()) {
            return fault("criteria", "nothing is asked for: give at least one table, such as [detection]");
        }
        Ok(())
    }

    /// 1 − confidence: the chance of a wrong statement that is allowed.
    #[must_use]
    pub fn alpha(&self) -> f64 {
        1.0 - self.confidence
    }

    /// The lines that must be covered, each by its name.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let ranges = self.cover.iter().flat_map(|cover| &cover.lines);
        ranges.filter_map(|range| lines::expand(range).ok()).flatten().collect()
    }
}

impl Detection {
    fn check(&self) -> Result<(), Fault> {
        open_share("detection.at_least", self.at_least, "with 1, no number of shots could show it")?;
        if let Some(good) = self.good {
            open_share("detection.good", good, "with 1, a single miss would be proof, and no machine is that good")?;
            if good <= self.at_least {
                let why = format!("a good machine must be better than at_least = {}, and {good} is not", self.at_least);
                return fault("detection.good", why);
            }
        }
        if !(self.false_alarm > 0.0 && self.false_alarm < 0.5) {
            return fault(
                "detection.false_alarm",
                format!("must lie between 0 and 0.5, and not be {}", self.false_alarm),
            );
        }
        Ok(())
    }
}

impl Cover {
    fn check(&self) -> Result<(), Fault> {
        if self.slots.is_none()
            && self.lines.is_empty()
            && self.shots_per_slot.is_none()
            && self.shots_per_line.is_none()
        {
            return fault("cover", "nothing is asked for: give slots or lines");
        }
        if let Some(Slots::Named(names)) = &self.slots {
            if names.is_empty() {
                return fault("cover.slots", "names no slot: leave it out, or write \"all\"");
            }
            let mut seen = BTreeSet::new();
            if let Some(twice) = names.iter().find(|name| !seen.insert(name.as_str())) {
                return fault("cover.slots", format!("names {twice:?} twice"));
            }
        }
        let mut seen = BTreeSet::new();
        for range in &self.lines {
            let names = lines::expand(range).or_else(|why| fault("cover.lines", why))?;
            if let Some(twice) = names.into_iter().find(|name| !seen.insert(name.clone())) {
                return fault("cover.lines", format!("names {twice} twice, the second time in {range:?}"));
            }
        }
        if self.shots_per_slot == Some(0) {
            return fault("cover.shots_per_slot", "no shots cover nothing: leave it out");
        }
        match self.shots_per_line {
            Some(0) => fault("cover.shots_per_line", "no shots cover nothing: leave it out"),
            Some(_) if self.lines.is_empty() => {
                fault("cover.shots_per_line", "says how often, but cover.lines does not say which")
            }
            _ => Ok(()),
        }
    }
}

fn fault<T>(key: &'static str, why: impl Into<String>) -> Result<T, Fault> {
    Err(Fault { key, why: why.into() })
}

/// A share strictly between 0 and 1.
fn open_share(key: &'static str, share: f64, at_the_ends: &str) -> Result<(), Fault> {
    if share > 0.0 && share < 1.0 {
        return Ok(());
    }
    let ends = if share == 0.0 || share == 1.0 { format!(": {at_the_ends}") } else { String::new() };
    fault(key, format!("must lie between 0 and 1, and not be {share}{ends}"))
}

/// The line, from 1, where a key of a text that is TOML stands; where it does not, of the table above it.
fn line_of(text: &str, key: &str) -> usize {
    let Ok(top) = DeTable::parse(text) else { return 1 };
    let mut table: &DeTable<'_> = top.get_ref();
    let mut at = 0;
    for part in key.split('.') {
        let Some((name, value)) = table.iter().find(|(name, _)| name.get_ref() == part) else { break };
        at = name.span().start;
        let DeValue::Table(below) = value.get_ref() else { break };
        table = below;
    }
    1 + text.get(..at).map_or(0, |before| before.matches('\n').count())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Criteria, CriteriaError> {
        Criteria::parse(text, Path::new("board.toml"))
    }

    #[test]
    fn a_whole_file_and_a_small_one() {
        let all = parse(
            "version = 1\nplatform = \"two-socket board\"\nconfidence = 0.99\nslots_together = false\nmethod = \"sequential\"\n\
             [detection]\nat_least = 0.99\ngood = 0.999\nfalse_alarm = 0.1\n[latency]\nquantile = 0.95\nat_most_ms = 250\n\
             [misplaced]\nat_most = 0.001\n[misgraded]\nat_most = 0.01\n[dangerous]\nat_most = 0.02\n[orphans]\n\
             at_most_per_hour = 2\n[cover]\nslots = [\"A1\", \"B1\"]\nlines = [\"DQ0-DQ63\", \"CB0-CB7\"]\nshots_per_slot = 10\n\
             shots_per_line = 2\n",
        );
        let all = all.unwrap();
        assert_eq!((all.lines().len(), all.method), (72, Method::Sequential));
        assert_eq!(all.cover.as_ref().unwrap().slots, Some(Slots::Named(vec!["A1".into(), "B1".into()])));
        let text = toml::to_string(&all).unwrap();
        assert_eq!(parse(&text).unwrap(), all);

        let small = parse("[cover]\nslots = \"all\"\n").unwrap();
        assert_eq!((small.confidence, small.slots_together, small.method), (0.95, true, Method::Fixed));
        assert_eq!(parse(&toml::to_string(&small).unwrap()).unwrap(), small);
    }

    #[test]
    fn refusals_name_path_line_and_key() {
        let detection = "[detection]\nat_least = 0.99\n";
        let table: &[(&str, &str)] = &[
            ("", "board.toml:1: criteria: nothing is asked for"),
            ("platform = \"x\"\n", "board.toml:1: criteria: nothing"),
            ("version = 2\n[cover]\nslots = \"all\"\n", "board.toml:1: version: "),
            ("\nconfidence = 0.5\n[cover]\nslots = \"all\"\n", "board.toml:2: confidence: "),
            ("confidence = 1.0\n", "board.toml:1: confidence: "),
            ("confidence = nan\n", "board.toml:1: confidence: "),
            ("confidence = 95\n", "board.toml:1: confidence: "),
            (
                "[detection]\nat_least = 1\n",
                "board.toml:2: detection.at_least: must lie between 0 and 1, and not be 1: with 1",
            ),
            (
                "[detection]\nat_least = -0.5\n",
                "board.toml:2: detection.at_least: must lie between 0 and 1, and not be -0.5",
            ),
            ("[detection]\nat_least = nan\n", "not be NaN"),
            ("[detection]\nat_least = 0.99\ngood = 0.9\n", "board.toml:3: detection.good: a good machine"),
            ("[detection]\nat_least = 0.99\ngood = 0.99\n", "board.toml:3: detection.good: a good machine"),
            ("[detection]\nat_least = 0.99\nfalse_alarm = 0.5\n", "board.toml:3: detection.false_alarm: "),
            ("method = \"sequential\"\n[cover]\nslots = \"all\"\n", "board.toml:1: method: "),
            (&format!("method = \"sequential\"\n{detection}"), "board.toml:2: detection.good: \"sequential\" needs"),
            ("[latency]\nquantile = 1.0\nat_most_ms = 1\n", "board.toml:2: latency.quantile: "),
            ("[latency]\nquantile = 0.9\nat_most_ms = 0\n", "board.toml:3: latency.at_most_ms: "),
            ("[misplaced]\nat_most = 0.0\n", "board.toml:2: misplaced.at_most: "),
            ("misgraded = { at_most = 1 }\n", "board.toml:1: misgraded.at_most: "),
            ("dangerous.at_most = inf\n", "board.toml:1: dangerous.at_most: "),
            ("[orphans]\nat_most_per_hour = 0\n", "board.toml:2: orphans.at_most_per_hour: "),
            ("[orphans]\nat_most_per_hour = nan\n", "board.toml:2: orphans.at_most_per_hour: "),
            ("[cover]\n", "board.toml:1: cover: nothing is asked for"),
            ("[cover]\nslots = []\n", "board.toml:2: cover.slots: names no slot"),
            ("[cover]\nslots = [\"A1\", \"A1\"]\n", "board.toml:2: cover.slots: names \"A1\" twice"),
            ("[cover]\nlines = [\"DQ0-DQ7\",\n\"DQ7\"]\n", "board.toml:2: cover.lines: names DQ7 twice"),
            ("[cover]\nlines = [\"DQ64\"]\n", "board.toml:2: cover.lines: no module has a line \"DQ64\""),
            ("[cover]\nslots = \"all\"\nshots_per_slot = 0\n", "board.toml:3: cover.shots_per_slot: "),
            ("[cover]\nlines = [\"DQ1\"]\nshots_per_line = 0\n", "board.toml:3: cover.shots_per_line: "),
            ("[cover]\nslots = \"all\"\nshots_per_line = 1\n", "board.toml:3: cover.shots_per_line: says how often"),
            ("[cover]\nslots = \"most\"\n", "expected \"all\" or a list of slots' names"),
            ("[detection]\nat_least = 0.9\nat_least = 0.8\n", "line 3"),
            ("[detection]\nat_lest = 0.9\n", "unknown field `at_lest`"),
            ("[detection]\ngood = 0.9\n", "missing field `at_least`"),
            ("[latency]\nquantile = 0.9\nat_most_ms = -1\n", "line 3"),
            ("method = \"quick\"\n", "unknown variant `quick`"),
        ];
        for (text, told) in table {
            let error = parse(text).unwrap_err().to_string();
            assert!(error.starts_with("board.toml:") && error.contains(told), "{text}\n{error}\n{told}");
        }
    }
}
