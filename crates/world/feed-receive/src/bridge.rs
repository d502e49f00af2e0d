//! The latency timer of a USB serial bridge: for how long it holds what the injector sends.
//!
//! A bridge hands short packets on only when its timer is over (FTDI's application note AN232B-04; 16 ms in the kernel's
//! `drivers/usb/serial/ftdi_sio.c`, which shows the timer in sysfs). That adds to the time of every line without a `t`, so it is
//! told. Must not change it: that is the administrator's to do.

use std::path::{Path, PathBuf};

/// What sysfs says of a serial device's timer.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct LatencyTimer {
    file: PathBuf,
    ms: u32,
}

impl LatencyTimer {
    /// Reads it; nothing for a device that has none. `sys` is where sysfs is, `device` what the feed opens.
    pub(crate) fn read(sys: &Path, device: &Path) -> Option<LatencyTimer> {
        // Names below /dev/serial/by-id are links to the device.
        let device = std::fs::canonicalize(device).ok()?;
        let file = sys.join("class/tty").join(device.file_name()?).join("device/latency_timer");
        let ms = std::fs::read_to_string(&file).ok()?.trim().parse().ok()?;
        Some(LatencyTimer { file, ms })
    }

    /// What a run must know of it, in plain words.
    pub(crate) fn told(&self, feed: &str) -> String {
        let LatencyTimer { file, ms } = self;
        let file = file.display();
        let mut text = format!(
            "feed {feed}: its USB serial bridge holds what the injector sends for up to {ms} ms ({file}), so an injection without \
             a time of its own is known no better than that"
        );
        if *ms > 1 {
            text += &format!("; to lower that to 1 ms, as root: echo 1 > {file}");
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_timer_of_a_linked_device_is_read_and_told() {
        let dir = tempfile::tempdir().unwrap();
        let (dev, sys) = (dir.path().join("dev"), dir.path().join("sys"));
        let timer = sys.join("class/tty/ttyUSB3/device");
        std::fs::create_dir_all(&dev).unwrap();
        std::fs::create_dir_all(&timer).unwrap();
        std::fs::write(dev.join("ttyUSB3"), "").unwrap();
        std::os::unix::fs::symlink(dev.join("ttyUSB3"), dev.join("by-id")).unwrap();
        assert_eq!(LatencyTimer::read(&sys, &dev.join("by-id")), None, "a device without a timer");
        std::fs::write(timer.join("latency_timer"), "16\n").unwrap();
        let told = LatencyTimer::read(&sys, &dev.join("by-id")).unwrap().told("rig");
        assert!(
            told.starts_with("feed rig: its USB serial bridge holds what the injector sends for up to 16 ms ("),
            "{told}"
        );
        assert!(told.ends_with("class/tty/ttyUSB3/device/latency_timer"), "{told}");
        std::fs::write(timer.join("latency_timer"), "1\n").unwrap();
        let told = LatencyTimer::read(&sys, &dev.join("ttyUSB3")).unwrap().told("rig");
        assert!(told.ends_with("known no better than that"), "{told}");
        assert_eq!(LatencyTimer::read(&sys, &dev.join("gone")), None);
    }
}
