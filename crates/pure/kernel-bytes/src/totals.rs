//! Totals that the kernel prints as text: rows of `/proc/interrupts`, the collector's statistics, lines of `/proc/meminfo`.
//!
//! `kernel-watch` hands over what it read. A row that is not there is nothing and no error: other architectures and
//! configurations have other rows.

use vocabulary::MachineCounts;

/// Fills in the interrupt totals of the machine-check layer, each summed over all CPUs.
///
/// The rows stand behind those of the devices (`arch_show_interrupts` in `arch/x86/kernel/irq.c`), so the text is read from
/// its end: a machine with hundreds of CPUs has megabytes of it.
pub fn interrupts(text: &[u8], counts: &mut MachineCounts) {
    let mut wanted: [(&[u8], &mut Option<u64>); 4] =
        [(b"MCE", &mut counts.mce), (b"MCP", &mut counts.mcp), (b"THR", &mut counts.thr), (b"DFR", &mut counts.dfr)];
    let mut left = wanted.len();
    for row in text.rsplit(|byte| *byte == b'\n') {
        let row = row.trim_ascii_start();
        let Some(colon) = row.iter().take(8).position(|byte| *byte == b':') else { continue };
        let (name, rest) = row.split_at(colon);
        // Rows of devices begin with a number, and stand before all others.
        if left == 0 || name.first().is_some_and(u8::is_ascii_digit) {
            return;
        }
        if let Some((_, total)) = wanted.iter_mut().find(|(word, _)| *word == name) {
            **total = Some(sum(rest));
            left -= 1;
        }
    }
}

/// The numbers behind the colon, one a CPU; the description ends them.
fn sum(rest: &[u8]) -> u64 {
    let words = rest.split(u8::is_ascii_whitespace).skip(1).filter(|word| !word.is_empty());
    let numbers = words.map_while(|word| std::str::from_utf8(word).ok()?.parse::<u64>().ok());
    numbers.fold(0, u64::wrapping_add)
}

/// Fills in what the collector of corrected errors says it has taken in and put out of use.
///
/// The text is that of `array_show` in `drivers/ras/cec.c`.
pub fn collector(text: &str, counts: &mut MachineCounts) {
    counts.collected = after(text, "CEs:");
    counts.offlined = after(text, "offlined pages:");
}

/// Fills in how much memory is out of use, from the text of `/proc/meminfo` (`fs/proc/meminfo.c`).
pub fn meminfo(text: &str, counts: &mut MachineCounts) {
    counts.corrupted_kb = after(text, "HardwareCorrupted:");
}

/// The number behind the words that a line begins with.
fn after(text: &str, words: &str) -> Option<u64> {
    text.lines().find_map(|line| line.strip_prefix(words)?.split_whitespace().next()?.parse().ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The shape of arch_show_interrupts in arch/x86/kernel/irq.c, behind the rows of kernel/irq/proc.c.
    fn text(cpus: u64) -> String {
        let row = |name: &str, value: &dyn Fn(u64) -> u64, what: &str| {
            let numbers: String = (0..cpus).map(|cpu| format!("{:>10} ", value(cpu))).collect();
            format!("{name:>3}: {numbers} {what}\n")
        };
        let mut out: String = "           ".to_owned();
        out.extend((0..cpus).map(|cpu| format!("{:<11}", format!("CPU{cpu}"))));
        out.push('\n');
        out += &row("0", &|_| 7, "IR-IO-APIC    2-edge      timer");
        out += &row("128", &|cpu| cpu, "IR-PCI-MSIX-0000:00:03.0    0-edge      eth0-TxRx-0");
        out += &row("NMI", &|_| 1, "Non-maskable interrupts");
        out += &row("THR", &|cpu| u64::from(cpu == 3) * 2, "Threshold APIC interrupts");
        out += &row("DFR", &|_| 0, "Deferred Error APIC interrupts");
        out += &row("MCE", &|_| 0, "Machine check exceptions");
        out += &row("MCP", &|_| 288, "Machine check polls");
        out += "ERR:          0\nMIS:          0\n";
        out += &row("PIN", &|_| 0, "Posted-interrupt notification event");
        out
    }

    #[test]
    fn rows_are_summed_over_many_cpus() {
        for cpus in [4, 224, 1024] {
            let mut counts = MachineCounts::default();
            interrupts(text(cpus).as_bytes(), &mut counts);
            let told = (counts.mce, counts.mcp, counts.thr, counts.dfr);
            assert_eq!(told, (Some(0), Some(288 * cpus), Some(2), Some(0)), "{cpus}");
        }
    }

    #[test]
    fn rows_that_are_not_there_are_nothing() {
        let without = "          CPU0\n  0:    1  timer\nNMI:    0  Non-maskable interrupts\nMCE:   3  Machine check exceptions\n";
        let mut counts = MachineCounts::default();
        interrupts(without.as_bytes(), &mut counts);
        assert_eq!(counts, MachineCounts { mce: Some(3), ..MachineCounts::default() });
        // A device may be named like a row, and numbers of rows may be wide.
        for nonsense in ["", "\n\n", "THR", ":", "1234567890123: 1\n", "  9:  1  THR: 5\n"] {
            let mut counts = MachineCounts::default();
            interrupts(nonsense.as_bytes(), &mut counts);
            assert_eq!(counts, MachineCounts::default(), "{nonsense:?}");
        }
        interrupts(b"THR: many words\n", &mut counts);
        assert_eq!(counts.thr, Some(0));
    }

    #[test]
    fn the_collectors_statistics() {
        // array_show in drivers/ras/cec.c.
        let text = "{ n: 1\n   0: [0000000000012345|11|001]\n}\nStats:\nCEs: 17\nofflined pages: 3\nFlags: 0x0\n\
                    Decay interval: 86400 seconds\nDecays: 0\nAction threshold: 2\n";
        let mut counts = MachineCounts::default();
        collector(text, &mut counts);
        assert_eq!((counts.collected, counts.offlined), (Some(17), Some(3)));
        // meminfo_proc_show in fs/proc/meminfo.c.
        meminfo("MemTotal:       65536 kB\nHardwareCorrupted:    12 kB\nHugePages_Total:       0\n", &mut counts);
        assert_eq!(counts.corrupted_kb, Some(12));
        meminfo("MemTotal: 1 kB\n", &mut counts);
        assert_eq!(counts.corrupted_kb, None);
    }
}
