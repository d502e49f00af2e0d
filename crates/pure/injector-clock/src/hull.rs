//! The lower convex hull of points that come from left to right.
//!
//! A point is pushed once and taken off once at the most, so a push costs constant time on average. The hull holds a bounded
//! number of points; where that is not enough, one inside goes, and a bound made from the hull becomes wider by a little.

/// A point: the injector's time, and kernel time minus it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Point {
    pub(crate) x: i64,
    pub(crate) y: i64,
}

/// See the module's page.
#[derive(Clone, Debug, Default)]
pub(crate) struct Hull {
    points: Vec<Point>,
}

impl Hull {
    /// Adds a point and answers how many points were looked at. One that lies to the left of the last one is left out, which only
    /// loses a bound.
    pub(crate) fn push(&mut self, point: Point, most: usize) -> u64 {
        let mut work = 1;
        if let Some(last) = self.points.last().copied() {
            if point.x < last.x || (point.x == last.x && point.y >= last.y) {
                return work;
            }
            if point.x == last.x {
                self.points.pop();
            }
        }
        while let [.., a, b] = self.points.as_slice()
            && !turns_up(*a, *b, point)
        {
            self.points.pop();
            work += 1;
        }
        self.points.push(point);
        if self.points.len() > most {
            // The ends carry the slope, and the newest points the offset of now.
            self.points.remove(1.min(self.points.len() - 1));
            work += self.points.len() as u64;
        }
        work
    }

    pub(crate) fn points(&self) -> &[Point] {
        &self.points
    }
}

/// Whether the way from a over b to c bends upwards at b. Products of two 64-bit differences are compared, never subtracted:
/// each fits in 128 bits, their difference would not.
fn turns_up(a: Point, b: Point, c: Point) -> bool {
    let d = |to: i64, from: i64| i128::from(to.saturating_sub(from));
    d(b.y, a.y) * d(c.x, b.x) < d(c.y, b.y) * d(b.x, a.x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn points_above_the_envelope_go() {
        let mut hull = Hull::default();
        for (x, y) in [(0, 50), (1, 59), (2, 52), (3, 70), (4, 56), (5, 55), (6, 62)] {
            hull.push(Point { x, y }, 16);
        }
        let kept: Vec<_> = hull.points().iter().map(|p| (p.x, p.y)).collect();
        // (2, 52) lies on the way from (0, 50) to (5, 55) and says nothing more.
        assert_eq!(kept, [(0, 50), (5, 55), (6, 62)]);
        hull.push(Point { x: 3, y: 0 }, 16);
        assert_eq!(hull.points().len(), 3, "what comes too late is left out");
        hull.push(Point { x: 6, y: 61 }, 16);
        assert_eq!(hull.points().last(), Some(&Point { x: 6, y: 61 }));
    }

    proptest! {
        /// No point lies below the hull, and the work stays below three looks a point.
        #[test]
        fn nothing_lies_below(steps in prop::collection::vec((0i64..1000, -1_000_000i64..1_000_000), 1..300)) {
            let (mut hull, mut x, mut all, mut work) = (Hull::default(), 0, Vec::new(), 0);
            for (step, y) in steps {
                x += step;
                all.push(Point { x, y });
                work += hull.push(Point { x, y }, usize::MAX);
            }
            prop_assert!(work <= 3 * all.len() as u64);
            for p in all {
                for pair in hull.points().windows(2) {
                    let (a, b) = (pair[0], pair[1]);
                    if a.x <= p.x && p.x <= b.x {
                        let rise = i128::from(b.y - a.y) * i128::from(p.x - a.x);
                        prop_assert!(rise <= i128::from(p.y - a.y) * i128::from(b.x - a.x));
                    }
                }
            }
        }
    }
}
