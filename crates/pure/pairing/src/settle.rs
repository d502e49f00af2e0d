//! Answers: which report a shot gets, and what a report turns out to be. Each answer is given once.
//!
//! A shot is settled when no report about it can come any more: its slot's `chain` sums up all plausible stories, reports on
//! other slots and without a place are weighed against a miss, and the most probable answer is given with its probability.
//! What was learned from it goes into the rates and the latency density, by probabilities.
//!
//! A report is settled when every shot that could claim it is: a match, an echo of a detected shot, or an orphan.

use crate::Settings;
use crate::assign::cheapest;
use crate::chain::{self, Chain, Model};
use crate::engine::Answer;
use crate::latency::Latency;
use crate::rates::Rates;
use crate::table::{HeldShot, OpenReport, ReportSeq, Settled, ShotSeq, Table};
use std::collections::BTreeMap;
use vocabulary::{Gap, Mono, Outcome, ReportAnswer, Role, Severity, Shot, ShotAnswer, ShotKey, SlotId, Span};

/// Below this probability of "no report on its own slot", other places are not looked at.
const LOOK_ELSEWHERE: f64 = 2e-4;
/// A report elsewhere whose odds against a miss are below this is not looked at.
const NOT_WORTH: f64 = 3e-3;
/// How many shots of a crowd are assigned together: bounded work, whatever the load.
const TOGETHER: usize = 64;
/// A shot of whose stories more than this share was dropped stands in a crowd: single pairs in it are not to be trusted.
const CROWDED: f64 = 0.05;
/// The largest margin that is told: what lies beyond cannot be told from certainty.
const MOST_MARGIN: f64 = 20.0;

pub(crate) struct Desk {
    pub(crate) table: Table,
    settings: Settings,
    controllers: BTreeMap<SlotId, Option<u16>>,
    chains: BTreeMap<SlotId, Chain>,
    rates: Rates,
    latency: Latency,
    next_report: i64,
}

/// The report that a shot gets.
#[derive(Clone, Copy, Debug)]
struct Found {
    report: ReportSeq,
    /// Whether other shots get it too.
    shared: bool,
}

/// One possible answer about a shot with its probability.
#[derive(Clone, Copy, Debug)]
struct Candidate {
    found: Option<Found>,
    p: f64,
}

impl Desk {
    pub(crate) fn new(settings: Settings, next_report: i64) -> Desk {
        Desk {
            table: Table::default(),
            settings,
            controllers: BTreeMap::new(),
            chains: BTreeMap::new(),
            rates: Rates::default(),
            latency: Latency::default(),
            next_report,
        }
    }

    pub(crate) fn know_slot(&mut self, slot: SlotId, controller: Option<u16>) {
        self.controllers.insert(slot, controller);
        self.rates.note_slots(self.controllers.len());
    }

    pub(crate) fn learned(&self) -> String {
        let late = [10, 40, 100, 300, 900, 3000].map(|ms| self.latency.survival(ms * 1_000_000));
        format!("{:?}, later than 10, 40, 100, 300, 900, 3000 ms: {late:.4?}", self.rates)
    }

    pub(crate) fn note_time(&mut self, at: Mono) {
        self.rates.note_time(at);
    }

    /// A shot is open from now on.
    pub(crate) fn open_shot(&mut self, shot: Shot, end: Mono, now: Mono) -> ShotSeq {
        let mut open = chain::OpenShot {
            seq: 0,
            fired: shot.fired.from,
            window: Span { from: shot.fired.from, to: end },
            expect: shot.expect.map(Severity::class),
            lost: 0.0,
        };
        let slot = shot.slot;
        open.seq = self.table.add_shot(shot, end, None);
        let model = Model { rates: &self.rates, latency: &self.latency, now };
        self.chains.entry(slot).or_insert_with(|| Chain::new(slot)).shot(open, self.table.next_report(), &model);
        self.rates.note_slots(self.controllers.len().max(self.chains.len()));
        open.seq
    }

    /// A report is open from now on.
    pub(crate) fn open_report(&mut self, report: OpenReport, now: Mono) -> ReportSeq {
        let open = chain::OpenReport { seq: 0, seen: report.span, class: report.severity.class(), count: report.count };
        let slot = report.blame.exact();
        let seq = self.table.add_report(report);
        if let Some(chain) = slot.and_then(|slot| self.chains.get_mut(&slot)) {
            let model = Model { rates: &self.rates, latency: &self.latency, now };
            if let Some((forgotten, free)) = chain.report(chain::OpenReport { seq, ..open }, &model)
                && let Some(report) = self.table.report_mut(forgotten)
            {
                report.free = free;
            }
        }
        seq
    }

    /// Adds a witness to a report, if that is still open.
    pub(crate) fn join(&mut self, seq: ReportSeq, witness: i64, answers: &mut Vec<Answer>) {
        match self.table.report_mut(seq) {
            Some(report) if report.taken.is_none() => report.witnesses.push(witness),
            _ => answers.push(Answer::Spent { witness }),
        }
    }

    /// Forgets gaps that no open or future shot can ask about.
    pub(crate) fn prune(&mut self, before: Mono) {
        let oldest = self.table.open_shots().next().map(|held| held.shot.fired.from);
        self.table.prune_gaps(oldest.map_or(before, |o| o.min(before)));
    }

    pub(crate) fn settle_shot(&mut self, seq: ShotSeq, now: Mono, answers: &mut Vec<Answer>) {
        let Some(held) = self.table.shot(seq).filter(|held| held.settled.is_none()).cloned() else { return };
        let early = self.chains.get(&held.shot.slot).is_some_and(|chain| chain.early(seq).is_some());
        let (options, lost) = self.options(&held, now);
        let crowded = early || lost > CROWDED;
        let missed: f64 = options.iter().filter(|o| o.found.is_none()).map(|o| o.p).sum();
        let mut claimed = None;
        let mut best = options.iter().find(|o| o.found.is_none()).copied();
        let in_crowd = if crowded { self.in_crowd(&held, now) } else { None };
        // If something was said of it, more likely than not, which report it was is the next question.
        let told = options.iter().filter(|_| missed <= 0.5).copied();
        for option in in_crowd.into_iter().chain(told) {
            // What another shot has got already cannot be given again.
            if let Some(answer) = option.found.and_then(|found| self.claim(found, &held, answers)) {
                best = Some(option);
                claimed = Some(answer);
                break;
            }
        }
        let confidence = best.map_or(0.0, |best| best.p);
        let chosen = best.and_then(|best| best.found).map(|found| found.report);
        let second = options.iter().filter(|o| o.found.map(|f| f.report) != chosen).map(|o| o.p).fold(0.0, f64::max);
        let mut answer = claimed.unwrap_or_else(|| self.unreported(&held));
        if answer.outcome != Outcome::Unknowable {
            // What was dropped unseen might all have said otherwise.
            let (p, margin) = match second {
                _ if crowded => (0.0, 0.0),
                0.0 => (confidence, MOST_MARGIN),
                second => (confidence, libm::log(confidence / second).min(MOST_MARGIN)),
            };
            answer.detected_p = Some((1.0 - missed).clamp(0.0, 1.0));
            answer.confidence = Some((p * (1.0 - lost)).clamp(0.0, 1.0));
            answer.margin = Some(margin * (1.0 - lost));
        }
        answers.push(Answer::Shot(answer));
    }

    /// All answers that are possible about a shot, the most probable first, and the share of stories that was dropped unseen;
    /// takes what they teach.
    fn options(&mut self, held: &HeldShot, now: Mono) -> (Vec<Candidate>, f64) {
        let slot = held.shot.slot;
        let model = Model { rates: &self.rates, latency: &self.latency, now };
        let missed = model.unreported(held.window());
        let first = self.chains.get(&slot).map(|chain| chain.ask(held.seq, &model, missed));
        let looks = first.as_ref().is_none_or(|p| p.none > LOOK_ELSEWHERE);
        let elsewhere = if looks {
            for chain in self.chains.values_mut() {
                chain.sum_up(&model);
            }
            self.elsewhere(held, now)
        } else {
            Vec::new()
        };
        let none: f64 = missed + elsewhere.iter().map(|(_, odds, _)| odds).sum::<f64>();
        let posterior = match self.chains.get_mut(&slot) {
            Some(chain) => chain.settle(held.seq, &model, none),
            None => chain::Posterior { none: 1.0, ..chain::Posterior::default() },
        };
        let mut options: Vec<Candidate> = posterior
            .reports
            .iter()
            .map(|(report, p, shared)| Candidate {
                found: Some(Found { report: *report, shared: *shared > 0.5 * p }),
                p: *p,
            })
            .collect();
        let told_missed = posterior.none * missed / none;
        let mut learned = (posterior.none * self.rates.missed() / none, 0.0, 0.0);
        for (report, odds, placeless) in &elsewhere {
            let p = posterior.none * odds / none;
            if *placeless {
                learned.2 += p
            } else {
                learned.1 += p
            }
            options.push(Candidate { found: Some(Found { report: *report, shared: false }), p });
        }
        options.push(Candidate { found: None, p: told_missed });
        options.sort_by(|a, b| b.p.total_cmp(&a.p));
        // A crowd teaches nothing: its numbers are those of the stories that happened to be kept.
        if posterior.lost <= CROWDED {
            self.learn(held, &options, learned);
        }
        (options, posterior.lost)
    }

    /// The shot's part of the one likeliest assignment of its slot's open shots to the reports that are left: what is answered in
    /// a crowd that is too large to weigh all its stories. It is the optimum, and says nothing about how much better it is.
    fn in_crowd(&self, held: &HeldShot, now: Mono) -> Option<Candidate> {
        let model = Model { rates: &self.rates, latency: &self.latency, now };
        let slot = held.shot.slot;
        let reach = Span { from: held.shot.fired.from, to: now };
        let mut rows: Vec<&HeldShot> = vec![held];
        let others = self.table.open_shots_over(reach).filter(|other| other.shot.slot == slot && other.seq != held.seq);
        rows.extend(others.take(TOGETHER - 1));
        let mut units: Vec<(ReportSeq, &OpenReport, f64)> = Vec::new();
        let own = self.table.reports_over(reach).filter(|(_, r)| r.blame.exact() == Some(slot));
        for (seq, report) in own.take(2 * TOGETHER) {
            let unprovoked = libm::log(self.rates.background(Some(slot), report.severity.class(), now));
            for n in 0..report.capacity.min(rows.len() as u32) {
                // Explaining a report saves an unprovoked one; explaining a further error of its count saves less.
                units.push((seq, report, if report.taken.is_none() && n == 0 { unprovoked } else { 0.0 }));
            }
        }
        let placed = libm::log(self.rates.placed());
        let price = |row: usize, column: usize| -> f64 {
            let Some(shot) = rows.get(row) else { return f64::INFINITY };
            match units.get(column) {
                Some((_, report, saves)) if report.span.overlaps(shot.window()) => {
                    let graded = self.rates.graded(shot.shot.expect.map(Severity::class), report.severity.class());
                    saves - placed - libm::log(graded * model.density(shot.shot.fired.from, report.span))
                }
                Some(_) => f64::INFINITY,
                // Each row has a column of its own for "no report", or none yet.
                None if column == units.len() + row => {
                    let late = self.latency.survival(now.min(shot.end).since(shot.shot.fired.from));
                    -libm::log(self.rates.missed() + self.rates.placed() * late)
                }
                None => f64::INFINITY,
            }
        };
        // Each price is asked for many times.
        let columns = units.len() + rows.len();
        let prices: Vec<f64> = (0..rows.len() * columns).map(|n| price(n / columns, n % columns)).collect();
        let answer =
            cheapest(rows.len(), columns, |r, c| prices.get(r * columns + c).copied().unwrap_or(f64::INFINITY))?;
        let given = |row: usize| answer.get(row).and_then(|column| units.get(*column)).map(|(seq, _, _)| *seq);
        let report = given(0)?;
        let shared = (1..rows.len()).any(|row| given(row) == Some(report));
        Some(Candidate { found: Some(Found { report, shared }), p: 0.0 })
    }

    /// Takes what a shot's probabilities teach; a shot that nobody could watch teaches nothing.
    fn learn(&mut self, held: &HeldShot, options: &[Candidate], (missed, misplaced, placeless): (f64, f64, f64)) {
        let controller = self.controllers.get(&held.shot.slot).copied().flatten();
        if self.table.gap_over(held.window(), controller).is_some() || self.told_too_late(held).is_some() {
            return;
        }
        self.rates.learn_shot(missed, misplaced, placeless);
        for option in options {
            let Some(report) = option.found.and_then(|found| self.table.report_mut(found.report)) else { continue };
            let (span, class) = (report.span, report.severity.class());
            report.claimed += if report.blame.exact() == Some(held.shot.slot) { 0.0 } else { option.p };
            if span.from == span.to {
                self.latency.learn(span.to.since(held.shot.fired.from).max(0), option.p);
            }
            if let Some(expected) = held.shot.expect {
                self.rates.learn_grade(expected.class() == class, option.p);
            }
            self.rates.learn_detected(option.p);
        }
    }

    /// Reports that the shot's chain does not know, each with its odds against an unprovoked report: on other slots, without a
    /// place, and on its own slot from before it was told of or after it had to be settled early. The last field says whether it has no place.
    fn elsewhere(&self, held: &HeldShot, now: Mono) -> Vec<(ReportSeq, f64, bool)> {
        let model = Model { rates: &self.rates, latency: &self.latency, now };
        let missed = self.rates.missed();
        let mut found = Vec::new();
        for (seq, report) in self.table.reports_over(held.window()) {
            let slot = report.blame.exact();
            let chain = slot.and_then(|slot| self.chains.get(&slot));
            let share = match slot {
                Some(own) if own == held.shot.slot => {
                    let after_early = chain.and_then(|c| c.early(held.seq)).is_some_and(|after| seq >= after);
                    if seq >= held.first_seq && !after_early {
                        continue;
                    }
                    self.rates.placed()
                }
                Some(_) => self.rates.misplaced(),
                None if report.blame.allows(held.shot.slot) => self.rates.placeless(),
                None => continue,
            };
            let class = report.severity.class();
            let graded = self.rates.graded(held.shot.expect.map(Severity::class), class);
            let caused = share * graded * model.density(held.shot.fired.from, report.span);
            let unprovoked = self.rates.background(slot, class, now);
            if caused < NOT_WORTH * missed * unprovoked {
                continue;
            }
            let free = chain.and_then(|c| c.free(seq)).unwrap_or(report.free) - report.claimed;
            if free <= 0.0 {
                continue;
            }
            let echo = if slot.is_some() { self.echo_density(report, &model) } else { 0.0 };
            found.push((seq, caused * free / (unprovoked + echo), slot.is_none()));
        }
        found
    }

    /// Density of a further report about one of the detected shots that a report can be about.
    fn echo_density(&self, report: &OpenReport, model: &Model<'_>) -> f64 {
        self.echoers(report).map(|held| self.rates.echoed() * model.density(held.shot.fired.from, report.span)).sum()
    }

    /// Detected shots of which a report can be an echo: of its slot, of the same severity class.
    fn echoers<'a>(&'a self, report: &'a OpenReport) -> impl Iterator<Item = &'a HeldShot> {
        self.table.detected_over(report.blame.exact(), report.span).filter(|held| {
            let severity = held.settled.as_ref().and_then(|s| s.severity);
            let here = report.blame.exact().is_some() || report.blame.allows(held.shot.slot);
            here && severity.is_some_and(|s| s.class() == report.severity.class())
        })
    }

    /// Gives one error of a report to a shot, and answers both.
    fn claim(&mut self, found: Found, held: &HeldShot, answers: &mut Vec<Answer>) -> Option<ShotAnswer> {
        let next = self.next_report;
        let report = self.table.report_mut(found.report)?;
        let left = report.capacity.checked_sub(1)?;
        // A count that most stories give to one shot is that shot's alone.
        let alone = !found.shared && report.taken.is_none() && report.blame.exact() == Some(held.shot.slot);
        report.capacity = if alone { 0 } else { left };
        let taken = report.taken.is_some();
        let (number, _) = *report.taken.get_or_insert((next, held.shot.key));
        let report = report.clone();
        if !taken {
            self.next_report += 1;
            answers.push(Answer::Report(told(&report, number, Role::Match, Some(held.shot.key))));
        }
        let blamed = report.blame.exact();
        let settled = Settled { outcome: Outcome::Detected, blamed, severity: Some(report.severity) };
        self.table.close_shot(held.seq, settled);
        let latency = report.span.to.since(held.shot.fired.from).max(0);
        Some(ShotAnswer {
            key: held.shot.key,
            outcome: Outcome::Detected,
            report: Some(number),
            latency_min_ns: Some(report.span.from.since(held.shot.fired.to).max(0)),
            latency_ns: Some(latency),
            misplaced: blamed.is_some_and(|slot| slot != held.shot.slot),
            misgraded: held.shot.expect.is_some_and(|e| e.class() != report.severity.class()),
            late: self.settings.deadline_ns.is_some_and(|deadline| latency > deadline),
            shared: taken || found.shared,
            blamed,
            margin: None,
            confidence: None,
            detected_p: None,
            why: None,
        })
    }

    /// Missed, if everything was watched.
    fn unreported(&mut self, held: &HeldShot) -> ShotAnswer {
        let controller = self.controllers.get(&held.shot.slot).copied().flatten();
        let why = self.told_too_late(held).or_else(|| self.table.gap_over(held.window(), controller).map(hidden_by));
        let outcome = if why.is_some() { Outcome::Unknowable } else { Outcome::Missed };
        self.table.close_shot(held.seq, Settled { outcome, blamed: None, severity: None });
        ShotAnswer {
            key: held.shot.key,
            outcome,
            report: None,
            latency_min_ns: None,
            latency_ns: None,
            misplaced: false,
            misgraded: false,
            late: false,
            shared: false,
            blamed: None,
            margin: None,
            confidence: None,
            detected_p: None,
            why,
        }
    }

    /// An injection told of after its reports may have been settled already proves nothing by having none.
    fn told_too_late(&self, held: &HeldShot) -> Option<String> {
        let late = held.shot.known.since(held.shot.fired.from);
        (late > self.settings.open_ns())
            .then(|| format!("the injection was told of {:.1} s after it was fired", late as f64 / 1e9))
    }

    /// Settles a report, or answers when to ask again since shots that could claim it are still open.
    pub(crate) fn settle_report(&mut self, seq: ReportSeq, now: Mono, answers: &mut Vec<Answer>) -> Option<Mono> {
        let report = self.table.report(seq)?;
        let wanted_until = (report.capacity > 0)
            .then(|| self.table.open_shots_over(report.span).map(|held| held.end.max(held.shot.known)).max())
            .flatten();
        if let Some(end) = wanted_until {
            return Some(end.plus(self.settings.settle_ns()).max(now.plus(1)));
        }
        let model = Model { rates: &self.rates, latency: &self.latency, now };
        let chain = report.blame.exact().and_then(|slot| self.chains.get_mut(&slot)).filter(|chain| chain.knows(seq));
        let free = match chain {
            Some(chain) => {
                chain.sum_up(&model);
                let free = chain.free(seq).unwrap_or(1.0);
                chain.forget_report(seq);
                free
            }
            None => report.free,
        };
        let (slot, class) = (report.blame.exact(), report.severity.class());
        let unprovoked = self.rates.background(slot, class, now);
        let report = self.table.report(seq)?;
        let echo = self.echo_density(report, &model);
        let cause = self.echoers(report).next().map(|held| held.shot.key).filter(|_| echo > unprovoked);
        let unexplained = (free - report.claimed).max(0.0);
        let share = unprovoked / (unprovoked + echo);
        self.rates.learn_report(slot, class, unexplained * share, unexplained * (1.0 - share));
        let report = self.table.forget_report(seq)?;
        if report.taken.is_none() {
            let number = self.next_report;
            self.next_report += 1;
            let role = if cause.is_some() { Role::Echo } else { Role::Orphan };
            answers.push(Answer::Report(told(&report, number, role, cause)));
        }
        None
    }
}

fn told(report: &OpenReport, number: i64, role: Role, shot: Option<ShotKey>) -> ReportAnswer {
    ReportAnswer {
        report: number,
        anchor: report.anchor,
        witnesses: report.witnesses.clone(),
        span: report.span,
        slot: report.blame.exact(),
        severity: report.severity,
        count: report.count,
        role,
        shot,
    }
}

fn hidden_by(gap: &Gap) -> String {
    format!("{} was not watched: {}", gap.of, gap.why)
}
