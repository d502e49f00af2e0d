//! What a feed is read from, as the command line and the configuration write it.

use feed_lines::{Patterns, Unit};
use std::fmt;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::str::FromStr;
use std::sync::Arc;
use std::time::Duration;
use thiserror::Error;

/// What a feed is read from.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Transport {
    /// A TCP listener at this address, `tcp:127.0.0.1:9740` or `tcp:[::1]:9740`.
    Tcp(SocketAddr),
    /// A Unix stream socket at this path, `unix:/run/flipwitness/feed`.
    Unix(PathBuf),
    /// A serial device and its speed, `serial:/dev/ttyUSB0@115200`.
    Serial {
        /// The device.
        path: PathBuf,
        /// Bits per second.
        baud: u32,
    },
    /// A file that is read from its beginning and followed, or a FIFO, `file:/var/tmp/orders`.
    File(PathBuf),
    /// Standard input; replies go to standard output.
    Stdin,
}

/// Why a feed's text cannot be used.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum SpecError {
    /// None of the known kinds.
    #[error("feed {0:?}: must be tcp:ADDR:PORT, unix:PATH, serial:PATH@BAUD, file:PATH or stdin")]
    Kind(String),
    /// No address and port.
    #[error(
        "feed {0:?}: must have an address and a port, such as tcp:127.0.0.1:9740 or tcp:[::1]:9740; names are not looked up"
    )]
    Address(String),
    /// No path.
    #[error("feed {0:?}: the path is missing")]
    Path(String),
    /// No speed.
    #[error("feed {0:?}: must end with the line's speed, such as serial:/dev/ttyUSB0@115200")]
    Baud(String),
}

impl FromStr for Transport {
    type Err = SpecError;

    fn from_str(text: &str) -> Result<Transport, SpecError> {
        let path = |path: &str| match path {
            "" => Err(SpecError::Path(text.to_owned())),
            path => Ok(PathBuf::from(path)),
        };
        match text.split_once(':') {
            None if text == "stdin" => Ok(Transport::Stdin),
            Some(("tcp", address)) => {
                address.parse().map(Transport::Tcp).map_err(|_| SpecError::Address(text.to_owned()))
            }
            Some(("unix", rest)) => path(rest).map(Transport::Unix),
            Some(("file", rest)) => path(rest).map(Transport::File),
            Some(("serial", rest)) => {
                let baud = || SpecError::Baud(text.to_owned());
                // Names below /dev/serial/by-id may have an `@` of their own.
                let (device, speed) = rest.rsplit_once('@').ok_or_else(baud)?;
                let speed = speed.parse().ok().filter(|speed| *speed > 0).ok_or_else(baud)?;
                Ok(Transport::Serial { path: path(device)?, baud: speed })
            }
            _ => Err(SpecError::Kind(text.to_owned())),
        }
    }
}

impl fmt::Display for Transport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Transport::Tcp(address) => write!(f, "tcp:{address}"),
            Transport::Unix(path) => write!(f, "unix:{}", path.display()),
            Transport::Serial { path, baud } => write!(f, "serial:{}@{baud}", path.display()),
            Transport::File(path) => write!(f, "file:{}", path.display()),
            Transport::Stdin => f.write_str("stdin"),
        }
    }
}

/// One feed.
#[derive(Clone, Debug)]
pub struct FeedSpec {
    /// The feed's name: also the injector's, until its hello says another.
    pub name: Arc<str>,
    /// What it is read from.
    pub transport: Transport,
    /// How its text is read; without patterns it is JSON.
    pub patterns: Patterns,
    /// What the injector's ticks count, until its hello says something else.
    pub unit: Unit,
    /// How often an injector that has said hello is asked for its clock, after a few pings at the beginning; nothing: never.
    pub ping_every: Option<Duration>,
    /// Where sysfs is: what a serial device adds to the times of lines is read there.
    pub sys: PathBuf,
}

impl FromStr for FeedSpec {
    type Err = SpecError;

    /// A feed of JSON that is named like the text itself, without pings.
    fn from_str(text: &str) -> Result<FeedSpec, SpecError> {
        let transport = text.parse()?;
        Ok(FeedSpec {
            name: text.into(),
            transport,
            patterns: Patterns::default(),
            unit: Unit::default(),
            ping_every: None,
            sys: PathBuf::from("/sys"),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_reads_and_shows_the_same() {
        let texts = [
            "tcp:127.0.0.1:9740",
            "tcp:[::1]:9740",
            "tcp:0.0.0.0:0",
            "unix:/run/flipwitness/feed",
            "serial:/dev/ttyUSB0@115200",
            "serial:/dev/serial/by-id/usb-maker_x@2-if00@9600",
            "file:orders with: blanks",
            "stdin",
        ];
        for text in texts {
            let spec: FeedSpec = text.parse().unwrap();
            assert_eq!(spec.transport.to_string(), text);
            assert_eq!(&*spec.name, text);
        }
        assert_eq!("serial:/dev/a@b@9600".parse(), Ok(Transport::Serial { path: "/dev/a@b".into(), baud: 9600 }));
    }

    #[test]
    fn unusable_texts_say_what_belongs_there() {
        let cases = [
            ("", "must be tcp:ADDR:PORT, unix:PATH"),
            ("udp:127.0.0.1:1", "must be tcp:ADDR:PORT, unix:PATH"),
            ("stdin:", "must be tcp:ADDR:PORT, unix:PATH"),
            ("tcp:localhost:9740", "names are not looked up"),
            ("tcp:127.0.0.1", "must have an address and a port"),
            ("tcp:::1:9740", "must have an address and a port"),
            ("tcp:127.0.0.1:70000", "must have an address and a port"),
            ("unix:", "the path is missing"),
            ("file:", "the path is missing"),
            ("serial:@9600", "the path is missing"),
            ("serial:/dev/ttyS0", "must end with the line's speed"),
            ("serial:/dev/ttyS0@fast", "must end with the line's speed"),
            ("serial:/dev/ttyS0@0", "must end with the line's speed"),
        ];
        for (text, why) in cases {
            let error = text.parse::<FeedSpec>().unwrap_err().to_string();
            assert!(error.contains(why) && error.contains(&format!("{text:?}")), "{error}");
        }
    }
}
