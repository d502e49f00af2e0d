//! All plausible stories about one slot, each with its weight: which of its shots caused which of its reports.
//!
//! Shots and reports are told to the chain in order of time. Every report branches every story: nobody's, or that of a shot
//! that has none yet, or of several where its count allows. When a shot is settled, its answers are summed over all stories, and
//! the stories then forget it, so that those which differ in nothing else become one. Nothing is ever conditioned on the
//! answer that was given: a wrong answer must not make the next one look certain.
//!
//! The sum is exact but for stories below [`NEGLIGIBLE`] of the best one and beyond [`MOST`] of them, which are dropped. The
//! chain knows no other slot and gives no answers; `settle` does.

use crate::model::Model;
use crate::story::{MOST_REPORTS, MOST_SHOTS, Story};
use crate::table::{ReportSeq, ShotSeq};
use crate::weighed::{Loose, Weighed};
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;
use std::collections::BTreeMap;
use vocabulary::{Class, Expected, FoundBy, Mono, Span};

/// Stories with less than this share of the best one's weight are dropped.
const NEGLIGIBLE: f64 = 1e-4;
/// The most stories: bounded work, whatever the load.
const MOST: usize = 64;
/// The most shots that one report is given to: the likeliest.
const MOST_CANDIDATES: usize = 6;
/// The largest set of open shots of which every subset is tried for a report with a count.
const SUBSETS_OF: usize = 5;

/// A shot as the chain knows it.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct OpenShot {
    pub(crate) seq: ShotSeq,
    pub(crate) window: Span,
    pub(crate) expect: Expected,
    /// Names the lines that were forced and how; 0 where that is not known.
    pub(crate) forced: u64,
    /// The share of all stories, by weight, that had to be dropped for their number while the shot was open.
    pub(crate) lost: f64,
}

/// A report as the chain knows it.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct OpenReport {
    pub(crate) seq: ReportSeq,
    pub(crate) found_by: FoundBy,
    pub(crate) seen: Span,
    pub(crate) class: Class,
    pub(crate) syndrome: Option<u64>,
    pub(crate) count: u32,
}

/// What one report would be worth to one open shot.
#[derive(Clone, Copy, Debug, Default)]
struct Fit {
    shot: usize,
    /// Density of the report as the shot's own.
    caused: f64,
    /// Probability that the shot's own report had come before this one, and was merged into it.
    before: f64,
    /// Density of the report as an echo, where the shot has its own.
    echo: f64,
}

/// See the module's page.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Chain {
    /// By place; which places are taken is told by the bits.
    shots: Vec<OpenShot>,
    open: u16,
    reports: Vec<OpenReport>,
    kept: u64,
    stories: Vec<Story>,
    /// Reports that are nobody's, or count more, or are several shots', in some story.
    marked: u64,
    /// Shots that were settled early for want of room, and the first report that came after.
    early: BTreeMap<ShotSeq, (Weighed, ReportSeq)>,
    #[serde(skip)]
    next: Vec<Story>,
    #[serde(skip)]
    weights: Vec<f64>,
    #[serde(skip)]
    weights_at: Option<Mono>,
}

impl Default for Chain {
    fn default() -> Chain {
        Chain {
            shots: Vec::new(),
            open: 0,
            reports: Vec::new(),
            kept: 0,
            stories: vec![Story::EMPTY],
            marked: 0,
            early: BTreeMap::new(),
            next: Vec::new(),
            weights: Vec::new(),
            weights_at: None,
        }
    }
}

impl Chain {
    /// A shot was fired. `next_report` is the number that the next report will have.
    pub(crate) fn shot(&mut self, shot: OpenShot, next_report: ReportSeq, model: &Model<'_>) {
        if self.open == u16::MAX {
            self.settle_early(next_report, model);
        }
        let place = self.open.trailing_ones() as usize;
        put(&mut self.shots, place, shot);
        self.open |= 1 << place;
        self.weights_at = None;
    }

    /// Makes room: settles the shot whose answer is most certain, the oldest of those that are equally so.
    fn settle_early(&mut self, next_report: ReportSeq, model: &Model<'_>) {
        let mut weighed = Weighed::default();
        if let [only] = self.stories.as_slice() {
            // A flood of orders must not weigh stories that do not exist yet.
            let gone = self.open_shots().min_by_key(|(place, shot)| (only.answer(*place).is_none(), shot.seq));
            if let Some((seq, window)) = gone.map(|(_, shot)| (shot.seq, shot.window)) {
                self.weigh(seq, model, &mut weighed);
                self.close(seq, model.unreported(window), model);
                self.early.insert(seq, (weighed, next_report));
            }
            return;
        }
        let mut most: Option<(f64, ShotSeq, Span)> = None;
        for (place, shot) in self.open_shots() {
            self.weigh_at(place, model, &mut weighed);
            let best = weighed.reports.iter().map(|report| report.1).fold(0.0, f64::max);
            let certain = best / weighed.total(model.unreported(shot.window));
            let better = most.is_none_or(|(c, seq, _)| match certain.partial_cmp(&c) {
                Some(Ordering::Greater) => true,
                Some(Ordering::Equal) => shot.seq < seq,
                _ => false,
            });
            if better {
                most = Some((certain, shot.seq, shot.window));
            }
        }
        if let Some((_, seq, window)) = most {
            self.weigh(seq, model, &mut weighed);
            self.close(seq, model.unreported(window), model);
            self.early.insert(seq, (weighed, next_report));
        }
    }

    /// For a shot that was settled early: the first report that it could not be given any more.
    pub(crate) fn early(&self, seq: ShotSeq) -> Option<ReportSeq> {
        self.early.get(&seq).map(|(_, after)| *after)
    }

    /// The slot was blamed by a report. Answers the report that had to be forgotten for want of room, with the probability that
    /// it is nobody's.
    pub(crate) fn report(&mut self, report: OpenReport, model: &Model<'_>) -> Option<(ReportSeq, f64)> {
        if self.open == 0 {
            // Nobody's in every story, which is what a report that the chain does not know is.
            return None;
        }
        let forgotten = if self.kept == u64::MAX { self.forget_oldest(model) } else { None };
        if self.kept == u64::MAX {
            return None;
        }
        let place = self.kept.trailing_ones() as usize;
        put(&mut self.reports, place, report);
        self.kept |= 1 << place;

        let mut all = [Fit::default(); MOST_SHOTS];
        let mut found = 0;
        let (placed, echoed) = (model.rates.placed(), model.rates.echoed());
        for (shot, open) in self.open_shots().filter(|(_, open)| open.window.overlaps(report.seen)) {
            let graded = model.rates.graded(open.expect, report.class);
            let agrees = model.agrees((open.expect, open.forced), model.lane, (report.class, report.syndrome));
            let density = agrees * model.density(report.found_by, open.window.from, report.seen);
            let before = if report.count > 1 {
                placed * graded * (1.0 - model.survival(report.seen.to.since(open.window.from)))
            } else {
                0.0
            };
            if let Some(fit) = all.get_mut(found) {
                *fit = Fit { shot, caused: placed * density, before, echo: echoed * density };
                found += 1;
            }
        }
        let mut fits = all.get_mut(..found).unwrap_or_default();
        if found > MOST_CANDIDATES {
            fits.sort_unstable_by(|a, b| b.caused.total_cmp(&a.caused).then(a.shot.cmp(&b.shot)));
            fits = fits.get_mut(..MOST_CANDIDATES).unwrap_or_default();
        }
        self.branch(place, &report, fits, model);
        self.prune(model);
        forgotten
    }

    /// Makes of every story those in which the report is nobody's, one shot's, or several shots'.
    fn branch(&mut self, place: usize, report: &OpenReport, fits: &[Fit], model: &Model<'_>) {
        let bit = 1_u64 << place;
        let foreign = model.foreign(report.class);
        let spare = model.rates.spare();
        // Whether these shots explain all errors of a count.
        let counted = |used: usize| match report.count {
            0 | 1 => 1.0,
            count if used >= count as usize => 1.0 - spare,
            _ => spare,
        };
        let mut next = std::mem::take(&mut self.next);
        next.clear();
        for story in &self.stories {
            let open = |fit: &&Fit| story.answer(fit.shot).is_none();
            let echoes: f64 = fits.iter().filter(|fit| !open(fit)).map(|fit| fit.echo).sum();
            let weight = story.weight * (foreign + echoes) * counted(0);
            next.push(Story { weight, nobody: story.nobody | bit, ..*story });
            for fit in fits.iter().filter(open) {
                let mut with = Story { weight: story.weight * fit.caused * counted(1), ..*story };
                with.give(fit.shot, Some(place));
                with.spare |= if report.count > 1 { bit } else { 0 };
                next.push(with);
            }
            if report.count > 1 {
                let candidates: Vec<&Fit> = fits.iter().filter(open).collect();
                sets(&candidates, report.count, |members| {
                    // The record's time is that of the last error in it, which is any one of them.
                    let one_last = |last: usize| {
                        let each = members.iter().enumerate();
                        each.map(|(n, fit)| if n == last { fit.caused } else { fit.before }).product::<f64>()
                    };
                    let weight: f64 = (0..members.len()).map(one_last).sum();
                    let mut with = Story { weight: story.weight * weight * counted(members.len()), ..*story };
                    for fit in members {
                        with.give(fit.shot, Some(place));
                    }
                    with.spare |= if members.len() < report.count as usize { bit } else { 0 };
                    with.several |= bit;
                    next.push(with);
                });
            }
        }
        self.next = std::mem::replace(&mut self.stories, next);
    }

    /// Sums the stories up for one shot.
    pub(crate) fn weigh(&mut self, seq: ShotSeq, model: &Model<'_>, into: &mut Weighed) {
        if let Some((early, _)) = self.early.get(&seq) {
            into.clone_from(early);
            return;
        }
        match self.place_of(seq) {
            Some(place) => self.weigh_at(place, model, into),
            None => into.nothing(),
        }
    }

    fn weigh_at(&self, place: usize, model: &Model<'_>, into: &mut Weighed) {
        into.clear();
        into.lost = self.shots.get(place).map_or(0.0, |shot| shot.lost);
        let mut waits = self.waits(model);
        if let Some(own) = waits.get_mut(place) {
            *own = 1.0;
        }
        for story in &self.stories {
            let weight = self.with_waits(story, &waits);
            let Some(report) = story.answer(place) else {
                into.none += weight;
                continue;
            };
            let shared = if story.several >> report & 1 == 1 { weight } else { 0.0 };
            let Some(seq) = self.reports.get(report).map(|report| report.seq) else { continue };
            match into.reports.iter_mut().find(|known| known.0 == seq) {
                Some(known) => {
                    known.1 += weight;
                    known.2 += shared;
                }
                None => into.reports.push((seq, weight, shared)),
            }
        }
        if into.none <= 0.0 && into.reports.is_empty() {
            into.none = 1.0;
        }
    }

    /// Lets the stories forget a shot that is settled. `none` is the probability of what is known when the slot has no report of
    /// it: that it was missed, or was reported elsewhere.
    pub(crate) fn close(&mut self, seq: ShotSeq, none: f64, model: &Model<'_>) {
        self.early.remove(&seq);
        let Some(place) = self.place_of(seq) else { return };
        self.open &= !(1 << place);
        self.weights_at = None;
        if let [only] = self.stories.as_mut_slice() {
            only.give(place, None);
            return;
        }
        for story in &mut self.stories {
            if story.answer(place).is_none() {
                story.weight *= none;
            }
            story.give(place, None);
        }
        self.merge();
        self.prune(model);
    }

    /// How likely it is that a report is not one of the slot's shots'; nothing for one that the chain does not know.
    pub(crate) fn loose(&mut self, seq: ReportSeq, model: &Model<'_>) -> Option<Loose> {
        let place = self.place_of_report(seq)?;
        let bit = 1_u64 << place;
        if self.marked & bit == 0 {
            return Some(Loose::default());
        }
        if self.weights_at != Some(model.now) {
            let waits = self.waits(model);
            let mut weights = std::mem::take(&mut self.weights);
            weights.clear();
            weights.extend(self.stories.iter().map(|story| self.with_waits(story, &waits)));
            self.weights = weights;
            self.weights_at = Some(model.now);
        }
        let (mut all, mut loose) = (0.0, Loose::default());
        for (story, weight) in self.stories.iter().zip(&self.weights) {
            all += weight;
            if story.nobody & bit != 0 {
                loose.nobody += weight;
            } else if story.spare & bit != 0 {
                loose.spare += weight;
            }
        }
        if all <= 0.0 {
            return Some(Loose { nobody: 1.0, spare: 0.0 });
        }
        Some(Loose { nobody: loose.nobody / all, spare: loose.spare / all })
    }

    /// Lets the stories forget a report.
    pub(crate) fn forget_report(&mut self, seq: ReportSeq) {
        let Some(place) = self.place_of_report(seq) else { return };
        let bit = 1_u64 << place;
        self.kept &= !bit;
        self.weights_at = None;
        if self.marked & bit != 0 {
            self.marked &= !bit;
            for story in &mut self.stories {
                story.nobody &= !bit;
                story.spare &= !bit;
                story.several &= !bit;
            }
            self.merge();
        }
    }

    fn forget_oldest(&mut self, model: &Model<'_>) -> Option<(ReportSeq, f64)> {
        // A report that an open shot has in some story must stay; the oldest of the others goes.
        let mut wanted = 0_u64;
        for story in &self.stories {
            for answer in story.answers.iter().filter(|answer| **answer > 0) {
                wanted |= 1 << (answer - 1);
            }
        }
        let each = self.reports.iter().enumerate().filter(|(place, _)| wanted >> place & 1 == 0);
        let seq = each.map(|(_, report)| report.seq).min()?;
        let nobody = self.loose(seq, model).map_or(1.0, |loose| loose.nobody);
        self.forget_report(seq);
        Some((seq, nobody))
    }

    fn open_shots(&self) -> impl Iterator<Item = (usize, &OpenShot)> {
        self.shots.iter().enumerate().filter(|(place, _)| self.open >> place & 1 == 1)
    }

    fn place_of(&self, seq: ShotSeq) -> Option<usize> {
        self.open_shots().find(|(_, shot)| shot.seq == seq).map(|(place, _)| place)
    }

    fn place_of_report(&self, seq: ReportSeq) -> Option<usize> {
        let mut each = self.reports.iter().enumerate();
        each.find(|(place, report)| report.seq == seq && self.kept >> place & 1 == 1).map(|(place, _)| place)
    }

    /// By the shot's place: the probability that it has no report yet, or none at all within its window.
    fn waits(&self, model: &Model<'_>) -> [f64; MOST_SHOTS] {
        let mut waits = [1.0; MOST_SHOTS];
        if let [only] = self.stories.as_slice()
            && only.answers == Story::EMPTY.answers
        {
            return waits;
        }
        let placed = model.rates.placed();
        for (place, shot) in self.open_shots() {
            // The silence about a shot that has its report in every story weighs on none.
            if let Some(wait) = waits.get_mut(place)
                && self.stories.iter().any(|story| story.answer(place).is_none())
            {
                let waited = model.now.min(shot.window.to).since(shot.window.from);
                *wait = 1.0 - placed * (1.0 - model.survival(waited));
            }
        }
        waits
    }

    /// A story's weight with the silence about its shots without a report.
    fn with_waits(&self, story: &Story, waits: &[f64; MOST_SHOTS]) -> f64 {
        let mut weight = story.weight;
        let mut open = self.open;
        while open != 0 {
            let place = open.trailing_zeros() as usize;
            if let (Some(0), Some(wait)) = (story.answers.get(place), waits.get(place)) {
                weight *= wait;
            }
            open &= open - 1;
        }
        weight
    }

    /// Stories that differ in nothing any more become one.
    fn merge(&mut self) {
        if self.stories.len() < 2 {
            return;
        }
        self.stories.sort_unstable_by_key(Story::key);
        self.stories.dedup_by(|later, kept| {
            let same = later.key() == kept.key();
            if same {
                kept.weight += later.weight;
            }
            same
        });
    }

    /// Drops what is negligible, and scales the best story to 1.
    fn prune(&mut self, model: &Model<'_>) {
        self.weights_at = None;
        if let [only] = self.stories.as_mut_slice() {
            only.weight = 1.0;
            self.marked = only.nobody | only.spare | only.several;
            return;
        }
        let waits = self.waits(model);
        let mut weights = std::mem::take(&mut self.weights);
        weights.clear();
        weights.extend(self.stories.iter().map(|story| self.with_waits(story, &waits)));
        let (mut best, mut scale) = (0.0, 0.0);
        for (story, weight) in self.stories.iter().zip(&weights) {
            if *weight > best {
                (best, scale) = (*weight, story.weight);
            }
        }
        if best > 0.0 && f64::is_finite(best) && scale > 0.0 {
            let mut each = weights.iter();
            self.stories.retain_mut(|story| {
                story.weight /= scale;
                each.next().is_some_and(|weight| *weight >= NEGLIGIBLE * best)
            });
        } else {
            // Everything was impossible, which only rounding can make of it: all stories are then as good.
            for story in &mut self.stories {
                story.weight = 1.0;
            }
        }
        self.weights = weights;
        if self.stories.len() > MOST {
            self.drop_the_least(&waits);
        }
        let marks = self.stories.iter().map(|story| story.nobody | story.spare | story.several);
        self.marked = marks.fold(0, |all, marks| all | marks);
    }

    /// Keeps the [`MOST`] likeliest stories, and notes what share of all was dropped.
    fn drop_the_least(&mut self, waits: &[f64; MOST_SHOTS]) {
        let mut order: Vec<(f64, Story)> =
            self.stories.iter().map(|story| (self.with_waits(story, waits), *story)).collect();
        let all: f64 = order.iter().map(|(weight, _)| weight).sum();
        order.select_nth_unstable_by(MOST, |a, b| b.0.total_cmp(&a.0).then_with(|| a.1.key().cmp(&b.1.key())));
        order.truncate(MOST);
        order.sort_unstable_by_key(|(_, story)| story.key());
        let kept: f64 = order.iter().map(|(weight, _)| weight).sum();
        self.stories.clear();
        self.stories.extend(order.into_iter().map(|(_, story)| story));
        let lost = 1.0 - kept / all;
        for (place, shot) in self.shots.iter_mut().enumerate() {
            if self.open >> place & 1 == 1 {
                shot.lost += lost;
            }
        }
    }
}

fn put<T>(list: &mut Vec<T>, place: usize, item: T) {
    match list.get_mut(place) {
        Some(old) => *old = item,
        None => list.push(item),
    }
}

const _: () = assert!(MOST_SHOTS == u16::BITS as usize && MOST_REPORTS == u64::BITS as usize);

/// All sets of two or more shots that a count can cover; of many shots only the sets of neighbours in the list.
fn sets<'a>(candidates: &[&'a Fit], count: u32, mut with: impl FnMut(&[&'a Fit])) {
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
