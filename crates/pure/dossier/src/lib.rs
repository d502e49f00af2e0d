//! Why was a shot missed? Likely causes in plain words, the likeliest first, each with its evidence.
//!
//! [`Facts`] in (what the machine showed around one shot), [`Cause`]s out. Each cause is one rule in the file of the group that
//! it belongs to, and says no more than its evidence does: a rule that has none is silent. Nothing is read here and nothing is
//! decided about the shot: it stays missed. The crate `questions` gathers the facts from a run's database.

mod cause;
mod facts;
mod firmware;
mod late;
mod merged;
mod nothing;
mod silenced;
mod supply;
mod swallowed;

#[cfg(test)]
mod example;

pub use cause::{Cause, Evidence, Strength};
pub use facts::{Facts, LoneRecord, Moved, Nearby, Place, RailOutside, ShotsAfter};

/// A rule: the cause that the facts speak for, if they do.
type Rule = fn(&Facts) -> Option<Cause>;

/// All rules. Causes of one strength are told in this order: what is more particular comes first.
const RULES: [Rule; 23] = [
    swallowed::collector,
    swallowed::not_decoded,
    silenced::machine_check_off,
    silenced::guest,
    silenced::no_controller,
    silenced::no_ecc,
    silenced::ignore_ce,
    silenced::dont_log_ce,
    late::after_window,
    firmware::reporting_stopped,
    supply::rail_outside,
    swallowed::lost_in_kernel,
    swallowed::page_offline,
    merged::elsewhere,
    late::polling,
    late::interrupt_threshold,
    firmware::threshold,
    firmware::repeat_suppressed,
    merged::merged,
    merged::storm,
    late::clock,
    late::edac_polling,
    nothing::nothing_seen,
];

/// The rules that say why an error which the machine-check layer saw did not reach EDAC.
const RECORD_RULES: [Rule; 2] = [swallowed::collector, swallowed::not_decoded];

/// The likely causes, the likeliest first; in one order for the same facts. There is always one: if nothing speaks for any, that
/// is said.
#[must_use]
pub fn causes(facts: &Facts) -> Vec<Cause> {
    let rules: &[Rule] = if facts.told_by_record { &RECORD_RULES } else { &RULES };
    let mut causes: Vec<Cause> = rules.iter().filter_map(|rule| rule(facts)).collect();
    if causes.is_empty() && !facts.told_by_record {
        causes.push(nothing::no_clue(facts));
    }
    causes.sort_by_key(|cause| cause.strength);
    causes
}

#[cfg(test)]
mod tests {
    use super::*;
    use example::{at_ms, quiet};
    use std::collections::BTreeSet;

    #[test]
    fn the_strongest_comes_first_and_equals_keep_their_order() {
        let mut facts = quiet();
        facts.records = vec![example::record(at_ms(20))];
        facts.edit(|s| {
            s.collector = Some(true);
            s.edac_poll_ms = Some(9000);
            s.boot = vec!["mce=bios_cmci_threshold".to_owned()];
        });
        let found: Vec<_> = causes(&facts).into_iter().map(|c| (c.word, c.strength)).collect();
        assert_eq!(
            found,
            [
                ("collector", Strength::Likely),
                ("not_decoded", Strength::Possible),
                ("interrupt_threshold", Strength::Possible),
                ("edac_polling", Strength::NotExcluded),
            ]
        );
    }

    #[test]
    fn a_shot_that_only_the_machine_check_layer_saw_is_asked_why_edac_did_not() {
        let mut facts = quiet();
        facts.told_by_record = true;
        assert!(causes(&facts).is_empty());
        facts.records = vec![example::record(at_ms(20))];
        facts.edit(|s| s.collector = Some(false));
        assert_eq!(causes(&facts).iter().map(|c| c.word).collect::<Vec<_>>(), ["not_decoded"]);
    }

    #[test]
    fn there_is_always_an_answer_and_every_one_has_evidence_and_a_source() {
        let mut all = BTreeSet::new();
        for facts in example::many() {
            let found = causes(&facts);
            assert!(!found.is_empty() || facts.told_by_record, "{facts:?}");
            assert!(found.is_sorted_by_key(|c| c.strength));
            let words: BTreeSet<_> = found.iter().map(|c| c.word).collect();
            assert_eq!(words.len(), found.len(), "one cause twice: {words:?}");
            for cause in found {
                assert!(
                    !cause.evidence.is_empty() && cause.what.ends_with('.') && !cause.source.is_empty(),
                    "{cause:?}"
                );
                assert!(cause.evidence.iter().all(|e| !e.fact.is_empty() && !e.value.is_empty()), "{cause:?}");
                all.insert(cause.word);
            }
        }
        assert!(all.len() > 5, "{all:?}");
    }
}
