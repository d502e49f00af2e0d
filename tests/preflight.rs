//! `flipwitness preflight` as a process, on directories that stand for machines: what it says, and its exit status.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

#[path = "common/mod.rs"]
mod common;
use common::{Told, flipwitness};
use serde_json::Value;
use std::path::Path;

/// A machine made of files, and a configuration that leads there.
struct Machine(tempfile::TempDir);

const MC: &str = "sys/devices/system/edac/mc";
const CHECK: &str = "sys/devices/system/machinecheck/machinecheck0";

impl Machine {
    /// Nothing to find fault with. The names and texts are those of the kernel: drivers/edac/edac_mc_sysfs.c,
    /// Documentation/ABI/testing/sysfs-mce, Documentation/trace/ftrace.rst, Documentation/filesystems/proc.rst.
    fn good() -> Machine {
        let machine = Machine(tempfile::tempdir().unwrap());
        for (n, label) in ["A1", "B1"].into_iter().enumerate() {
            machine.put(&format!("{MC}/mc0/dimm{n}/dimm_location"), &format!("channel {n} slot 0 "));
            machine.put(&format!("{MC}/mc0/dimm{n}/dimm_label"), label);
            machine.put(&format!("{MC}/mc0/dimm{n}/dimm_edac_mode"), "SECDED");
        }
        for (file, text) in [
            ("sys/devices/system/edac/mc/mc0/mc_name", "Some Socket#0 IMC#0"),
            ("sys/devices/system/clocksource/clocksource0/current_clocksource", "tsc"),
            ("sys/module/edac_core/parameters/edac_mc_panic_on_ue", "0"),
            ("sys/module/edac_core/parameters/edac_mc_poll_msec", "1000"),
            ("sys/kernel/security/lockdown", "[none] integrity confidentiality"),
            ("sys/kernel/debug/sleep_time", ""),
            ("tracing/events/ras/mc_event/format", "name: mc_event"),
            ("tracing/events/mce/mce_record/format", "name: mce_record"),
            ("tracing/trace_clock", "[local] global mono"),
            ("tracing/instances/flipwitness/trace_clock", "local global [mono]"),
            ("proc/sys/kernel/arch", "x86_64"),
            ("proc/cmdline", "ro quiet"),
            ("proc/self/mountinfo", "22 1 0:21 / / ro,relatime - nfs 192.0.2.1:/root ro"),
        ] {
            machine.put(file, text);
        }
        for (file, text) in [("check_interval", "1"), ("ignore_ce", "0"), ("dont_log_ce", "0"), ("cmci_disabled", "0")]
        {
            machine.put(&format!("{CHECK}/{file}"), text);
        }
        machine
    }

    fn put(&self, file: &str, text: &str) {
        let path = self.0.path().join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, format!("{text}\n")).unwrap();
    }

    fn at(&self, path: &str) -> String {
        self.0.path().join(path).display().to_string()
    }

    fn preflight(&self, more: &[&str]) -> Told {
        let config = self.at("machine.toml");
        let text = format!(
            "[kernel]\nsys = {:?}\ntracefs = {:?}\nproc = {:?}\n[database]\npath = {:?}\n",
            self.at("sys"),
            self.at("tracing"),
            self.at("proc"),
            self.at("run.db")
        );
        std::fs::write(&config, text).unwrap();
        let told = flipwitness(&[&["preflight", "--config", &config], more].concat());
        assert_eq!(told.stderr, "");
        assert!(!Path::new(&self.at("run.db")).exists(), "a preflight opens no database");
        told
    }

    /// The answer, and its findings of this severity.
    fn found(&self, severity: &str) -> (Told, Value, Vec<String>) {
        let told = self.preflight(&["--json"]);
        let answer: Value = serde_json::from_str(&told.stdout).unwrap();
        let all = answer["findings"].as_array().unwrap();
        let what = |f: &Value| f["what"].as_str().unwrap().to_owned();
        let some = all.iter().filter(|f| f["severity"] == severity).map(what).collect();
        (told, answer, some)
    }
}

/// The temporary directory's own file system is not the machine's business: a full one is no reason to fail here.
fn without_room(what: Vec<String>) -> Vec<String> {
    what.into_iter().filter(|what| !what.starts_with("The database has little room")).collect()
}

#[test]
fn a_good_machine() {
    let machine = Machine::good();
    let (told, answer, warnings) = machine.found("warns");
    assert_eq!(without_room(warnings.clone()), [""; 0]);
    if warnings.is_empty() {
        assert_eq!((told.status, &answer["ready"]), (0, &Value::from("ready")));
        let text = machine.preflight(&[]);
        assert_eq!(text.status, 0);
        assert!(text.stdout.ends_with("Ready: nothing was found that keeps errors from being reported.\n"));
    }
    for finding in answer["findings"].as_array().unwrap() {
        let keys: Vec<&String> = finding.as_object().unwrap().keys().collect();
        assert_eq!(keys, ["evidence", "remedy", "severity", "what"]);
    }
}

#[test]
fn a_machine_with_warnings() {
    let machine = Machine::good();
    machine.put(&format!("{CHECK}/check_interval"), "300");
    machine.put("sys/kernel/debug/ras/cec/decay_interval", "86400");
    machine.put(&format!("{MC}/mc0/dimm1/dimm_label"), "A1");
    let (told, answer, warnings) = machine.found("warns");
    assert_eq!((told.status, &answer["ready"]), (1, &Value::from("warnings")));
    let starts = [
        "Several slots have the same label",
        "An error found by polling can take up to 300 s, longer than the window of 5.000 s.",
        "The collector of corrected errors is active",
    ];
    let warnings = without_room(warnings);
    assert_eq!(warnings.len(), starts.len(), "{warnings:#?}");
    assert!(warnings.iter().zip(starts).all(|(what, start)| what.starts_with(start)), "{warnings:#?}");

    // A longer window takes the second away; the flag goes before the configuration.
    let text = machine.preflight(&["--window", "10m"]);
    assert_eq!(text.status, 1);
    assert!(!text.stdout.contains("longer than the window"), "{}", text.stdout);
    let text = machine.preflight(&[]).stdout;
    assert!(text.starts_with("WARNS   Several slots have the same label"), "{text}");
    // Broken at blanks only, so a path is where a reader can copy it.
    assert!(text.contains(&format!("{}:", machine.at(&format!("{CHECK}/check_interval")))), "{text}");
    assert!(text.lines().last().unwrap().starts_with("Ready with warnings: "), "{text}");
}

#[test]
fn a_machine_that_cannot_report() {
    let machine = Machine::good();
    std::fs::remove_dir_all(machine.at(&format!("{MC}/mc0"))).unwrap();
    let (told, answer, blocks) = machine.found("blocks");
    assert_eq!((told.status, &answer["ready"]), (2, &Value::from("not_able")));
    assert_eq!(blocks, ["No memory controller is registered: nothing can be reported."]);
    assert_eq!(answer["findings"][0]["severity"], "blocks");
    let text = machine.preflight(&[]);
    assert_eq!(text.status, 2);
    assert!(text.stdout.starts_with("BLOCKS  No memory controller is registered"), "{}", text.stdout);
    assert!(text.stdout.lines().last().unwrap().starts_with("Not able: 1 of the findings"), "{}", text.stdout);
}

#[test]
fn this_very_machine() {
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("empty.toml").display().to_string();
    std::fs::write(&config, "").unwrap();
    let told = flipwitness(&["preflight", "--json", "--config", &config]);
    let answer: Value = serde_json::from_str(&told.stdout).unwrap();
    let word = answer["ready"].as_str().unwrap();
    let status = ["ready", "warnings", "not_able"].iter().position(|known| *known == word).unwrap();
    assert_eq!(told.status, i32::try_from(status).unwrap());
    assert!(!answer["findings"].as_array().unwrap().is_empty());
}

#[test]
fn other_errors_keep_their_statuses() {
    assert_eq!(flipwitness(&["preflight", "--config", "/nowhere/x.toml"]).status, 78);
    assert_eq!(flipwitness(&["preflight", "--window", "0s"]).status, 78);
    assert_eq!(flipwitness(&["preflight", "--window", "soon"]).status, 64);
    let help = flipwitness(&["preflight", "--help"]);
    assert!(help.stdout.contains("0 ready; 1 ready with warnings; 2 not able"), "{}", help.stdout);
}
