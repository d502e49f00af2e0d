//! Judges what lies around: lockdown, clock source, root file system, and the place of the database.
//!
//! Source of the words: `security/lockdown/lockdown.c`, `kernel/time/clocksource.c` and `Documentation/filesystems/proc.rst`
//! (mountinfo).

use crate::facts::{Found, MachineFacts};
use crate::finding::{Finding, evidence, unseen, without_value};

/// Less than this much room is told.
const LITTLE_BYTES: u64 = 1 << 30;

pub(crate) fn judge(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    lockdown(facts, findings);
    clocksource(facts, findings);
    root(facts, findings);
    database(facts, findings);
}

fn lockdown(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let fact = &facts.lockdown;
    if let Some(text) = fact.value() {
        match text.split(['[', ']']).nth(1) {
            Some("none") => findings.push(Finding::fine("The kernel is not locked down.", evidence(fact))),
            // include/linux/security.h: LOCKDOWN_TRACEFS lies above the limit of integrity, LOCKDOWN_DEBUGFS below.
            Some("integrity") => {
                let what =
                    "The kernel is locked down for integrity: files of debugfs are closed, the trace ring is not.";
                findings.push(Finding::fine(what, evidence(fact)));
            }
            _ => {
                let what = "The kernel is locked down: the trace ring may be closed even to root.";
                let remedy = "start the machine without lockdown=confidentiality";
                findings.push(Finding::warns(what, evidence(fact)).remedy(remedy));
            }
        }
    }
    findings.extend(unseen(fact, "whether the kernel is locked down"));
}

fn clocksource(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let fact = &facts.clocksource;
    if !facts.is_x86() {
        return;
    }
    if let Some(name) = fact.value() {
        if name == "tsc" {
            findings.push(Finding::fine("The clock source is the processor's own counter.", evidence(fact)));
        } else {
            let what =
                format!("The clock source is {name} and not tsc: reading the time is slower, and may be coarser.");
            let remedy = "where latencies are to be exact, read in the kernel's log why tsc was given up";
            findings.push(Finding::fine(what, evidence(fact)).remedy(remedy));
        }
    }
    findings.extend(unseen(fact, "what the clock source is"));
}

/// The root's line of `mountinfo`: its options, file system and source.
fn root_mount(mounts: &str) -> Option<(String, &str, &str)> {
    // Fields by Documentation/filesystems/proc.rst: id, parent, device, root, mount point, options, optional fields, "-",
    // file system, source, options of the super block. A later mount covers an earlier one.
    let line = mounts.lines().rfind(|line| line.split(' ').nth(4) == Some("/"))?;
    let (mount, rest) = line.split_once(" - ")?;
    let mut rest = rest.split(' ');
    let (kind, source) = (rest.next()?, rest.next()?);
    Some((format!("{},{}", mount.split(' ').nth(5)?, rest.next().unwrap_or_default()), kind, source))
}

fn root(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let fact = &facts.mounts;
    let Some(mounts) = fact.value() else {
        findings.extend(unseen(fact, "what the root file system is on"));
        return;
    };
    let Some((options, kind, source)) = root_mount(mounts) else { return };
    let is_read_only = options.split(',').any(|option| option == "ro");
    let access = if is_read_only { "read-only" } else { "writable" };
    let told = format!("{}: / is {kind} on {source}, {access}", fact.file);
    if source.starts_with("/dev/") && !is_read_only {
        let what = "The root file system is writable on a disk: an error that is not corrected, or corrected wrongly, \
                    can damage it for good.";
        findings.push(Finding::warns(what, told).remedy(
            "use a scratch machine whose root is read-only or from the network before uncorrectable errors, or three and \
             more lines at once, are injected; unplug other disks, and read backups back",
        ));
    } else {
        findings.push(Finding::fine("The root file system is read-only, or not itself on a disk.", told));
    }
}

fn database(facts: &MachineFacts, findings: &mut Vec<Finding>) {
    let fact = &facts.database;
    let elsewhere = "or name a database elsewhere with --db";
    match &fact.found {
        Found::Absent => {
            let what = "The directory of the database is not there: a run cannot be kept.";
            findings.push(Finding::warns(what, without_value(fact)).remedy(format!("make it, {elsewhere}")));
        }
        Found::Unreadable(_) => findings.extend(unseen(fact, "whether a database can be kept")),
        Found::Value(dir) if !dir.writable => {
            let what = "The directory of the database may not be written to: a run cannot be kept.";
            let told = format!("{}: may not be written to", fact.file);
            findings.push(Finding::warns(what, told).remedy(format!("run as its owner or as root, {elsewhere}")));
        }
        Found::Value(dir) => {
            let told = match dir.free_bytes {
                Some(bytes) => format!("{}: {} MiB are free", fact.file, bytes >> 20),
                None => format!("{}: its file system does not tell how much is free", fact.file),
            };
            if dir.free_bytes.is_some_and(|bytes| bytes < LITTLE_BYTES) {
                let what = "The database has little room: a long run may fill the disk.";
                findings.push(Finding::warns(what, told).remedy(format!("make room, {elsewhere}")));
            } else {
                findings.push(Finding::fine("The database can be written.", told));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Directory;
    use crate::Weight::Warns;
    use crate::example::{WINDOW, fact, faults, good, leads_to};

    #[test]
    fn lockdown_and_clock_source() {
        // lockdown_read in security/lockdown/lockdown.c puts the level in brackets.
        let locked = |text: &'static str| move |m: &mut MachineFacts| m.lockdown = fact("lockdown", text.into());
        leads_to(locked("none integrity [confidentiality]"), Warns, "locked down", "[confidentiality]");
        assert!(faults(locked("none [integrity] confidentiality")).is_empty());
        assert!(faults(|m| m.lockdown.found = Found::Absent).is_empty());
        // Another clock source is a note and no fault.
        let mut facts = good();
        facts.clocksource = fact("current_clocksource", "hpet".into());
        let told = crate::judge(&facts, WINDOW);
        let note = told.iter().find(|f| f.what.contains("hpet and not tsc")).unwrap();
        assert_eq!((note.weight, note.evidence.as_str()), (crate::Weight::Fine, "current_clocksource: hpet"));
        assert!(note.remedy.is_some());
    }

    #[test]
    fn the_root_file_system() {
        // Documentation/filesystems/proc.rst, section 3.5.
        let mounts = |text: &'static str| move |m: &mut MachineFacts| m.mounts = fact("mountinfo", text.into());
        let disk = "27 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda1 rw,errors=remount-ro";
        leads_to(mounts(disk), Warns, "writable on a disk", "/ is ext4 on /dev/vda1, writable");
        for harmless in [
            "27 1 254:0 / / ro,relatime shared:1 - ext4 /dev/vda1 rw",
            "27 1 254:0 / / rw,relatime - ext4 /dev/vda1 ro",
            "27 1 0:5 / / rw - tmpfs tmpfs rw,size=1k",
            "1 0 0:1 / / rw - ext4 /dev/sda1 rw\n27 1 0:9 / / rw - overlay overlay rw,lowerdir=/a",
            "27 1 254:0 / /home rw - ext4 /dev/vda1 rw",
            "not a line of it",
        ] {
            assert!(faults(mounts(harmless)).is_empty(), "{harmless}");
        }
    }

    #[test]
    fn the_database() {
        let dir = |writable, free_bytes| {
            move |m: &mut MachineFacts| m.database = fact("/data", Directory { writable, free_bytes })
        };
        leads_to(|m| m.database.found = Found::Absent, Warns, "is not there", "/data: not there");
        leads_to(dir(false, Some(1 << 40)), Warns, "may not be written", "/data: may not be written");
        leads_to(dir(true, Some((1 << 30) - 1)), Warns, "little room", "/data: 1023 MiB are free");
        assert!(faults(dir(true, Some(1 << 30))).is_empty());
        assert!(faults(dir(true, None)).is_empty());
    }
}
