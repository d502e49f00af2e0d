//! How it was measured: settings, sources, formulas, what was not counted, and what the numbers do not show.

use super::rails::Rails;
use super::time::Seen;
use super::{Case, latency, misses};
use crate::{ClockRow, QuestionError, Snapshot};
use ::verdict::criteria::Method as Counting;
use evidence::formulas;
use evidence::model::{Estimator, Fact, Formula, Latency, Method, NotCounted, Orphans};
use serde_json::Value;

/// More settings than this are not shown.
const MOST_SETTINGS: usize = 300;
/// So many of the first reports are asked what told them.
const FIRST_REPORTS: i64 = 2000;

/// What other parts of the page have used.
pub(super) struct Used<'a> {
    pub(super) latency: &'a Latency,
    pub(super) orphans: &'a Orphans,
    pub(super) seen: Seen,
    pub(super) rails: &'a Rails,
}

impl Snapshot<'_> {
    pub(super) fn paper_method(&self, case: &Case<'_>, used: &Used<'_>) -> Result<Method, QuestionError> {
        let mut settings = Vec::new();
        flatten(&case.summary.settings, "", &mut settings);
        settings.truncate(MOST_SETTINGS);
        Ok(Method {
            window_ns: case.window_ns,
            deadline_ns: case.deadline_ns,
            sources: self.sources()?,
            formulas: calculated(case, used, &self.clocks()?),
            not_counted: not_counted(case),
            limits: limits(case, used),
            settings,
        })
    }

    /// The sources that are known to have told something: from the counters that were kept, the first reports, and the machine-check
    /// records, each found by an index.
    fn sources(&self) -> Result<Vec<String>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM (SELECT anchor FROM report WHERE run = ?1 ORDER BY report LIMIT ?2) o
                            JOIN witness w ON w.witness = o.anchor WHERE w.source = 'mc_event'),
                    EXISTS (SELECT 1 FROM boot b CROSS JOIN witness w ON w.boot = b.boot
                            WHERE b.run = ?1 AND w.source = 'mce_record'),
                    EXISTS (SELECT 1 FROM boot b JOIN counter c ON c.boot = b.boot WHERE b.run = ?1)
                    OR EXISTS (SELECT 1 FROM (SELECT anchor FROM report WHERE run = ?1 ORDER BY report LIMIT ?2) o
                               JOIN witness w ON w.witness = o.anchor WHERE w.source = 'counter')",
        )?;
        let told: [bool; 3] =
            ask.query_row([self.run, FIRST_REPORTS], |row| Ok([row.get(0)?, row.get(1)?, row.get(2)?]))?;
        let names = ["the trace event ras:mc_event", "the trace event mce:mce_record", "EDAC's counters in sysfs"];
        Ok(names.iter().zip(told).filter(|(_, told)| *told).map(|(name, _)| (*name).to_owned()).collect())
    }
}

/// Settings as a table has them: one row a value, with the path to it.
fn flatten(value: &Value, path: &str, to: &mut Vec<Fact>) {
    let below = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
    match value {
        Value::Object(map) => map.iter().for_each(|(key, value)| flatten(value, &below(key), to)),
        Value::Array(list) if list.iter().any(|v| v.is_object() || v.is_array()) => {
            list.iter().enumerate().for_each(|(n, value)| flatten(value, &below(&n.to_string()), to));
        }
        value => {
            let text = match value {
                Value::Null => "not set".to_owned(),
                Value::Array(list) if list.is_empty() => "none".to_owned(),
                Value::String(text) => text.clone(),
                other => other.to_string(),
            };
            to.push(Fact { what: path.to_owned(), value: text, source: None });
        }
    }
}

fn calculated(case: &Case<'_>, used: &Used<'_>, clocks: &[ClockRow]) -> Vec<Formula> {
    let any_judged = case.slots.iter().any(|slot| slot.watched + slot.missed > 0);
    let estimated = |with: Estimator| used.latency.curves.iter().any(|c| c.estimator == with && !c.steps.is_empty());
    let judged = case.order.judged.map(|judged| judged.judgement);
    let all = [
        (formulas::PAIRING, case.summary.totals.shots > 0),
        (formulas::EXACT_BOUND, any_judged),
        (formulas::EXACT_INTERVAL, any_judged),
        (formulas::HOLM, judged.is_some_and(|j| j.slots_together)),
        (formulas::WALD, judged.is_some_and(|j| j.method == Counting::Sequential)),
        (formulas::CHANCE, case.slots.iter().any(|slot| slot.chance.accidental.is_some())),
        (formulas::KAPLAN_MEIER, estimated(Estimator::KaplanMeier)),
        (formulas::TURNBULL, estimated(Estimator::Turnbull)),
        (formulas::ORDER_STATISTICS, !used.latency.curves.is_empty()),
        (formulas::POISSON_INTERVAL, !used.orphans.by_slot.is_empty()),
        (formulas::ENVELOPE, clocks.iter().any(|clock| clock.how == "one-way")),
        (formulas::FOUR_STAMPS, clocks.iter().any(|clock| clock.how == "two-way")),
    ];
    all.into_iter().filter(|(_, is_used)| *is_used).map(|(formula, _)| formula).collect()
}

fn not_counted(case: &Case<'_>) -> Vec<NotCounted> {
    let t = &case.summary.totals;
    let rows = [
        ("Open shots", t.open, "They are not settled yet: a report may still come."),
        (
            "Unknowable shots",
            t.unknowable,
            "No report fits, but something was not watched in their window: nobody can know.",
        ),
        (
            "Unwatched shots",
            t.detected - t.watched,
            "Detected, but something was not watched in their window: had one been missed, nobody would know.",
        ),
        (
            "Dangerous shots",
            t.dangerous,
            "Reported as corrected where the code more likely than not took several wrong bits for another one, so that the \
             data are wrong: no pass and no miss. Detection is judged without them.",
        ),
        ("Orphans without a slot", t.orphans_without_place, "They name no slot, or several: no slot's rate has them."),
    ];
    let told = |(what, count, why): (&str, i64, &str)| NotCounted { what: what.to_owned(), count, why: why.to_owned() };
    rows.into_iter().map(told).collect()
}

fn limits(case: &Case<'_>, used: &Used<'_>) -> Vec<String> {
    let mut limits = Vec::new();
    if !used.latency.curves.is_empty() {
        limits.push(
            "Latencies are kept in cells: both ends of what is known of each are rounded outward by less than 1/32, so that none is told \
             to be shorter than it was."
                .to_owned(),
        );
        limits.push(latency::RULE.to_owned());
        if used.latency.each == "controller" {
            limits.push(format!(
                "More than {} slots had shots: latencies are shown for each controller, not for each slot.",
                latency::MOST_SLOTS
            ));
        }
    }
    if case.order.judged.is_some() && used.latency.curves.iter().any(|curve| curve.shots > 0) {
        limits.push(
            "The intervals of part 4 are those of the counted misses. The bounds of part 2 allow besides for doubt about which report belongs to \
             which shot, and for detections by chance, so that they are a little wider."
                .to_owned(),
        );
    }
    if whole_count(case.summary.totals.missed) > misses::LOOKED_INTO {
        limits.push(format!("Only the first {} misses were looked into for their causes.", misses::LOOKED_INTO));
    }
    if used.seen.beyond > 0 {
        limits.push(format!(
            "{} shots or orphans lie outside of the time for which the run is known to have been watched: the time line has them in its first or \
             last bin.",
            used.seen.beyond
        ));
    }
    if case.calendar.without_pair > 0 {
        limits.push(format!(
            "In {} of the boots no pair of the machine's two clocks was measured: their dates are reckoned from the beginning of the run.",
            case.calendar.without_pair
        ));
    }
    if used.rails.excursions > 0 {
        limits.push(
            "Rails outside their limits are told in whole seconds of the boot's clock; excursions in seconds next to each other are one here."
                .to_owned(),
        );
    }
    if used.rails.left_out > 0 {
        limits.push(format!("{} further rails were read that the page does not show.", used.rails.left_out));
    }
    if used.rails.not_drawn > 0 {
        limits.push(format!("{} rails are in the table only, and not drawn.", used.rails.not_drawn));
    }
    limits
}

fn whole_count(count: i64) -> usize {
    usize::try_from(count).unwrap_or(0)
}
