//! Answers: which report a shot gets, and what a report turns out to be. Each answer is given once.
//!
//! A shot is settled when no report about it can come any more: its slot's `chain` sums up all plausible stories, reports on
//! other slots and without a place are weighed against a miss (`elsewhere`), and one answer is chosen with its probability.
//! What was learned from it goes into the rates and the latency densities, by probabilities.
//!
//! A report is settled when every shot that could claim it is: a match, an echo of a detected shot, or an orphan.

use crate::Settings;
use crate::chain::{self, Chain};
use crate::elsewhere::Stray;
use crate::engine::Answer;
use crate::model::Learned;
use crate::table::{HeldShot, OpenReport, ReportSeq, Settled, ShotSeq, Table};
use crate::weighed::{Loose, Weighed};
use serde::{Deserialize, Serialize};
use vocabulary::{Gap, LooksLike, Mono, Outcome, ReportAnswer, Role, Shot, ShotAnswer, ShotKey, SlotId};

/// Below this probability of "no report on its own slot", other places are not looked at.
const LOOK_ELSEWHERE: f64 = 1e-3;
/// A shot of whose stories more than this share was dropped stands in a crowd: single pairs in it are not to be trusted.
const CROWDED: f64 = 0.05;
/// A shot is called missed from this probability on: overlooking a miss is held to be somewhat worse than raising a false one.
const CALLED_MISSED: f64 = 0.36;
/// A report that is a shot's with more than this probability cannot be as likely another's.
const CERTAIN: f64 = 0.5;
/// What is less probable than this teaches nothing.
const TEACHES: f64 = 1e-3;
/// The largest margin that is told: what lies beyond cannot be told from certainty.
const MOST_MARGIN: f64 = 20.0;

#[derive(Serialize, Deserialize)]
pub(crate) struct Desk {
    pub(crate) table: Table,
    #[serde(skip)]
    settings: Settings,
    pub(crate) chains: Vec<Chain>,
    pub(crate) learned: Learned,
    /// The latest end of any shot's window.
    latest_end: Mono,
    next_report: i64,
    #[serde(skip)]
    weighed: Weighed,
    #[serde(skip)]
    options: Vec<Candidate>,
    #[serde(skip)]
    strays: Vec<Stray>,
}

/// The report that a shot gets.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Found {
    pub(crate) report: ReportSeq,
    /// Whether other shots get it too.
    pub(crate) shared: bool,
    /// Whether it names the shot's own slot.
    pub(crate) own: bool,
}

/// One possible answer about a shot with its probability.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Candidate {
    pub(crate) found: Option<Found>,
    pub(crate) p: f64,
}

/// What is known of a shot when all answers about it are weighed.
#[derive(Clone, Copy, Debug)]
struct Told {
    /// Probability that nothing was said of it.
    missed: f64,
    /// The share of stories that was dropped unseen.
    lost: f64,
}

impl Desk {
    pub(crate) fn new(settings: Settings, next_report: i64) -> Desk {
        Desk {
            table: Table::default(),
            settings,
            chains: Vec::new(),
            learned: Learned::default(),
            latest_end: Mono(i64::MIN),
            next_report,
            weighed: Weighed::default(),
            options: Vec::new(),
            strays: Vec::new(),
        }
    }

    /// Puts back the settings, which a checkpoint does not carry.
    pub(crate) fn set(&mut self, settings: Settings) {
        self.settings = settings;
    }

    pub(crate) fn know_slot(&mut self, slot: SlotId, controller: Option<u16>) {
        self.table.know_slot(slot, controller);
        self.note_slots();
    }

    fn note_slots(&mut self) {
        if self.chains.len() < self.table.lanes() {
            self.chains.resize_with(self.table.lanes(), Chain::default);
            self.learned.rates.note_slots(self.table.lanes());
        }
    }

    pub(crate) fn learned(&self) -> String {
        let told = self.learned.latencies.told();
        format!("{:?}, later than 10, 40, 100, 300, 900, 3000 ms: {told:.4?}", self.learned.rates)
    }

    pub(crate) fn note_time(&mut self, at: Mono) {
        self.learned.rates.note_time(at);
    }

    /// A shot is open from now on.
    pub(crate) fn open_shot(&mut self, shot: &Shot, end: Mono, now: Mono) -> ShotSeq {
        let held = self.table.add_shot(shot, end, None);
        self.note_slots();
        self.latest_end = self.latest_end.max(end);
        self.learned.rates.note_shot(shot.fired.from, held.expect);
        let open = chain::OpenShot {
            seq: held.seq,
            window: held.window(),
            expect: held.expect,
            forced: held.forced,
            lost: 0.0,
        };
        let model = self.learned.at(held.lane, now);
        if let Some(chain) = self.chains.get_mut(held.lane) {
            chain.shot(open, self.table.next_report(), &model);
        }
        held.seq
    }

    /// A report is open from now on.
    pub(crate) fn open_report(&mut self, mut report: OpenReport, now: Mono) -> ReportSeq {
        report.lane = report.blame.exact().map(|slot| self.table.lane(slot));
        self.note_slots();
        let lane = report.lane;
        let open = chain::OpenReport {
            seq: self.table.next_report(),
            found_by: report.found_by,
            seen: report.span,
            class: report.severity.class(),
            syndrome: report.syndrome,
            count: report.count,
        };
        if let Some(lane) = lane
            && let Some(chain) = self.chains.get_mut(lane)
        {
            let known = chain.report(open, &self.learned.at(lane, now));
            report.chained = known.kept;
            if let Some((forgotten, free)) = known.forgotten {
                self.table.unchain(forgotten, free);
            }
        }
        self.table.add_report(report)
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
        self.table.prune_gaps(before);
    }

    pub(crate) fn settle_shot(&mut self, seq: ShotSeq, now: Mono, answers: &mut Vec<Answer>) {
        let Some(held) = self.table.shot(seq).filter(|held| held.settled.is_none()).copied() else { return };
        let early = self.chains.get(held.lane).is_some_and(|chain| chain.early(seq).is_some());
        let mut options = std::mem::take(&mut self.options);
        options.clear();
        let Told { missed, lost } = self.weigh(&held, now, &mut options);
        let crowded = early || lost > CROWDED;
        let top = options.iter().filter(|o| o.found.is_some()).map(|o| o.p).fold(0.0, f64::max);
        let chosen = match () {
            () if crowded => self.in_crowd(&held, now),
            () if missed < CALLED_MISSED && top < CERTAIN => self.most_right(&held, &options, now),
            () => None,
        };
        let mut best = options.iter().find(|o| o.found.is_none()).copied();
        let mut claimed = None;
        let said = options.iter().filter(|_| missed < CALLED_MISSED).copied();
        for option in chosen.into_iter().chain(said) {
            // What another shot has got already cannot be given again.
            if let Some(answer) = option.found.and_then(|found| self.claim(found, &held, answers)) {
                best = Some(option);
                claimed = Some(answer);
                break;
            }
        }
        let mut answer = claimed.unwrap_or_else(|| self.unreported(&held));
        if answer.outcome != Outcome::Unknowable {
            // In a crowd the likeliest assignment was given, and nobody can say how much likelier it is than others.
            let (margin, confidence) = if crowded { (0.0, 0.0) } else { sureness(best, &options, lost) };
            (answer.margin, answer.confidence) = (Some(margin), Some(confidence));
            answer.detected_p = Some((1.0 - missed).clamp(0.0, 1.0));
        }
        answers.push(Answer::Shot(answer));
        self.options = options;
    }

    /// All answers that are possible about a shot, the most probable first; takes what they teach.
    fn weigh(&mut self, held: &HeldShot, now: Mono, options: &mut Vec<Candidate>) -> Told {
        let mut weighed = std::mem::take(&mut self.weighed);
        let model = self.learned.at(held.lane, now);
        let missed = model.unreported(held.window());
        if let Some(chain) = self.chains.get_mut(held.lane) {
            chain.weigh(held.seq, &model, &mut weighed);
        }
        let (mut others, mut placeless) = (0.0, 0.0);
        if weighed.none * missed > LOOK_ELSEWHERE * weighed.total(missed) {
            let mut strays = std::mem::take(&mut self.strays);
            self.elsewhere(held, now, &mut strays);
            for stray in &strays {
                match stray.lane {
                    Some(_) => others += stray.odds,
                    None => placeless += stray.odds,
                }
                let own = stray.lane == Some(held.lane);
                let found = Found { report: stray.report, shared: stray.shared, own };
                options.push(Candidate { found: Some(found), p: stray.odds });
            }
            self.strays = strays;
        }
        let none = missed + others + placeless;
        let model = self.learned.at(held.lane, now);
        if let Some(chain) = self.chains.get_mut(held.lane) {
            chain.close(held.seq, none, &model);
        }
        let total = weighed.total(none);
        let silent = weighed.none / total;
        for option in options.iter_mut() {
            option.p *= silent;
        }
        for (report, weight, shared) in &weighed.reports {
            let found = Found { report: *report, shared: *shared > 0.5 * weight, own: true };
            options.push(Candidate { found: Some(found), p: weight / total });
        }
        options.push(Candidate { found: None, p: silent * missed });
        if options.len() > 1 {
            options.sort_by(|a, b| b.p.total_cmp(&a.p));
        }
        let lost = weighed.lost;
        self.weighed = weighed;
        // A crowd teaches nothing: its numbers are those of the stories that happened to be kept.
        if lost <= CROWDED && self.unproven(held).is_none() {
            self.learned.rates.learn_shot(silent * missed, silent * others, silent * placeless);
            self.learn(held, options);
        }
        Told { missed: silent * missed, lost }
    }

    /// Takes what a shot's probabilities teach.
    fn learn(&mut self, held: &HeldShot, options: &[Candidate]) {
        for option in options.iter().filter(|option| option.p > TEACHES) {
            let Some(found) = option.found else { continue };
            let Some(report) = self.table.report_mut(found.report) else { continue };
            if !found.own {
                report.claimed += option.p;
            }
            // How long an error waited in a record until another one came is no latency.
            if report.span.from == report.span.to && !found.shared {
                let latency = report.span.to.since(held.fired.from).max(0);
                self.learned.latencies.learn(held.lane, report.found_by, latency, option.p);
            }
            if option.p > CERTAIN {
                self.learned.fingerprints.learn(held.lane, held.forced, report.syndrome, option.p);
            }
            if let Some(expected) = held.expect.class() {
                self.learned.rates.learn_grade(expected == report.severity.class(), option.p);
            }
            self.learned.rates.learn_detected(option.p);
        }
    }

    /// Gives one error of a report to a shot, and answers both.
    fn claim(&mut self, found: Found, held: &HeldShot, answers: &mut Vec<Answer>) -> Option<ShotAnswer> {
        let next = self.next_report;
        let watched = self.unproven(held).is_none();
        let report = self.table.report_mut(found.report)?;
        let taken = report.taken.is_some();
        // A further error of a count is given only to a shot that most likely shares the report.
        report.capacity = report.capacity.checked_sub(1).filter(|_| found.shared || !taken)?;
        let (number, _) = *report.taken.get_or_insert((next, held.key));
        let (blamed, severity, span) = (report.blame.exact(), report.severity, report.span);
        if !taken {
            self.next_report += 1;
            answers.push(Answer::Report(told(report, number, Role::Match, Some(held.key))));
        }
        self.table.close_shot(held.seq, Settled { outcome: Outcome::Detected, blamed, severity: Some(severity) });
        let latency = span.to.since(held.fired.from).max(0);
        Some(ShotAnswer {
            outcome: Outcome::Detected,
            report: Some(number),
            latency_min_ns: Some(span.from.since(held.fired.to).max(0)),
            latency_ns: Some(latency),
            misplaced: blamed.is_some_and(|slot| slot != held.slot),
            misgraded: !held.expect.allows(severity.class()),
            dangerous: held.expect.is_dangerous(severity.class()),
            late: self.settings.deadline_ns.is_some_and(|deadline| latency > deadline),
            shared: taken || found.shared,
            watched,
            blamed,
            ..nothing_said(held.key)
        })
    }

    /// Missed, if everything was watched.
    fn unreported(&mut self, held: &HeldShot) -> ShotAnswer {
        let why = self.unproven(held);
        let outcome = if why.is_some() { Outcome::Unknowable } else { Outcome::Missed };
        self.learned.fingerprints.note_silent(held.lane, held.forced, held.fired.from, held.key);
        self.table.close_shot(held.seq, Settled { outcome, blamed: None, severity: None });
        ShotAnswer { outcome, watched: why.is_none(), why, ..nothing_said(held.key) }
    }

    /// Why having no report would prove nothing about a shot; nothing if everything was watched.
    fn unproven(&self, held: &HeldShot) -> Option<String> {
        self.told_too_late(held).or_else(|| self.table.gap_over(held).map(hidden_by))
    }

    /// An injection told of after its reports may have been settled already proves nothing by having none.
    fn told_too_late(&self, held: &HeldShot) -> Option<String> {
        let late = held.known.since(held.fired.from);
        (late > self.settings.open_ns())
            .then(|| format!("the injection was told of {:.1} s after it was fired", late as f64 / 1e9))
    }

    /// When a report that was seen until `to` can be settled: all shots that can claim it are settled then.
    pub(crate) fn report_due(&self, to: Mono) -> Mono {
        self.table.wanted_until(to, self.latest_end).plus(self.settings.settle_ns())
    }

    /// Settles a report, or answers when to ask again since shots that could claim it are still open.
    pub(crate) fn settle_report(&mut self, seq: ReportSeq, now: Mono, answers: &mut Vec<Answer>) -> Option<Mono> {
        let report = self.table.report(seq)?;
        let due = self.report_due(report.span.to);
        if due >= now && now < Mono(i64::MAX) {
            return Some(due.max(now).plus(1));
        }
        let (lane, class) = (report.lane, report.severity.class());
        let mut loose = Loose { nobody: report.free, spare: 0.0 };
        if let Some(lane) = lane
            && let Some(chain) = self.chains.get_mut(lane)
        {
            let model = self.learned.at(lane, now);
            if let Some(known) = chain.loose(seq, &model) {
                chain.forget_report(seq);
                loose = known;
            }
        }
        let mut report = self.table.forget_report(seq)?;
        if report.count > 1 && loose.nobody < CERTAIN {
            self.learned.rates.learn_spare(loose.spare / (1.0 - loose.nobody));
        }
        let unexplained = (loose.nobody - report.claimed).max(0.0);
        let (mut cause, mut unprovoked_p) = (None, 0.0);
        if unexplained > TEACHES || report.taken.is_none() {
            let unprovoked = self.learned.rates.background(lane, class, now);
            let echo = echo_density(&self.table, &self.learned, &report, unprovoked, now);
            cause = echoers(&self.table, &report).next().map(|held| held.key).filter(|_| echo > unprovoked);
            // An echo must be twice as likely as chance: else the share of echoes would take very long to fall to none.
            let told = (unexplained * unprovoked / (unprovoked + echo), unexplained * echo / (2.0 * unprovoked + echo));
            self.learned.rates.learn_report(lane, class, told, now);
            unprovoked_p = told.0;
        }
        let mut looks_like = None;
        if report.taken.is_none() {
            let number = self.next_report;
            self.next_report += 1;
            let role = if cause.is_some() { Role::Echo } else { Role::Orphan };
            if let (Role::Orphan, Some(lane)) = (role, lane) {
                looks_like = self.learned.fingerprints.looks_like(lane, report.syndrome, report.span.to);
            }
            answers.push(Answer::Report(ReportAnswer { looks_like, ..told(&mut report, number, role, cause) }));
        }
        // A late report teaches nothing about what comes by chance.
        let late = matches!(looks_like, Some(LooksLike::LateReport { shot: Some(_) }));
        if let Some(lane) = lane.filter(|_| unprovoked_p > CERTAIN && !late) {
            self.learned.fingerprints.learn_chance(lane, report.syndrome, unprovoked_p);
        }
        None
    }
}

/// The margin of an answer over the second-best one, and its probability, where a share of the stories was lost.
fn sureness(best: Option<Candidate>, options: &[Candidate], lost: f64) -> (f64, f64) {
    let confidence = best.map_or(0.0, |best| best.p);
    let chosen = best.and_then(|best| best.found).map(|found| found.report);
    let second = options.iter().filter(|o| o.found.map(|f| f.report) != chosen).map(|o| o.p).fold(0.0, f64::max);
    let margin = libm::log(confidence.max(f64::MIN_POSITIVE) / second.max(f64::MIN_POSITIVE));
    (margin.clamp(-MOST_MARGIN, MOST_MARGIN) * (1.0 - lost), (confidence * (1.0 - lost)).clamp(0.0, 1.0))
}

/// Density of a further report about one of the detected shots that a report can be about, as far as it matters beside what
/// comes otherwise.
pub(crate) fn echo_density(table: &Table, learned: &Learned, report: &OpenReport, beside: f64, now: Mono) -> f64 {
    let each = echoers(table, report);
    each.map(|held| learned.at(held.lane, now).echo(report.found_by, held.fired.from, report.span, beside)).sum()
}

/// Detected shots of which a report can be an echo: of its slot, of the same severity class.
fn echoers<'a>(table: &'a Table, report: &'a OpenReport) -> impl Iterator<Item = &'a HeldShot> {
    table.detected_over(report.lane, report.span).filter(|held| {
        let severity = held.settled.and_then(|s| s.severity);
        let here = report.lane.is_some() || report.blame.allows(held.slot);
        here && severity.is_some_and(|s| s.class() == report.severity.class())
    })
}

/// Takes the witnesses out of the report: what comes now is spent.
fn told(report: &mut OpenReport, number: i64, role: Role, shot: Option<ShotKey>) -> ReportAnswer {
    ReportAnswer {
        report: number,
        anchor: report.anchor,
        witnesses: std::mem::take(&mut report.witnesses),
        span: report.span,
        slot: report.blame.exact(),
        severity: report.severity,
        count: report.count,
        role,
        shot,
        looks_like: None,
    }
}

fn nothing_said(key: ShotKey) -> ShotAnswer {
    ShotAnswer {
        key,
        outcome: Outcome::Missed,
        report: None,
        latency_min_ns: None,
        latency_ns: None,
        misplaced: false,
        misgraded: false,
        dangerous: false,
        late: false,
        shared: false,
        watched: false,
        blamed: None,
        margin: None,
        confidence: None,
        detected_p: None,
        why: None,
    }
}

fn hidden_by(gap: &Gap) -> String {
    format!("{} was not watched: {}", gap.of, gap.why)
}
