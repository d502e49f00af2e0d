//! The latency density of one source, learned from the run: a histogram on a logarithmic scale over a prior.
//!
//! The widest prior is a lognormal with median 100 ms and sigma 2: its central 95 % reaches from 2 ms (an interrupt) to 5 s (a
//! poller), which is what the kernel's own mechanisms span (`check_interval`, `edac_mc_poll_msec`, threshold interrupts). A
//! slot's density has that of all slots for its prior. Observations come with the probability that they are one.

use serde::{Deserialize, Serialize};

/// How many observations the widest prior is worth.
const PRIOR: f64 = 20.0;
/// How many observations at a slot what all slots taught is worth.
const SLOT_PRIOR: f64 = 300.0;
/// Bins for each doubling of the latency.
const PER_OCTAVE: f64 = 4.0;
/// From 1 us to about 20 hours.
const BINS: usize = 144;
const LEAST_NS: f64 = 1_000.0;
const MEDIAN_NS: f64 = 100e6;
const SIGMA: f64 = 2.0;
/// From so many observations on, each is smoothed over fewer bins.
const MANY: f64 = 1_000.0;
/// From the mass of a bin to the density in it, times the latency in nanoseconds.
const PER_SECOND: f64 = PER_OCTAVE / std::f64::consts::LN_2 * 1e9;
/// Sums over bins are made anew after so much weight was added, in shares of what there is.
const STALE: f64 = 0.02;

/// See the module's page.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Latency {
    /// Observed weight by bin, smoothed over the neighbours as it comes.
    seen: Vec<f64>,
    total: f64,
    /// The prior's mass by bin, and how many observations it is worth.
    prior: Vec<f64>,
    worth: f64,
    /// Probability mass and upper tail by bin, made from `seen` and the prior.
    mass: Vec<f64>,
    tail: Vec<f64>,
    /// The largest density times its latency: no density at a latency is larger than this over that.
    peak: f64,
    made_at: f64,
}

/// The upper tail of the widest prior.
#[must_use]
fn prior_survival(ns: f64) -> f64 {
    let z = libm::log(ns.max(LEAST_NS) / MEDIAN_NS) / SIGMA;
    0.5 * libm::erfc(z / std::f64::consts::SQRT_2)
}

fn position(ns: f64) -> f64 {
    (rough_log2(ns.max(LEAST_NS) / LEAST_NS) * PER_OCTAVE).min(BINS as f64 - 1.0)
}

/// The logarithm of a number of 1 or more to a hundredth of a bin, which is what bins need, by arithmetic alone.
///
/// The mantissa's part is the odd polynomial of (m - 1) / (m + 1) from the series of the area tangent (Abramowitz and Stegun
/// 4.1.27), to the seventh power: off by less than 4e-5 on [1, 2).
fn rough_log2(x: f64) -> f64 {
    let bits = x.to_bits();
    let exponent = ((bits >> 52) & 0x7ff) as f64 - 1023.0;
    let mantissa = f64::from_bits(bits & ((1 << 52) - 1) | 1023 << 52);
    let y = (mantissa - 1.0) / (mantissa + 1.0);
    let y2 = y * y;
    let series = y * (1.0 + y2 * (1.0 / 3.0 + y2 * (1.0 / 5.0 + y2 / 7.0)));
    exponent + series * 2.0 * std::f64::consts::LOG2_E
}

fn edge(bin: usize) -> f64 {
    LEAST_NS * libm::exp2(bin as f64 / PER_OCTAVE)
}

impl Default for Latency {
    fn default() -> Latency {
        let survival = |bin: usize| match bin {
            0 => 1.0,
            BINS => 0.0,
            _ => prior_survival(edge(bin)),
        };
        let mass: Vec<f64> = (0..BINS).map(|bin| survival(bin) - survival(bin + 1)).collect();
        Latency::over(&mass, PRIOR)
    }
}

impl Latency {
    fn over(mass: &[f64], worth: f64) -> Latency {
        let mut latency = Latency {
            seen: vec![0.0; BINS],
            total: 0.0,
            prior: mass.to_vec(),
            worth,
            mass: mass.to_vec(),
            tail: vec![0.0; BINS + 1],
            peak: 0.0,
            made_at: 0.0,
        };
        latency.sum_up();
        latency
    }

    /// The density of one slot, that begins as this one of all slots.
    #[must_use]
    pub(crate) fn of_a_slot(&self) -> Latency {
        Latency::over(&self.mass, SLOT_PRIOR)
    }

    /// Learns from a latency that is one with this probability.
    pub(crate) fn learn(&mut self, ns: i64, weight: f64) {
        if self.add(ns, weight) {
            self.make();
        }
    }

    /// The same for a slot: what all slots taught meanwhile is its prior.
    pub(crate) fn learn_at_slot(&mut self, ns: i64, weight: f64, all: &Latency) {
        if self.add(ns, weight) {
            self.prior.clone_from(&all.mass);
            self.make();
        }
    }

    /// Answers whether enough has come for the density to be made anew.
    fn add(&mut self, ns: i64, weight: f64) -> bool {
        let at = position(ns as f64) as usize;
        // A triangle over five bins, as long as there are few: a burst at one value must not dig holes beside itself.
        let triangle = if self.total < MANY {
            [1.0 / 9.0, 2.0 / 9.0, 3.0 / 9.0, 2.0 / 9.0, 1.0 / 9.0]
        } else {
            [0.0, 0.25, 0.5, 0.25, 0.0]
        };
        if let Some(seen) = at.checked_sub(2).and_then(|first| self.seen.get_mut(first..first + 5)) {
            for (seen, share) in seen.iter_mut().zip(triangle) {
                *seen += weight * share;
            }
        } else {
            for (offset, share) in triangle.into_iter().enumerate() {
                let bin = (at + offset).saturating_sub(2).min(BINS - 1);
                if let Some(seen) = self.seen.get_mut(bin) {
                    *seen += weight * share;
                }
            }
        }
        self.total += weight;
        self.total - self.made_at > STALE * (self.made_at + self.worth)
    }

    /// How much weight was learned from.
    #[must_use]
    pub(crate) fn total(&self) -> f64 {
        self.total
    }

    /// Density at a latency, per second.
    #[must_use]
    pub(crate) fn density(&self, ns: i64) -> f64 {
        let ns = (ns as f64).max(LEAST_NS);
        let at = position(ns);
        let bin = at as usize;
        // Mass per logarithmic bin, between the centres of two bins, over the width in seconds of the place itself.
        let (low, share) = if at - bin as f64 >= 0.5 {
            (bin, at - bin as f64 - 0.5)
        } else {
            (bin.saturating_sub(1), at - bin as f64 + 0.5)
        };
        let of = |bin: usize| self.mass.get(bin.min(BINS - 1)).copied().unwrap_or(0.0);
        let mass = of(low) * (1.0 - share) + of(low + 1) * share;
        mass * PER_SECOND / ns
    }

    /// What the density at a latency is not above, per second: known at once.
    #[must_use]
    pub(crate) fn density_at_most(&self, ns: i64) -> f64 {
        self.peak / (ns as f64).max(LEAST_NS)
    }

    /// Probability that the latency is longer.
    #[must_use]
    pub(crate) fn survival(&self, ns: i64) -> f64 {
        if ns <= 0 {
            return 1.0;
        }
        let at = position(ns as f64);
        let bin = at as usize;
        let of = |bin: usize| self.tail.get(bin.min(BINS)).copied().unwrap_or(0.0);
        of(bin) + (of(bin + 1) - of(bin)) * (at - bin as f64)
    }

    /// The latency in nanoseconds that is exceeded with probability `p`.
    #[must_use]
    pub(crate) fn exceeded(&self, p: f64) -> i64 {
        let of = |bin: usize| self.tail.get(bin).copied().unwrap_or(0.0);
        let bin = (0..BINS).find(|bin| of(bin + 1) < p).unwrap_or(BINS);
        let inside = ((of(bin) - p) / (of(bin) - of(bin + 1)).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
        (LEAST_NS * libm::exp2((bin as f64 + inside) / PER_OCTAVE)) as i64
    }

    /// Brings what was seen into the density.
    fn make(&mut self) {
        let all = self.total + self.worth;
        for ((mass, seen), prior) in self.mass.iter_mut().zip(&self.seen).zip(&self.prior) {
            *mass = (seen + self.worth * prior) / all;
        }
        self.made_at = self.total;
        self.sum_up();
    }

    fn sum_up(&mut self) {
        let mut above = 0.0;
        for (mass, tail) in self.mass.iter().zip(&mut self.tail).rev() {
            above += mass;
            *tail = above;
        }
        self.peak = self.mass.iter().copied().fold(0.0, f64::max) * PER_SECOND;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_prior_is_the_stated_lognormal() {
        // scipy 1.x, stats.lognorm(s=2, scale=0.1): pdf(0.1), pdf(1), sf(0.1), sf(5); the histogram is a little coarser.
        let latency = Latency::default();
        assert!((latency.density(100_000_000) / 1.994_711 - 1.0).abs() < 0.01, "{}", latency.density(100_000_000));
        assert!((latency.density(1_000_000_000) / 0.102_815 - 1.0).abs() < 0.01);
        assert!((latency.survival(100_000_000) - 0.5).abs() < 0.001);
        assert!((latency.survival(5_000_000_000) - 0.025_232).abs() < 2e-4);
    }

    #[test]
    fn the_rough_logarithm_is_near_enough() {
        let mut x = 1.0;
        while x < 1e14 {
            assert!((rough_log2(x) - libm::log2(x)).abs() < 4e-5, "{x}");
            x *= 1.000_37;
        }
    }

    #[test]
    fn what_is_seen_takes_over() {
        let mut latency = Latency::default();
        for n in 0..10_000 {
            latency.learn(20_000_000 + n * 100, 1.0);
        }
        assert!(latency.survival(10_000_000) > 0.99 && latency.survival(40_000_000) < 0.01);
        assert!(latency.density(20_500_000) > 30.0);
        assert!(latency.density(2_000_000_000) > 0.0);
        // The density is one: its integral over all latencies.
        let mut sum = 0.0;
        let mut x: f64 = 1_000.0;
        while x < 1e13 {
            sum += latency.density((x * 1.005) as i64) * (x * 0.01) / 1e9;
            x *= 1.01;
        }
        assert!((sum - 1.0).abs() < 0.01, "{sum}");
    }
}
