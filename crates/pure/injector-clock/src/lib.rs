//! The injector's clock on the kernel's: where on CLOCK_MONOTONIC a `t` of the feed lies, and how sure that is.
//!
//! Everything here is about one curve: kernel time minus injector time, over injector time. Two kinds of lines bound it, and
//! neither bound assumes anything of queues:
//!
//! - A line that says `t` as it leaves (a tick, a pong) arrives after the clock showed `t`, never before. So arrival minus `t`
//!   lies on the curve or **above** it, by the time that the line was on its way.
//! - A ping is written before the injector's clock shows `received`. So its stamp minus `received` lies **below** the curve.
//!   Both together are the four time stamps of RFC 5905 section 8: offset, and half the round trip as its bound.
//!
//! Between lines the curve changes by no more than the two crystals can run apart ([`Drift`]). Of each kind the line that
//! bounds best is kept, and its bound widens with its age: a minimum filter. How fast the clocks really run apart is the slope
//! of the lower envelope of all lines of the last minutes (Moon, Skelly and Towsley, IEEE INFOCOM 1999), found on the convex
//! hull of the points (Zhang, Liu and Xia, IEEE INFOCOM 2002): the hull grows with each line in constant amortised time, in
//! stretches of half a minute that leave as a whole when they are old.
//!
//! As long as no ping was answered, one thing is assumed, and the answers say so ([`How::OneWay`]): that the fastest line of the
//! last minute was on its way for no longer than [`DEFAULT_SLACK_NS`].
//!
//! Pure: no clock is read, no I/O; the same lines give the same answers. The daemon's hub owns one [`InjectorClock`] for each
//! injector, live and in a replay alike.

mod clock;
mod counter;
mod drift;
mod epoch;
mod event;
mod exchange;
mod hull;
mod queue;
mod stretches;
mod summary;

pub use clock::InjectorClock;
pub use drift::{Drift, MOST_DRIFT_PPM};
pub use event::ClockEvent;
pub use exchange::{Exchange, ExchangeError};
pub use queue::Queue;
pub use summary::{How, Summary};

/// How long the fastest line may have been on its way: 16 ms for the latency timer of a USB serial bridge (the default
/// in FTDI's application note AN232B-04 and in the kernel's `drivers/usb/serial/ftdi_sio.c`), 1 ms for a USB frame, and
/// 3 ms for thirty characters at 115200 baud.
pub const DEFAULT_SLACK_NS: i64 = 20_000_000;
