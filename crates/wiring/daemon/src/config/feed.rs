//! `[[feed]]`: where an injector speaks from, and how.

use super::{ConfigError, DAY_NS, value};
use feed_lines::{Kind, Pattern, Patterns, Unit};
use feed_receive::FeedSpec;
use serde::Deserialize;
use std::path::Path;

/// `[[feed]]`
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FeedPart {
    /// The feed's name; what it is read from names it otherwise.
    pub name: Option<String>,
    /// `tcp:ADDR:PORT`, `unix:PATH`, `serial:PATH@BAUD`, `file:PATH` or `stdin`.
    pub from: String,
    /// What the injector's ticks count until its hello says otherwise: ns, us, ms or s.
    pub unit: Option<String>,
    /// How often an injector that has said hello is asked for its clock; 0: never.
    #[serde(default = "ping_ms")]
    pub ping_ms: u64,
    /// `[[feed.pattern]]`: for an injector that prints text of its own.
    #[serde(default)]
    pub pattern: Vec<PatternPart>,
}

fn ping_ms() -> u64 {
    5000
}

impl FeedPart {
    /// A feed with nothing said but what it is read from.
    #[must_use]
    pub fn of(from: String) -> FeedPart {
        FeedPart { name: None, from, unit: None, ping_ms: ping_ms(), pattern: Vec::new() }
    }
}

/// `[[feed.pattern]]`
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PatternPart {
    /// injection, tick or rail.
    pub kind: String,
    /// A regular expression with named groups.
    pub regex: String,
}

/// The feeds, ready to be bound; `sys` is where sysfs is.
///
/// # Errors
/// When a feed's text or pattern cannot be used, or two feeds have one name.
pub(super) fn specs(parts: &[FeedPart], sys: &Path) -> Result<Vec<FeedSpec>, ConfigError> {
    let mut specs: Vec<FeedSpec> = Vec::new();
    for part in parts {
        let mut spec: FeedSpec = part.from.parse().map_err(|e| value("feed.from", format!("{e}")))?;
        if let Some(name) = &part.name {
            spec.name = name.as_str().into();
        }
        if let Some(unit) = &part.unit {
            spec.unit = Unit::parse(unit).ok_or_else(|| value("feed.unit", "must be ns, us, ms or s"))?;
        }
        if i64::try_from(part.ping_ms).is_ok_and(|ms| ms <= DAY_NS / 1_000_000) {
            spec.ping_every = (part.ping_ms > 0).then(|| std::time::Duration::from_millis(part.ping_ms));
        } else {
            return Err(value("feed.ping_ms", "must be a day at the most"));
        }
        spec.sys = sys.to_owned();
        let mut patterns = Vec::new();
        for pattern in &part.pattern {
            let kind = Kind::parse(&pattern.kind)
                .ok_or_else(|| value("feed.pattern.kind", "must be injection, tick or rail"))?;
            let read = Pattern::new(kind, &pattern.regex).map_err(|e| value("feed.pattern.regex", format!("{e}")))?;
            patterns.push(read);
        }
        spec.patterns = Patterns(patterns);
        if specs.iter().any(|other| other.name == spec.name) {
            return Err(value("feed.name", format!("two feeds are named {:?}", &*spec.name)));
        }
        specs.push(spec);
    }
    Ok(specs)
}
