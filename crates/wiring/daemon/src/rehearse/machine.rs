//! The simulated machine: says of a memory error what a kernel would say, in the way in which a kernel says it.
//!
//! Within one error the order is the kernel's: the machine-check record is traced first, then the EDAC driver's event
//! (`arch/x86/kernel/cpu/mce/core.c`), and the counters move after that, the controller's before the slot's
//! (`drivers/edac/edac_mc.c`). The machine knows nothing of injections; `play` tells it what goes wrong. Nothing here
//! speaks to the daemon but through the files.

use super::board::{CONTROLLERS, SLOTS, Slot};
use super::random::Random;
use super::tree::Tree;
use anyhow::{Context, Result};
use kernel_bytes::build::{self, PageWriter, RecordWriter, mc_event_record};
use kernel_bytes::{Format, McEvent, PageLayout};
use nix::fcntl::OFlag;
use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;
use vocabulary::{Class, Mono, Severity};

/// How many CPUs the simulated machine counts interrupts for.
const CPUS: u8 = 8;
/// From the machine-check record to the driver's event.
const DECODING_NS: i64 = 20_000;
/// The error lies somewhere in this many bytes.
const GRAIN: u64 = 32;

/// What goes wrong, as the machine sees it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Fault {
    /// The slot that the machine blames.
    pub(super) slot: Slot,
    /// How bad it says that it is.
    pub(super) severity: Severity,
    /// How many errors it says that there were.
    pub(super) count: u16,
}

/// A counter of sysfs. The file is overwritten in place and never emptied: a reader sees the old value or the new one.
struct Counter {
    file: File,
    value: u32,
}

impl Counter {
    fn open(dir: &Path, name: &str) -> Result<Counter> {
        let path = dir.join(name);
        let open = || -> std::io::Result<Counter> {
            let value = std::fs::read_to_string(&path)?.trim().parse().map_err(std::io::Error::other)?;
            Ok(Counter { file: OpenOptions::new().write(true).open(&path)?, value })
        };
        open().with_context(|| format!("cannot open the simulated counter {}", path.display()))
    }

    fn add(&mut self, count: u16) -> std::io::Result<()> {
        self.value = self.value.wrapping_add(u32::from(count));
        self.file.write_all_at(format!("{}\n", self.value).as_bytes(), 0)
    }
}

/// What the machine-check layer and the collector have counted. Each text takes the place of the one before in one step, so
/// that a reader sees the old or the new one.
struct Tallies {
    proc: PathBuf,
    collector: PathBuf,
    /// Corrected-error interrupts, by CPU.
    thr: Vec<u64>,
    /// Machine-check exceptions, by CPU.
    mce: Vec<u64>,
    /// Looks into the banks, by CPU: one with each corrected-error interrupt.
    mcp: Vec<u64>,
    /// Errors that the collector took in.
    collected: u64,
}

impl Tallies {
    fn start(tree: &Tree) -> Result<Tallies> {
        let none = vec![0; usize::from(CPUS)];
        let tallies = Tallies {
            proc: tree.proc(),
            collector: tree.collector(),
            thr: none.clone(),
            mce: none.clone(),
            mcp: none,
            collected: 0,
        };
        tallies.show().context("cannot write the simulated interrupts")?;
        Ok(tallies)
    }

    /// The interrupt that tells a CPU of an error.
    fn interrupt(&mut self, cpu: u8, class: Class) {
        let rows: [&mut Vec<u64>; 2] = match class {
            Class::Corrected => [&mut self.thr, &mut self.mcp],
            Class::NotCorrected => [&mut self.mce, &mut self.mcp],
        };
        for row in rows {
            row.iter_mut().skip(usize::from(cpu)).take(1).for_each(|count| *count += 1);
        }
    }

    /// The shapes are those of `arch_show_interrupts` in `arch/x86/kernel/irq.c` and `array_show` in `drivers/ras/cec.c`.
    fn show(&self) -> std::io::Result<()> {
        let row = |name: &str, counts: &[u64], what: &str| {
            let counts: String = counts.iter().map(|n| format!("{n:>10} ")).collect();
            format!("{name:>3}: {counts} {what}\n")
        };
        let heading: String = (0..CPUS).map(|cpu| format!("{:<11}", format!("CPU{cpu}"))).collect();
        let none = vec![0; usize::from(CPUS)];
        let interrupts = [
            format!("           {heading}\n"),
            row("0", &none, "IR-IO-APIC    2-edge      timer"),
            row("THR", &self.thr, "Threshold APIC interrupts"),
            row("DFR", &none, "Deferred Error APIC interrupts"),
            row("MCE", &self.mce, "Machine check exceptions"),
            row("MCP", &self.mcp, "Machine check polls"),
            "ERR:          0\nMIS:          0\n".to_owned(),
        ];
        replace(&self.proc, "interrupts", &interrupts.concat())?;
        let collected = self.collected;
        let array = format!("{{ n: 0\n}}\nStats:\nCEs: {collected}\nofflined pages: 0\nFlags: 0x0\n");
        replace(&self.collector, "array", &array)
    }
}

/// Puts a text in the place of a file. Whoever has a file open goes on reading that one, so it is written over in place where
/// its length stays the same, and replaced as a whole otherwise.
fn replace(dir: &Path, name: &str, text: &str) -> std::io::Result<()> {
    let path = dir.join(name);
    match OpenOptions::new().write(true).open(&path) {
        Ok(file) if file.metadata()?.len() == text.len() as u64 => file.write_all_at(text.as_bytes(), 0),
        _ => {
            let new = dir.join(format!(".{name}"));
            std::fs::write(&new, text)?;
            std::fs::rename(&new, &path)
        }
    }
}

/// Whose counter it is; no slot for a controller's total.
type CounterKey = (u8, Option<Slot>, Class);

/// See the module's page.
pub(super) struct Machine {
    layout: PageLayout,
    mc_event: Format,
    mce_record: Format,
    rings: BTreeMap<u8, File>,
    counters: BTreeMap<CounterKey, Counter>,
    tallies: Tallies,
    random: Random,
}

impl Machine {
    /// Opens the files that it writes.
    ///
    /// # Errors
    /// When one is not there.
    pub(super) fn start(tree: &Tree, random: Random) -> Result<Machine> {
        let mut rings = BTreeMap::new();
        for cpu in 0..CONTROLLERS {
            // Open for reading too, a FIFO lets itself be opened before the daemon does; and a ring never waits.
            let open =
                OpenOptions::new().read(true).write(true).custom_flags(OFlag::O_NONBLOCK.bits()).open(tree.ring(cpu));
            rings.insert(cpu, open.with_context(|| format!("cannot open the simulated ring of CPU {cpu}"))?);
        }
        let mut counters = BTreeMap::new();
        for (class, name) in [(Class::Corrected, "ce_count"), (Class::NotCorrected, "ue_count")] {
            for controller in 0..CONTROLLERS {
                counters.insert((controller, None, class), Counter::open(&tree.controller(controller), name)?);
            }
            for slot in SLOTS {
                let counter = Counter::open(&tree.slot(slot), &format!("dimm_{name}"))?;
                counters.insert((slot.controller, Some(slot), class), counter);
            }
        }
        Ok(Machine {
            layout: PageLayout::parse(build::HEADER_PAGE, build::HEADER_EVENT)?,
            mc_event: Format::parse(build::MC_EVENT_FORMAT)?,
            mce_record: Format::parse(build::MCE_RECORD_FORMAT)?,
            rings,
            counters,
            tallies: Tallies::start(tree)?,
            random,
        })
    }

    /// Reports an error `after` so long, and answers with the stamp of its event.
    ///
    /// # Errors
    /// When a file cannot be written; a full ring is one, since it means that the daemon does not read.
    pub(super) async fn report(&mut self, fault: Fault, after: Duration) -> Result<Mono> {
        tokio::time::sleep(after).await;
        let at = clocks::mono();
        self.tallies.interrupt(fault.slot.controller, fault.severity.class());
        self.tallies.show().context("cannot write the simulated interrupts")?;
        let page = self.page(fault, at);
        let ring = self.rings.get_mut(&fault.slot.controller).context("this controller has no ring")?;
        // A FIFO takes 4096 bytes as a whole or not at all (PIPE_BUF in pipe(7)).
        ring.write_all(&page).context("the simulated ring takes no more")?;
        tokio::time::sleep(Duration::from_micros(self.random.between(200, 4_000))).await;
        // One right after the other, as in the kernel: a total that stays ahead of its slots is an error without a place.
        for slot in [None, Some(fault.slot)] {
            let key = (fault.slot.controller, slot, fault.severity.class());
            let counter = self.counters.get_mut(&key).context("there is no such counter")?;
            counter.add(fault.count).context("cannot move a simulated counter")?;
        }
        Ok(at)
    }

    /// Finds a corrected error that the collector takes in `after` so long. Kernels up to version 5.6 leave no record of it: their
    /// first notifier stopped before the trace event (`mce_first_notifier` in `arch/x86/kernel/cpu/mce/core.c`).
    ///
    /// # Errors
    /// When a file cannot be written.
    pub(super) async fn collect(&mut self, slot: Slot, after: Duration) -> Result<()> {
        tokio::time::sleep(after).await;
        self.tallies.interrupt(slot.controller, Class::Corrected);
        self.tallies.collected += 1;
        self.tallies.show().context("cannot write what the simulated collector took in")
    }

    fn page(&mut self, fault: Fault, at: Mono) -> Vec<u8> {
        let Fault { slot, severity, count } = fault;
        // Each slot has 16 GiB of its own from 4 GiB on; errors do not come twice in one page of memory but by chance.
        let slots_before = SLOTS.iter().take_while(|s| **s != slot).count() as u64;
        let address = (1 << 32) + (slots_before << 34) + GRAIN * self.random.between(0, (1 << 29) - 1);
        let record = RecordWriter::new(&self.mce_record)
            .int("status", status(slot, severity, count))
            .int("bank", u64::from(7 + slot.controller))
            .int("addr", address)
            .int("cpu", u64::from(slot.controller))
            .int("tsc", at.0.unsigned_abs())
            .finish();
        let label = slot.label();
        let event = McEvent {
            t: at,
            error_type: if severity.class() == Class::Corrected { 0 } else { 1 },
            msg: b"memory read error",
            label: label.as_bytes(),
            error_count: count,
            mc_index: slot.controller,
            // The board's numbers are 0 and 1.
            top_layer: slot.channel.cast_signed(),
            middle_layer: slot.number.cast_signed(),
            lower_layer: -1,
            address,
            grain_bits: build::grain_bits(GRAIN),
            syndrome: self.random.between(1, 255),
            driver_detail: b"simulated",
        };
        let event = mc_event_record(&self.mc_event, &event);
        let mut writer = PageWriter::new(&self.layout);
        // Both records are far smaller than a sub-buffer.
        writer.push(at.minus(DECODING_NS), &record);
        writer.push(at, &event);
        writer.take().concat()
    }
}

/// MCi_STATUS of a memory read error: valid, with an address; corrected with its count in bits 38 to 52, or uncorrected and
/// enabled. Bits 4 to 6 hold "read" and bits 0 to 3 the channel (Intel's Software Developer's Manual, volume 3B, "Compound
/// error codes", memory controller errors; `arch/x86/include/asm/mce.h`).
fn status(slot: Slot, severity: Severity, count: u16) -> u64 {
    let code = 0x90 | u64::from(slot.channel);
    match severity.class() {
        Class::Corrected => (1 << 63) | (1 << 58) | (u64::from(count) << 38) | code,
        Class::NotCorrected => (1 << 63) | (1 << 61) | (1 << 60) | (1 << 58) | code,
    }
}

#[cfg(test)]
mod tests {
    use super::super::board::RIGHT_C2;
    use super::*;
    use kernel_bytes::{Events, Interner, Page};
    use std::io::Read;
    use vocabulary::{Layers, Source, Witness};

    fn witnesses(page: &[u8]) -> Vec<Witness> {
        let formats = [build::MC_EVENT_FORMAT, build::MCE_RECORD_FORMAT].map(|f| Format::parse(f).unwrap());
        let events = Events::from_formats(Some(&formats[0]), Some(&formats[1])).unwrap();
        let layout = PageLayout::parse(build::HEADER_PAGE, build::HEADER_EVENT).unwrap();
        let mut interner = Interner::new();
        Page::open(&layout, page)
            .unwrap()
            .map(|r| r.unwrap())
            .filter_map(|r| events.witness(r.payload, r.t, &mut interner).unwrap())
            .collect()
    }

    #[tokio::test]
    async fn what_the_collector_takes_is_counted_and_not_told() {
        let root = tempfile::tempdir().unwrap();
        let tree = Tree::make(root.path(), "own", "boot").unwrap();
        let mut machine = Machine::start(&tree, Random::new(7)).unwrap();
        let mut sampler = kernel_watch::machine::MachineSampler::new(&tree.sys(), &tree.proc());
        let first = sampler.look().unwrap();
        let settings = first.settings.unwrap();
        assert!(settings.x86 && settings.machine_check == Some(true) && settings.collector == Some(true));
        assert_eq!((first.counts.thr, first.counts.collected), (Some(0), Some(0)));
        machine.collect(RIGHT_C2, Duration::ZERO).await.unwrap();
        let counts = sampler.look().unwrap().counts;
        assert_eq!((counts.thr, counts.mcp, counts.mce, counts.collected), (Some(1), Some(1), Some(0), Some(1)));
        let fault = Fault { slot: RIGHT_C2, severity: Severity::Uncorrected, count: 1 };
        machine.report(fault, Duration::ZERO).await.unwrap();
        let counts = sampler.look().unwrap().counts;
        assert_eq!((counts.thr, counts.mcp, counts.mce, counts.collected), (Some(1), Some(2), Some(1), Some(1)));
        let read = |name: &str| std::fs::read_to_string(tree.slot(RIGHT_C2).join(name)).unwrap();
        assert_eq!((read("dimm_ce_count"), read("dimm_ue_count")), ("2\n".into(), "1\n".into()));
    }

    #[tokio::test]
    async fn one_error_is_two_records_and_four_counts() {
        let root = tempfile::tempdir().unwrap();
        let tree = Tree::make(root.path(), "own", "boot").unwrap();
        let mut machine = Machine::start(&tree, Random::new(7)).unwrap();
        let mut ring = File::open(tree.ring(1)).unwrap();
        for (severity, count) in [(Severity::Corrected, 3), (Severity::Uncorrected, 1)] {
            let at = machine.report(Fault { slot: RIGHT_C2, severity, count }, Duration::ZERO).await.unwrap();
            let mut page = vec![0; 4096];
            ring.read_exact(&mut page).unwrap();
            let [record, event] = witnesses(&page).try_into().unwrap();
            assert_eq!((record.source, event.source), (Source::MceRecord, Source::McEvent));
            assert_eq!((record.severity, event.severity), (severity, severity));
            assert_eq!((record.count, event.count), (u32::from(count), u32::from(count)));
            assert_eq!((record.address, event.span.to), (event.address, at));
            assert_eq!(
                (event.controller, event.layers, event.label.as_deref()),
                (Some(1), Layers([0, 1, -1]), Some("RIGHT_C2"))
            );
            assert!(record.is_memory_error() && record.span.to < at);
        }
        let read = |dir: &Path, name: &str| std::fs::read_to_string(dir.join(name)).unwrap();
        let (controller, slot) = (tree.controller(1), tree.slot(RIGHT_C2));
        assert_eq!((read(&controller, "ce_count"), read(&controller, "ue_count")), ("11\n".into(), "1\n".into()));
        assert_eq!((read(&slot, "dimm_ce_count"), read(&slot, "dimm_ue_count")), ("5\n".into(), "1\n".into()));
    }
}
