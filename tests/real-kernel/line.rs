//! One text line to the guest: a serial port or QEMU's monitor, as a Unix socket on the host.
//!
//! Every wait has an end, because the other side is a machine that may hang. What goes wrong here is a panic: no test
//! goes on without its guest.

use std::io::{ErrorKind, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

pub(crate) struct Line {
    name: &'static str,
    stream: UnixStream,
    received: Vec<u8>,
}

impl Line {
    /// Connects as soon as QEMU has made the socket.
    pub(crate) fn connect(name: &'static str, socket: &Path) -> Self {
        let end = Instant::now() + Duration::from_secs(20);
        let stream = loop {
            match UnixStream::connect(socket) {
                Ok(stream) => break stream,
                Err(error) if Instant::now() > end => panic!("{name}: cannot connect to {}: {error}", socket.display()),
                Err(_) => sleep(Duration::from_millis(20)),
            }
        };
        stream.set_write_timeout(Some(Duration::from_secs(20))).unwrap();
        Self { name, stream, received: Vec::new() }
    }

    pub(crate) fn send(&mut self, text: &str) {
        self.stream
            .write_all(text.as_bytes())
            .unwrap_or_else(|error| panic!("{}: cannot send {text:?}: {error}", self.name));
    }

    /// The next text up to `end`, without it.
    pub(crate) fn receive_until(&mut self, end: &str, wait: Duration) -> String {
        let deadline = Instant::now() + wait;
        let end = end.as_bytes();
        let mut searched = 0;
        loop {
            if let Some(at) = self.received[searched..].windows(end.len()).position(|window| window == end) {
                let text = String::from_utf8_lossy(&self.received[..searched + at]).into_owned();
                self.received.drain(..searched + at + end.len());
                return text;
            }
            // The beginning of `end` may already be there, so the search goes on a little before the new bytes.
            searched = self.received.len().saturating_sub(end.len());
            self.receive_some(deadline, wait);
        }
    }

    fn receive_some(&mut self, deadline: Instant, wait: Duration) {
        let left = deadline.saturating_duration_since(Instant::now());
        // A time-out of zero would mean to wait for ever.
        self.stream.set_read_timeout(Some(left.max(Duration::from_millis(1)))).unwrap();
        let mut chunk = [0; 65536];
        match self.stream.read(&mut chunk) {
            Ok(0) => panic!("{}: the guest is gone", self.name),
            Ok(length) => self.received.extend_from_slice(&chunk[..length]),
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
                let rest = String::from_utf8_lossy(&self.received).into_owned();
                panic!("{}: no answer within {wait:?}; received so far: {rest:?}", self.name)
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => panic!("{}: {error}", self.name),
        }
    }
}
