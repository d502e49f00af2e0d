//! How latencies are distributed when each is known only to lie in an interval: the nonparametric maximum-likelihood estimate.
//!
//! Steps of a counter and polled records are intervals, misses are open to the right, and exact times may be among them. The estimate is
//! Turnbull's (1976): probabilities on the innermost intervals (`masses`), which the self-consistency equation holds for. Where in its
//! innermost interval a probability lies nothing in the data says, and the answers here leave it open.
//!
//! It is found with Turnbull's own iteration, which is the EM algorithm, and after each round of it a step of the iterative convex minorant
//! algorithm, since EM alone takes thousands of rounds. Source: J. A. Wellner and Y. Zhan, "A hybrid algorithm for computation of the
//! nonparametric maximum likelihood estimator from censored data", Journal of the American Statistical Association 92 (1997) 945-959.

use crate::error::open_probability;
use crate::interval_censored::{Between, total};
use crate::masses::{self, Span};
use crate::nearest_monotone::nearest;
use crate::{Interval, NotEstimable};

/// The iteration ends when [`Estimate::gap`] is at most this.
pub const GAP: f64 = 1e-9;
/// It ends after so many rounds in any case.
pub const MOST_ROUNDS: u32 = 2000;
/// Two mean log-likelihoods that are as close as this cannot be told apart.
const ROUNDING: f64 = 1e-14;

/// A probability somewhere after `from` and not after `to`, or exactly there where both are equal.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Mass {
    /// Not before, and not at this time.
    pub from: f64,
    /// Not later; infinite where it was never seen.
    pub to: f64,
    /// The probability.
    pub mass: f64,
}

/// An estimated distribution.
#[derive(Clone, PartialEq, Debug)]
pub struct Estimate {
    /// In the order of time; innermost intervals without probability are left out.
    pub masses: Vec<Mass>,
    /// How many observations it is made from.
    pub total: u64,
    /// How many rounds it took.
    pub rounds: u32,
    /// By how much the Kuhn-Tucker conditions of the maximum are missed: the largest derivative of the mean log-likelihood towards any
    /// innermost interval. The log-likelihood is below its maximum by at most this times `total`. Source: R. Gentleman and C. J. Geyer, "Maximum
    /// likelihood for interval censored data: consistency and computation", Biometrika 81 (1994) 618-623.
    pub gap: f64,
}

/// The estimate from counted intervals.
///
/// Errors: nothing was counted, an interval that is none. An estimate whose iteration ended early says so ([`Estimate::converged`]). The
/// work is a few dozen rounds over the cells.
pub fn estimate(seen: &[Between]) -> Result<Estimate, NotEstimable> {
    let total = total(seen)?;
    let (intervals, spans) = masses::of(seen, total);
    let even = 1.0 / intervals.len() as f64;
    let mut fit = Fit::with(&spans, vec![even; intervals.len()]);
    let mut rounds = 0;
    while fit.gap() > GAP && rounds < MOST_ROUNDS {
        fit.expect_and_maximise();
        fit.step_along_the_minorant();
        rounds += 1;
    }
    let gap = fit.gap();
    let masses = intervals.into_iter().zip(fit.mass).map(|((from, to), mass)| Mass { from, to, mass });
    Ok(Estimate { masses: masses.filter(|mass| mass.mass > 0.0).collect(), total, rounds, gap })
}

impl Estimate {
    /// Whether the iteration came to its end; if not, this is near the estimate, and `gap` says how near.
    #[must_use]
    pub fn converged(&self) -> bool {
        self.gap <= GAP
    }

    /// The probability of a latency longer than `time`: both ends are equal except within an innermost interval, where the data leave it open.
    #[must_use]
    pub fn survival(&self, time: f64) -> Interval {
        let sum = |of: &dyn Fn(&Mass) -> bool| self.masses.iter().rev().filter(|m| of(m)).map(|m| m.mass).sum::<f64>();
        Interval { lower: sum(&|m| m.from >= time && m.to > time), upper: sum(&|m| m.to > time) }
    }

    /// The quantile `p` lies after the lower and not after the upper end: the innermost interval in which the estimate crosses `p`.
    ///
    /// This is what the estimate leaves open, not what is unsure about it; a bound with a confidence is [`crate::order::upper_bound`]. Errors:
    /// [`NotEstimable::Beyond`] where less than `p` was ever seen to happen, `p` not between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<Interval, NotEstimable> {
        // The iteration ends a few digits short.
        let enough = open_probability(p)? * (1.0 - 1e-9);
        let mut so_far = 0.0;
        let crossed = self.masses.iter().find(|mass| {
            so_far += mass.mass;
            so_far >= enough
        });
        let crossed = crossed.filter(|mass| mass.to < f64::INFINITY).ok_or(NotEstimable::Beyond)?;
        Ok(Interval { lower: crossed.from, upper: crossed.to })
    }
}

/// The state of the iteration.
struct Fit<'a> {
    spans: &'a [Span],
    /// The probability of each innermost interval.
    mass: Vec<f64>,
    /// The probability of what each span covers.
    shares: Vec<f64>,
    /// Of one observation, on average.
    log_likelihood: f64,
    /// For each innermost interval the derivative of the mean log-likelihood by its probability; 1 where the estimate has some.
    pull: Vec<f64>,
}

fn add(values: &mut [f64], place: usize, what: f64) {
    if let Some(value) = values.get_mut(place) {
        *value += what;
    }
}

/// The sums of all values before each place, and of all.
fn sums_before(values: &[f64]) -> Vec<f64> {
    let sums = values.iter().scan(0.0, |sum, value| {
        *sum += value;
        Some(*sum)
    });
    core::iter::once(0.0).chain(sums).collect()
}

/// The probability of what each span covers.
fn shares(spans: &[Span], mass: &[f64]) -> Vec<f64> {
    // Differences of sums, which carry beside them what was rounded off: the share of a few among a thousand million would have lost half
    // of its digits.
    let sums = mass.iter().scan((0.0, 0.0), |(sum, rest), mass| {
        let next = *sum + mass;
        let added = next - *sum;
        *rest += (*sum - (next - added)) + (mass - added);
        *sum = next;
        Some((next, *rest))
    });
    let sums: Vec<(f64, f64)> = core::iter::once((0.0, 0.0)).chain(sums).collect();
    let until = |place: usize| sums.get(place).copied().unwrap_or_default();
    let share = |span: &Span| {
        let (before, after) = (until(span.first), until(span.last + 1));
        (after.0 - before.0) + (after.1 - before.1)
    };
    spans.iter().map(share).collect()
}

impl<'a> Fit<'a> {
    fn with(spans: &'a [Span], mass: Vec<f64>) -> Self {
        let shares = shares(spans, &mass);
        let log_likelihood = spans.iter().zip(&shares).map(|(span, share)| span.weight * libm::log(*share)).sum();
        let mut steps = vec![0.0; mass.len() + 1];
        for (span, share) in spans.iter().zip(&shares) {
            add(&mut steps, span.first, span.weight / share);
            add(&mut steps, span.last + 1, -span.weight / share);
        }
        let pull = sums_before(&steps).into_iter().skip(1).take(mass.len()).collect();
        Self { spans, mass, shares, log_likelihood, pull }
    }

    fn gap(&self) -> f64 {
        self.pull.iter().fold(0.0, |most, pull| pull.max(most)) - 1.0
    }

    /// One round of Turnbull's iteration: every observation is divided among the intervals it covers, as their probabilities are.
    fn expect_and_maximise(&mut self) {
        let mass = self.mass.iter().zip(&self.pull).map(|(mass, pull)| mass * pull).collect();
        *self = Fit::with(self.spans, mass);
    }

    /// One step of the convex minorant algorithm: Newton's method for the distribution function with only the diagonal of the second
    /// derivatives, brought back to a function that does not fall, and shortened until the likelihood grows.
    fn step_along_the_minorant(&mut self) {
        let intervals = self.mass.len();
        let mut slope = vec![0.0; intervals + 1];
        let mut bend = vec![0.0; intervals + 1];
        for (span, share) in self.spans.iter().zip(&self.shares) {
            let (first, second) = (span.weight / share, span.weight / share / share);
            add(&mut slope, span.last + 1, first);
            add(&mut slope, span.first, -first);
            add(&mut bend, span.last + 1, second);
            add(&mut bend, span.first, second);
        }
        // The function is 0 before the first interval and 1 after the last; what is sought is its values between them.
        let sums = sums_before(&self.mass);
        let between = sums.iter().zip(slope.iter().zip(&bend)).take(intervals).skip(1);
        let wanted = nearest(between.map(|(sum, (slope, bend))| (sum + slope / bend, *bend)));
        let ends = wanted.iter().map(|f| f.clamp(0.0, 1.0)).chain(core::iter::once(1.0));
        let wanted: Vec<f64> = ends
            .scan(0.0, |before, end| {
                let mass = end - *before;
                *before = end;
                Some(mass)
            })
            .collect();
        let mut length = 1.0;
        for _ in 0..12 {
            let mix = |(mass, wanted): (&f64, &f64)| mass + length * (wanted - mass);
            let there = Fit::with(self.spans, self.mass.iter().zip(&wanted).map(mix).collect());
            let grows = there.log_likelihood - self.log_likelihood;
            // Near the end the likelihood grows by less than its last digit, and the conditions of the maximum tell more.
            if grows > ROUNDING || (grows > -ROUNDING && there.gap() < self.gap()) {
                *self = there;
                return;
            }
            length /= 2.0;
        }
    }
}

#[cfg(test)]
mod tests;
