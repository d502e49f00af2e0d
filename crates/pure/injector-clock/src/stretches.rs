//! The lines of the last ten minutes, as far as they bound anything: hulls of stretches of half a minute.
//!
//! A hull grows at its right end in constant amortised time but cannot lose points at its left end, since nobody knows what
//! was below them. So the time is cut into stretches, each with hulls of its own, and the oldest one leaves as a whole. What is
//! asked of all of them goes over at most [`STRETCHES`] times [`POINTS`] points, once a stretch. Times are the injector's.

use crate::drift::{Drift, slope};
use crate::hull::{Hull, Point};
use std::collections::VecDeque;

/// The length of a stretch.
pub(crate) const STRETCH_NS: i64 = 32_000_000_000;
/// How many are kept.
const STRETCHES: usize = 20;
/// How many of them count as the last minute.
const RECENT: usize = 3;
/// How many points a hull holds.
const POINTS: usize = 16;
/// How many points a hull over all stretches holds.
const ALL_POINTS: usize = 32;
/// From so many lines on a stretch is trusted to have a fast one among them.
const ENOUGH: u64 = 8;

struct Stretch {
    begins: i64,
    lines: u64,
    /// Of all lines' times since the beginning.
    sum: i128,
    /// Points on the curve or above it.
    above: Hull,
    /// Points on the curve or below it, upside down.
    below: Hull,
    /// A point below the curve, if the fastest line of the stretch was not on its way for too long.
    assumed: Option<Point>,
}

/// See the module's page.
#[derive(Default)]
pub(crate) struct Stretches {
    all: VecDeque<Stretch>,
    /// How many points were looked at, for the test that this stays in proportion to the lines.
    work: u64,
}

impl Stretches {
    /// A point above the curve, not to the left of the one before. Answers whether a stretch was closed.
    pub(crate) fn above(&mut self, point: Point, drift: Drift, slack_ns: i64) -> bool {
        let closes = self.all.back().is_some_and(|s| point.x.saturating_sub(s.begins) >= STRETCH_NS);
        if closes && let Some(last) = self.all.back_mut() {
            last.close(drift, slack_ns);
        }
        if closes || self.all.is_empty() {
            let (above, below) = (Hull::default(), Hull::default());
            self.all.push_back(Stretch { begins: point.x, lines: 0, sum: 0, above, below, assumed: None });
        }
        let kept_ns = STRETCH_NS.saturating_mul(STRETCHES as i64);
        while self.all.len() > STRETCHES
            || self.all.front().is_some_and(|s| point.x.saturating_sub(s.begins) > kept_ns && s.begins != point.x)
        {
            self.all.pop_front();
            self.work += 1;
        }
        if let Some(last) = self.all.back_mut() {
            last.lines = last.lines.saturating_add(1);
            last.sum += i128::from(point.x.saturating_sub(last.begins));
            self.work += last.above.push(point, POINTS);
        }
        closes
    }

    /// A point below the curve, of the same exchange as the last one above it.
    pub(crate) fn below(&mut self, point: Point) {
        if let Some(last) = self.all.back_mut() {
            self.work += last.below.push(Point { x: point.x, y: point.y.saturating_neg() }, POINTS);
        }
    }

    /// Points above the curve, of all stretches.
    pub(crate) fn all_above(&self) -> impl Iterator<Item = Point> {
        self.all.iter().flat_map(|s| s.above.points().iter().copied())
    }

    /// Points above the curve, of the last minute.
    pub(crate) fn recent_above(&self) -> impl Iterator<Item = Point> {
        self.all.iter().rev().take(RECENT).flat_map(|s| s.above.points().iter().copied())
    }

    /// Points below the curve, of all stretches.
    pub(crate) fn all_below(&self) -> impl Iterator<Item = Point> {
        let turned = |p: &Point| Point { x: p.x, y: p.y.saturating_neg() };
        self.all.iter().flat_map(move |s| s.below.points().iter().map(turned))
    }

    /// The least that the curve can be at `x` if the fastest line of the last minute took no time.
    pub(crate) fn lowest(&self, drift: Drift, x: i64) -> Option<i64> {
        lowest(self.recent_above(), drift, x)
    }

    /// The line that lies below all points and is closest to them: Moon, Skelly and Towsley (1999), the edge of the hull above
    /// the mean of all lines' times (Zhang, Liu and Xia 2002). Its slope, and a point on it.
    pub(crate) fn envelope(&mut self) -> Option<(i64, Point)> {
        let hull = self.whole_above();
        let lines: i128 = self.all.iter().map(|s| i128::from(s.lines)).sum();
        let sum: i128 = self.all.iter().map(|s| s.sum + i128::from(s.begins) * i128::from(s.lines)).sum();
        let mean = crate::drift::clamped(sum.checked_div(lines)?);
        let mut edges = hull.points().windows(2).filter_map(|pair| Some((*pair.first()?, *pair.last()?)));
        let (a, b) = edges.clone().find(|(_, b)| mean <= b.x).or_else(|| edges.next_back())?;
        Some((slope(b.y.saturating_sub(a.y), b.x.saturating_sub(a.x))?, a))
    }

    /// How fast the clocks can have run apart: the slopes of the straight lines that go below all points above the curve, and
    /// above all points below it. Where no ping was answered these are the assumed ones. The prior where the points say nothing.
    pub(crate) fn drift(&mut self, proven: bool) -> Drift {
        let above = self.whole_above();
        let mut below = Hull::default();
        let points: Vec<Point> =
            if proven { self.all_below().collect() } else { self.all.iter().filter_map(|s| s.assumed).collect() };
        for p in points {
            self.work += below.push(Point { x: p.x, y: p.y.saturating_neg() }, ALL_POINTS);
        }
        let mut drift = Drift::PRIOR;
        for b in below.points() {
            for a in above.points() {
                self.work += 1;
                let apart = a.y.saturating_add(b.y);
                if let Some(most) = slope(apart, a.x.saturating_sub(b.x)) {
                    drift.hi = drift.hi.min(most.saturating_add(1));
                } else if let Some(least) = slope(apart.saturating_neg(), b.x.saturating_sub(a.x)) {
                    drift.lo = drift.lo.max(least);
                }
            }
        }
        drift
    }

    fn whole_above(&mut self) -> Hull {
        let mut hull = Hull::default();
        let mut work = 0;
        for point in self.all_above() {
            work += hull.push(point, ALL_POINTS);
        }
        self.work += work;
        hull
    }

    /// How many points were looked at since the beginning.
    pub(crate) fn work(&self) -> u64 {
        self.work
    }
}

impl Stretch {
    fn close(&mut self, drift: Drift, slack_ns: i64) {
        let Some(x) = self.above.points().last().map(|p| p.x).filter(|_| self.lines >= ENOUGH) else { return };
        let y = lowest(self.above.points().iter().copied(), drift, x);
        self.assumed = y.map(|y| Point { x, y: y.saturating_sub(slack_ns) });
    }
}

fn lowest(points: impl Iterator<Item = Point>, drift: Drift, x: i64) -> Option<i64> {
    points.map(|p| p.y.saturating_add(drift.least(x.saturating_sub(p.x)))).min()
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000_000;

    /// Seven delays in microseconds, ten seconds apart. Solved by hand as a linear programme, maximise the sum of a + b*t under
    /// a + b*t <= d: slope 10 ppm, intercept 5 ms, and these distances to the line. Least squares gives 11.4286 ppm, since the
    /// slow lines pull it up.
    const DELAYS_US: [i64; 7] = [5000, 5900, 5200, 7000, 5600, 5500, 6200];
    const LEFT_US: [i64; 7] = [0, 800, 0, 1700, 200, 0, 600];

    #[test]
    fn the_envelope_is_the_linear_programme_and_not_least_squares() {
        let mut stretches = Stretches::default();
        for (n, us) in (0..).zip(DELAYS_US) {
            stretches.above(Point { x: n * 10 * S, y: us * 1000 }, Drift::PRIOR, 0);
        }
        let (slope, at) = stretches.envelope().unwrap();
        let line = |x: i64| at.y + crate::drift::down(slope, x - at.x);
        assert_eq!((slope, line(0)), (10_000_000, 5_000_000));
        let left: Vec<i64> = (0..).zip(DELAYS_US).map(|(n, us)| us - line(n * 10 * S) / 1000).collect();
        assert_eq!(left, LEFT_US);

        let squares = {
            let t = |n: usize| n as f64 * 10.0;
            let d = |n: usize| DELAYS_US[n] as f64;
            let mean = |of: &dyn Fn(usize) -> f64| (0..7).map(of).sum::<f64>() / 7.0;
            let (tm, dm) = (mean(&t), mean(&d));
            mean(&|n| (t(n) - tm) * (d(n) - dm)) / mean(&|n| (t(n) - tm).powi(2))
        };
        assert!((squares - 11.4286).abs() < 1e-4, "microseconds a second are ppm: {squares}");
    }

    #[test]
    fn points_on_both_sides_leave_few_slopes() {
        let mut stretches = Stretches::default();
        // The true slope is 20 ppm; each exchange is 100 us wide, and they are 100 s apart.
        for n in 0..5 {
            let (x, y) = (n * 100 * S, n * 2_000_000);
            stretches.above(Point { x, y: y + 50_000 }, Drift::PRIOR, 0);
            stretches.below(Point { x, y: y - 50_000 });
        }
        let drift = stretches.drift(true);
        // 100 us in 400 s are 0.25 ppm.
        assert_eq!((drift.lo, drift.hi), (20_000_000 - 250_000, 20_000_000 + 250_000 + 1));
        assert_eq!(stretches.drift(false), Drift::PRIOR, "nothing was assumed of so few lines");
    }

    #[test]
    fn old_stretches_leave() {
        let mut stretches = Stretches::default();
        for n in 0..10_000 {
            stretches.above(Point { x: n * S, y: 0 }, Drift::PRIOR, 0);
        }
        assert_eq!(stretches.all.len(), STRETCHES);
        stretches.above(Point { x: 20_000 * S, y: 0 }, Drift::PRIOR, 0);
        assert_eq!(stretches.all.len(), 1);
        assert!(stretches.work() < 100_000);
    }
}
