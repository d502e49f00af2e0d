//! The configuration file, and the command line's words over it.
//!
//! Units are in the names of keys, unknown keys are refused, and everything has a default: an empty file is a valid one.
//! docs/configuration.md lists every key; a test holds it against these structures.

mod code;
mod criteria;
mod feed;
mod supply;

use crate::settings::Settings;
use code::EccPart;
use criteria::CriteriaPart;
pub use feed::FeedPart;
use feed_receive::FeedSpec;
use serde::Deserialize;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use supply::{RailPart, RailsPart};
use thiserror::Error;
use verdict::CriteriaError;
use vocabulary::Severity;

/// Where the configuration is looked for when none is named.
pub const DEFAULT_PATH: &str = "/etc/flipwitness/flipwitness.toml";

/// Why a configuration cannot be used.
#[derive(Debug, Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error("cannot read {path}: {source}")]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file is not what it should be.
    #[error("{path}: {why}")]
    Parse {
        /// The file.
        path: PathBuf,
        /// Where and why.
        why: String,
    },
    /// The criteria cannot be used.
    #[error(transparent)]
    Criteria(#[from] CriteriaError),
    /// A value that cannot be used.
    #[error("{key}: {why}")]
    Value {
        /// The key.
        key: String,
        /// Why.
        why: String,
    },
}

/// The whole file.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Config {
    /// The format of the file; 1.
    #[serde(default = "one")]
    pub version: u32,
    /// `[run]`
    #[serde(default)]
    pub run: RunPart,
    /// `[database]`
    #[serde(default)]
    pub database: DatabasePart,
    /// `[endpoint]`
    #[serde(default)]
    pub endpoint: EndpointPart,
    /// `[kernel]`
    #[serde(default)]
    pub kernel: KernelPart,
    /// `[trace]`
    #[serde(default)]
    pub trace: TracePart,
    /// `[counters]`
    #[serde(default)]
    pub counters: CountersPart,
    /// `[pairing]`
    #[serde(default)]
    pub pairing: PairingPart,
    /// `[expect]`
    #[serde(default)]
    pub expect: ExpectPart,
    /// `[[ecc]]`
    #[serde(default)]
    pub ecc: Vec<EccPart>,
    /// `[rails]`
    #[serde(default)]
    pub rails: RailsPart,
    /// `[[rail]]`
    #[serde(default)]
    pub rail: Vec<RailPart>,
    /// `[criteria]`
    #[serde(default)]
    pub criteria: CriteriaPart,
    /// `[capture]`
    #[serde(default)]
    pub capture: CapturePart,
    /// `[[feed]]`
    #[serde(default)]
    pub feed: Vec<FeedPart>,
}

fn one() -> u32 {
    1
}

/// `[run]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunPart {
    /// The run's name; the newest unended run goes on without it, or a new one is named by the date.
    pub name: Option<String>,
}

/// `[database]`
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DatabasePart {
    /// The file.
    pub path: PathBuf,
}

impl Default for DatabasePart {
    fn default() -> DatabasePart {
        DatabasePart { path: "/var/lib/flipwitness/flipwitness.db".into() }
    }
}

/// `[endpoint]`
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct EndpointPart {
    /// Where the JSON endpoint listens.
    pub listen: SocketAddr,
}

impl Default for EndpointPart {
    fn default() -> EndpointPart {
        EndpointPart { listen: SocketAddr::from(([127, 0, 0, 1], 9741)) }
    }
}

/// `[kernel]`: where the kernel's files are.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct KernelPart {
    /// Sysfs.
    pub sys: PathBuf,
    /// Tracefs.
    pub tracefs: PathBuf,
    /// Procfs.
    pub proc: PathBuf,
}

impl Default for KernelPart {
    fn default() -> KernelPart {
        KernelPart { sys: "/sys".into(), tracefs: "/sys/kernel/tracing".into(), proc: "/proc".into() }
    }
}

/// `[trace]`: the own instance of the trace ring.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TracePart {
    /// The instance's name.
    pub instance: String,
    /// Ring size for each CPU.
    pub per_cpu_kib: u64,
    /// The most memory for all rings together.
    pub total_mib: u64,
    /// The event that stands for `ras:mc_event`: a probe with the same fields tries the chain on a kernel without EDAC.
    pub mc_event: String,
    /// The event that stands for `mce:mce_record`.
    pub mce_record: String,
}

impl Default for TracePart {
    fn default() -> TracePart {
        TracePart {
            instance: "flipwitness".into(),
            per_cpu_kib: 4096,
            total_mib: 256,
            mc_event: "ras/mc_event".into(),
            mce_record: "mce/mce_record".into(),
        }
    }
}

/// `[counters]`
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CountersPart {
    /// From one reading of the counters to the next.
    pub interval_ms: u64,
}

impl Default for CountersPart {
    fn default() -> CountersPart {
        CountersPart { interval_ms: 100 }
    }
}

/// `[pairing]`
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PairingPart {
    /// How long after the forcing has ended a report is still the shot's.
    pub window_ms: u64,
    /// A report later than this after the start of the forcing is late.
    pub deadline_ms: Option<u64>,
    /// How late the feed may tell of an injection that was fired already.
    pub feed_late_ms: u64,
}

impl Default for PairingPart {
    fn default() -> PairingPart {
        PairingPart { window_ms: 5000, deadline_ms: None, feed_late_ms: 1000 }
    }
}

/// `[expect]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExpectPart {
    /// The severity that a working machine reports for every injection that does not say its own.
    pub severity: Option<String>,
}

/// `[capture]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CapturePart {
    /// Where both streams are written in the replay format.
    pub directory: Option<PathBuf>,
}

impl Default for Config {
    fn default() -> Config {
        Config {
            version: 1,
            run: RunPart::default(),
            database: DatabasePart::default(),
            endpoint: EndpointPart::default(),
            kernel: KernelPart::default(),
            trace: TracePart::default(),
            counters: CountersPart::default(),
            pairing: PairingPart::default(),
            expect: ExpectPart::default(),
            ecc: Vec::new(),
            rails: RailsPart::default(),
            rail: Vec::new(),
            criteria: CriteriaPart::default(),
            capture: CapturePart::default(),
            feed: Vec::new(),
        }
    }
}

fn value(key: &str, why: impl Into<String>) -> ConfigError {
    ConfigError::Value { key: key.to_owned(), why: why.into() }
}

impl Config {
    /// Reads a file. Without a path the default file is read if it is there.
    ///
    /// # Errors
    /// When the file cannot be read or holds something unknown.
    pub fn load(path: Option<&Path>) -> Result<Config, ConfigError> {
        let default = Path::new(DEFAULT_PATH);
        let read = |path: &Path| std::fs::read_to_string(path);
        match path {
            None => match read(default) {
                Ok(text) => Config::parse(&text, default),
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Config::default()),
                Err(source) => Err(ConfigError::Read { path: default.to_owned(), source }),
            },
            Some(path) => match read(path) {
                Ok(text) => Config::parse(&text, path),
                Err(source) => Err(ConfigError::Read { path: path.to_owned(), source }),
            },
        }
    }

    /// Reads the text of a file.
    ///
    /// # Errors
    /// When it holds something unknown, with line and key.
    pub fn parse(text: &str, path: &Path) -> Result<Config, ConfigError> {
        let wrong = |why: String| ConfigError::Parse { path: path.to_owned(), why };
        let config: Config = toml::from_str(text).map_err(|e| wrong(e.to_string().trim_end().to_owned()))?;
        if config.version != 1 {
            return Err(wrong(format!("version is {}; this program knows version 1", config.version)));
        }
        Ok(config)
    }

    /// The settings that answers depend on.
    ///
    /// # Errors
    /// When a value makes no sense.
    pub fn settings(&self) -> Result<Settings, ConfigError> {
        let ns = |key: &str, ms: u64| {
            let fits = i64::try_from(ms).ok().and_then(|ms| ms.checked_mul(1_000_000)).filter(|ns| *ns <= DAY_NS);
            fits.ok_or_else(|| value(key, "must be a day at the most"))
        };
        if self.pairing.window_ms == 0 {
            return Err(value("pairing.window_ms", "a window of nothing detects nothing"));
        }
        if self.counters.interval_ms == 0 {
            return Err(value("counters.interval_ms", "must be 1 or more"));
        }
        let expect = self.expect.severity.as_deref().map(|word| {
            Severity::parse(word).ok_or_else(|| {
                value("expect.severity", format!("{word:?} is none of corrected, uncorrected, deferred, fatal, info"))
            })
        });
        Ok(Settings {
            pairing: pairing::Settings {
                window_ns: ns("pairing.window_ms", self.pairing.window_ms)?,
                deadline_ns: self.pairing.deadline_ms.map(|ms| ns("pairing.deadline_ms", ms)).transpose()?,
                counter_interval_ns: ns("counters.interval_ms", self.counters.interval_ms)?,
                feed_late_ns: ns("pairing.feed_late_ms", self.pairing.feed_late_ms)?,
                ..pairing::Settings::default()
            },
            expect: expect.transpose()?,
            ecc: self.ecc.iter().map(EccPart::setting).collect::<Result<_, _>>()?,
            rails: supply::settings(&self.rails, &self.rail)?,
        })
    }

    /// The feeds, ready to be bound.
    ///
    /// # Errors
    /// When a feed's text or pattern cannot be used, or two feeds have one name.
    pub fn feeds(&self) -> Result<Vec<FeedSpec>, ConfigError> {
        feed::specs(&self.feed, &self.kernel.sys)
    }

    /// Settings that are allowed but that somebody should know about.
    #[must_use]
    pub fn doubts(&self) -> Vec<String> {
        let mut doubts = Vec::new();
        if self.feed.is_empty() {
            doubts.push("no feed is configured: every report will be an orphan".to_owned());
        }
        if !self.endpoint.listen.ip().is_loopback() {
            doubts.push(format!(
                "the endpoint listens on {}, which others can reach: it has no access control",
                self.endpoint.listen
            ));
        }
        if self.pairing.deadline_ms.is_some_and(|deadline| deadline > self.pairing.window_ms) {
            doubts.push("the deadline lies behind the window: nothing will ever be late".to_owned());
        }
        if self.counters.interval_ms > self.pairing.window_ms {
            doubts.push(
                "the counters are read less often than a window lasts: their steps will fit many shots".to_owned(),
            );
        }
        if self.trace.per_cpu_kib.min(self.trace.total_mib.saturating_mul(1024)) < SMALL_RING_KIB {
            doubts.push(format!("the trace ring has less than {SMALL_RING_KIB} KiB per CPU: a burst will overrun it"));
        }
        for feed in &self.feed {
            if feed.ping_ms > RARE_PING_MS {
                doubts.push(format!(
                    "the feed {} pings less than once a minute: between its pings queues are guessed at",
                    feed.from
                ));
            }
            let listens = feed.from.strip_prefix("tcp:").and_then(|a| a.parse::<SocketAddr>().ok());
            if listens.is_some_and(|a| !a.ip().is_loopback()) {
                doubts.push(format!("the feed {} can be reached by others: whoever connects is believed", feed.from));
            }
        }
        doubts
    }
}

const DAY_NS: i64 = 24 * 3600 * 1_000_000_000;
/// How long a pong says enough of an injector's clock.
const RARE_PING_MS: u64 = 60_000;
/// Room for some two thousand trace events.
const SMALL_RING_KIB: u64 = 256;

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn parse(text: &str) -> Result<Config, ConfigError> {
        Config::parse(text, Path::new("test.toml"))
    }

    #[test]
    fn an_empty_file_is_the_default() {
        let config = parse("").unwrap();
        assert_eq!(config.endpoint.listen.to_string(), "127.0.0.1:9741");
        assert_eq!(config.settings().unwrap(), Settings::default());
        assert_eq!(config.doubts().len(), 1);
    }

    #[test]
    fn every_part_is_read() {
        let config = parse(
            r#"version = 1
            [run]
            name = "week 9"
            [expect]
            severity = "uncorrected"
            [rails]
            generation = "ddr5"
            [[rail]]
            name = "VDD"
            slot = "A1"
            min_mv = 1067.5
            max_mv = 1150
            [pairing]
            window_ms = 20
            deadline_ms = 30
            [[feed]]
            name = "rig"
            from = "tcp:192.0.2.1:9740"
            unit = "ms"
            ping_ms = 0
            [[feed.pattern]]
            kind = "injection"
            regex = '^shot (?<id>\d+) at (?<at>\S+)$'
            "#,
        )
        .unwrap();
        let settings = config.settings().unwrap();
        assert_eq!((settings.pairing.window_ns, settings.pairing.deadline_ns), (20_000_000, Some(30_000_000)));
        assert_eq!(settings.expect, Some(Severity::Uncorrected));
        let vdd = rails::Override { name: "VDD".into(), slot: Some("A1".into()), min_uv: 1_067_500, max_uv: 1_150_000 };
        assert_eq!((settings.rails.generation, settings.rails.limits), (Some(rails::Generation::Ddr5), vec![vdd]));
        let feeds = config.feeds().unwrap();
        assert_eq!(
            (&*feeds[0].name, feeds[0].unit, feeds[0].patterns.is_empty()),
            ("rig", feed_lines::Unit::Milliseconds, false)
        );
        assert_eq!(feeds[0].ping_every, None);
        assert_eq!(config.doubts().len(), 3, "deadline, counters, address");
    }

    #[test]
    fn useless_settings_are_told() {
        let doubts = |text: &str| parse(&format!("{text}\n[[feed]]\nfrom = \"stdin\"")).unwrap().doubts().join("\n");
        assert_eq!(doubts(""), "");
        // An empty section is as good as none.
        assert_eq!(
            doubts("[run]\n[database]\n[endpoint]\n[kernel]\n[trace]\n[counters]\n[pairing]\n[expect]\n[capture]"),
            ""
        );
        let feeds = parse("[kernel]\nsys = \"/x\"\n[[feed]]\nfrom = \"stdin\"").unwrap().feeds().unwrap();
        assert_eq!((feeds[0].ping_every, feeds[0].sys.as_path()), (Some(Duration::from_secs(5)), Path::new("/x")));
        let rare = parse("[[feed]]\nfrom = \"stdin\"\nping_ms = 60001").unwrap().doubts();
        assert!(rare.len() == 1 && rare[0].starts_with("the feed stdin pings less than once a minute"), "{rare:?}");
        assert!(doubts("[counters]\ninterval_ms = 5001").starts_with("the counters are read less often"));
        assert!(doubts("[trace]\ntotal_mib = 0").starts_with("the trace ring has less than 256 KiB"));
        assert!(doubts("[endpoint]\nlisten = \"[::]:9741\"").starts_with("the endpoint listens on [::]:9741"));
    }

    #[test]
    fn what_cannot_be_used_is_said() {
        let why = |text: &str| parse(text).and_then(|c| c.settings().and(c.feeds())).unwrap_err().to_string();
        assert!(why("version = 2").contains("this program knows version 1"));
        assert!(why("[pairing]\nwindow = 3").contains("unknown field `window`"));
        assert!(why("[pairing]\nwindow_ms = 0").starts_with("pairing.window_ms:"));
        assert!(why("[pairing]\nwindow_ms = 999999999999").contains("a day at the most"));
        assert!(why("[counters]\ninterval_ms = 0").starts_with("counters.interval_ms:"));
        assert!(why("[expect]\nseverity = \"bad\"").starts_with("expect.severity:"));
        assert!(why("[[feed]]\nfrom = \"radio\"").starts_with("feed.from:"));
        assert!(why("[[feed]]\nfrom = \"stdin\"\nping_ms = 86400001").starts_with("feed.ping_ms:"));
        assert!(why("[[feed]]\nfrom = \"stdin\"\n[[feed]]\nfrom = \"stdin\"").contains("two feeds are named"));
        assert!(
            why("[[feed]]\nfrom = \"stdin\"\n[[feed.pattern]]\nkind = \"tick\"\nregex = \"(\"")
                .starts_with("feed.pattern.regex:")
        );
        assert!(
            Config::load(Some(Path::new("/nowhere/x.toml")))
                .unwrap_err()
                .to_string()
                .starts_with("cannot read /nowhere")
        );
    }
}
