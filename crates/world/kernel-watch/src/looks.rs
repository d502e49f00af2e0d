//! Reading what the kernel says of its own settings: each file becomes a fact, whatever is found there.
//!
//! The preflight judges these facts once, and `machine` keeps them through a run, so they are read in one place. Nothing
//! here decides, nothing fails, and nothing is written.

use preflight::{Fact, Found};
use std::io::{Error, ErrorKind};
use std::path::Path;

/// The settings that decide whether, when and by whom an error is found.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Knobs {
    /// The hardware's name as in `uname -m`.
    pub(crate) arch: Fact,
    /// The boot parameters.
    pub(crate) cmdline: Fact,
    /// `edac_mc_poll_msec` of `edac_core`.
    pub(crate) poll_msec: Fact,
    /// The directory with the machine-check settings of the first CPU, and what is in it.
    pub(crate) machinecheck: Fact<()>,
    pub(crate) check_interval: Fact,
    pub(crate) ignore_ce: Fact,
    pub(crate) dont_log_ce: Fact,
    pub(crate) cmci_disabled: Fact,
    /// The mount of debugfs: whether anything is mounted there.
    pub(crate) debugfs: Fact<bool>,
    /// The directory of the collector of corrected errors.
    pub(crate) collector: Fact<()>,
}

impl Knobs {
    /// `sys` and `proc` may be directories that look like the real ones.
    pub(crate) fn read(sys: &Path, proc: &Path) -> Knobs {
        let machinecheck = sys.join("devices/system/machinecheck/machinecheck0");
        let knob = |name: &str| text(&machinecheck.join(name));
        Knobs {
            arch: arch(text(&proc.join("sys/kernel/arch"))),
            cmdline: text(&proc.join("cmdline")),
            poll_msec: text(&sys.join("module/edac_core/parameters/edac_mc_poll_msec")),
            check_interval: knob("check_interval"),
            ignore_ce: knob("ignore_ce"),
            dont_log_ce: knob("dont_log_ce"),
            cmci_disabled: knob("cmci_disabled"),
            machinecheck: folder(&machinecheck, |_| ()),
            // The directory is there without a mount as well, and then holds nothing.
            debugfs: folder(&sys.join("kernel/debug"), |mut entries| entries.next().is_some()),
            collector: folder(&sys.join(COLLECTOR), |_| ()),
        }
    }
}

/// The collector's directory below `/sys`.
pub(crate) const COLLECTOR: &str = "kernel/debug/ras/cec";

pub(crate) fn fact<T>(path: &Path, found: Found<T>) -> Fact<T> {
    Fact { file: path.display().to_string(), found }
}

pub(crate) fn found<T>(read: Result<T, Error>) -> Found<T> {
    match read {
        Ok(value) => Found::Value(value),
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => Found::Absent,
        Err(error) => Found::Unreadable(error.to_string()),
    }
}

pub(crate) fn text(path: &Path) -> Fact {
    let read = std::fs::read(path).map(|bytes| String::from_utf8_lossy(&bytes).trim_end().to_owned());
    fact(path, found(read))
}

pub(crate) fn folder<T>(path: &Path, look: impl FnOnce(std::fs::ReadDir) -> T) -> Fact<T> {
    fact(path, found(std::fs::read_dir(path).map(look)))
}

/// Kernels before 6.1 do not have the file (`kernel/utsname_sysctl.c`); the program runs on what it was built for.
fn arch(file: Fact) -> Fact {
    match file.found {
        Found::Value(_) => file,
        _ => Fact { found: Found::Value(std::env::consts::ARCH.to_owned()), ..file },
    }
}
