//! All plausible stories about one slot, each with its weight: which of its shots caused which of its reports.
//!
//! Shots and reports are told to the chain in order of time. Every report branches every story: nobody's, or that of a shot
//! that has none yet, or of several where its count allows. When a shot is settled, its answers are summed over all stories, and
//! the stories then forget it, so that those which differ in nothing else become one. Nothing is ever conditioned on the
//! answer that was given: a wrong answer must not make the next one look certain.
//!
//! The sum is exact but for stories below [`NEGLIGIBLE`] of the best one and beyond [`MOST`] of them, which are dropped. The
//! chain knows no other slot and gives no answers; `settle` does.

use crate::latency::Latency;
use crate::rates::Rates;
use crate::table::{ReportSeq, ShotSeq};
use std::cmp::Ordering;
use vocabulary::{Class, Mono, SlotId, Span};

/// Stories with less than this share of the best one's weight are dropped.
const NEGLIGIBLE: f64 = 1e-4;
/// The most stories: bounded work, whatever the load.
const MOST: usize = 64;
/// The most shots that are open in a story; beyond it the one whose answer is most certain is settled early.
const MOST_SHOTS: usize = 16;
/// The most reports whose being nobody's is remembered.
const MOST_REPORTS: usize = 64;
/// The most shots that one report is given to: the likeliest.
const MOST_CANDIDATES: usize = 6;
/// The largest set of open shots of which every subset is tried for a report with a count.
const SUBSETS_OF: usize = 5;
/// What each error of a count costs that no shot explains: little, since one forced line can make several errors.
const UNUSED_COUNT: f64 = 0.3;

/// What the run has taught so far.
pub(crate) struct Model<'a> {
    pub(crate) rates: &'a Rates,
    pub(crate) latency: &'a Latency,
    pub(crate) now: Mono,
}

impl Model<'_> {
    /// Density, per second, of a report seen then about a shot that began to be forced at `fired`.
    pub(crate) fn density(&self, fired: Mono, seen: Span) -> f64 {
        let (from, to) = (seen.from.since(fired), seen.to.since(fired));
        if to > from {
            return (self.latency.survival(from) - self.latency.survival(to)).max(0.0) / ((to - from) as f64 / 1e9);
        }
        self.latency.density(to.max(0))
    }

    /// Probability that nothing is said of a shot within its window: nothing at all, or too late.
    pub(crate) fn unreported(&self, window: Span) -> f64 {
        self.rates.missed() + self.rates.placed() * self.latency.survival(window.to.since(window.from))
    }

    /// Density of this report on the shot's own slot.
    fn caused(&self, shot: &OpenShot, report: &OpenReport) -> f64 {
        self.rates.placed() * self.rates.graded(shot.expect, report.class) * self.density(shot.fired, report.seen)
    }
}

/// A shot as the chain knows it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OpenShot {
    pub(crate) seq: ShotSeq,
    pub(crate) fired: Mono,
    pub(crate) window: Span,
    pub(crate) expect: Option<Class>,
    /// The share of all stories, by weight, that had to be dropped for their number while the shot was open.
    pub(crate) lost: f64,
}

/// A report as the chain knows it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OpenReport {
    pub(crate) seq: ReportSeq,
    pub(crate) seen: Span,
    pub(crate) class: Class,
    pub(crate) count: u32,
}

/// One story: which report each open shot has, and which reports are nobody's.
#[derive(Clone, Copy, Debug)]
struct Story {
    weight: f64,
    /// By the shot's position; 0 for none, otherwise one more than the report's number.
    answers: [u32; MOST_SHOTS],
    /// By the report's position: nobody's.
    free: u64,
}

/// What the stories say about one shot.
#[derive(Clone, Debug, Default)]
pub(crate) struct Posterior {
    /// Each report with the probability that it is the shot's, and the part of it in which other open shots have it too.
    pub(crate) reports: Vec<(ReportSeq, f64, f64)>,
    /// Probability that no report of the slot is the shot's.
    pub(crate) none: f64,
    /// The share of all stories that is not in these numbers.
    pub(crate) lost: f64,
}

/// See the module's page.
#[derive(Debug)]
pub(crate) struct Chain {
    slot: SlotId,
    shots: Vec<OpenShot>,
    reports: Vec<OpenReport>,
    stories: Vec<Story>,
    next: Vec<Story>,
    /// By the report's position: the probability that it is nobody's, and when that was summed up.
    free: Vec<f64>,
    free_at: Option<Mono>,
    /// Shots that were settled early for want of room, and the first report that came after.
    early: Vec<(ShotSeq, Posterior, ReportSeq)>,
}

impl Chain {
    pub(crate) fn new(slot: SlotId) -> Chain {
        let only = Story { weight: 1.0, answers: [0; MOST_SHOTS], free: 0 };
        Chain {
            slot,
            shots: Vec::new(),
            reports: Vec::new(),
            stories: vec![only],
            next: Vec::new(),
            free: Vec::new(),
            free_at: None,
            early: Vec::new(),
        }
    }

    /// A shot was fired. `next_report` is the number that the next report will have.
    pub(crate) fn shot(&mut self, shot: OpenShot, next_report: ReportSeq, model: &Model<'_>) {
        if self.shots.len() == MOST_SHOTS {
            let certain = |at: usize| {
                let unreported = self.shots.get(at).map_or(1.0, |s| model.unreported(s.window));
                let posterior = self.posterior(at, model, unreported);
                posterior.reports.iter().map(|r| r.1).fold(0.0, f64::max)
            };
            // The first of the most certain ones: the oldest, where nothing is known of any, as in a flood of orders.
            let most = match self.stories.as_slice() {
                [only] => only.answers.iter().position(|answer| *answer != 0).or(Some(0)),
                _ => {
                    let all: Vec<f64> = (0..self.shots.len()).map(certain).collect();
                    (0..all.len()).rev().max_by(|a, b| all.get(*a).partial_cmp(&all.get(*b)).unwrap_or(Ordering::Equal))
                }
            };
            if let Some(gone) = most.and_then(|at| self.shots.get(at)).copied() {
                let posterior = self.settle(gone.seq, model, model.unreported(gone.window));
                self.early.push((gone.seq, posterior, next_report));
            }
        }
        self.shots.push(shot);
        self.free_at = None;
    }

    /// For a shot that was settled early: the first report that it could not be given any more.
    pub(crate) fn early(&self, seq: ShotSeq) -> Option<ReportSeq> {
        self.early.iter().find(|(early, _, _)| *early == seq).map(|(_, _, after)| *after)
    }

    /// The slot was blamed by a report. Answers the reports that had to be forgotten for want of room, each with the
    /// probability that it is nobody's.
    pub(crate) fn report(&mut self, report: OpenReport, model: &Model<'_>) -> Option<(ReportSeq, f64)> {
        if self.shots.is_empty() {
            // Nobody's in every story, which is what a report that the chain does not know is.
            return None;
        }
        let forgotten = match self.reports.first() {
            Some(oldest) if self.reports.len() == MOST_REPORTS => {
                let seq = oldest.seq;
                self.free_at = None;
                self.sum_up(model);
                let free = self.free(seq).unwrap_or(1.0);
                self.forget_report(seq);
                Some((seq, free))
            }
            _ => None,
        };
        let bit = 1_u64 << self.reports.len();
        self.reports.push(report);
        let mut fits: Vec<(usize, f64, f64)> = self
            .shots
            .iter()
            .enumerate()
            .filter(|(_, shot)| shot.window.overlaps(report.seen))
            .map(|(i, shot)| {
                let before = 1.0 - model.latency.survival(report.seen.to.since(shot.fired));
                let graded = model.rates.graded(shot.expect, report.class);
                (i, model.caused(shot, &report), model.rates.placed() * graded * before)
            })
            .collect();
        if fits.len() > MOST_CANDIDATES {
            fits.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
            fits.truncate(MOST_CANDIDATES);
            fits.sort_unstable_by_key(|fit| fit.0);
        }
        let unprovoked = model.rates.background(Some(self.slot), report.class, model.now);
        let echo = model.rates.echoed();
        let answer = u32::try_from(report.seq + 1).unwrap_or(u32::MAX);
        let mut next = std::mem::take(&mut self.next);
        next.clear();
        let unused = |used: u32| UNUSED_COUNT.powi(report.count.saturating_sub(used.max(1)).min(4) as i32);
        for story in &self.stories {
            // Nobody's: unprovoked, or an echo of a shot that has its report.
            let mut weight = unprovoked;
            for (i, _, _) in &fits {
                if let (Some(shot), Some(1..)) = (self.shots.get(*i), story.answers.get(*i)) {
                    weight +=
                        echo * model.rates.graded(shot.expect, report.class) * model.density(shot.fired, report.seen);
                }
            }
            next.push(Story { weight: story.weight * weight * unused(0), free: story.free | bit, ..*story });
            let open = |fit: &&(usize, f64, f64)| story.answers.get(fit.0) == Some(&0);
            for (i, caused, _) in fits.iter().filter(open) {
                next.push(story.with(&[*i], answer, caused * unused(1)));
            }
            if report.count > 1 {
                let candidates: Vec<&(usize, f64, f64)> = fits.iter().filter(open).collect();
                sets(&candidates, report.count, |members| {
                    // The last one fired is the one that the record's time belongs to; the others came before it.
                    let mut weight = unused(u32::try_from(members.len()).unwrap_or(u32::MAX));
                    let mut positions = [0; MOST_SHOTS];
                    for (n, (member, place)) in members.iter().zip(&mut positions).enumerate() {
                        *place = member.0;
                        weight *= if n + 1 == members.len() { member.1 } else { member.2 };
                    }
                    next.push(story.with(positions.get(..members.len()).unwrap_or(&[]), answer, weight));
                });
            }
        }
        self.next = std::mem::replace(&mut self.stories, next);
        self.prune();
        forgotten
    }

    /// Sums the stories up for one shot, and lets them forget it. `none_weight` is the probability of what is known when the
    /// slot has no report of it: that it was missed, or was reported elsewhere.
    pub(crate) fn settle(&mut self, seq: ShotSeq, model: &Model<'_>, none_weight: f64) -> Posterior {
        if let Some(n) = self.early.iter().position(|(early, _, _)| *early == seq) {
            return self.early.swap_remove(n).1;
        }
        let Some(at) = self.shots.iter().position(|shot| shot.seq == seq) else {
            return Posterior { none: 1.0, ..Posterior::default() };
        };
        let posterior = self.posterior(at, model, none_weight);
        self.shots.remove(at);
        for story in &mut self.stories {
            if story.answers.get(at) == Some(&0) {
                story.weight *= none_weight;
            }
            if let Some(rest) = story.answers.get_mut(at..) {
                rest.rotate_left(1);
                if let Some(last) = rest.last_mut() {
                    *last = 0;
                }
            }
        }
        self.merge();
        self.prune();
        posterior
    }

    /// What the stories say about a shot now. Shots whose window is still open may yet be reported, which weighs on them.
    pub(crate) fn ask(&self, seq: ShotSeq, model: &Model<'_>, none_weight: f64) -> Posterior {
        if let Some((_, early, _)) = self.early.iter().find(|(early, _, _)| *early == seq) {
            return early.clone();
        }
        match self.shots.iter().position(|shot| shot.seq == seq) {
            Some(at) => self.posterior(at, model, none_weight),
            None => Posterior { none: 1.0, ..Posterior::default() },
        }
    }

    fn posterior(&self, at: usize, model: &Model<'_>, none_weight: f64) -> Posterior {
        let waits = self.waits(model);
        let lost = self.shots.get(at).map_or(0.0, |shot| shot.lost);
        let mut posterior = Posterior { lost, ..Posterior::default() };
        let mut total = 0.0;
        for story in &self.stories {
            let mut weight = story.weight;
            for (i, (answer, wait)) in story.answers.iter().zip(&waits).enumerate().take(self.shots.len()) {
                if *answer == 0 {
                    weight *= if i == at { none_weight } else { *wait };
                }
            }
            total += weight;
            match story.answers.get(at).copied().unwrap_or(0) {
                0 => posterior.none += weight,
                answer => {
                    let seq = ReportSeq::from(answer - 1);
                    let others = story.answers.iter().filter(|other| **other == answer).count() > 1;
                    let shared = if others { weight } else { 0.0 };
                    match posterior.reports.iter_mut().find(|(known, _, _)| *known == seq) {
                        Some(known) => {
                            known.1 += weight;
                            known.2 += shared;
                        }
                        None => posterior.reports.push((seq, weight, shared)),
                    }
                }
            }
        }
        if total > 0.0 {
            posterior.none /= total;
            for report in &mut posterior.reports {
                report.1 /= total;
                report.2 /= total;
            }
        } else {
            posterior.none = 1.0;
        }
        posterior
    }

    /// By the shot's position: the probability that it has no report yet, or none at all within its window.
    fn waits(&self, model: &Model<'_>) -> [f64; MOST_SHOTS] {
        let mut waits = [1.0; MOST_SHOTS];
        for (shot, wait) in self.shots.iter().zip(&mut waits) {
            *wait = 1.0
                - model.rates.placed()
                    * (1.0 - model.latency.survival(model.now.min(shot.window.to).since(shot.fired)));
        }
        waits
    }

    /// Sums up for all reports how probable it is that they are nobody's, unless nothing has changed since the last time.
    pub(crate) fn sum_up(&mut self, model: &Model<'_>) {
        if self.free_at == Some(model.now) {
            return;
        }
        let waits = self.waits(model);
        self.free.clear();
        self.free.resize(self.reports.len(), 0.0);
        let mut all = 0.0;
        for story in &self.stories {
            let open = story.answers.iter().zip(&waits).take(self.shots.len()).filter(|(answer, _)| **answer == 0);
            let weight = open.fold(story.weight, |weight, (_, wait)| weight * wait);
            all += weight;
            let mut free = story.free;
            while free != 0 {
                if let Some(sum) = self.free.get_mut(free.trailing_zeros() as usize) {
                    *sum += weight;
                }
                free &= free - 1;
            }
        }
        for sum in &mut self.free {
            *sum = if all > 0.0 { *sum / all } else { 1.0 };
        }
        self.free_at = Some(model.now);
    }

    /// Probability that a report is nobody's, as it was last summed up; nothing for one that the chain does not know.
    pub(crate) fn free(&self, seq: ReportSeq) -> Option<f64> {
        let at = self.reports.iter().position(|r| r.seq == seq)?;
        self.free.get(at).copied()
    }

    /// Whether a report is among those that stories differ in.
    pub(crate) fn knows(&self, seq: ReportSeq) -> bool {
        self.reports.iter().any(|r| r.seq == seq)
    }

    /// Lets the stories forget a report.
    pub(crate) fn forget_report(&mut self, seq: ReportSeq) {
        let Some(at) = self.reports.iter().position(|r| r.seq == seq) else { return };
        self.reports.remove(at);
        self.free_at = None;
        let below = (1_u64 << at) - 1;
        for story in &mut self.stories {
            story.free = (story.free & below) | ((story.free >> 1) & !below);
        }
        self.merge();
    }

    /// Stories that differ in nothing any more become one.
    fn merge(&mut self) {
        if self.stories.len() < 2 {
            return;
        }
        self.stories.sort_unstable_by_key(|story| (story.answers, story.free));
        self.stories.dedup_by(|later, kept| {
            let same = later.answers == kept.answers && later.free == kept.free;
            if same {
                kept.weight += later.weight;
            }
            same
        });
    }

    /// Drops what is negligible, and scales the best story to 1.
    fn prune(&mut self) {
        self.free_at = None;
        let best = self.stories.iter().map(|s| s.weight).fold(0.0, f64::max);
        if best <= 0.0 || !best.is_finite() {
            // Everything was impossible, which only rounding can make of it: all stories are then as good.
            for story in &mut self.stories {
                story.weight = 1.0;
            }
        } else {
            self.stories.retain_mut(|story| {
                story.weight /= best;
                story.weight >= NEGLIGIBLE
            });
        }
        if self.stories.len() > MOST {
            let by_weight = |a: &Story, b: &Story| {
                b.weight.total_cmp(&a.weight).then((a.answers, a.free).cmp(&(b.answers, b.free)))
            };
            let all: f64 = self.stories.iter().map(|s| s.weight).sum();
            self.stories.select_nth_unstable_by(MOST, by_weight);
            self.stories.truncate(MOST);
            let kept: f64 = self.stories.iter().map(|s| s.weight).sum();
            let lost = 1.0 - kept / all;
            for shot in &mut self.shots {
                shot.lost += lost;
            }
        }
    }
}

impl Story {
    /// This story with the report given to these shots.
    fn with(&self, positions: &[usize], answer: u32, weight: f64) -> Story {
        let mut story = Story { weight: self.weight * weight, ..*self };
        for at in positions {
            if let Some(place) = story.answers.get_mut(*at) {
                *place = answer;
            }
        }
        story
    }
}

/// All sets of two or more shots that a count can cover; of many shots only the sets of neighbours in time.
fn sets<'a>(candidates: &[&'a (usize, f64, f64)], count: u32, mut with: impl FnMut(&[&'a (usize, f64, f64)])) {
    let most = candidates.len().min(count as usize);
    if candidates.len() <= SUBSETS_OF {
        let mut members = Vec::with_capacity(SUBSETS_OF);
        for chosen in 1_u32..1 << candidates.len() {
            let size = chosen.count_ones() as usize;
            if (2..=most).contains(&size) {
                members.clear();
                members.extend(candidates.iter().enumerate().filter(|(i, _)| chosen >> i & 1 == 1).map(|(_, c)| *c));
                with(&members);
            }
        }
        return;
    }
    for size in 2..=most {
        for members in candidates.windows(size) {
            with(members);
        }
    }
}
