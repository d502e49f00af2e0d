//! The real-kernel lane: flipwitness in a guest with a real kernel, fed over a real serial port.
//!
//! Debian's 6.1 and 6.12 kernels boot in QEMU with a small EDAC driver that reports what it is told to
//! (`real-kernel/driver`). The binary under test watches there, this test plays the injector on the guest's serial line
//! and has the driver report, or not, by a known list (`real-kernel/list.rs`). At the end the database has to say
//! exactly what the list says.
//!
//! `tests/real-kernel/prepare` fetches the kernels and builds the driver. Without that the tests here say so and pass,
//! unless the environment says `FLIPWITNESS_LANE=required`. With `FLIPWITNESS_LANE=off` they only say that they are off.
//! Continuous integration uses both, so that the lane runs once, with the release binary, and is never left out.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::print_stderr,
    clippy::disallowed_methods,
    reason = "this is test code all through: it may panic, print, and read the clock that the guest shares"
)]

#[path = "real-kernel/compare.rs"]
mod compare;
#[path = "real-kernel/guest.rs"]
mod guest;
#[path = "real-kernel/image.rs"]
mod image;
#[path = "real-kernel/injector.rs"]
mod injector;
#[path = "real-kernel/kernel.rs"]
mod kernel;
#[path = "real-kernel/line.rs"]
mod line;
#[path = "real-kernel/list.rs"]
mod list;
#[path = "real-kernel/play.rs"]
mod play;
#[path = "real-kernel/watch.rs"]
mod watch;

use std::io::Write;

use kernel::Kernel;

#[test]
fn real_kernel_6_1() {
    lane("6.1");
}

#[test]
fn real_kernel_6_12() {
    lane("6.12");
}

fn lane(name: &'static str) {
    let kernel = Kernel::new(name);
    let wanted = std::env::var("FLIPWITNESS_LANE").unwrap_or_default();
    let why_not = if wanted == "off" { Some("FLIPWITNESS_LANE is off".to_owned()) } else { kernel.missing() };
    if let Some(why) = why_not {
        assert!(wanted != "required", "{why}");
        // Written past the capture of a passing test's output, since nobody may take this for a pass.
        let _ = writeln!(std::io::stderr(), "skipped: Linux {name}: {why}");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let image = image::build(&kernel, dir.path(), &[(watch::CONFIG_PATH, watch::CONFIG)]);
    let steps = list::steps();
    let played = play::play(&kernel, &image, &steps);
    compare::compare(&kernel, &steps, &played);
}
