//! Nothing in the kernel points to an error: the shot may have made none.
//!
//! Source of the mechanisms: `arch/x86/kernel/irq.c` for the counts; what a forced line does to a burst of eight beats follows
//! from JESD79-4, section "Burst Length".

use crate::cause::{Cause, Evidence, Strength};
use crate::facts::{Facts, seconds};
use vocabulary::Role;

/// Beats of one burst of DDR4 (BL8); DDR5 has sixteen.
const BEATS: u32 = 8;

/// No record, no report without a shot, and no interrupt that would not belong to another error.
pub(crate) fn nothing_seen(facts: &Facts) -> Option<Cause> {
    let strays = facts.within.iter().any(|r| r.role == Role::Orphan && r.may_be_here());
    if strays || !facts.records.is_empty() || facts.collected() > 0 || facts.unexplained_interrupts().is_some() {
        return None;
    }
    let settings = facts.settings.as_ref()?;
    // Where an error would not show in the counts, their silence says little.
    let would_show = settings.x86
        && !facts.is_firmware_first()
        && settings.ignore_ce != Some(true)
        && settings.cmci_disabled != Some(true)
        && facts.raises_interrupts() == Some(true);
    let strength = if would_show && facts.interrupts() == Some(0) { Strength::Likely } else { Strength::Possible };
    let what = match strength {
        Strength::Likely => {
            "The processor saw no error: most likely none happened. Perhaps nothing was read from the slot while the lines were \
             forced, the data came from a cache, or the lines had the forced value anyway."
        }
        _ => {
            "Nothing was seen that points to an error: perhaps none happened, since nothing was read from the slot while the lines \
             were forced, the data came from a cache, or the lines had the forced value anyway."
        }
    };
    let cause = Cause::new("nothing_seen", strength, what, "arch/x86/kernel/irq.c");
    Some(
        cause
            .and(facts.interrupt_rows())
            .seen("machine-check records without an event", "none in the window")
            .and(forcing(facts)),
    )
}

/// Nothing speaks for any cause: that is said, with how little is known.
pub(crate) fn no_clue(facts: &Facts) -> Cause {
    let what = match facts.settings {
        None => {
            "What the machine showed around the shot was not kept, and no report speaks for a cause: nothing can be said."
        }
        Some(_) => "Something was seen around the shot, but it speaks for no cause that is known here.",
    };
    let kept = if facts.moved.is_some() { "kept" } else { "not kept" };
    Cause::new("no_clue", Strength::NotExcluded, what, "arch/x86/kernel/irq.c")
        .seen("counts around the shot", kept)
        .and(facts.interrupt_rows())
        .and(forcing(facts))
}

/// What was done to the lines, and how often that makes no error by itself.
fn forcing(facts: &Facts) -> Vec<Evidence> {
    let lines = if facts.lines.is_empty() { "lines that were not named".to_owned() } else { facts.lines.join(" ") };
    let force = facts.force.as_deref().map(|f| format!(" {f}")).unwrap_or_default();
    let row = |fact: &str, value: String| Evidence { fact: fact.to_owned(), value };
    let mut out = vec![row("forced", format!("{lines}{force} for {}", seconds(facts.hold_ns)))];
    if matches!(facts.force.as_deref(), Some("low" | "high")) && !facts.lines.is_empty() {
        let bits = u32::try_from(facts.lines.len()).unwrap_or(u32::MAX).saturating_mul(BEATS);
        // Beyond this nobody cares.
        let chance = 1_u64.checked_shl(bits).map_or_else(|| "less than 1 in 10^19".to_owned(), |n| format!("1 in {n}"));
        out.push(row("chance that a burst of eight beats of random data shows no error", chance));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::{at_ms, quiet, record, report, tells};
    use crate::{Nearby, Place};

    #[test]
    fn nothing_at_all() {
        // arch_show_interrupts in arch/x86/kernel/irq.c: MCE, MCP, THR, DFR.
        let facts = quiet();
        tells(&facts, nothing_seen, Strength::Likely, "MCE +0, THR +0, DFR +0, MCP +5 from 500 ms before the shot");
        tells(&facts, nothing_seen, Strength::Likely, "forced: DQ3 low for 0.250 ms");
        // JESD79-4: eight beats, so 2^8 values of one line.
        tells(&facts, nothing_seen, Strength::Likely, "shows no error: 1 in 256");
        let many = Facts { lines: vec![String::new(); 9], ..quiet() };
        tells(&many, nothing_seen, Strength::Likely, "shows no error: less than 1 in 10^19");
        let mut inverted = quiet();
        inverted.force = Some("invert".into());
        assert!(!format!("{:?}", nothing_seen(&inverted)).contains("random data"));
    }

    #[test]
    fn silence_proves_less_where_an_error_would_not_show() {
        let mut facts = quiet();
        facts.moved.as_mut().unwrap().since_start.thr = Some(0);
        tells(&facts, nothing_seen, Strength::Possible, "none in the window");
        let mut facts = quiet();
        facts.edit(|s| s.cmci_disabled = Some(true));
        tells(&facts, nothing_seen, Strength::Possible, "none in the window");
        // Interrupts that other errors explain.
        let mut facts = quiet();
        let moved = facts.moved.as_mut().unwrap();
        (moved.by.thr, moved.reports) = (Some(3), 3);
        tells(&facts, nothing_seen, Strength::Possible, "reports: 3 reported in that time");
        let mut facts = quiet();
        facts.moved = None;
        tells(&facts, nothing_seen, Strength::Possible, "none in the window");
    }

    #[test]
    fn anything_seen_is_not_nothing() {
        let seen = |change: fn(&mut Facts)| {
            let mut facts = quiet();
            change(&mut facts);
            nothing_seen(&facts)
        };
        assert_eq!(seen(|f| f.records.push(record(at_ms(5)))), None);
        assert_eq!(seen(|f| f.moved.as_mut().unwrap().by.thr = Some(1)), None);
        assert_eq!(seen(|f| f.moved.as_mut().unwrap().by.collected = Some(1)), None);
        let orphan = |f: &mut Facts| {
            f.within.push(Nearby { role: Role::Orphan, place: Place::Unknown, ..report(1, at_ms(5)) });
        };
        assert_eq!(seen(orphan), None);
    }

    #[test]
    fn nothing_kept_is_said() {
        let mut facts = quiet();
        (facts.settings, facts.moved) = (None, None);
        let told = crate::causes(&facts);
        assert_eq!(told.iter().map(|c| (c.word, c.strength)).collect::<Vec<_>>(), [("no_clue", Strength::NotExcluded)]);
        assert!(told[0].what.contains("was not kept"));
    }
}
