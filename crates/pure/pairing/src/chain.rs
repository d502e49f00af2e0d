//! All plausible stories about one slot, each with its weight: which of its shots caused which of its reports.
//!
//! Shots and reports are told to the chain in order of time. Every report branches every story: nobody's, or that of a shot
//! that has none yet, or of several where its count allows. When a shot is settled, its answers are summed over all stories, and
//! the stories then forget it, so that those which differ in nothing else become one. Nothing is ever conditioned on the
//! answer that was given: a wrong answer must not make the next one look certain.
//!
//! The sum is exact but for stories below [`NEGLIGIBLE`] of the best one and beyond [`MOST`] of them, which are dropped. The
//! chain knows no other slot and gives no answers; `settle` does.
//!
//! Here is what the chain holds and forgets; `branch` is what a report makes of the stories, `sums` what they say.

mod branch;
mod sums;

use crate::model::Model;
use crate::story::{MOST_REPORTS, MOST_SHOTS, Story};
use crate::table::{ReportSeq, ShotSeq};
use crate::weighed::{Loose, Weighed};
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;
use std::collections::BTreeMap;
use vocabulary::{Class, Expected, FoundBy, Mono, Span};

/// Stories with less than this share of the best one's weight are dropped.
const NEGLIGIBLE: f64 = 3e-4;
/// The most stories: bounded work, whatever the load.
const MOST: usize = 64;
/// So many stories need not be looked through until it is asked what they say.
const FEW: usize = 12;

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

/// A report with how loose it was when that was last summed up.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Kept {
    report: OpenReport,
    loose: Loose,
}

/// A shot that was settled early.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Early {
    window: Span,
    weighed: Weighed,
    /// The first report that it could not be given any more.
    after: ReportSeq,
}

/// What the chain did with a report.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known {
    /// Whether it keeps it; one that it does not keep is nobody's as far as it knows.
    pub(crate) kept: bool,
    /// The report that it forgot for want of room, with the probability that it is nobody's.
    pub(crate) forgotten: Option<(ReportSeq, f64)>,
}

/// See the module's page.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Chain {
    /// By place; which places are taken is told by the bits.
    shots: Vec<OpenShot>,
    open: u16,
    reports: Vec<Kept>,
    kept: u64,
    stories: Vec<Story>,
    /// Reports that are nobody's, or count more, or are several shots', in some story.
    marked: u64,
    /// Places of shots that have no report in some story, and of those that have one in some and none in others.
    silent: u16,
    unsure: u16,
    /// Shots that were settled early for want of room, and the first report that came after.
    early: BTreeMap<ShotSeq, Early>,
    #[serde(skip)]
    next: Vec<Story>,
    #[serde(skip)]
    weights: Vec<f64>,
    /// When it was last summed up how loose reports are, if nothing has come since that changed it.
    summed_at: Option<Mono>,
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
            silent: u16::MAX,
            unsure: 0,
            early: BTreeMap::new(),
            next: Vec::new(),
            weights: Vec::new(),
            summed_at: None,
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
        let bit = 1 << place;
        self.open |= bit;
        self.silent |= bit;
        self.unsure &= !bit;
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
                self.early.insert(seq, Early { window, weighed, after: next_report });
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
            self.early.insert(seq, Early { window, weighed, after: next_report });
        }
    }

    /// For a shot that was settled early: the first report that it could not be given any more.
    pub(crate) fn early(&self, seq: ShotSeq) -> Option<ReportSeq> {
        self.early.get(&seq).map(|early| early.after)
    }

    /// The slot was blamed by a report.
    pub(crate) fn report(&mut self, report: OpenReport, model: &Model<'_>) -> Known {
        if self.open == 0 {
            // Nobody's in every story, which is what a report that the chain does not know is.
            return Known { kept: false, forgotten: None };
        }
        // Time has made silence unlikely since the stories were looked through last: fewer of them branch now.
        if self.stories.len() > 1 {
            self.prune(model);
        }
        let forgotten = if self.kept == u64::MAX { self.forget_oldest(model) } else { None };
        if self.kept == u64::MAX {
            return Known { kept: false, forgotten };
        }
        let place = self.kept.trailing_ones() as usize;
        put(&mut self.reports, place, Kept { report, loose: Loose::default() });
        self.kept |= 1 << place;

        self.branch(place, &report, model);
        if self.stories.len() > FEW {
            self.prune(model);
        } else {
            self.note_what_differs();
            self.summed_at = None;
        }
        Known { kept: true, forgotten }
    }

    /// Lets the stories forget a shot that is settled. `none` is the probability of what is known when the slot has no report of
    /// it: that it was missed, or was reported elsewhere.
    pub(crate) fn close(&mut self, seq: ShotSeq, none: f64, model: &Model<'_>) {
        self.early.remove(&seq);
        let Some(place) = self.place_of(seq) else { return };
        self.open &= !(1 << place);
        let first = self.stories.first().and_then(|story| story.answer(place));
        if self.stories.iter().all(|story| story.answer(place) == first) {
            // All stories agree about the shot: they still differ in what they differed in before.
            if first.is_some() {
                self.stories.iter_mut().for_each(|story| story.give(place, None));
            }
            return;
        }
        for story in &mut self.stories {
            if story.is_silent(place) {
                story.weight *= none;
            }
            story.give(place, None);
        }
        self.merge();
        self.prune(model);
    }

    /// Lets the stories forget a report.
    pub(crate) fn forget_report(&mut self, seq: ReportSeq) {
        let Some(place) = self.place_of_report(seq) else { return };
        let bit = 1_u64 << place;
        self.kept &= !bit;
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
        let seq = each.map(|(_, kept)| kept.report.seq).min()?;
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
        each.find(|(place, kept)| kept.report.seq == seq && self.kept >> place & 1 == 1).map(|(place, _)| place)
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
        self.summed_at = None;
        if let [only] = self.stories.as_mut_slice() {
            only.weight = 1.0;
            self.note_what_differs();
            self.weigh_all(model);
            return;
        }
        self.note_what_differs();
        self.weigh_all(model);
        let (mut best, mut scale) = (0.0, 0.0);
        for (story, weight) in self.stories.iter().zip(&self.weights) {
            if *weight > best {
                (best, scale) = (*weight, story.weight);
            }
        }
        let before = self.stories.len();
        if best > 0.0 && f64::is_finite(best) && scale > 0.0 {
            let mut each = self.weights.iter();
            self.stories.retain_mut(|story| {
                story.weight /= scale;
                each.next().is_some_and(|weight| *weight >= NEGLIGIBLE * best)
            });
            self.weights.retain(|weight| *weight >= NEGLIGIBLE * best);
        } else {
            // Everything was impossible, which only rounding can make of it: all stories are then as good.
            for story in &mut self.stories {
                story.weight = 1.0;
            }
            self.summed_at = None;
        }
        if self.stories.len() > MOST {
            self.drop_the_least(&self.waits(model, self.unsure));
        }
        if self.stories.len() < before {
            self.note_what_differs();
        }
    }

    /// Looks through the stories for what they differ in.
    fn note_what_differs(&mut self) {
        let (mut marked, mut silent, mut sure) = (0, 0, u16::MAX);
        for story in &self.stories {
            marked |= story.nobody | story.spare | story.several;
            silent |= story.silent;
            sure &= story.silent;
        }
        (self.marked, self.silent, self.unsure) = (marked, silent, silent & !sure & self.open);
    }

    /// Keeps the [`MOST`] likeliest stories, and notes what share of all was dropped.
    fn drop_the_least(&mut self, waits: &sums::Waits) {
        self.summed_at = None;
        let mut order: Vec<(f64, Story)> = self.stories.iter().map(|story| (waits.weigh(story), *story)).collect();
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

/// The places of the bits that are set, lowest first.
pub(crate) fn ones(mut bits: u64) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let place = bits.trailing_zeros();
        bits &= bits.wrapping_sub(1);
        (place < u64::BITS).then_some(place as usize)
    })
}

fn put<T>(list: &mut Vec<T>, place: usize, item: T) {
    match list.get_mut(place) {
        Some(old) => *old = item,
        None => list.push(item),
    }
}

const _: () = assert!(MOST_SHOTS == u16::BITS as usize && MOST_REPORTS == u64::BITS as usize);
