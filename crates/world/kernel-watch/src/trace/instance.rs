//! Makes, takes over and removes the own tracefs instance.
//!
//! An instance gives a ring of its own, so that nobody else's tracing is disturbed. One that a killed daemon left still
//! holds what happened while nobody was reading: it is taken over as it is, unless its clock is another one, since
//! setting the clock empties the ring. Where the daemon may not write, a prepared instance with the right settings does.

use super::setup::{TraceError, TraceSetup};
use kernel_bytes::{Events, Format, FormatError, McEventLayout, MceRecordLayout, PageLayout};
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use vocabulary::Mono;

/// The clock of every stamp.
const CLOCK: &str = "mono";
/// The kernel rounds a ring's size up to whole sub-buffers.
const ROUNDING_KIB: u64 = 16;

/// An instance that is set up, with what is needed to read it. Dropping it removes it.
#[derive(Debug)]
pub struct TraceInstance {
    dir: PathBuf,
    layout: PageLayout,
    events: Events,
    enabled: Vec<PathBuf>,
    missing: Vec<String>,
    remarks: Vec<String>,
    taken_over: bool,
    watched_from: Mono,
    removed: bool,
}

impl TraceInstance {
    /// Sets the instance `name` up below a tracefs mount.
    pub fn open(tracefs_root: &Path, name: &str, setup: &TraceSetup) -> Result<TraceInstance, TraceError> {
        let instances = tracefs_root.join("instances");
        match std::fs::metadata(&instances) {
            Ok(_) => {}
            Err(e) if e.kind() == ErrorKind::NotFound => {
                return Err(TraceError::NoTracefs { path: tracefs_root.to_owned() });
            }
            Err(e) => return Err(TraceError::io("look at", &instances, e)),
        }
        let dir = instances.join(name);
        let existed = dir.is_dir();
        if !existed {
            std::fs::create_dir(&dir).map_err(|e| TraceError::io("make", &dir, e))?;
        }
        let opened = Self::set_up(tracefs_root, dir.clone(), existed, setup);
        if opened.is_err() && !existed {
            let _ = std::fs::remove_dir(&dir);
        }
        opened
    }

    fn set_up(root: &Path, dir: PathBuf, existed: bool, setup: &TraceSetup) -> Result<TraceInstance, TraceError> {
        let mut remarks = Vec::new();
        let kept = set_clock(&dir)? && existed;
        set_size(&dir, setup, &mut remarks);
        // With the default of 50 a single record would not wake anybody; and it must be set before the first poll.
        if let Err(e) = ensure(&dir.join("buffer_percent"), "0") {
            remarks.push(format!("{e}: single records are read with a delay"));
        }
        let recording = ensure(&dir.join("tracing_on"), "1")? && kept;
        let layout = page_layout(root, &dir)?;
        let (mut enabled, mut missing, mut refused) = (Vec::new(), Vec::new(), None);
        let mut was_enabled = false;
        let mut want = |event: &str, check: fn(&Format) -> Result<(), FormatError>| {
            let event_dir = dir.join("events").join(event);
            match enable(&event_dir, check) {
                Ok((format, already)) => {
                    was_enabled |= already;
                    enabled.push(event_dir);
                    return Some(format);
                }
                Err(TraceError::Io { source, .. }) if source.kind() == ErrorKind::NotFound => {
                    missing.push(format!("{event}: this kernel does not have it"));
                }
                Err(e) => {
                    missing.push(format!("{event}: {e}"));
                    refused = Some(e).filter(|e| matches!(e, TraceError::NoPermission { .. })).or(refused.take());
                }
            }
            None
        };
        let mc_event = want(&setup.mc_event, |f| McEventLayout::from_format(f).map(drop));
        let mce_record = want(&setup.mce_record, |f| MceRecordLayout::from_format(f).map(drop));
        if enabled.is_empty() {
            return Err(refused.unwrap_or(TraceError::NoEvent { missing }));
        }
        let events = Events::from_formats(mc_event.as_ref(), mce_record.as_ref())
            .map_err(|source| TraceError::Format { path: dir.join("events"), source })?;
        // Taken after the enabling: from here on nothing is missed.
        let taken_over = recording && was_enabled;
        let watched_from = if taken_over { setup.watched_until.unwrap_or(Mono(0)) } else { clocks::mono() };
        Ok(TraceInstance { dir, layout, events, enabled, missing, remarks, taken_over, watched_from, removed: false })
    }

    /// Events that cannot be watched, each with why.
    #[must_use]
    pub fn missing(&self) -> &[String] {
        &self.missing
    }

    /// Settings that could not be made as wanted.
    #[must_use]
    pub fn remarks(&self) -> &[String] {
        &self.remarks
    }

    /// Whether a ring that was already recording is read on: then records from before this start will come.
    #[must_use]
    pub fn taken_over(&self) -> bool {
        self.taken_over
    }

    /// From when on this ring's records will all be read.
    #[must_use]
    pub fn watched_from(&self) -> Mono {
        self.watched_from
    }

    /// Stops recording and removes the instance; off the async threads, since the kernel waits for all CPUs.
    pub async fn close(mut self) -> Result<(), TraceError> {
        let closed = tokio::task::spawn_blocking(move || self.remove()).await;
        // The task can only fail by panicking, and nothing in it does.
        closed.unwrap_or(Ok(()))
    }

    /// Stops recording. What is in the ring can still be read.
    pub(super) fn stop_recording(&self) {
        for event_dir in &self.enabled {
            let _ = ensure(&event_dir.join("enable"), "0");
        }
    }

    pub(super) fn dir(&self) -> &Path {
        &self.dir
    }

    pub(super) fn layout(&self) -> PageLayout {
        self.layout
    }

    pub(super) fn events(&self) -> &Events {
        &self.events
    }

    fn remove(&mut self) -> Result<(), TraceError> {
        if std::mem::replace(&mut self.removed, true) {
            return Ok(());
        }
        self.stop_recording();
        match std::fs::remove_dir(&self.dir) {
            Ok(()) => Ok(()),
            // Somebody else removed it, or it is a directory of plain files that only looks like an instance.
            Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::DirectoryNotEmpty) => Ok(()),
            Err(e) => Err(TraceError::io("remove", &self.dir, e)),
        }
    }
}

impl Drop for TraceInstance {
    fn drop(&mut self) {
        if let Err(error) = self.remove() {
            tracing::debug!("{error}");
        }
    }
}

/// Sets the clock; returns whether it already was the wanted one, so that the ring was not emptied.
fn set_clock(dir: &Path) -> Result<bool, TraceError> {
    let path = dir.join("trace_clock");
    let text = read(&path)?;
    let chosen = text.split(['[', ']']).nth(1).unwrap_or(text.trim());
    if chosen == CLOCK {
        return Ok(true);
    }
    write(&path, CLOCK)?;
    Ok(false)
}

/// Makes the ring as large as the settings say. A ring that is larger already stays, since shrinking may lose records.
fn set_size(dir: &Path, setup: &TraceSetup, remarks: &mut Vec<String>) {
    let wanted = setup.kib_for(cpus(dir).len());
    let path = dir.join("buffer_size_kb");
    let has: u64 = read(&path).ok().and_then(|t| t.split_whitespace().next()?.parse().ok()).unwrap_or(0);
    if has + ROUNDING_KIB >= wanted {
        return;
    }
    if let Err(e) = write(&path, &wanted.to_string()) {
        remarks.push(format!("{e}: the trace ring stays at {has} KiB per CPU instead of {wanted}"));
    }
}

/// The CPUs that have a ring, in order.
pub(super) fn cpus(dir: &Path) -> Vec<u32> {
    let Ok(entries) = std::fs::read_dir(dir.join("per_cpu")) else { return Vec::new() };
    let mut cpus: Vec<u32> =
        entries.filter_map(|e| e.ok()?.file_name().to_str()?.strip_prefix("cpu")?.parse().ok()).collect();
    cpus.sort_unstable();
    cpus
}

/// Reads what the event's records look like and enables it. One whose fields are not all there stays disabled, since
/// nothing could be made of it. Also returns whether it was enabled already.
fn enable(event_dir: &Path, check: fn(&Format) -> Result<(), FormatError>) -> Result<(Format, bool), TraceError> {
    let path = event_dir.join("format");
    let format = Format::parse(&read(&path)?).and_then(|f| check(&f).map(|()| f));
    let format = format.map_err(|source| TraceError::Format { path, source })?;
    let already = ensure(&event_dir.join("enable"), "1")?;
    Ok((format, already))
}

fn page_layout(root: &Path, dir: &Path) -> Result<PageLayout, TraceError> {
    // The instance has the files of its own, since the size of a sub-buffer can be set per instance.
    let own = dir.join("events");
    let path = if own.join("header_page").exists() { own } else { root.join("events") };
    let (page, event) = (read(&path.join("header_page"))?, read(&path.join("header_event"))?);
    PageLayout::parse(&page, &event).map_err(|source| TraceError::Layout { path, source })
}

/// Writes a setting, unless the file already says so: a prepared instance may be read-only. Returns whether it did.
fn ensure(path: &Path, value: &str) -> Result<bool, TraceError> {
    let already = read(path)?.trim() == value;
    if !already {
        write(path, value)?;
    }
    Ok(already)
}

/// Reads a whole file. `header_page` and `header_event` answer only the first read, so it must be a large one.
fn read(path: &Path) -> Result<String, TraceError> {
    let read_all = || {
        let mut file = File::open(path)?;
        let (mut text, mut buffer) = (Vec::new(), vec![0; 64 * 1024]);
        loop {
            match file.read(&mut buffer)? {
                0 => return Ok(String::from_utf8_lossy(&text).into_owned()),
                n => text.extend_from_slice(buffer.get(..n).unwrap_or_default()),
            }
        }
    };
    read_all().map_err(|e| TraceError::io("read", path, e))
}

fn write(path: &Path, value: &str) -> Result<(), TraceError> {
    // Neither created nor cut: on tracefs cutting means nothing, and a missing file must be an error.
    let mut file = OpenOptions::new().write(true).open(path).map_err(|e| TraceError::io("open", path, e))?;
    file.write_all(value.as_bytes()).map_err(|e| TraceError::io("set", path, e))
}
