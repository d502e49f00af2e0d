//! What a pair is worth: negative log-likelihoods under a wide, fixed prior.
//!
//! Nothing is learned here. The latency prior is a lognormal with median 100 ms and sigma 2: its central 95 % reaches
//! from 2 ms (an interrupt) to 5 s (a poller), which is what the kernel's own mechanisms span (`check_interval`,
//! `edac_mc_poll_msec`, threshold interrupts). The other prices are orders of magnitude, chosen so that on the shot's
//! own slot a report inside the window always beats "missed, and the report an orphan".

use vocabulary::{Class, Severity, Shot, Span};

const MEDIAN_NS: f64 = 100e6;
const SIGMA: f64 = 2.0;

/// Probability that a shot goes unreported, before anything is known.
const MISS: f64 = 0.01;
/// Probability that a report has the other severity class than expected.
const MISGRADED: f64 = 0.005;
/// What it is worth to explain a report at all.
pub(crate) const EXPLAINED: f64 = 14.0;
/// What it is worth to explain one more error of a report that is explained already: less, so that a report of its own
/// goes before a share.
pub(crate) const SHARED: f64 = 10.0;

/// Density of the latency prior at `ns`, per second.
#[must_use]
pub fn latency_density(ns: i64) -> f64 {
    let x = (ns.max(1_000)) as f64;
    let z = (x / MEDIAN_NS).ln() / SIGMA;
    (-0.5 * z * z).exp() / (x / 1e9 * SIGMA * (2.0 * std::f64::consts::PI).sqrt())
}

/// Probability that the latency is longer than `ns`.
#[must_use]
pub fn latency_survival(ns: i64) -> f64 {
    let z = (ns.max(1_000) as f64 / MEDIAN_NS).ln() / SIGMA;
    0.5 * libm::erfc(z / std::f64::consts::SQRT_2)
}

/// The price of leaving a shot without a report at a time when `elapsed_ns` have passed since it was fired.
pub(crate) fn miss_price(elapsed_ns: i64, closed: bool) -> f64 {
    let may_still_come = if closed { 0.0 } else { (1.0 - MISS) * latency_survival(elapsed_ns) };
    -(MISS + may_still_come).ln()
}

/// The price of saying that this shot caused a report seen at `seen` with this severity.
pub(crate) fn pair_price(shot: &Shot, seen: Span, severity: Severity) -> f64 {
    let graded = match shot.expect.map(Severity::class) {
        Some(class) if class != severity.class() => -MISGRADED.ln(),
        _ => 0.0,
    };
    graded - latency_density(seen.to.since(shot.fired.from)).ln()
}

/// Whether a report on another slot is better explained by this unreported shot than by chance.
///
/// A miss and a wrong blame are taken to be equally rare, so what decides is the latency density against the rate of
/// orphans on the slot that the report blames.
pub(crate) fn beats_chance(shot: &Shot, seen: Span, severity: Severity, orphans_per_s: f64) -> bool {
    pair_price(shot, seen, severity) < -orphans_per_s.ln()
}

/// Whether a class is the one that the shot expects, as far as it expects any.
pub(crate) fn misgraded(shot: &Shot, class: Class) -> bool {
    shot.expect.is_some_and(|e| e.class() != class)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_prior_is_the_stated_lognormal() {
        // scipy 1.x, stats.lognorm(s=2, scale=0.1): pdf(0.1), pdf(1), sf(0.1), sf(5).
        assert!((latency_density(100_000_000) - 1.994_711).abs() < 1e-5);
        assert!((latency_density(1_000_000_000) - 0.102_815).abs() < 1e-5);
        assert!((latency_survival(100_000_000) - 0.5).abs() < 1e-12);
        assert!((latency_survival(5_000_000_000) - 0.025_232).abs() < 1e-6);
    }

    #[test]
    fn on_its_own_slot_a_report_in_the_window_beats_a_miss() {
        let worst = -MISGRADED.ln() - latency_density(300_000_000_000).ln();
        assert!(worst < EXPLAINED + miss_price(0, true) + 3.0, "{worst}");
        let usual = -latency_density(5_000_000_000).ln();
        assert!(usual < EXPLAINED + miss_price(0, true));
    }
}
