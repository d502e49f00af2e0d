//! What a verdict consists of: findings, each about one slot and one criterion, with the numbers behind it.
//!
//! Plain data for whoever shows it: every number has a name and a unit, every finding a sentence and the question that shows the
//! shots behind it. `judge` and the files of the criteria make these; nothing here decides.

use crate::criteria::{Criteria, Method};
use crate::evidence::RunState;
use serde::Serialize;

/// What the evidence says about a criterion.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It is shown that the criterion is met.
    Met,
    /// It is shown that it is not.
    NotMet,
    /// Neither is shown.
    NotEnough,
}

impl Verdict {
    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Met => "met",
            Verdict::NotMet => "not_met",
            Verdict::NotEnough => "not_enough",
        }
    }

    /// The exit status that says it: 0, 1 and 2.
    #[must_use]
    pub fn exit_status(self) -> u8 {
        match self {
            Verdict::Met => 0,
            Verdict::NotMet => 1,
            Verdict::NotEnough => 2,
        }
    }

    /// Of several that must all be met: not met if any is not, else not enough if any is not enough, else met.
    #[must_use]
    pub fn of_all(all: impl IntoIterator<Item = Verdict>) -> Verdict {
        all.into_iter().fold(Verdict::Met, |so_far, one| match (so_far, one) {
            (Verdict::NotMet, _) | (_, Verdict::NotMet) => Verdict::NotMet,
            (Verdict::NotEnough, _) | (_, Verdict::NotEnough) => Verdict::NotEnough,
            _ => Verdict::Met,
        })
    }
}

/// Which criterion.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Criterion {
    /// Shots at the slot: `[cover]`.
    CoverSlot,
    /// Lines forced at the slot: `[cover]`.
    CoverLines,
    /// `[detection]`
    Detection,
    /// `[latency]`
    Latency,
    /// `[misplaced]`
    Misplaced,
    /// `[misgraded]`
    Misgraded,
    /// `[dangerous]`
    Dangerous,
    /// `[orphans]`
    Orphans,
}

impl Criterion {
    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Criterion::CoverSlot => "cover_slot",
            Criterion::CoverLines => "cover_lines",
            Criterion::Detection => "detection",
            Criterion::Latency => "latency",
            Criterion::Misplaced => "misplaced",
            Criterion::Misgraded => "misgraded",
            Criterion::Dangerous => "dangerous",
            Criterion::Orphans => "orphans",
        }
    }
}

/// A number with its name and unit.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Number {
    /// What it is, as a key: lower case, words joined by `_`.
    pub name: &'static str,
    /// The number.
    pub value: Value,
    /// Of what: `shots`, `share` (of 1), `ms`, `hours`, `per_hour`, `reports`, `lines`, `misses`.
    pub unit: &'static str,
}

/// A whole number or not.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
#[serde(untagged)]
pub enum Value {
    /// A count.
    Count(u64),
    /// Anything else.
    Real(f64),
}

impl Number {
    /// A count.
    #[must_use]
    pub fn count(name: &'static str, value: u64, unit: &'static str) -> Number {
        Number { name, value: Value::Count(value), unit }
    }

    /// A number that need not be whole.
    #[must_use]
    pub fn real(name: &'static str, value: f64, unit: &'static str) -> Number {
        Number { name, value: Value::Real(value), unit }
    }
}

/// An end of an interval.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Bound {
    /// The lower one.
    Lower,
    /// The upper one.
    Upper,
}

/// What the evidence says about one criterion at one slot.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Finding {
    /// The slot's name.
    pub slot: String,
    /// The criterion.
    pub criterion: Criterion,
    /// What the evidence says.
    pub verdict: Verdict,
    /// What is asked, in words.
    pub requirement: String,
    /// What was found, in words: one sentence.
    pub sentence: String,
    /// The unit of `limit`, `estimate`, `lower` and `upper`: `share`, `ms`, `per_hour`, `shots` or `lines`.
    pub unit: &'static str,
    /// What is asked, as a number.
    pub limit: f64,
    /// The best single guess; nothing where there is none.
    pub estimate: Option<f64>,
    /// The one-sided lower bound; nothing where there is none. Both bounds have the confidence that their statement needs.
    pub lower: Option<f64>,
    /// The one-sided upper bound; nothing where there is none.
    pub upper: Option<f64>,
    /// Which of the two led to the verdict; for `not_enough`, the one that would have to pass the limit for `met`. Nothing
    /// where no bound is involved.
    pub used: Option<Bound>,
    /// The confidence of that bound: that of the criteria, or more where statements about several slots hold together.
    pub confidence: f64,
    /// The numbers behind it.
    pub numbers: Vec<Number>,
    /// What would settle it if all went well from here; nothing where it is settled, or no number is known.
    pub more: Option<More>,
    /// The question that shows the shots or reports behind it.
    pub ask: Ask,
}

/// What is missing.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct More {
    /// How much.
    pub number: Number,
    /// The same in words, such as `59 more shots without a miss`.
    pub text: String,
}

/// A question to the database.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Ask {
    /// Its name: `shots` or `orphans`.
    pub question: &'static str,
    /// The slot.
    pub slot: Option<String>,
    /// A filter of the question's, such as `missed`.
    pub filter: Option<&'static str>,
    /// The same as a command to be copied.
    pub command: String,
}

impl Ask {
    /// The shots of a slot.
    pub(crate) fn shots(run: &str, slot: &str, filter: Option<&'static str>) -> Ask {
        let flag = filter.map(|filter| format!(" --{filter}")).unwrap_or_default();
        let command = format!("flipwitness shots --run {} --slot {}{flag}", shell_word(run), shell_word(slot));
        Ask { question: "shots", slot: Some(slot.to_owned()), filter, command }
    }

    /// The orphans of a slot.
    pub(crate) fn orphans(run: &str, slot: &str) -> Ask {
        let command = format!("flipwitness orphans --run {} --slot {}", shell_word(run), shell_word(slot));
        Ask { question: "orphans", slot: Some(slot.to_owned()), filter: None, command }
    }
}

/// A word as a shell takes it.
fn shell_word(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "_-./:+%@,=".contains(c);
    if !word.is_empty() && !word.starts_with('-') && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', r"'\''"))
    }
}

/// What the evidence says about one slot.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SlotJudgement {
    /// The slot's name.
    pub slot: String,
    /// All findings together.
    pub verdict: Verdict,
    /// Whether nothing can be said because of the observer: there are settled shots, and none was watched.
    pub blind: bool,
    /// All shots.
    pub shots: u64,
    /// Those that count: settled, and watched in their whole window.
    pub counted: u64,
    /// Of those that count, the missed ones.
    pub missed: u64,
    /// Those that do not count, and why.
    pub refused: Refused,
    /// For each criterion, in the order of [`Criterion`].
    pub findings: Vec<Finding>,
}

/// Shots that were not counted.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Refused {
    /// The window overlaps a gap and no report fits: nobody can know.
    pub unknowable: u64,
    /// Detected, but the window overlaps a gap: had it been missed, nobody would know, so it may not count as detected.
    pub unwatched: u64,
    /// Not settled yet.
    pub open: u64,
    /// Detected and watched, but reported as corrected where the code makes wrong data: no pass and no miss, so that only detection
    /// is judged without it.
    pub dangerous: u64,
}

/// A slot that was not judged.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct NotJudged {
    /// The slot's name.
    pub slot: String,
    /// Its shots: more than none only where the criteria ask nothing of the slots that were shot at.
    pub shots: u64,
    /// Its unprovoked reports.
    pub orphans: u64,
}

/// The whole answer.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Judgement {
    /// All slots together.
    pub verdict: Verdict,
    /// The same in one sentence.
    pub sentence: String,
    /// The run's name.
    pub run: String,
    /// Whether the run was over.
    pub state: RunState,
    /// Whether this is a verdict so far: the run goes on.
    pub so_far: bool,
    /// When there are enough shots.
    pub method: Method,
    /// How sure the statements are.
    pub confidence: f64,
    /// Whether that is the confidence of all statements about the slots together.
    pub slots_together: bool,
    /// The slots that were judged.
    pub slots: Vec<SlotJudgement>,
    /// The slots that were not: the criteria do not ask for them.
    pub not_judged: Vec<NotJudged>,
    /// Shots that were not counted, over all judged slots.
    pub refused: Refused,
    /// What a reader must know before believing it.
    pub cautions: Vec<String>,
    /// The criteria.
    pub criteria: Criteria,
}

impl Judgement {
    /// All findings, slot by slot.
    pub fn findings(&self) -> impl Iterator<Item = &Finding> {
        self.slots.iter().flat_map(|slot| &slot.findings)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn together() {
        use Verdict::{Met, NotEnough, NotMet};
        let table: [(&[Verdict], Verdict, u8); 5] = [
            (&[], Met, 0),
            (&[Met, Met], Met, 0),
            (&[Met, NotEnough], NotEnough, 2),
            (&[NotEnough, NotMet, Met], NotMet, 1),
            (&[NotMet, NotEnough], NotMet, 1),
        ];
        for (all, is, status) in table {
            let told = Verdict::of_all(all.iter().copied());
            assert_eq!((told, told.exit_status()), (is, status));
        }
    }

    #[test]
    fn commands_can_be_copied() {
        let ask = Ask::shots("burn in 3", "CPU1_DIMM#A1", Some("missed"));
        assert_eq!(ask.command, "flipwitness shots --run 'burn in 3' --slot 'CPU1_DIMM#A1' --missed");
        assert_eq!(Ask::shots("it's", "A1", None).command, r"flipwitness shots --run 'it'\''s' --slot A1");
        assert_eq!(Ask::orphans("-x", "A1").command, "flipwitness orphans --run '-x' --slot A1");
    }

    #[test]
    fn numbers_in_json() {
        let json = |number| serde_json::to_string(&number).unwrap();
        assert_eq!(json(Number::count("misses", 3, "shots")), r#"{"name":"misses","value":3,"unit":"shots"}"#);
        assert_eq!(json(Number::real("by_chance", 0.5, "share")), r#"{"name":"by_chance","value":0.5,"unit":"share"}"#);
    }
}
