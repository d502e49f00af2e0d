//! The machine: its boots, and how it was set.

use super::Case;
use crate::snapshot::json_column;
use crate::{QuestionError, Snapshot};
use evidence::model::{Boot, Fact, Machine};
use rusqlite::OptionalExtension;
use vocabulary::{MachineSettings, Mono};

/// Where the kernel shows the settings of its machine-check layer (`arch/x86/kernel/cpu/mce/core.c`).
const MACHINE_CHECK: &str = "/sys/devices/system/machinecheck/machinecheck0";

impl Snapshot<'_> {
    pub(super) fn paper_machine(&self, case: &Case<'_>) -> Result<Machine, QuestionError> {
        let boots = case.summary.boots.iter().map(|boot| Boot {
            boot_id: boot.boot_id.clone(),
            kernel: boot.kernel.clone(),
            first: case.calendar.wall(boot.boot, Mono(boot.first_ns)),
            watched: case.calendar.wall(boot.boot, Mono(boot.watched_ns)),
        });
        let mut facts = Vec::new();
        if let Some((settings, seen)) = self.last_settings()? {
            facts = told(&settings);
            if seen > 1 {
                facts.push(fact(
                    "Settings seen in all",
                    &format!("{seen}: they changed, and these are the last"),
                    None,
                ));
            }
        }
        Ok(Machine { boots: boots.collect(), facts })
    }

    /// How the machine was set last, and how many settings were seen.
    fn last_settings(&self) -> Result<Option<(MachineSettings, i64)>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT settings, count(*) OVER () FROM machine_setting JOIN boot USING (boot) WHERE run = ?1
             ORDER BY boot DESC, at_ns DESC LIMIT 1",
        )?;
        Ok(ask.query_row([self.run], |row| Ok((json_column(row, 0)?, row.get(1)?))).optional()?)
    }
}

fn fact(what: &str, value: &str, source: Option<String>) -> Fact {
    Fact { what: what.to_owned(), value: value.to_owned(), source }
}

/// What is known of the settings. What could not be read is left out.
fn told(settings: &MachineSettings) -> Vec<Fact> {
    let yes = |is: bool| if is { "yes" } else { "no" };
    let of_machine_check = |file: &str| Some(format!("{MACHINE_CHECK}/{file}"));
    let mut facts = Vec::new();
    if let Some(controllers) = &settings.controllers {
        let name = |c: &vocabulary::ControllerName| {
            format!("mc{} ({})", c.controller, c.name.as_deref().unwrap_or("without a name"))
        };
        let names: Vec<String> = controllers.iter().map(name).collect();
        let names = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        facts.push(fact("Memory controllers", &names, Some("/sys/devices/system/edac/mc/mc*/mc_name".to_owned())));
        let first = yes(settings.is_firmware_first(None));
        facts.push(fact("Firmware reads errors first", first, Some("the name of the driver".to_owned())));
    }
    if settings.x86 {
        let shown = settings.machine_check;
        let rows = [
            ("Machine-check banks are shown", shown, Some(MACHINE_CHECK.to_owned())),
            ("Corrected errors are left alone", settings.ignore_ce, of_machine_check("ignore_ce")),
            ("Corrected errors are dropped unlogged", settings.dont_log_ce, of_machine_check("dont_log_ce")),
            ("Corrected errors raise no interrupt", settings.cmci_disabled, of_machine_check("cmci_disabled")),
        ];
        for (what, is, source) in rows {
            facts.extend(is.map(|is| fact(what, yes(is), source)));
        }
        if let Some(s) = settings.check_interval_s {
            let every = if s == 0 { "never".to_owned() } else { format!("every {s} s") };
            facts.push(fact("Machine-check banks are polled", &every, of_machine_check("check_interval")));
        }
    }
    if let Some(ms) = settings.edac_poll_ms {
        let source = "/sys/module/edac_core/parameters/edac_mc_poll_msec".to_owned();
        facts.push(fact("Controllers without interrupts are polled", &format!("every {ms} ms"), Some(source)));
    }
    if let Some(collector) = settings.collector {
        let is = if collector { "there: it takes corrected errors away" } else { "not there" };
        facts.push(fact("Collector of corrected errors", is, Some("/sys/kernel/debug/ras/cec".to_owned())));
    }
    let boot = if settings.boot.is_empty() { "none".to_owned() } else { settings.boot.join(" ") };
    facts.push(fact("Boot parameters about errors", &boot, Some("/proc/cmdline".to_owned())));
    facts
}
