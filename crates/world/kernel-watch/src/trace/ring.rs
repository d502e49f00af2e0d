//! One CPU's ring: the file that hands out raw sub-buffers, and what is known about its losses.
//!
//! The file is a `trace_pipe_raw`, or a FIFO or plain file of the same bytes. A read may return less than a sub-buffer,
//! so bytes are gathered until one is whole.

use kernel_bytes::RingStats;
use nix::fcntl::OFlag;
use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read};
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::task::{Context, Poll};
use tokio::io::Interest;
use tokio::io::unix::{AsyncFd, AsyncFdRegisterError};
use vocabulary::Mono;

enum Io {
    /// Tells when there is something to read.
    Polled(AsyncFd<File>),
    /// Cannot be waited for: read whenever the wait for the others ends.
    Plain(File),
}

/// What one read brought.
pub(super) enum Got {
    /// A whole sub-buffer: it is in [`Ring::page`].
    Page,
    /// Nothing more for now.
    Empty,
}

pub(super) struct Ring {
    cpu: u32,
    dir: PathBuf,
    io: Io,
    buffer: Vec<u8>,
    fill: usize,
    /// At an end of file; not waited for, since an end stays readable.
    ended: bool,
    /// Reading failed: not read any more, and to be replaced.
    failed: bool,
    /// No loss can lie before this: the last record read, or the last time that the ring was found empty.
    pub(super) good_until: Mono,
    /// What `stats` counts from before this daemon.
    lost_at_start: u64,
    /// Losses that were told since, as far as they were counted.
    lost_told: u64,
    stats_at: Mono,
}

impl Ring {
    /// `fresh` says that whatever `stats` counts was lost while this daemon was responsible.
    pub(super) fn open(instance: &Path, cpu: u32, page_size: usize, good_until: Mono, fresh: bool) -> io::Result<Ring> {
        let dir = instance.join("per_cpu").join(format!("cpu{cpu}"));
        let io = open_raw(&dir.join("trace_pipe_raw"))?;
        let lost_at_start = if fresh { 0 } else { stats(&dir).lost() };
        let buffer = vec![0; page_size];
        Ok(Ring {
            cpu,
            dir,
            io,
            buffer,
            fill: 0,
            ended: false,
            failed: false,
            good_until,
            lost_at_start,
            lost_told: 0,
            stats_at: good_until,
        })
    }

    pub(super) fn cpu(&self) -> u32 {
        self.cpu
    }

    pub(super) fn failed(&self) -> bool {
        self.failed
    }

    /// Ready once there is something to read; never for what cannot be waited for.
    pub(super) fn poll_readable(&self, cx: &mut Context<'_>) -> Poll<()> {
        match &self.io {
            Io::Polled(fd) if !self.ended && !self.failed => fd.poll_read_ready(cx).map(|_| ()),
            _ => Poll::Pending,
        }
    }

    /// Reads until a sub-buffer is whole or there is nothing more.
    pub(super) fn read(&mut self) -> io::Result<Got> {
        if self.failed {
            return Ok(Got::Empty);
        }
        if self.fill == self.buffer.len() {
            self.fill = 0;
        }
        loop {
            let room = self.buffer.get_mut(self.fill..).unwrap_or_default();
            match read_some(&mut self.io, room) {
                Ok(0) => {
                    self.ended = true;
                    return Ok(Got::Empty);
                }
                Ok(n) => {
                    self.ended = false;
                    self.fill += n;
                    if self.fill == self.buffer.len() {
                        return Ok(Got::Page);
                    }
                }
                Err(e) if e.kind() == ErrorKind::WouldBlock => return Ok(Got::Empty),
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) => {
                    self.failed = true;
                    return Err(e);
                }
            }
        }
    }

    /// The sub-buffer that [`Ring::read`] completed.
    pub(super) fn page(&self) -> &[u8] {
        &self.buffer
    }

    /// A sub-buffer said that records were lost before it. Where it does not say how many, returns the most that it can
    /// be: all that the kernel has counted and nobody has told yet.
    pub(super) fn tell_lost(&mut self, count: Option<u64>) -> u64 {
        let told = count.unwrap_or_else(|| self.lost_since_start().saturating_sub(self.lost_told));
        self.lost_told = self.lost_told.saturating_add(told);
        told
    }

    /// Losses that the kernel has counted and no sub-buffer has told, and since when they can have happened.
    pub(super) fn untold_losses(&mut self, now: Mono) -> Option<(u64, Mono)> {
        let since = std::mem::replace(&mut self.stats_at, now);
        let lost = self.lost_since_start();
        let untold = lost.saturating_sub(self.lost_told);
        self.lost_told = self.lost_told.max(lost);
        (untold > 0).then_some((untold, since))
    }

    fn lost_since_start(&self) -> u64 {
        stats(&self.dir).lost().saturating_sub(self.lost_at_start)
    }
}

fn stats(dir: &Path) -> RingStats {
    std::fs::read_to_string(dir.join("stats")).map(|text| RingStats::parse(&text)).unwrap_or_default()
}

fn open_raw(path: &Path) -> io::Result<Io> {
    let is_fifo = std::fs::metadata(path)?.file_type().is_fifo();
    let mut options = OpenOptions::new();
    // A FIFO that is open for writing too never reports an end when its writers go.
    options.read(true).write(is_fifo).custom_flags(OFlag::O_NONBLOCK.bits());
    let file = options.open(path)?;
    match wait_for(file) {
        Ok(fd) => Ok(Io::Polled(fd)),
        Err(refused) => {
            let (file, error) = refused.into_parts();
            // Plain files cannot be waited for.
            if error.raw_os_error() == Some(nix::errno::Errno::EPERM as i32) { Ok(Io::Plain(file)) } else { Err(error) }
        }
    }
}

#[allow(
    deprecated,
    reason = "the successor is unsafe because other types may change their descriptor while it is registered; a File, \
              owned by the AsyncFd and never taken out, cannot"
)]
fn wait_for(file: File) -> Result<AsyncFd<File>, AsyncFdRegisterError<File>> {
    AsyncFd::try_with_interest(file, Interest::READABLE)
}

fn read_some(io: &mut Io, room: &mut [u8]) -> io::Result<usize> {
    match io {
        Io::Plain(file) => file.read(room),
        Io::Polled(fd) => {
            // The first way clears the readiness once the ring is empty. The second reads although no readiness was
            // seen, since the wake-up for an isolated record can be missed.
            match fd.try_io(Interest::READABLE, |file| (&*file).read(room)) {
                Err(e) if e.kind() == ErrorKind::WouldBlock => fd.get_ref().read(room),
                other => other,
            }
        }
    }
}
