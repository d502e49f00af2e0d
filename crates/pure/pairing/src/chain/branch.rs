//! How one report branches the stories: what it is worth to each open shot, and every story in which it is nobody's, one shot's,
//! or several shots'. The chain calls it.

use super::{Chain, OpenReport};
use crate::model::Model;
use crate::story::{MOST_SHOTS, Story};

/// The most shots that one report is given to: the likeliest.
const MOST_CANDIDATES: usize = 6;
/// The largest set of open shots of which every subset is tried for a report with a count.
const SUBSETS_OF: usize = 5;

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

impl Chain {
    /// Makes of every story those in which the report is nobody's, one shot's, or several shots'.
    pub(super) fn branch(&mut self, place: usize, report: &OpenReport, model: &Model<'_>) {
        let mut all = [Fit::default(); MOST_SHOTS];
        let (mut found, mut echoes) = (0, 0.0);
        let (placed, echoed) = (model.rates.placed(), model.rates.echoed());
        let foreign = model.foreign(report.class);
        for (shot, open) in self.open_shots().filter(|(_, open)| open.window.overlaps(report.seen)) {
            let silent = self.silent >> shot & 1 == 1;
            let agrees = || model.agrees((open.expect, open.forced), model.lane, (report.class, report.syndrome));
            if !silent {
                // It has a report already in every story: this one is at most an echo of it.
                let echo = model.echo(report.found_by, open.window.from, report.seen, foreign);
                if echo > 0.0 {
                    echoes += echo * agrees();
                }
                continue;
            }
            let agrees = agrees();
            let density = agrees * model.density(report.found_by, open.window.from, report.seen);
            let before = if report.count > 1 {
                let graded = model.rates.graded(open.expect, report.class);
                placed * graded * model.waited(open.window.from, report.seen)
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
        let foreign = foreign + echoes;
        let bit = 1_u64 << place;
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
            let open = |fit: &&Fit| story.is_silent(fit.shot);
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
}

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
