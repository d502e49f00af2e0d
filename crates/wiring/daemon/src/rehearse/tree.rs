//! A directory that looks like a kernel: the files of sysfs, tracefs and procfs that the daemon opens, as one would find
//! them on a machine with EDAC. The rings are FIFOs, since those can be waited for.
//!
//! It makes the files and forgets them; `machine` moves the counters and fills the rings. What the files hold follows
//! `drivers/edac/edac_mc_sysfs.c`, `kernel/trace/trace.c` and `kernel/trace/trace_events.c`.

use super::board::{CONTROLLERS, SLOTS, Slot};
use kernel_bytes::build;
use nix::sys::stat::Mode;
use std::io;
use std::path::{Path, PathBuf};

/// Counters hold what was counted before the run, and must not be taken for news.
pub(super) const COUNTED_BEFORE: u32 = 2;
/// How long ago the simulated driver was loaded when the rehearsal begins.
const LOADED_S: u32 = 3600;

/// Where everything is below one directory.
#[derive(Clone, Debug)]
pub(super) struct Tree {
    root: PathBuf,
    instance: String,
}

impl Tree {
    /// Makes all files. `boot_id` must differ from rehearsal to rehearsal, as it does from boot to boot.
    ///
    /// # Errors
    /// When a file or FIFO cannot be made.
    pub(super) fn make(root: &Path, instance: &str, boot_id: &str) -> io::Result<Tree> {
        let tree = Tree { root: root.to_owned(), instance: instance.to_owned() };
        tree.make_sys()?;
        tree.make_tracefs()?;
        tree.make_machine_check()?;
        let kernel = tree.proc().join("sys/kernel");
        put(&kernel, "arch", "x86_64")?;
        put(&kernel, "random/boot_id", boot_id)?;
        put(&kernel, "osrelease", "simulated")?;
        put(&kernel, "hostname", "simulated-machine")?;
        Ok(tree)
    }

    /// In the place of `/sys`.
    pub(super) fn sys(&self) -> PathBuf {
        self.root.join("sys")
    }

    /// In the place of `/sys/kernel/tracing`.
    pub(super) fn tracefs(&self) -> PathBuf {
        self.root.join("tracing")
    }

    /// In the place of `/proc`.
    pub(super) fn proc(&self) -> PathBuf {
        self.root.join("proc")
    }

    /// Where the daemon's feed listens.
    pub(super) fn feed(&self) -> PathBuf {
        self.root.join("feed")
    }

    /// The directory of a memory controller.
    pub(super) fn controller(&self, controller: u8) -> PathBuf {
        self.sys().join(format!("devices/system/edac/mc/mc{controller}"))
    }

    /// The directory of a slot's object.
    pub(super) fn slot(&self, slot: Slot) -> PathBuf {
        self.controller(slot.controller).join(format!("dimm{}", 2 * slot.channel + slot.number))
    }

    /// The ring of a CPU.
    pub(super) fn ring(&self, cpu: u8) -> PathBuf {
        self.instance().join(format!("per_cpu/cpu{cpu}/trace_pipe_raw"))
    }

    fn instance(&self) -> PathBuf {
        self.tracefs().join("instances").join(&self.instance)
    }

    fn make_sys(&self) -> io::Result<()> {
        let of = |controller: u8| SLOTS.iter().filter(move |s| s.controller == controller);
        for controller in 0..CONTROLLERS {
            let dir = self.controller(controller);
            let slots = u32::try_from(of(controller).count()).unwrap_or(0);
            put(&dir, "mc_name", "simulated controller")?;
            put(&dir, "size_mb", 16384 * slots)?;
            put(&dir, "max_location", "channel 1 slot 1 ")?;
            put(&dir, "seconds_since_reset", LOADED_S)?;
            put(&dir, "ce_count", COUNTED_BEFORE * slots)?;
            for counter in ["ue_count", "ce_noinfo_count", "ue_noinfo_count"] {
                put(&dir, counter, 0)?;
            }
        }
        for slot in SLOTS {
            let dir = self.slot(slot);
            put(&dir, "dimm_location", format!("channel {} slot {} ", slot.channel, slot.number))?;
            put(&dir, "dimm_label", slot.label())?;
            put(&dir, "size", 16384)?;
            put(&dir, "dimm_mem_type", "Registered-DDR4")?;
            put(&dir, "dimm_dev_type", "x8")?;
            put(&dir, "dimm_edac_mode", "SECDED")?;
            put(&dir, "dimm_ce_count", COUNTED_BEFORE)?;
            put(&dir, "dimm_ue_count", 0)?;
        }
        Ok(())
    }

    /// What the kernel shows of its machine-check layer, as on an x86 machine with the collector of corrected errors.
    fn make_machine_check(&self) -> io::Result<()> {
        let knobs = self.sys().join("devices/system/machinecheck/machinecheck0");
        put(&knobs, "check_interval", 1)?;
        for knob in ["ignore_ce", "dont_log_ce", "cmci_disabled"] {
            put(&knobs, knob, 0)?;
        }
        put(&self.sys(), "module/edac_core/parameters/edac_mc_poll_msec", 1000)?;
        put(&self.proc(), "cmdline", "quiet")?;
        put(&self.proc(), "meminfo", "MemTotal:       134217728 kB\nHardwareCorrupted:     0 kB")?;
        put(&self.collector(), "decay_interval", 86400)
    }

    /// The directory of the collector of corrected errors.
    pub(super) fn collector(&self) -> PathBuf {
        self.sys().join("kernel/debug/ras/cec")
    }

    fn make_tracefs(&self) -> io::Result<()> {
        put_events(&self.tracefs().join("events"))?;
        let dir = self.instance();
        put_events(&dir.join("events"))?;
        put(&dir, "trace_clock", "local global counter uptime perf [mono] mono_raw boot tai")?;
        put(&dir, "buffer_size_kb", 4096)?;
        put(&dir, "buffer_percent", 50)?;
        put(&dir, "tracing_on", 1)?;
        for cpu in 0..CONTROLLERS {
            let stats = "entries: 0\noverrun: 0\ncommit overrun: 0\nbytes: 0\ndropped events: 0\nread events: 0";
            put(&dir, &format!("per_cpu/cpu{cpu}/stats"), stats)?;
            nix::unistd::mkfifo(&self.ring(cpu), Mode::S_IRUSR | Mode::S_IWUSR)?;
        }
        Ok(())
    }
}

fn put_events(dir: &Path) -> io::Result<()> {
    put(dir, "header_page", build::HEADER_PAGE.trim_end_matches('\n'))?;
    put(dir, "header_event", build::HEADER_EVENT.trim_end_matches('\n'))?;
    for (event, format) in [("ras/mc_event", build::MC_EVENT_FORMAT), ("mce/mce_record", build::MCE_RECORD_FORMAT)] {
        let dir = dir.join(event);
        let id = format.lines().find_map(|line| line.strip_prefix("ID: ")).unwrap_or_default();
        put(&dir, "format", format.trim_end_matches('\n'))?;
        put(&dir, "id", id)?;
        put(&dir, "enable", 0)?;
    }
    Ok(())
}

/// An attribute with its newline, and the directories above it.
fn put(dir: &Path, name: &str, value: impl ToString) -> io::Result<()> {
    let path = dir.join(name);
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent)?;
    }
    std::fs::write(path, value.to_string() + "\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use kernel_watch::SystemFacts;
    use kernel_watch::edac::EdacTree;
    use kernel_watch::trace::{TraceInstance, TraceSetup};

    #[test]
    fn the_watching_side_takes_it_for_a_kernel() {
        let root = tempfile::tempdir().unwrap();
        let tree = Tree::make(root.path(), "own", "boot 1").unwrap();
        let inventory = EdacTree::new(&tree.sys()).inventory().unwrap();
        let labels: Vec<_> = inventory.dimms.iter().map(|d| d.label.clone()).collect();
        assert_eq!(labels, SLOTS.map(Slot::label));
        assert_eq!(inventory.controllers.len(), usize::from(CONTROLLERS));
        assert_eq!(SystemFacts::read(&tree.proc()).unwrap().boot_id, "boot 1");
        let instance = TraceInstance::open(&tree.tracefs(), "own", &TraceSetup::default()).unwrap();
        assert_eq!((instance.missing(), instance.remarks()), (&[][..], &[][..]));
    }
}
