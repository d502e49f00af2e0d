//! A recorded capture through the very same hub: feed file and witness file in, database out.
//!
//! Both files are read as streams and merged by time; each may be out of order by up to [`REORDER`] lines. Blocks, and
//! reads no clock but for the name and the dates of the run itself.

use crate::hub::{Hub, Line};
use crate::settings::Settings;
use anyhow::{Context, Result, bail};
use feed_lines::{FeedLine, Framed, LineSplitter, Unit};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap};
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use store::{Record, RunKind, RunStart, Store};
use vocabulary::{ClockPair, Mono, SlotBook};

/// How many lines of each file are held to put them in order.
const REORDER: usize = 100_000;
/// How many records go to the store at once.
const PER_WRITE: usize = 16_384;

/// What a replay was.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Replayed {
    /// The run's name in the database.
    pub run: String,
    /// Lines of the feed file that were refused, with the first few reasons.
    pub refused_feed: Refused,
    /// Lines of the witness file that were refused.
    pub refused_witnesses: Refused,
}

/// Lines that were refused.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Refused {
    /// How many.
    pub count: u64,
    /// The first few, with their line numbers.
    pub first: Vec<String>,
}

impl Refused {
    fn add(&mut self, line: u64, why: &str) {
        self.count += 1;
        if self.first.len() < 5 {
            self.first.push(format!("line {line}: {why}"));
        }
    }
}

/// What to replay.
#[derive(Clone, Debug)]
pub struct ReplayOrder {
    /// The feed file.
    pub feed: PathBuf,
    /// The witness file.
    pub witnesses: PathBuf,
    /// The database, made if it is not there.
    pub db: PathBuf,
    /// The run's name; the date names it otherwise.
    pub run: Option<String>,
    /// Settings.
    pub settings: Settings,
}

/// Replays a capture into a database.
///
/// # Errors
/// When a file cannot be read, the database cannot be written, or it has a run of that name already.
pub fn replay(order: &ReplayOrder) -> Result<Replayed> {
    let mut feed = FeedFile::open(&order.feed)?;
    let mut witnesses = WitnessFile::open(&order.witnesses)?;
    let first_dimms = first_dimms(&order.witnesses)?;
    let clock = recorded_clock(&order.witnesses)?.unwrap_or_default();

    let mut store = Store::open(&order.db)?;
    let wall = clocks::wall();
    let name = order.run.clone().unwrap_or_else(|| format!("replay-{}", wall.compact()));
    let began = first_time(&mut feed, &mut witnesses);
    let begun = store.begin(&RunStart {
        name: Some(name.clone()),
        kind: RunKind::Replay,
        host: None,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        settings_json: order.settings.to_json(),
        boot_id: "recording".to_owned(),
        kernel: "recording".to_owned(),
        pair: ClockPair { mono: began, wall: clock.wall_at(began) },
    })?;
    if begun.continued.is_some() {
        bail!("{} has a run named {name:?} already: replay into another name with --run", order.db.display());
    }
    let numbers = store.numbers(begun.run)?;
    let book = SlotBook::learning();
    let mut hub: Hub<()> = Hub::new(order.settings.clone(), book, clock, None, numbers);
    for dimm in first_dimms {
        hub.dimm(dimm);
    }

    let mut last = began;
    loop {
        let (feed_at, witness_at) = (feed.peek_time(), witnesses.peek_time());
        let Some(at) = [feed_at, witness_at].into_iter().flatten().min() else { break };
        // Everything before this instant has been read; everything at it may not have been.
        hub.advance(at.minus(1));
        last = last.max(at);
        if feed_at == Some(at) {
            feed.pop_into(&mut hub);
        } else {
            witnesses.pop_into(&mut hub, numbers.next_witness);
        }
        if hub.load().0 >= PER_WRITE || hub.record_count() >= PER_WRITE {
            write(&mut store, &mut hub, Vec::new())?;
        }
    }
    write(&mut store, &mut hub, Vec::new())?;
    hub.finish();
    write(&mut store, &mut hub, vec![Record::Watched(last), Record::RunEnded { wall: clocks::wall() }])?;
    Ok(Replayed { run: begun.name, refused_feed: feed.refused, refused_witnesses: witnesses.refused })
}

/// The earliest time that a line states; lines without one stand at the beginning.
fn first_time(feed: &mut FeedFile, witnesses: &mut WitnessFile) -> Mono {
    feed.fill();
    witnesses.fill();
    let of_feed = feed.held.iter().map(|Reverse(timed)| timed.at);
    let of_witnesses = witnesses.held.iter().map(|Reverse(timed)| timed.at);
    of_feed.chain(of_witnesses).filter(|at| *at > Mono(i64::MIN)).min().unwrap_or_default()
}

fn write(store: &mut Store, hub: &mut Hub<()>, last: Vec<Record>) -> Result<()> {
    let mut records = hub.take_records();
    records.extend(last);
    for ack in store.write(&records)? {
        hub.ack(ack);
    }
    Ok(())
}

/// An input with its time and the order in which it was read.
struct Timed<T> {
    at: Mono,
    order: u64,
    what: T,
}

impl<T> PartialEq for Timed<T> {
    fn eq(&self, other: &Self) -> bool {
        (self.at, self.order) == (other.at, other.order)
    }
}
impl<T> Eq for Timed<T> {}
impl<T> PartialOrd for Timed<T> {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl<T> Ord for Timed<T> {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        (self.at, self.order).cmp(&(other.at, other.order))
    }
}

/// A feed line of a recording.
struct FeedItem {
    number: u64,
    raw: String,
    line: FeedLine,
    feed: Arc<str>,
    who: Option<String>,
    unit: Option<Unit>,
    sent: Option<Mono>,
}

struct FeedFile {
    file: File,
    splitter: LineSplitter,
    ended: bool,
    held: BinaryHeap<Reverse<Timed<FeedItem>>>,
    read: u64,
    last: Mono,
    /// Who the last hello of each feed said it was, and what its ticks count.
    hellos: BTreeMap<Arc<str>, (Arc<str>, Unit)>,
    names: BTreeSet<Arc<str>>,
    refused: Refused,
}

impl FeedFile {
    fn open(path: &Path) -> Result<FeedFile> {
        let file = File::open(path).with_context(|| format!("cannot read the feed file {}", path.display()))?;
        Ok(FeedFile {
            file,
            splitter: LineSplitter::new(),
            ended: false,
            held: BinaryHeap::new(),
            read: 0,
            last: Mono(i64::MIN),
            hellos: BTreeMap::new(),
            names: BTreeSet::new(),
            refused: Refused::default(),
        })
    }

    fn fill(&mut self) {
        let mut chunk = vec![0; 1 << 16];
        while !self.ended && self.held.len() < REORDER {
            let mut framed = Vec::new();
            match self.file.read(&mut chunk) {
                Ok(0) => {
                    self.ended = true;
                    framed.extend(self.splitter.finish());
                }
                Ok(n) => self.splitter.push(chunk.get(..n).unwrap_or(&[]), &mut framed),
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => {
                    self.refused.add(self.read + 1, &error.to_string());
                    self.ended = true;
                }
            }
            for item in framed {
                self.hold(item);
            }
        }
    }

    fn hold(&mut self, item: Framed) {
        let number = item.number;
        let raw = match item.line {
            Ok(raw) => raw,
            Err(why) => return self.refused.add(number, &why.to_string()),
        };
        match feed_lines::parse(&raw) {
            Ok(parsed) => {
                // A hello without a time belongs to where it stands.
                let at = match (parsed.t_ns, &parsed.line) {
                    (Some(at), _) => at,
                    (None, FeedLine::Hello { .. } | FeedLine::Bye { .. }) => self.last,
                    (None, _) => return self.refused.add(number, "t_ns is missing: when did the line arrive?"),
                };
                self.last = self.last.max(at);
                let feed = self.name(parsed.feed.as_deref().unwrap_or("recording"));
                let what = FeedItem {
                    number,
                    raw,
                    line: parsed.line,
                    feed,
                    who: parsed.who,
                    unit: parsed.unit,
                    sent: parsed.sent_ns,
                };
                self.held.push(Reverse(Timed { at, order: self.read, what }));
                self.read += 1;
            }
            Err(error) => self.refused.add(number, &error.to_string()),
        }
    }

    fn name(&mut self, name: &str) -> Arc<str> {
        if let Some(known) = self.names.get(name) {
            return known.clone();
        }
        let name: Arc<str> = name.into();
        self.names.insert(name.clone());
        name
    }

    fn peek_time(&mut self) -> Option<Mono> {
        self.fill();
        self.held.peek().map(|Reverse(timed)| timed.at)
    }

    fn pop_into(&mut self, hub: &mut Hub<()>) {
        let Some(Reverse(Timed { at, what, .. })) = self.held.pop() else { return };
        if let FeedLine::Hello { who, unit } = &what.line {
            let who = self.name(who);
            self.hellos.insert(what.feed.clone(), (who, *unit));
        }
        let hello = self.hellos.get(&what.feed).cloned();
        let unit = what.unit.or(hello.as_ref().map(|(_, unit)| *unit)).unwrap_or_default();
        let injector = match (&what.who, hello) {
            (Some(who), _) => self.name(who),
            (None, Some((who, _))) => who,
            (None, None) => what.feed.clone(),
        };
        let line = Line {
            feed: &what.feed,
            injector: &injector,
            unit,
            number: what.number,
            arrival: at,
            raw: &what.raw,
            line: what.line,
            sent: what.sent,
        };
        if let Some(((), feed_lines::Reply::Rejected { line, why, .. })) = hub.line(line, ()) {
            self.refused.add(line, &why);
        }
    }
}

/// An entry, and how many witnesses stand before it in the file.
struct Numbered {
    before: i64,
    entry: recording::Entry,
}

struct WitnessFile {
    lines: std::io::Lines<BufReader<File>>,
    ended: bool,
    held: BinaryHeap<Reverse<Timed<Numbered>>>,
    read: u64,
    last: Mono,
    /// How many witnesses were read.
    witnesses: i64,
    refused: Refused,
}

impl WitnessFile {
    fn open(path: &Path) -> Result<WitnessFile> {
        let file = File::open(path).with_context(|| format!("cannot read the witness file {}", path.display()))?;
        Ok(WitnessFile {
            lines: BufReader::with_capacity(1 << 16, file).lines(),
            ended: false,
            held: BinaryHeap::new(),
            read: 0,
            last: Mono(i64::MIN),
            witnesses: 0,
            refused: Refused::default(),
        })
    }

    fn fill(&mut self) {
        while !self.ended && self.held.len() < REORDER {
            let line = match self.lines.next() {
                None => {
                    self.ended = true;
                    return;
                }
                Some(Ok(line)) => line,
                Some(Err(error)) => {
                    // Invalid UTF-8 costs that line; any other error would come again for ever.
                    self.read += 1;
                    self.refused.add(self.read, &error.to_string());
                    self.ended = error.kind() != std::io::ErrorKind::InvalidData;
                    continue;
                }
            };
            self.read += 1;
            if line.trim().is_empty() {
                continue;
            }
            match recording::parse(&line) {
                Ok(entry) => {
                    let at = match &entry {
                        recording::Entry::Witness { known, .. } => *known,
                        // A gap counts from its beginning.
                        recording::Entry::Gap(gap) => gap.span.from,
                        recording::Entry::Dimm(_) => self.last,
                        recording::Entry::Clock(pair) => pair.mono,
                        recording::Entry::Machine(sample) => sample.at,
                    };
                    self.last = self.last.max(at);
                    let before = self.witnesses;
                    self.witnesses += i64::from(matches!(entry, recording::Entry::Witness { .. }));
                    self.held.push(Reverse(Timed { at, order: self.read, what: Numbered { before, entry } }));
                }
                Err(error) => self.refused.add(self.read, &error.to_string()),
            }
        }
    }

    fn peek_time(&mut self) -> Option<Mono> {
        self.fill();
        self.held.peek().map(|Reverse(timed)| timed.at)
    }

    /// `first` is the number of the file's first witness.
    fn pop_into(&mut self, hub: &mut Hub<()>, first: i64) {
        let Some(Reverse(Timed { what, .. })) = self.held.pop() else { return };
        match what.entry {
            recording::Entry::Witness { known, witness } => {
                hub.numbered_witness(first + what.before, Some(known), witness);
            }
            recording::Entry::Gap(gap) => hub.gap(gap),
            recording::Entry::Dimm(dimm) => hub.dimm(dimm),
            recording::Entry::Clock(pair) => hub.pair(pair),
            recording::Entry::Machine(sample) => hub.machine(sample),
        }
        // A recording has no counter values to wait for.
        hub.counters_told();
    }
}

/// The first line of each object of the inventory: a recording may hold it anywhere, and slots must be known before the
/// first injection names one. Later lines about the same object are applied where they stand.
fn first_dimms(path: &Path) -> Result<Vec<vocabulary::Dimm>> {
    let mut seen = BTreeSet::new();
    let mut dimms = Vec::new();
    each_line_with(path, "\"dimm\"", |entry| {
        if let recording::Entry::Dimm(dimm) = entry
            && seen.insert((dimm.controller, dimm.layers))
        {
            dimms.push(dimm);
        }
    })?;
    Ok(dimms)
}

/// The recording's first measured pair of clocks. Without any, its times are taken to count from 1970.
fn recorded_clock(path: &Path) -> Result<Option<ClockPair>> {
    let mut first = None;
    each_line_with(path, "\"clock\"", |entry| {
        if let recording::Entry::Clock(pair) = entry {
            first.get_or_insert(pair);
        }
    })?;
    Ok(first)
}

fn each_line_with(path: &Path, word: &str, mut with: impl FnMut(recording::Entry)) -> Result<()> {
    let file = File::open(path).with_context(|| format!("cannot read the witness file {}", path.display()))?;
    for line in BufReader::with_capacity(1 << 16, file).lines() {
        // What is wrong with a line is told when it is read in its turn.
        if let Ok(line) = line
            && line.contains(word)
            && let Ok(entry) = recording::parse(&line)
        {
            with(entry);
        }
    }
    Ok(())
}
