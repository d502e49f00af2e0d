//! What the stories say when they are summed up: about one shot, about one report. The chain and those that ask it call it.

use super::{Chain, Early, Kept, OpenReport, ones};
use crate::model::Model;
use crate::story::{MOST_SHOTS, Story};
use crate::table::{ReportSeq, ShotSeq};
use crate::weighed::{Loose, Weighed};
use vocabulary::Span;

impl Chain {
    /// Sums the stories up for one shot.
    pub(crate) fn weigh(&mut self, seq: ShotSeq, model: &Model<'_>, into: &mut Weighed) {
        if let Some(early) = self.early.get(&seq) {
            into.clone_from(&early.weighed);
            return;
        }
        match self.place_of(seq) {
            Some(place) => self.weigh_at(place, model, into),
            None => into.nothing(),
        }
    }

    pub(super) fn weigh_at(&self, place: usize, model: &Model<'_>, into: &mut Weighed) {
        into.clear();
        into.lost = self.shots.get(place).map_or(0.0, |shot| shot.lost);
        let waits = self.waits(model, self.unsure & !(1 << place));
        for story in &self.stories {
            let weight = waits.weigh(story);
            let Some(report) = story.answer(place) else {
                into.none += weight;
                continue;
            };
            let shared = if story.several >> report & 1 == 1 { weight } else { 0.0 };
            let Some(seq) = self.reports.get(report).map(|kept| kept.report.seq) else { continue };
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

    /// How likely it is that a report is not one of the slot's shots'; nothing for one that the chain does not know.
    pub(crate) fn loose(&mut self, seq: ReportSeq, model: &Model<'_>) -> Option<Loose> {
        let place = self.place_of_report(seq)?;
        if self.marked >> place & 1 == 1 && self.summed_at != Some(model.now) {
            self.weigh_all(model);
        }
        Some(self.summed(place))
    }

    /// How loose the report at a place was when that was last summed up.
    fn summed(&self, place: usize) -> Loose {
        let loose = self.reports.get(place).filter(|_| self.marked >> place & 1 == 1).map(|kept| kept.loose);
        loose.unwrap_or_default()
    }

    /// The weights of all stories as of now, and how loose that makes the reports.
    pub(super) fn weigh_all(&mut self, model: &Model<'_>) {
        let waits = self.waits(model, self.unsure);
        for place in ones(self.marked) {
            if let Some(kept) = self.reports.get_mut(place) {
                kept.loose = Loose::default();
            }
        }
        self.weights.clear();
        let mut all = 0.0;
        for story in &self.stories {
            let weight = waits.weigh(story);
            self.weights.push(weight);
            all += weight;
            for place in ones(story.nobody) {
                if let Some(kept) = self.reports.get_mut(place) {
                    kept.loose.nobody += weight;
                }
            }
            for place in ones(story.spare & !story.nobody) {
                if let Some(kept) = self.reports.get_mut(place) {
                    kept.loose.spare += weight;
                }
            }
        }
        for place in ones(self.marked) {
            if let Some(Kept { loose, .. }) = self.reports.get_mut(place) {
                *loose = match all > 0.0 {
                    true => Loose { nobody: loose.nobody / all, spare: loose.spare / all },
                    false => Loose { nobody: 1.0, spare: 0.0 },
                };
            }
        }
        self.summed_at = Some(model.now);
    }

    /// The places of the reports that are not one certain shot's in every story: all others are not loose.
    pub(crate) fn loose_places(&mut self, model: &Model<'_>) -> u64 {
        if self.summed_at.is_none() && self.marked != 0 {
            self.prune(model);
        }
        self.marked & self.kept
    }

    /// The report at a place, with how loose it was when that was last summed up. Time alone makes it only less loose: silence
    /// weighs on the stories in which a shot has no report.
    pub(crate) fn loose_at(&self, place: usize) -> Option<(&OpenReport, Loose)> {
        self.reports.get(place).map(|kept| (&kept.report, kept.loose))
    }

    /// The shots with a window over `span` that have no report in some story.
    pub(crate) fn perhaps_silent(&self, span: Span) -> impl Iterator<Item = ShotSeq> {
        let silent = ones(u64::from(self.open & self.silent)).filter_map(|place| self.shots.get(place));
        let over = silent.filter(move |shot| shot.window.overlaps(span)).map(|shot| shot.seq);
        let early = self.early.iter().filter(move |(_, early)| early.window.overlaps(span)).map(|(seq, _)| *seq);
        over.chain(early)
    }

    /// How many times likelier than nothing it is, where a shot has no report with probability `none`, that this one has none of
    /// the slot's reports.
    pub(crate) fn silence(&self, seq: ShotSeq, none: f64, model: &Model<'_>) -> f64 {
        if let Some(Early { weighed, .. }) = self.early.get(&seq) {
            return weighed.none / weighed.total(none);
        }
        let Some(place) = self.place_of(seq) else { return 1.0 / none };
        let waits = self.waits(model, self.unsure & !(1 << place));
        let (mut silent, mut said) = (0.0, 0.0);
        for story in &self.stories {
            let weight = waits.weigh(story);
            if story.is_silent(place) {
                silent += weight;
            } else {
                said += weight;
            }
        }
        if silent + said > 0.0 { silent / (silent * none + said) } else { 1.0 / none }
    }

    /// How much the silence about some of the shots weighs on the stories in which they have no report. The silence about a shot
    /// that has none in any story weighs on all of them alike, so that only shots must be asked about that stories are unsure of.
    pub(super) fn waits(&self, model: &Model<'_>, of: u16) -> Waits {
        let mut waits = Waits { of, each: [1.0; MOST_SHOTS] };
        if of == 0 {
            return waits;
        }
        let placed = model.rates.placed();
        for place in ones(u64::from(of)) {
            if let (Some(wait), Some(shot)) = (waits.each.get_mut(place), self.shots.get(place)) {
                let waited = model.now.min(shot.window.to).since(shot.window.from);
                *wait = 1.0 - placed * (1.0 - model.survival(waited));
            }
        }
        waits
    }
}

/// See [`Chain::waits`].
pub(super) struct Waits {
    /// The places of the shots that it is about.
    of: u16,
    each: [f64; MOST_SHOTS],
}

impl Waits {
    /// A story's weight with the silence about its shots without a report.
    pub(super) fn weigh(&self, story: &Story) -> f64 {
        let silent = ones(u64::from(story.silent & self.of));
        silent.filter_map(|place| self.each.get(place)).fold(story.weight, |weight, wait| weight * wait)
    }
}
