//! The supply rails: their totals, their readings along the time, and when they were outside their limits.
//!
//! All from the sums of whole seconds that the database keeps, in one pass. An excursion on the page is a stretch of such seconds, one
//! after the other, in each of which a reading was outside or held outside.

use super::Case;
use crate::{QuestionError, Snapshot};
use evidence::model::{Excursion, Rail, RailBin};
use std::collections::BTreeMap;
use vocabulary::{Mono, Wall};

/// More rails are not shown, and of these no more are drawn: first those that were outside their limits.
const MOST_RAILS: usize = 128;
const MOST_DRAWN: usize = 24;
/// Into so many stretches of time the readings of a rail are put together.
const BINS: i64 = 160;
/// So many excursions are shown, the longest.
const MOST_EXCURSIONS: usize = 50;
const SECOND_NS: i64 = 1_000_000_000;

/// An excursion as the shots are compared with it.
#[derive(Clone, Debug)]
pub(super) struct Outside {
    pub(super) boot: i64,
    pub(super) slot: Option<i64>,
    pub(super) from_ns: i64,
    pub(super) to_ns: i64,
    pub(super) shown: Excursion,
}

/// What the page shows of rails.
#[derive(Debug, Default)]
pub(super) struct Rails {
    pub(super) shown: Vec<Rail>,
    pub(super) left_out: usize,
    pub(super) not_drawn: usize,
    /// The longest excursions.
    pub(super) outside: Vec<Outside>,
    pub(super) excursions: i64,
}

/// What is gathered of a rail along the time.
#[derive(Clone, Copy, Default)]
struct Gathered {
    readings: i64,
    sum_uv: i64,
    least_uv: i64,
    most_uv: i64,
}

/// A stretch of seconds outside.
#[derive(Clone, Copy)]
struct Stretch {
    boot: i64,
    rail: usize,
    from_s: i64,
    to_s: i64,
    least_uv: i64,
    most_uv: i64,
}

impl Snapshot<'_> {
    pub(super) fn paper_rails(&self, case: &Case<'_>) -> Result<Rails, QuestionError> {
        let all = self.rails_of_run()?;
        let mut places: BTreeMap<(i64, i64), usize> = BTreeMap::new();
        for (place, rail) in all.iter().enumerate() {
            places.extend(rail.numbers().map(|number| (number, place)));
        }
        let (from, bin_ns) = axis(case);
        let mut bins: Vec<BTreeMap<i64, Gathered>> = vec![BTreeMap::new(); all.len()];
        let mut stretches: Vec<Stretch> = Vec::new();
        let mut ask = self.db.prepare_cached(
            "SELECT boot, rail, at_s, readings, sum_uv, min_uv, max_uv, outside > 0 OR outside_ns > 0 FROM rail_second
             WHERE boot IN (SELECT boot FROM boot WHERE run = ?1) ORDER BY boot, rail, at_s",
        )?;
        let mut found = ask.query([self.run])?;
        while let Some(row) = found.next()? {
            let (boot, at_s): (i64, i64) = (row.get(0)?, row.get(2)?);
            let Some(place) = places.get(&(boot, row.get(1)?)).copied() else { continue };
            let second =
                Gathered { readings: row.get(3)?, sum_uv: row.get(4)?, least_uv: row.get(5)?, most_uv: row.get(6)? };
            if let Some(at) = case.calendar.wall(boot, Mono(at_s.saturating_mul(SECOND_NS)))
                && let Some(bins) = bins.get_mut(place)
            {
                let bin = (at.0.saturating_sub(from.0) / bin_ns).clamp(0, BINS - 1);
                bins.entry(bin).and_modify(|sum| sum.add(&second)).or_insert(second);
            }
            if row.get(7)? {
                extend(&mut stretches, boot, place, at_s, &second);
            }
        }
        let mut order: Vec<usize> = (0..all.len()).collect();
        order.sort_by_key(|place| all.get(*place).is_none_or(|rail| rail.row.outside.unwrap_or(0) == 0));
        let drawn: std::collections::BTreeSet<usize> = order.iter().take(MOST_DRAWN).copied().collect();
        let mut kept: Vec<usize> = order.into_iter().take(MOST_RAILS).collect();
        kept.sort_unstable();
        let mut rails = Rails {
            left_out: all.len().saturating_sub(kept.len()),
            not_drawn: kept.len().saturating_sub(drawn.len()),
            excursions: i64::try_from(stretches.len()).unwrap_or(i64::MAX),
            ..Rails::default()
        };
        stretches.sort_by_key(|s| std::cmp::Reverse(s.to_s - s.from_s));
        stretches.truncate(MOST_EXCURSIONS);
        for stretch in stretches {
            let Some(rail) = all.get(stretch.rail) else { continue };
            rails.outside.extend(outside(&stretch, &rail.row, rail.slot, case));
        }
        rails.outside.sort_by_key(|outside| outside.shown.from);
        for place in kept {
            let (Some(rail), Some(bins)) = (all.get(place), bins.get(place)) else { continue };
            let told = if drawn.contains(&place) { stretches_of_time(bins, from, bin_ns) } else { Vec::new() };
            rails.shown.push(shown(&rail.row, told));
        }
        Ok(rails)
    }
}

/// Where the bins begin, and how long one is; whole seconds, so that none is empty of them.
fn axis(case: &Case<'_>) -> (Wall, i64) {
    let Some((from, to)) = case.calendar.span() else { return (Wall(0), SECOND_NS) };
    let seconds = to.0.saturating_sub(from.0) / SECOND_NS + 1;
    (from, (seconds / BINS + 1).saturating_mul(SECOND_NS))
}

impl Gathered {
    fn add(&mut self, other: &Gathered) {
        self.readings += other.readings;
        self.sum_uv = self.sum_uv.saturating_add(other.sum_uv);
        self.least_uv = self.least_uv.min(other.least_uv);
        self.most_uv = self.most_uv.max(other.most_uv);
    }

    /// Where nothing was read, a reading held that is both the least and the most.
    fn mean_mv(&self) -> f64 {
        if self.readings > 0 {
            mv(self.sum_uv) / self.readings as f64
        } else {
            f64::midpoint(mv(self.least_uv), mv(self.most_uv))
        }
    }
}

fn extend(stretches: &mut Vec<Stretch>, boot: i64, rail: usize, at_s: i64, second: &Gathered) {
    if let Some(last) = stretches.last_mut()
        && (last.boot, last.rail, last.to_s + 1) == (boot, rail, at_s)
    {
        last.to_s = at_s;
        last.least_uv = last.least_uv.min(second.least_uv);
        last.most_uv = last.most_uv.max(second.most_uv);
        return;
    }
    let (least_uv, most_uv) = (second.least_uv, second.most_uv);
    stretches.push(Stretch { boot, rail, from_s: at_s, to_s: at_s, least_uv, most_uv });
}

fn outside(stretch: &Stretch, rail: &crate::RailRow, slot: Option<i64>, case: &Case<'_>) -> Option<Outside> {
    let (from_ns, to_ns) = (stretch.from_s.saturating_mul(SECOND_NS), (stretch.to_s + 1).saturating_mul(SECOND_NS));
    let (least, most) = (mv(stretch.least_uv), mv(stretch.most_uv));
    let below = rail.min_limit_mv.map_or(f64::NEG_INFINITY, |limit| limit - least);
    let above = rail.max_limit_mv.map_or(f64::NEG_INFINITY, |limit| most - limit);
    let shown = Excursion {
        from: case.calendar.wall(stretch.boot, Mono(from_ns))?,
        to: case.calendar.wall(stretch.boot, Mono(to_ns))?,
        rail: rail.rail.clone(),
        slot: rail.slot.as_deref().map(str::to_owned),
        worst_mv: if above > below { most } else { least },
        shots: 0,
    };
    Some(Outside { boot: stretch.boot, slot, from_ns, to_ns, shown })
}

fn stretches_of_time(bins: &BTreeMap<i64, Gathered>, from: Wall, bin_ns: i64) -> Vec<RailBin> {
    let at = |bin: i64| Wall(from.0.saturating_add(bin.saturating_mul(bin_ns)));
    let told = |(bin, sum): (&i64, &Gathered)| RailBin {
        from: at(*bin),
        to: at(bin + 1),
        least_mv: mv(sum.least_uv),
        mean_mv: sum.mean_mv(),
        most_mv: mv(sum.most_uv),
    };
    bins.iter().map(told).collect()
}

fn shown(row: &crate::RailRow, bins: Vec<RailBin>) -> Rail {
    Rail {
        name: row.rail.clone(),
        slot: row.slot.as_deref().map(str::to_owned),
        low_mv: row.min_limit_mv,
        high_mv: row.max_limit_mv,
        limits_from: row.limits_from.clone(),
        readings: row.readings,
        least_mv: row.min_mv,
        mean_mv: row.mean_mv.unwrap_or_else(|| f64::midpoint(row.min_mv, row.max_mv)),
        most_mv: row.max_mv,
        outside_ns: row.outside_ns,
        bins,
    }
}

fn mv(uv: i64) -> f64 {
    uv as f64 / 1e3
}
