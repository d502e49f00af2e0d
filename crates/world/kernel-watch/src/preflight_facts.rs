//! Reads what crate `preflight` judges: may this machine report errors at all?
//!
//! Nothing here decides, and nothing fails: a file that is not there or cannot be read is a fact as well. Nothing is
//! written, and no trace instance is made. `flipwitness preflight` calls it.

use crate::edac::{EdacError, EdacTree};
use crate::looks::{Knobs, fact, folder, found, text};
use nix::sys::statvfs::statvfs;
use nix::unistd::{AccessFlags, access};
use preflight::{Directory, Fact, Found, MachineFacts};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// Where to read: the roots may be directories that look like the real ones.
#[derive(Clone, Debug)]
pub struct Places {
    /// `/sys`.
    pub sys: PathBuf,
    /// The mount of tracefs.
    pub tracefs: PathBuf,
    /// `/proc`.
    pub proc: PathBuf,
    /// The name of the daemon's own trace instance.
    pub instance: String,
    /// The event with the fields of `ras:mc_event`, as group and name with a slash between.
    pub mc_event: String,
    /// The event with the fields of `mce:mce_record`.
    pub mce_record: String,
    /// The database, whether it is there yet or not.
    pub database: PathBuf,
}

/// Reads everything that there is to judge.
#[must_use]
pub fn machine_facts(places: &Places) -> MachineFacts {
    let sys = |path: &str| text(&places.sys.join(path));
    let proc = |path: &str| text(&places.proc.join(path));
    let events = places.tracefs.join("events");
    let knobs = Knobs::read(&places.sys, &places.proc);
    let parameter = |name: &str| sys(&format!("module/edac_core/parameters/{name}"));
    let inventory = EdacTree::new(&places.sys).inventory();
    let controllers = match &inventory {
        Ok(found) => Found::Value(found.controllers.iter().map(|c| (c.index, c.name.clone())).collect()),
        Err(EdacError::NoController) => Found::Absent,
        Err(EdacError::Unreadable { source, .. }) => Found::Unreadable(source.to_string()),
    };
    MachineFacts {
        arch: knobs.arch,
        cmdline: knobs.cmdline,
        controllers: fact(&places.sys.join("devices/system/edac/mc"), controllers),
        dimms: inventory.map(|found| found.dimms).unwrap_or_default(),
        panic_on_ue: parameter("edac_mc_panic_on_ue"),
        poll_msec: knobs.poll_msec,
        trace_events: folder(&events, |_| ()),
        trace_clock: text(&places.tracefs.join("trace_clock")),
        instances: instances(places),
        mc_event: text(&events.join(&places.mc_event).join("format")),
        mce_record: text(&events.join(&places.mce_record).join("format")),
        check_interval: knobs.check_interval,
        ignore_ce: knobs.ignore_ce,
        dont_log_ce: knobs.dont_log_ce,
        cmci_disabled: knobs.cmci_disabled,
        machinecheck: knobs.machinecheck,
        debugfs: knobs.debugfs,
        collector: knobs.collector,
        lockdown: sys("kernel/security/lockdown"),
        clocksource: sys("devices/system/clocksource/clocksource0/current_clocksource"),
        mounts: proc("self/mountinfo"),
        database: database(&places.database),
    }
}

fn instances(places: &Places) -> Fact<bool> {
    let dir = places.tracefs.join("instances");
    // A prepared instance is as good as the right to make one.
    let usable = dir.join(&places.instance).is_dir() || access(&dir, AccessFlags::W_OK).is_ok();
    folder(&dir, |_| usable)
}

fn database(path: &Path) -> Fact<Directory> {
    let dir = match path.parent() {
        Some(parent) if parent.as_os_str().is_empty() => Path::new("."),
        Some(parent) => parent,
        None => path,
    };
    let read = std::fs::metadata(dir).and_then(|meta| {
        if !meta.is_dir() {
            return Err(ErrorKind::NotADirectory.into());
        }
        // The types of these two differ from one C library to the next.
        #[allow(clippy::useless_conversion, reason = "see above")]
        let free = |told: nix::sys::statvfs::Statvfs| {
            u64::from(told.blocks_available()).saturating_mul(u64::from(told.fragment_size()))
        };
        Ok(Directory { writable: access(dir, AccessFlags::W_OK).is_ok(), free_bytes: statvfs(dir).ok().map(free) })
    });
    fact(dir, found(read))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(root: &Path) -> Places {
        Places {
            sys: root.join("sys"),
            tracefs: root.join("tracing"),
            proc: root.join("proc"),
            instance: "own".to_owned(),
            mc_event: "ras/mc_event".to_owned(),
            mce_record: "mce/mce_record".to_owned(),
            database: root.join("run.db"),
        }
    }

    fn put(root: &Path, file: &str, text: &str) {
        let path = root.join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }

    #[test]
    fn nothing_is_there() {
        let dir = tempfile::tempdir().unwrap();
        let facts = machine_facts(&places(dir.path()));
        assert!(facts.controllers.is_absent() && facts.dimms.is_empty());
        assert!(facts.trace_events.is_absent() && facts.machinecheck.is_absent() && facts.debugfs.is_absent());
        assert!(facts.cmdline.is_absent() && facts.mounts.is_absent() && facts.instances.is_absent());
        assert_eq!(facts.arch.value().map(String::as_str), Some(std::env::consts::ARCH));
        assert!(facts.database.value().is_some_and(|d| d.writable && d.free_bytes.is_some()));
        assert_eq!(facts.cmdline.file, dir.path().join("proc/cmdline").display().to_string());
        let nowhere = Places { database: dir.path().join("no/run.db"), ..places(dir.path()) };
        assert!(machine_facts(&nowhere).database.is_absent());
        let relative = Places { database: "run.db".into(), ..places(dir.path()) };
        assert_eq!(machine_facts(&relative).database.file, ".");
    }

    #[test]
    fn everything_is_there() {
        // The paths: Documentation/ABI/testing (sysfs-devices-edac, sysfs-mce), Documentation/trace/ftrace.rst,
        // drivers/edac/edac_mc_sysfs.c, drivers/ras/cec.c, security/lockdown/lockdown.c, kernel/time/clocksource.c.
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path();
        let mc0 = "sys/devices/system/edac/mc/mc0";
        let check = "sys/devices/system/machinecheck/machinecheck0";
        for (file, text) in [
            (format!("{mc0}/mc_name"), "some board\n"),
            (format!("{mc0}/dimm0/dimm_location"), "channel 0 slot 0 \n"),
            (format!("{mc0}/dimm0/dimm_label"), "A1\n"),
            (format!("{mc0}/dimm0/dimm_edac_mode"), "SECDED\n"),
            (format!("{check}/check_interval"), "300\n"),
            (format!("{check}/ignore_ce"), "0\n"),
            (format!("{check}/dont_log_ce"), "1\n"),
            (format!("{check}/cmci_disabled"), "0\n"),
            ("sys/module/edac_core/parameters/edac_mc_panic_on_ue".into(), "1\n"),
            ("sys/module/edac_core/parameters/edac_mc_poll_msec".into(), "1000\n"),
            ("sys/kernel/debug/ras/cec/decay_interval".into(), "86400\n"),
            ("sys/kernel/security/lockdown".into(), "none [integrity] confidentiality\n"),
            ("sys/devices/system/clocksource/clocksource0/current_clocksource".into(), "tsc\n"),
            ("tracing/events/ras/mc_event/format".into(), "name: mc_event\n"),
            ("tracing/events/mce/mce_record/format".into(), "name: mce_record\n"),
            ("tracing/trace_clock".into(), "[local] mono\n"),
            ("tracing/instances/own/trace_clock".into(), "local [mono]\n"),
            ("proc/sys/kernel/arch".into(), "x86_64\n"),
            ("proc/cmdline".into(), "quiet mce=no_cmci\n"),
            ("proc/self/mountinfo".into(), "22 1 0:21 / / ro - nfs 192.0.2.1:/ ro\n"),
        ] {
            put(root, &file, text);
        }
        let facts = machine_facts(&places(root));
        assert_eq!(facts.controllers.value().unwrap(), &[(0, Some("some board".to_owned()))]);
        assert_eq!((facts.dimms[0].label.as_str(), facts.dimms[0].edac_mode.as_deref()), ("A1", Some("SECDED")));
        assert_eq!((facts.instances.value(), facts.debugfs.value()), (Some(&true), Some(&true)));
        assert!(facts.machinecheck.value().is_some() && facts.collector.value().is_some());
        for (fact, text) in [
            (&facts.check_interval, "300"),
            (&facts.ignore_ce, "0"),
            (&facts.dont_log_ce, "1"),
            (&facts.cmci_disabled, "0"),
            (&facts.panic_on_ue, "1"),
            (&facts.poll_msec, "1000"),
            (&facts.lockdown, "none [integrity] confidentiality"),
            (&facts.clocksource, "tsc"),
            (&facts.mc_event, "name: mc_event"),
            (&facts.mce_record, "name: mce_record"),
            (&facts.trace_clock, "[local] mono"),
            (&facts.arch, "x86_64"),
            (&facts.cmdline, "quiet mce=no_cmci"),
            (&facts.mounts, "22 1 0:21 / / ro - nfs 192.0.2.1:/ ro"),
        ] {
            assert_eq!(fact.value().map(String::as_str), Some(text), "{}", fact.file);
        }
    }

    #[test]
    fn what_cannot_be_read_says_why() {
        let dir = tempfile::tempdir().unwrap();
        // A directory in the place of a file cannot be read, whoever tries.
        std::fs::create_dir_all(dir.path().join("proc/cmdline")).unwrap();
        // Debugfs that is not mounted is an empty directory.
        std::fs::create_dir_all(dir.path().join("sys/kernel/debug")).unwrap();
        // A file in the place of a directory means that the directory is not there.
        put(dir.path(), "tracing/events", "");
        let facts = machine_facts(&places(dir.path()));
        assert!(matches!(&facts.cmdline.found, Found::Unreadable(why) if !why.is_empty()), "{:?}", facts.cmdline);
        assert_eq!(facts.debugfs.value(), Some(&false));
        assert!(facts.trace_events.is_absent());
    }

    #[test]
    fn this_machine() {
        let dir = tempfile::tempdir().unwrap();
        let real = Places {
            sys: "/sys".into(),
            tracefs: "/sys/kernel/tracing".into(),
            proc: "/proc".into(),
            ..places(dir.path())
        };
        let facts = machine_facts(&real);
        assert!(facts.cmdline.value().is_some() && facts.mounts.value().is_some_and(|m| m.contains(" / ")));
    }
}
