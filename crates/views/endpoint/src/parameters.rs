//! Reading query parameters: every one that is not known, given twice or out of range is told by its name.

use crate::answer::Refusal;
use questions::{GapFilter, OutcomeWord, Page, RailFilter, ReportFilter, RoleWord, ShotFilter, Stamp};
use std::collections::BTreeMap;
use vocabulary::{Mono, Severity, Wall};

/// Rows of a list when the asker does not say.
const DEFAULT_LIMIT: usize = 500;
/// Rows of a list at most.
const MAX_LIMIT: usize = 10_000;

/// The parameters of one request, taken out one by one; [`Parameters::end`] refuses what is left.
pub(crate) struct Parameters {
    given: BTreeMap<String, String>,
    known: Vec<&'static str>,
    faults: Vec<String>,
}

impl Parameters {
    pub(crate) fn new(pairs: Vec<(String, String)>) -> Parameters {
        let mut parameters = Parameters { given: BTreeMap::new(), known: Vec::new(), faults: Vec::new() };
        for (name, value) in pairs {
            if parameters.given.insert(name.clone(), value).is_some() {
                parameters.faults.push(format!("{name} is given twice"));
            }
        }
        parameters
    }

    /// Every parameter has been taken, and none had a fault.
    pub(crate) fn end(mut self) -> Result<(), Refusal> {
        self.faults.sort();
        self.faults.dedup();
        for name in self.given.keys() {
            self.faults.push(if self.known.is_empty() {
                format!("unknown parameter {name:?}: this route takes none")
            } else {
                format!("unknown parameter {name:?}: this route takes {}", self.known.join(", "))
            });
        }
        if self.faults.is_empty() { Ok(()) } else { Err(Refusal::bad_request(self.faults.join("; "))) }
    }

    fn text(&mut self, name: &'static str) -> Option<String> {
        self.known.push(name);
        self.given.remove(name)
    }

    fn parsed<T>(&mut self, name: &'static str, takes: &str, parse: impl FnOnce(&str) -> Option<T>) -> Option<T> {
        let value = self.text(name)?;
        let parsed = parse(&value);
        if parsed.is_none() {
            self.faults.push(format!("{name} takes {takes}, not {value:?}"));
        }
        parsed
    }

    fn flag(&mut self, name: &'static str) -> Option<bool> {
        self.parsed(name, "true or false", |value| value.parse().ok())
    }

    /// A bound as `NAME_ns` on the monotonic clock or as `NAME` with a date.
    fn stamp(&mut self, date: &'static str, ns: &'static str) -> Option<Stamp> {
        let takes = "a date with its offset as in RFC 3339, such as 2027-03-04T05:06:07Z";
        let by_date = self.parsed(date, takes, Wall::parse_rfc3339);
        let by_ns = self.parsed(ns, "a whole number of nanoseconds", |value| value.parse().ok());
        if by_date.is_some() && by_ns.is_some() {
            self.faults.push(format!("{date} and {ns} say the same: give one of them"));
        }
        by_ns.map(|at| Stamp::Mono(Mono(at))).or(by_date.map(Stamp::Date))
    }

    pub(crate) fn page(&mut self) -> Page {
        let takes = format!("a whole number from 1 to {MAX_LIMIT}");
        let in_range = |value: &str| value.parse().ok().filter(|n| (1..=MAX_LIMIT).contains(n));
        let limit = self.parsed("limit", &takes, in_range).unwrap_or(DEFAULT_LIMIT);
        Page { limit, after: self.text("after") }
    }

    pub(crate) fn slot(&mut self) -> Option<String> {
        self.text("slot")
    }

    pub(crate) fn shot_filter(&mut self) -> ShotFilter {
        ShotFilter {
            slot: self.slot(),
            outcome: self.parsed("outcome", "detected, missed, unknowable or open", OutcomeWord::parse),
            injector: self.text("injector"),
            since: self.stamp("since", "since_ns"),
            until: self.stamp("until", "until_ns"),
            misplaced: self.flag("misplaced"),
            misgraded: self.flag("misgraded"),
            late: self.flag("late"),
            shared: self.flag("shared"),
            dangerous: self.flag("dangerous"),
        }
    }

    /// Whether the causes of misses are asked for.
    pub(crate) fn why(&mut self) -> bool {
        self.flag("why").unwrap_or(false)
    }

    pub(crate) fn orphan_filter(&mut self) -> ReportFilter {
        ReportFilter {
            slot: self.slot(),
            role: None,
            severity: self.parsed("severity", "corrected, uncorrected, deferred, fatal or info", Severity::parse),
            since: self.stamp("since", "since_ns"),
            until: self.stamp("until", "until_ns"),
        }
    }

    pub(crate) fn report_filter(&mut self) -> ReportFilter {
        let role = self.parsed("role", "match, echo, orphan or open", RoleWord::parse);
        ReportFilter { role, ..self.orphan_filter() }
    }

    pub(crate) fn rail_filter(&mut self) -> RailFilter {
        RailFilter { slot: self.slot(), rail: self.text("rail") }
    }

    pub(crate) fn gap_filter(&mut self) -> GapFilter {
        GapFilter {
            source: self.text("source"),
            since: self.stamp("since", "since_ns"),
            until: self.stamp("until", "until_ns"),
        }
    }
}
