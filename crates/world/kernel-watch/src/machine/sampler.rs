//! One look at the machine, and whether it is worth keeping: only what has changed is.

use crate::edac::{EdacError, EdacTree};
use crate::looks::{COLLECTOR, Knobs};
use kernel_bytes::totals;
use preflight::{Fact, Found};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use vocabulary::{ControllerName, MachineCounts, MachineSample, MachineSettings, Mono};

/// How often the settings are read; counts are read at every look.
const SETTINGS_NS: i64 = 5_000_000_000;

/// The state between two looks. Both roots may be directories that look like the real ones.
#[derive(Debug)]
pub struct MachineSampler {
    sys: PathBuf,
    proc: PathBuf,
    tree: EdacTree,
    /// Kept open, since it is read at every look.
    interrupts: Option<File>,
    /// Used again, since the file is long on machines with many CPUs.
    buffer: Vec<u8>,
    /// When the look before this one began, and what it saw.
    before: Option<(Mono, MachineCounts)>,
    settings: Option<MachineSettings>,
    settings_due: Mono,
}

impl MachineSampler {
    /// `sys` is `/sys` and `proc` is `/proc`. Nothing is read yet.
    #[must_use]
    pub fn new(sys: &Path, proc: &Path) -> MachineSampler {
        MachineSampler {
            sys: sys.to_owned(),
            proc: proc.to_owned(),
            tree: EdacTree::new(sys),
            interrupts: None,
            buffer: Vec::new(),
            before: None,
            settings: None,
            settings_due: Mono::default(),
        }
    }

    /// Looks at everything that is due; answers what is to be kept. The first look always is.
    pub fn look(&mut self) -> Option<MachineSample> {
        let began = clocks::mono();
        let counts = self.counts();
        let settings = (began >= self.settings_due).then(|| {
            self.settings_due = began.plus(SETTINGS_NS);
            settings(&self.sys, &self.proc, &self.tree)
        });
        let at = clocks::mono();
        let settings = settings.filter(|now| self.settings.as_ref() != Some(now));
        let before = self.before.replace((began, counts));
        if let Some(settings) = &settings {
            self.settings = Some(settings.clone());
        }
        if settings.is_none() && before.is_some_and(|(_, seen)| seen == counts) {
            return None;
        }
        Some(MachineSample { from: before.map_or(at, |(from, _)| from), at, counts, settings: settings.map(Box::new) })
    }

    /// Makes the next look read the settings too.
    pub fn look_at_settings(&mut self) {
        self.settings_due = Mono::default();
    }

    fn counts(&mut self) -> MachineCounts {
        let mut counts = MachineCounts::default();
        if self.read_interrupts().is_some() {
            totals::interrupts(&self.buffer, &mut counts);
        }
        // The file is there on kernels with CONFIG_RAS_CEC_DEBUG, for root.
        if let Ok(text) = std::fs::read_to_string(self.sys.join(COLLECTOR).join("array")) {
            totals::collector(&text, &mut counts);
        }
        if let Ok(text) = std::fs::read_to_string(self.proc.join("meminfo")) {
            totals::meminfo(&text, &mut counts);
        }
        counts
    }

    fn read_interrupts(&mut self) -> Option<()> {
        if self.interrupts.is_none() {
            self.interrupts = File::open(self.proc.join("interrupts")).ok();
        }
        let file = self.interrupts.as_mut()?;
        self.buffer.clear();
        let read = file.seek(SeekFrom::Start(0)).and_then(|_| file.read_to_end(&mut self.buffer));
        if read.is_err() {
            self.interrupts = None;
        }
        read.ok().map(|_| ())
    }
}

fn settings(sys: &Path, proc: &Path, tree: &EdacTree) -> MachineSettings {
    let knobs = Knobs::read(sys, proc);
    let number = |fact: &Fact| fact.value().and_then(|text| text.parse::<u64>().ok());
    let flag = |fact: &Fact| number(fact).map(|n| n != 0);
    let boot: Vec<String> = knobs
        .cmdline
        .value()
        .map(String::as_str)
        .unwrap_or_default()
        .split_whitespace()
        .filter(|word| word.starts_with("mce=") || word.starts_with("ras=") || matches!(*word, "mce" | "nomce"))
        .map(str::to_owned)
        .collect();
    MachineSettings {
        x86: knobs.arch.value().is_some_and(|arch| preflight::is_x86(arch)),
        machine_check: is_there(&knobs.machinecheck),
        check_interval_s: number(&knobs.check_interval),
        ignore_ce: flag(&knobs.ignore_ce),
        dont_log_ce: flag(&knobs.dont_log_ce),
        cmci_disabled: flag(&knobs.cmci_disabled),
        edac_poll_ms: number(&knobs.poll_msec),
        controllers: match tree.names() {
            Ok(names) => Some(names),
            Err(EdacError::NoController) => Some(Vec::new()),
            Err(EdacError::Unreadable { .. }) => None,
        },
        // parse_cec_param in drivers/ras/cec.c. Without a debugfs nothing can be seen of it.
        collector: match (&knobs.collector.found, &knobs.debugfs.found) {
            _ if boot.iter().any(|word| word == "ras=cec_disable") => Some(false),
            (Found::Value(()), _) => Some(true),
            (Found::Absent, Found::Value(true)) => Some(false),
            _ => None,
        },
        boot,
    }
}

fn is_there(fact: &Fact<()>) -> Option<bool> {
    match fact.found {
        Found::Value(()) => Some(true),
        Found::Absent => Some(false),
        Found::Unreadable(_) => None,
    }
}

impl EdacTree {
    /// The controllers with their drivers' names, in order; cheaper than the whole inventory.
    fn names(&self) -> Result<Vec<ControllerName>, EdacError> {
        let named = |(controller, dir): (u16, PathBuf)| {
            let name = std::fs::read_to_string(dir.join("mc_name")).ok();
            let name = name.map(|text| text.trim_end().to_owned()).filter(|text| !text.is_empty());
            ControllerName { controller, name }
        };
        Ok(self.controllers()?.into_iter().map(named).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(root: &Path, file: &str, text: &str) {
        let path = root.join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }

    /// The shape of arch_show_interrupts in arch/x86/kernel/irq.c on a machine with 192 CPUs.
    fn interrupts(thr: u64) -> String {
        let row = |name: &str, first: u64| format!("{name:>3}: {first:>10} {}  words\n", "         0 ".repeat(191));
        let rows = [("9", 1), ("NMI", 4), ("THR", thr), ("DFR", 0), ("MCE", 0), ("MCP", 12)];
        let rows: String = rows.iter().map(|(name, first)| row(name, *first)).collect();
        format!("            CPU0\n{rows}ERR:          0\n")
    }

    #[test]
    fn only_what_changed_is_kept() {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path();
        put(root, "proc/interrupts", &interrupts(5));
        put(root, "proc/cmdline", "quiet mce=no_cmci ras=debug root=/dev/vda\n");
        put(root, "proc/sys/kernel/arch", "x86_64\n");
        put(root, "proc/meminfo", "MemTotal:   1 kB\nHardwareCorrupted:     4 kB\n");
        put(root, "sys/devices/system/edac/mc/mc0/mc_name", "Some IMC#0\n");
        put(root, "sys/devices/system/machinecheck/machinecheck0/check_interval", "300\n");
        put(root, "sys/devices/system/machinecheck/machinecheck0/ignore_ce", "0\n");
        put(root, "sys/kernel/debug/ras/cec/array", "{ n: 0\n}\nStats:\nCEs: 9\noffline pages: 0\n");
        let mut sampler = MachineSampler::new(&root.join("sys"), &root.join("proc"));

        let first = sampler.look().unwrap();
        assert_eq!(first.from, first.at);
        let counts = first.counts;
        assert_eq!((counts.thr, counts.mcp, counts.mce, counts.dfr), (Some(5), Some(12), Some(0), Some(0)));
        assert_eq!((counts.collected, counts.corrupted_kb), (Some(9), Some(4)));
        let settings = first.settings.unwrap();
        assert_eq!(
            *settings,
            MachineSettings {
                x86: true,
                machine_check: Some(true),
                check_interval_s: Some(300),
                ignore_ce: Some(false),
                controllers: Some(vec![ControllerName { controller: 0, name: Some("Some IMC#0".into()) }]),
                collector: Some(true),
                boot: vec!["mce=no_cmci".into(), "ras=debug".into()],
                ..MachineSettings::default()
            }
        );
        assert_eq!(sampler.look(), None);

        put(root, "proc/interrupts", &interrupts(6));
        let step = sampler.look().unwrap();
        assert_eq!((step.counts.thr, step.settings), (Some(6), None));
        assert!(step.from < step.at && step.from >= first.at);

        // Somebody turns a knob.
        put(root, "sys/devices/system/machinecheck/machinecheck0/ignore_ce", "1\n");
        assert_eq!(sampler.look(), None);
        sampler.look_at_settings();
        let turned = sampler.look().unwrap();
        assert_eq!((turned.counts, turned.settings.unwrap().ignore_ce), (step.counts, Some(true)));
        sampler.look_at_settings();
        assert_eq!(sampler.look(), None);
    }

    #[test]
    fn a_machine_without_any_of_it() {
        let dir = tempfile::tempdir().unwrap();
        let mut sampler = MachineSampler::new(&dir.path().join("sys"), &dir.path().join("proc"));
        let first = sampler.look().unwrap();
        assert_eq!(first.counts, MachineCounts::default());
        let settings = first.settings.unwrap();
        assert_eq!((settings.machine_check, settings.controllers.as_deref()), (Some(false), Some(&[][..])));
        assert_eq!((settings.collector, settings.check_interval_s), (None, None));
        // A file that appears later is found.
        put(dir.path(), "proc/interrupts", "MCE:   1   2  Machine check exceptions\n");
        assert_eq!(sampler.look().unwrap().counts.mce, Some(3));
    }

    #[test]
    fn whether_the_collector_is_there() {
        // drivers/ras/cec.c: parse_cec_param, create_debugfs_nodes; fs/debugfs mounts on an empty directory.
        let seen = |files: &[(&str, &str)]| {
            let dir = tempfile::tempdir().unwrap();
            files.iter().for_each(|(file, text)| put(dir.path(), file, text));
            let mut sampler = MachineSampler::new(&dir.path().join("sys"), &dir.path().join("proc"));
            sampler.look().unwrap().settings.unwrap().collector
        };
        let there = ("sys/kernel/debug/ras/cec/decay_interval", "86400\n");
        assert_eq!(seen(&[there]), Some(true));
        assert_eq!(seen(&[there, ("proc/cmdline", "ras=cec_disable")]), Some(false));
        assert_eq!(seen(&[("sys/kernel/debug/sleep_time", "")]), Some(false));
        assert_eq!(seen(&[]), None);
    }

    #[test]
    fn this_machine() {
        let mut sampler = MachineSampler::new(Path::new("/sys"), Path::new("/proc"));
        assert!(sampler.look().is_some_and(|first| first.settings.is_some()));
    }
}
