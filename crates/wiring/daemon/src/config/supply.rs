//! What the configuration says of supply rails: how long a reading holds, and limits in the place of the built-in ones.

use super::{ConfigError, value};
use serde::Deserialize;

/// A reading that holds for longer than a minute says little of that minute.
const MOST_HOLD_MS: u64 = 60_000;

/// `[rails]`: supply rails.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RailsPart {
    /// `ddr4` or `ddr5`; what each slot's memory type says otherwise.
    pub generation: Option<String>,
    /// How long a reading holds at the most.
    pub hold_ms: u64,
}

impl Default for RailsPart {
    fn default() -> RailsPart {
        RailsPart { generation: None, hold_ms: 2000 }
    }
}

/// `[[rail]]`: limits in the place of the built-in ones.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RailPart {
    /// The rail's JEDEC name.
    pub name: String,
    /// The only slot that they are for.
    pub slot: Option<String>,
    /// The least that the rail may have.
    pub min_mv: f64,
    /// The most.
    pub max_mv: f64,
}

/// The settings of the rails.
///
/// # Errors
/// When a value makes no sense.
pub(super) fn settings(part: &RailsPart, limits: &[RailPart]) -> Result<rails::Settings, ConfigError> {
    let generation = part.generation.as_deref().map(|word| {
        rails::Generation::parse(word)
            .ok_or_else(|| value("rails.generation", format!("{word:?} is none of ddr4, ddr5")))
    });
    if !(1..=MOST_HOLD_MS).contains(&part.hold_ms) {
        return Err(value("rails.hold_ms", format!("must be from 1 to {MOST_HOLD_MS}")));
    }
    let mut set: Vec<rails::Override> = Vec::new();
    for part in limits {
        let limits = limits_of(part)?;
        if set.iter().any(|other| (&other.name, &other.slot) == (&limits.name, &limits.slot)) {
            let of = part.slot.as_ref().map(|slot| format!(" of {slot}")).unwrap_or_default();
            return Err(value("rail.name", format!("{}{of} has limits twice", limits.name)));
        }
        set.push(limits);
    }
    let hold_ns = i64::try_from(part.hold_ms).unwrap_or(i64::MAX).saturating_mul(1_000_000);
    Ok(rails::Settings { generation: generation.transpose()?, hold_ns, limits: set })
}

fn limits_of(part: &RailPart) -> Result<rails::Override, ConfigError> {
    let name = part.name.trim().to_ascii_uppercase();
    if name.is_empty() || name.len() > rails::LONGEST_NAME {
        return Err(value("rail.name", format!("must have from 1 to {} bytes", rails::LONGEST_NAME)));
    }
    let uv = |key: &str, mv| rails::microvolts(mv).ok_or_else(|| value(key, "must lie between -1000000 and 1000000"));
    let (min_uv, max_uv) = (uv("rail.min_mv", part.min_mv)?, uv("rail.max_mv", part.max_mv)?);
    if min_uv > max_uv {
        let why = format!("{name} would have its least, {} mV, above its most, {} mV", part.min_mv, part.max_mv);
        return Err(value("rail.min_mv", why));
    }
    Ok(rails::Override { name, slot: part.slot.clone(), min_uv, max_uv })
}

#[cfg(test)]
mod tests {
    use crate::config::Config;
    use std::path::Path;

    #[test]
    fn what_cannot_be_used_is_said() {
        let why = |text: &str| {
            Config::parse(text, Path::new("test.toml")).and_then(|c| c.settings()).unwrap_err().to_string()
        };
        assert!(why("[rails]\ngeneration = \"ddr3\"").starts_with("rails.generation:"));
        assert!(why("[rails]\nhold_ms = 60001").starts_with("rails.hold_ms:"));
        assert!(why("[rails]\nhold_ms = 0").starts_with("rails.hold_ms:"));
        let rail = |text: &str| why(&format!("[[rail]]\nname = \"vdd\"\n{text}"));
        assert!(rail("min_mv = 1300\nmax_mv = 1200").starts_with("rail.min_mv: VDD would have its least, 1300 mV"));
        assert!(rail("min_mv = nan\nmax_mv = 1200").starts_with("rail.min_mv: must lie between"));
        assert!(rail("min_mv = 1200").contains("missing field `max_mv`"));
        let twice = "min_mv = 1\nmax_mv = 2\n[[rail]]\nname = \"VDD\"\nmin_mv = 1\nmax_mv = 2";
        assert_eq!(rail(twice), "rail.name: VDD has limits twice");
        let nameless = "[[rail]]\nname = \" \"\nmin_mv = 1\nmax_mv = 2";
        assert!(why(nameless).starts_with("rail.name: must have from 1"));
    }
}
