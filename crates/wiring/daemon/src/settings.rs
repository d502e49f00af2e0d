//! The settings that can change an answer: kept with the run, and the same for live, rehearsal and replay.

use serde::{Deserialize, Serialize};
use std::sync::Arc;
use vocabulary::Severity;

/// Everything besides the inputs that the answers depend on.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Settings {
    /// Times and limits of pairing.
    pub pairing: pairing::Settings,
    /// The severity that a working machine reports for every injection, where the sender does not say.
    pub expect: Option<Severity>,
    /// What is known of the slots' codes besides what the kernel's drivers say; of two that fit a slot the later one counts.
    pub ecc: Arc<[EccSetting]>,
    /// Limits of supply rails, and how long a reading holds.
    pub rails: rails::Settings,
}

/// What is known of the ECC code of one slot or of all. What is not said here is as the kernel's driver says it.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct EccSetting {
    /// The slot's name; nothing for all slots.
    pub slot: Option<String>,
    /// The code, by a name of docs/ecc.md.
    pub code: Option<String>,
    /// The code, as the text of a file in the form of docs/ecc.md: kept, so that answers do not change with the file.
    pub matrix: Option<String>,
    /// How many data lines a device has.
    pub device_width: Option<u32>,
    /// How often a second a burst is read from the module while lines are forced.
    pub reads_per_second: Option<u64>,
}

/// The form in which the settings are kept with the run.
#[derive(Serialize, Deserialize)]
struct Kept {
    window_ns: i64,
    deadline_ns: Option<i64>,
    fuse_ns: i64,
    counter_interval_ns: i64,
    counter_grace_ns: i64,
    feed_late_ns: i64,
    expect: Option<Severity>,
    #[serde(default)]
    ecc: Arc<[EccSetting]>,
    // Runs of older versions have none.
    #[serde(default)]
    rails: rails::Settings,
}

impl Settings {
    /// As JSON, for the run's row.
    #[must_use]
    pub fn to_json(&self) -> String {
        let p = self.pairing;
        let kept = Kept {
            window_ns: p.window_ns,
            deadline_ns: p.deadline_ns,
            fuse_ns: p.fuse_ns,
            counter_interval_ns: p.counter_interval_ns,
            counter_grace_ns: p.counter_grace_ns,
            feed_late_ns: p.feed_late_ns,
            expect: self.expect,
            ecc: self.ecc.clone(),
            rails: self.rails.clone(),
        };
        serde_json::to_string(&kept).unwrap_or_default()
    }

    /// From the run's row; nothing if that holds something else.
    #[must_use]
    pub fn from_json(text: &str) -> Option<Settings> {
        let kept: Kept = serde_json::from_str(text).ok()?;
        Some(Settings {
            pairing: pairing::Settings {
                window_ns: kept.window_ns,
                deadline_ns: kept.deadline_ns,
                fuse_ns: kept.fuse_ns,
                counter_interval_ns: kept.counter_interval_ns,
                counter_grace_ns: kept.counter_grace_ns,
                feed_late_ns: kept.feed_late_ns,
            },
            expect: kept.expect,
            ecc: kept.ecc,
            rails: kept.rails,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_survive_the_database() {
        let ecc = EccSetting { slot: Some("A1".into()), device_width: Some(4), ..EccSetting::default() };
        let mut settings = Settings { expect: Some(Severity::Corrected), ecc: [ecc].into(), ..Settings::default() };
        settings.pairing.deadline_ns = Some(7);
        settings.rails.generation = Some(rails::Generation::Ddr5);
        let vdd = rails::Override { name: "VDD".into(), slot: None, min_uv: 1, max_uv: 2 };
        settings.rails.limits.push(vdd);
        assert_eq!(Settings::from_json(&settings.to_json()), Some(settings));
        assert_eq!(Settings::from_json("{}"), None);
        // As version 2 kept them.
        let old = r#"{"window_ns":1,"deadline_ns":null,"fuse_ns":2,"counter_interval_ns":3,"counter_grace_ns":4,"feed_late_ns":5,
            "expect":null}"#;
        assert_eq!(Settings::from_json(old).unwrap().rails, rails::Settings::default());
    }
}
