//! A small plot of the share of shots reported within a time, with its band.

use super::names::shortened;
use crate::figures::{counted, duration_ns, percent, percent_short};
use crate::model::{Curve, Latency, Step};
use crate::scale::{Scale, decade_ticks, px};
use maud::{Markup, html};
use std::fmt::Write as _;

const LEFT: f64 = 38.0;
const RIGHT: f64 = 290.0;
const TOP: f64 = 22.0;
const BOTTOM: f64 = 138.0;
/// More steps than this cannot be seen at this size.
const MOST_STEPS: usize = 200;

/// The axes that all curves have in common.
pub(crate) struct Axes {
    time: Scale,
    share: Scale,
    from_ns: f64,
    to_ns: f64,
}

impl Axes {
    /// Axes that hold all curves, the limit and the window.
    pub(crate) fn new(latency: &Latency) -> Axes {
        let steps = latency.curves.iter().flat_map(|c| &c.steps).map(|s| s.at_ns as f64);
        let ends = steps.chain([latency.limit_ns, Some(latency.window_ns)].into_iter().flatten().map(|ns| ns as f64));
        let (mut least, mut most) = (f64::INFINITY, 0.0f64);
        for ns in ends.filter(|ns| *ns > 0.0) {
            (least, most) = (least.min(ns), most.max(ns));
        }
        let (least, most) = if least.is_finite() { (least, most) } else { (1e6, 1e9) };
        let from_ns = 10f64.powf(least.log10().floor());
        let to_ns = most.max(from_ns * 10.0);
        Axes {
            time: Scale::new((from_ns.log10(), to_ns.log10()), (LEFT, RIGHT)),
            share: Scale::new((0.0, 1.0), (BOTTOM, TOP)),
            from_ns,
            to_ns,
        }
    }

    fn x(&self, ns: i64) -> f64 {
        self.time.at((ns as f64).max(1.0).log10())
    }

    fn y(&self, share: f64) -> f64 {
        self.share.at(share)
    }

    /// One curve.
    pub(crate) fn plot(&self, curve: &Curve, latency: &Latency) -> Markup {
        let steps = thinned(&curve.steps);
        html! {
            svg viewBox="0 0 300 172" role="img" {
                title { (curve.name) ": share of shots reported within a time" }
                desc { (described(curve)) }
                text.b x=(LEFT) y="13" { (shortened(&curve.name, 36)) }
                (self.frame())
                @if let Some(limit) = latency.limit_ns {
                    path.limit d=(format!("M{} {TOP}V{BOTTOM}", self.x(limit))) {}
                }
                @if let Some(share) = latency.limit_share {
                    path.limit d=(format!("M{LEFT} {}H{}", self.y(share), RIGHT)) {}
                }
                text.s.e x=(RIGHT - 5.0) y=(BOTTOM - 7.0) { (counted(curve.shots, "shot", "shots")) }
                @if steps.is_empty() {
                    text.m.s x=(px((LEFT + RIGHT) / 2.0)) y=(px((TOP + BOTTOM) / 2.0)) { "not estimable" }
                } @else {
                    path.band d=(self.band(&steps, latency.window_ns)) {}
                    path.curve d=(self.curve(&steps, latency.window_ns)) {}
                }
            }
        }
    }

    fn frame(&self) -> Markup {
        let shares = [0.0, 0.25, 0.5, 0.75, 1.0];
        let grid: String = shares.iter().map(|s| format!("M{LEFT} {}H{RIGHT}", self.y(*s))).collect();
        let times = decade_ticks(self.from_ns, self.to_ns, 6);
        html! {
            path.g d=(grid) {}
            @for share in [0.0, 0.5, 1.0] {
                text.s.e x=(LEFT - 5.0) y=(self.y(share) + 4.0) { (percent_short(share)) }
            }
            @for (ns, words) in &times {
                @let x = self.time.at(ns.log10());
                path.g d=(format!("M{x} {TOP}V{BOTTOM}")) {}
                text.s.m x=(x) y=(BOTTOM + 14.0) { (words) }
            }
            path.x d=(format!("M{LEFT} {TOP}V{BOTTOM}H{RIGHT}")) {}
            text.s.m x=(px((LEFT + RIGHT) / 2.0)) y="169" { "time after the shot" }
        }
    }

    /// From nothing, up at each step, then on to the window's end: what comes later is not known.
    fn curve(&self, steps: &[Step], window_ns: i64) -> String {
        let mut path = format!("M{LEFT} {}", self.y(0.0));
        for step in steps {
            let _ = write!(path, "H{}V{}", self.x(step.at_ns), self.y(step.share));
        }
        let _ = write!(path, "H{}", self.x(window_ns));
        path
    }

    /// Along the upper edge, and back along the lower one.
    fn band(&self, steps: &[Step], window_ns: i64) -> String {
        let known: Vec<(f64, f64, f64)> =
            steps.iter().filter_map(|s| Some((self.x(s.at_ns), self.y(s.low?), self.y(s.high?)))).collect();
        let Some((first, _, _)) = known.first() else { return String::new() };
        let end = self.x(window_ns);
        let mut path = format!("M{first} {}", self.y(0.0));
        for (x, _, high) in &known {
            let _ = write!(path, "H{x}V{high}");
        }
        let _ = write!(path, "H{end}");
        for (x, low, _) in known.iter().rev() {
            let _ = write!(path, "V{low}H{x}");
        }
        path.push('z');
        path
    }
}

/// At most as many steps as can be seen, the last among them. A step that is left out joins the next one, so that the curve never
/// says more than was found.
fn thinned(steps: &[Step]) -> Vec<Step> {
    let every = steps.len().div_ceil(MOST_STEPS).max(1);
    let last = steps.len().saturating_sub(1);
    steps.iter().enumerate().filter(|(n, _)| (last - n).is_multiple_of(every)).map(|(_, s)| *s).collect()
}

fn described(curve: &Curve) -> String {
    let mut words = format!("{} shots, of which {} without a report inside the window.", curve.shots, curve.missed);
    for q in &curve.quantiles {
        let time = q.ns.map_or_else(|| crate::figures::NOT_ESTIMABLE.to_owned(), duration_ns);
        let _ = write!(words, " {} within: {time}.", percent_short(q.share));
    }
    if let Some(last) = curve.steps.last() {
        let _ = write!(words, " The curve ends at {} after {}.", percent(last.share), duration_ns(last.at_ns));
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinning_keeps_the_end_and_never_says_more() {
        let steps: Vec<Step> =
            (1..=1000i64).map(|n| Step { at_ns: n, share: n as f64 / 1001.0, low: None, high: None }).collect();
        let few = thinned(&steps);
        assert!(few.len() <= MOST_STEPS && few.last() == steps.last(), "{}", few.len());
        for step in &few {
            assert_eq!(steps[usize::try_from(step.at_ns).unwrap() - 1], *step);
        }
        assert_eq!(thinned(&steps[..3]).len(), 3);
        assert!(thinned(&[]).is_empty());
    }
}
