//! Every command and flag, defined once: parser and help are made from this.

use crate::plan;
use clap::{Args, Parser, Subcommand};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;
use verdict::plan::{Banks, Way};

/// Proves that a machine's ECC memory really reports its errors: watches what the kernel reports, takes in what an
/// injector did, pairs both, and answers per DIMM slot what was detected, missed, blamed wrongly, and how late.
#[derive(Parser)]
#[command(name = "flipwitness", version, after_help = EXIT_HELP)]
pub(crate) struct Cli {
    #[command(subcommand)]
    pub(crate) command: Command,
    /// Log warnings and errors only
    #[arg(long, global = true)]
    pub(crate) quiet: bool,
}

const EXIT_HELP: &str = "\
Exit status: 0 done; 1 failed; 64 wrong usage; 65 no such run or slot; 66 no database or file; 70 damaged database; \
73 directory missing; 74 reading or writing failed; 75 database in use; 76 database of another version; \
78 wrong configuration.";

const PREFLIGHT_EXIT_HELP: &str = "\
Exit status: 0 ready; 1 ready with warnings; 2 not able: errors will not be reported; from 64 on as in flipwitness --help.";

const VERDICT_EXIT_HELP: &str = "\
Exit status: 0 met; 1 not met; 2 not enough evidence; from 64 on as in flipwitness --help.";

#[derive(Subcommand)]
pub(crate) enum Command {
    /// Before a run: can this machine report memory errors at all?
    #[command(after_help = PREFLIGHT_EXIT_HELP)]
    Preflight(Preflight),
    /// Before a run: how many injections the criteria need, how far apart, and for how long
    Plan(Plan),
    /// Watch this machine: the daemon
    Watch(Watch),
    /// See the whole tool work on a simulated machine, in about twenty seconds
    Rehearse(Rehearse),
    /// Run a recorded capture through the same pipeline
    Replay(Replay),
    /// Per DIMM slot: detected, missed, blamed wrongly, how late
    Slots(Question),
    /// Every shot and what became of it
    Shots(Shots),
    /// Reports that no shot explains
    Orphans(Orphans),
    /// When the tool was not watching, and why
    Gaps(Listed),
    /// Supply rails: their limits, and how they kept to them
    Rails(Rails),
    /// How each injector's clock is aligned, and how exactly latencies are known by that
    Clock(Question),
    /// Whether the run meets the criteria: met, not met, or not enough evidence
    #[command(after_help = VERDICT_EXIT_HELP)]
    Verdict(Verdict),
    /// A run as one page for people: plots, tables, and how to make each again
    Evidence(Paper),
    /// The runs that the database holds
    Runs(Database),
}

#[derive(Args)]
pub(crate) struct Watch {
    /// Configuration file [default: /etc/flipwitness/flipwitness.toml, if it is there]
    #[arg(long, value_name = "FILE")]
    pub(crate) config: Option<PathBuf>,
    /// Database [default: /var/lib/flipwitness/flipwitness.db]
    #[arg(long, value_name = "FILE")]
    pub(crate) db: Option<PathBuf>,
    /// Where the JSON endpoint listens [default: 127.0.0.1:9741]
    #[arg(long, value_name = "ADDR:PORT")]
    pub(crate) listen: Option<SocketAddr>,
    /// A feed: tcp:ADDR:PORT, unix:PATH, serial:PATH@BAUD, file:PATH or stdin; may be repeated, and replaces those of the
    /// configuration
    #[arg(long, value_name = "FEED")]
    pub(crate) feed: Vec<String>,
    #[command(flatten)]
    pub(crate) limits: Limits,
    /// Name of the run; one that exists goes on
    #[arg(long, value_name = "NAME")]
    pub(crate) run: Option<String>,
    /// Write both streams to this directory in the replay format
    #[arg(long, value_name = "DIR")]
    pub(crate) capture: Option<PathBuf>,
}

#[derive(Args)]
pub(crate) struct Preflight {
    /// Configuration file [default: /etc/flipwitness/flipwitness.toml, if it is there]
    #[arg(long, value_name = "FILE")]
    pub(crate) config: Option<PathBuf>,
    /// Database that the run will be kept in; it is not opened [default: /var/lib/flipwitness/flipwitness.db]
    #[arg(long, value_name = "FILE")]
    pub(crate) db: Option<PathBuf>,
    /// How long after the forcing has ended a report will still be the shot's, such as 5s [default: 5s]
    #[arg(long, value_name = "DURATION", value_parser = humantime::parse_duration)]
    pub(crate) window: Option<Duration>,
    /// Answer in JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Args)]
pub(crate) struct Limits {
    /// How long after the forcing has ended a report is still the shot's, such as 5s [default: 5s]
    #[arg(long, value_name = "DURATION", value_parser = humantime::parse_duration)]
    pub(crate) window: Option<Duration>,
    /// A report later than this after the start of the forcing is late, such as 250ms [default: none is late]
    #[arg(long, value_name = "DURATION", value_parser = humantime::parse_duration)]
    pub(crate) deadline: Option<Duration>,
}

#[derive(Args)]
pub(crate) struct Rehearse {
    /// Keep the database here [default: a temporary one]
    #[arg(long, value_name = "FILE")]
    pub(crate) db: Option<PathBuf>,
    /// Where the JSON endpoint listens meanwhile [default: 127.0.0.1:9741, or a free port if that is taken]
    #[arg(long, value_name = "ADDR:PORT")]
    pub(crate) listen: Option<SocketAddr>,
    /// How long errors are injected
    #[arg(long, value_name = "SECONDS", default_value_t = 20, value_parser = clap::value_parser!(u64).range(4..=3600))]
    pub(crate) seconds: u64,
    /// Another seed gives another rehearsal
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub(crate) seed: u64,
    /// Write both streams to this directory in the replay format
    #[arg(long, value_name = "DIR")]
    pub(crate) capture: Option<PathBuf>,
}

#[derive(Args)]
pub(crate) struct Replay {
    /// Feed file: the feed's own lines, each with t_ns
    #[arg(long, value_name = "FILE")]
    pub(crate) feed: PathBuf,
    /// Witness file: what the kernel reported
    #[arg(long, value_name = "FILE")]
    pub(crate) witnesses: PathBuf,
    /// Database, made if it is not there
    #[arg(long, value_name = "FILE")]
    pub(crate) db: PathBuf,
    /// Name of the run [default: from the date]
    #[arg(long, value_name = "NAME")]
    pub(crate) run: Option<String>,
    /// Configuration file, for the settings of pairing and expectation
    #[arg(long, value_name = "FILE")]
    pub(crate) config: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) limits: Limits,
}

#[derive(Args)]
pub(crate) struct Database {
    /// Database
    #[arg(long, value_name = "FILE", default_value = "/var/lib/flipwitness/flipwitness.db")]
    pub(crate) db: PathBuf,
    /// Answer in JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Args)]
pub(crate) struct Question {
    #[command(flatten)]
    pub(crate) database: Database,
    /// Which run [default: the newest]
    #[arg(long, value_name = "NAME")]
    pub(crate) run: Option<String>,
}

#[derive(Args)]
pub(crate) struct Listed {
    #[command(flatten)]
    pub(crate) question: Question,
    /// At most so many rows [default: 100 in a table, all in JSON]
    #[arg(long, value_name = "ROWS")]
    pub(crate) limit: Option<usize>,
    /// Go on behind this cursor of an earlier answer
    #[arg(long, value_name = "CURSOR")]
    pub(crate) after: Option<String>,
}

#[derive(Args)]
pub(crate) struct Shots {
    #[command(flatten)]
    pub(crate) listed: Listed,
    /// Only shots at this slot
    #[arg(long, value_name = "NAME")]
    pub(crate) slot: Option<String>,
    /// Only shots of this injector
    #[arg(long, value_name = "NAME")]
    pub(crate) injector: Option<String>,
    /// Only shots with this outcome: detected, missed, unknowable or open
    #[arg(long, value_name = "WORD", value_parser = outcome)]
    pub(crate) outcome: Option<questions::OutcomeWord>,
    /// The same as --outcome missed
    #[arg(long, conflicts_with = "outcome")]
    pub(crate) missed: bool,
    /// For each miss, tell its likely causes with what else the machine showed
    #[arg(long)]
    pub(crate) why: bool,
    /// Only shots whose report blames another slot
    #[arg(long)]
    pub(crate) misplaced: bool,
    /// Only shots reported as corrected where the data may be wrong
    #[arg(long)]
    pub(crate) dangerous: bool,
    /// Only shots whose report has a severity that a working machine does not report there
    #[arg(long)]
    pub(crate) misgraded: bool,
    /// Only shots reported after the deadline
    #[arg(long)]
    pub(crate) late: bool,
    /// Only shots that share their report
    #[arg(long)]
    pub(crate) shared: bool,
}

#[derive(Args)]
pub(crate) struct Orphans {
    #[command(flatten)]
    pub(crate) listed: Listed,
    /// Only reports that blame this slot
    #[arg(long, value_name = "NAME")]
    pub(crate) slot: Option<String>,
}

#[derive(Args)]
pub(crate) struct Asked {
    /// What the platform must show [default: criteria.file of the configuration]
    #[arg(long, value_name = "FILE")]
    pub(crate) criteria: Option<PathBuf>,
    /// Configuration file [default: /etc/flipwitness/flipwitness.toml, if it is there]
    #[arg(long, value_name = "FILE")]
    pub(crate) config: Option<PathBuf>,
}

#[derive(Args)]
pub(crate) struct Verdict {
    #[command(flatten)]
    pub(crate) question: Question,
    #[command(flatten)]
    pub(crate) asked: Asked,
    /// Write JUnit XML to this file as well; - writes it to stdout in the place of the table
    #[arg(long, value_name = "FILE")]
    pub(crate) junit: Option<PathBuf>,
}

#[derive(Args)]
pub(crate) struct Plan {
    #[command(flatten)]
    pub(crate) asked: Asked,
    /// Database with an earlier run on the machine: its slots, settings, window and background
    #[arg(long, value_name = "FILE")]
    pub(crate) db: Option<PathBuf>,
    /// Which run [default: the newest]
    #[arg(long, value_name = "NAME", requires = "db")]
    pub(crate) run: Option<String>,
    /// The slots: how many, or their names with commas between, each with its place if known: A1=CONTROLLER:CHANNEL
    #[arg(long, value_name = "SLOTS", value_parser = plan::slots)]
    pub(crate) slots: Option<plan::SlotList>,
    /// How corrected errors are found: interrupt, firmware, polling=SECONDS (of the banks) or edac=MS [default: what the run
    /// says, or interrupt]
    #[arg(long, value_name = "WAY", value_parser = plan::way)]
    pub(crate) found_by: Option<Way>,
    /// Which slots share a machine-check bank: those of a channel, of a controller, or all of the machine
    #[arg(long, value_name = "WORD", value_parser = plan::banks, default_value = "channel")]
    pub(crate) banks: Banks,
    /// How many slots the injector reaches without being moved [default: all]
    #[arg(long, value_name = "SLOTS", value_parser = clap::value_parser!(u32).range(1..))]
    pub(crate) at_once: Option<u32>,
    /// At least this long between two shots at one slot, such as 2s [default: what the run found enough, or its window]
    #[arg(long, value_name = "DURATION", value_parser = humantime::parse_duration)]
    pub(crate) spacing: Option<Duration>,
    /// How long after the forcing has ended a report will still be the shot's, such as 5s [default: that of the run, or 5s]
    #[arg(long, value_name = "DURATION", value_parser = humantime::parse_duration)]
    pub(crate) window: Option<Duration>,
    /// Unprovoked reports that each slot sends in an hour [default: those of the run's worst slot, or 0]
    #[arg(long, value_name = "NUMBER")]
    pub(crate) orphans_per_hour: Option<f64>,
    /// Answer in JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Args)]
pub(crate) struct Paper {
    /// Database
    #[arg(long, value_name = "FILE", default_value = "/var/lib/flipwitness/flipwitness.db")]
    pub(crate) db: PathBuf,
    /// Which run [default: the newest]
    #[arg(long, value_name = "NAME")]
    pub(crate) run: Option<String>,
    /// What the platform must show; without it the page has no verdict
    #[arg(long, value_name = "FILE")]
    pub(crate) criteria: Option<PathBuf>,
    /// Write the page to this file; - is stdout
    #[arg(long, value_name = "FILE", default_value = "-")]
    pub(crate) out: PathBuf,
}

#[derive(Args)]
pub(crate) struct Rails {
    #[command(flatten)]
    pub(crate) listed: Listed,
    /// Only rails of this slot
    #[arg(long, value_name = "NAME")]
    pub(crate) slot: Option<String>,
    /// Only rails of this name, such as VDD
    #[arg(long, value_name = "NAME")]
    pub(crate) rail: Option<String>,
}

fn outcome(word: &str) -> Result<questions::OutcomeWord, String> {
    questions::OutcomeWord::parse(word).ok_or_else(|| "must be detected, missed, unknowable or open".to_owned())
}
