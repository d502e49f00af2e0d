//! The gamma distribution with scale 1: both tails and their inverse.
//!
//! Exact intervals for the rate of a Poisson process are made from it; half a chi-squared with 2a degrees of freedom has this
//! distribution with the shape a. The series and the continued fraction are 6.2.5 and 6.2.7 of W. H. Press et al., "Numerical
//! Recipes"; for large shapes quadrature takes their place.

use crate::beta::Tail;
use crate::quadrature::{LARGE, deviance, stirling_error, tail_area};
use crate::root::crossing;
use core::f64::consts::PI;

/// Natural logarithms at x: of the probability of less, of more, and of x times the density.
fn tails(a: f64, x: f64) -> (f64, f64, f64) {
    let ln_power = 0.5 * libm::log(a / (2.0 * PI)) - stirling_error(a) - deviance(a, x);
    if x < a + 1.0 {
        let share = if a < LARGE { series(a, x) } else { lower_area(a, x) };
        let ln_lower = (ln_power + libm::log(share)).min(0.0);
        (ln_lower, libm::log1p(-libm::exp(ln_lower)), ln_power)
    } else {
        let share = if a < LARGE { fraction(a, x) } else { upper_area(a, x) };
        let ln_upper = (ln_power + libm::log(share)).min(0.0);
        (libm::log1p(-libm::exp(ln_upper)), ln_upper, ln_power)
    }
}

/// The probability of less, over x times the density.
fn series(a: f64, x: f64) -> f64 {
    let (mut sum, mut term) = (1.0 / a, 1.0 / a);
    for n in 1..10_000 {
        term *= x / (a + f64::from(n));
        sum += term;
        if term < sum * 1e-17 {
            break;
        }
    }
    sum
}

/// The probability of more, over x times the density.
fn fraction(a: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let guard = |v: f64| if v.abs() < TINY { TINY } else { v };
    let mut b = x + 1.0 - a;
    let mut c = 1.0 / TINY;
    let mut d = 1.0 / guard(b);
    let mut h = d;
    for i in 1..10_000 {
        let i = f64::from(i);
        let term = -i * (i - a);
        b += 2.0;
        d = 1.0 / guard(term * d + b);
        c = guard(b + term / c);
        h *= c * d;
        if (c * d - 1.0).abs() < 1e-16 {
            break;
        }
    }
    h
}

fn lower_area(a: f64, x: f64) -> f64 {
    let a1 = a - 1.0;
    tail_area(a1 / x - 1.0, a1 / x / x, |s| a1 * libm::log1p(-s / x) + s) / x
}

fn upper_area(a: f64, x: f64) -> f64 {
    let a1 = a - 1.0;
    tail_area(1.0 - a1 / x, a1 / x / x, |s| a1 * libm::log1p(s / x) - s) / x
}

/// The x that cuts the probability `alpha` off at this end of the gamma distribution with the positive shape `a`.
pub(crate) fn quantile(a: f64, tail: Tail, alpha: f64) -> f64 {
    let ln_alpha = libm::log(alpha);
    let side = if tail == Tail::Lower { -2.0 } else { 1.0 };
    let u = crossing(-740.0, 700.0, libm::log(a) + side / libm::sqrt(a), |u| {
        let (ln_lower, ln_upper, ln_density) = tails(a, libm::exp(u));
        match tail {
            Tail::Lower => (ln_lower - ln_alpha, libm::exp(ln_density - ln_lower)),
            Tail::Upper => (ln_alpha - ln_upper, libm::exp(ln_density - ln_upper)),
        }
    });
    libm::exp(u)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_the_inverse() {
        for a in [0.5, 1.0, 3.0, 10.0, 999.0, 1001.0, 1e6, 1e9, 1e15] {
            for alpha in [0.7, 0.25, 0.025, 1e-6, 1e-30] {
                for tail in [Tail::Lower, Tail::Upper] {
                    let x = quantile(a, tail, alpha);
                    let (lower, upper, ln_density) = tails(a, x);
                    let told = if tail == Tail::Lower { lower } else { upper };
                    let step = libm::exp(ln_density - told);
                    let within = 1e-11 + 3e-15 * step * (1.0 + libm::log(x).abs());
                    assert!((told - libm::log(alpha)).abs() < within, "{a} {alpha} {tail:?}: {x} {told}");
                }
            }
        }
    }

    #[test]
    fn both_ways_of_a_tail_meet() {
        let (below, above) = (0.94 * LARGE, 1.07 * LARGE);
        assert!((libm::log(series(LARGE, below)) - libm::log(lower_area(LARGE, below))).abs() < 1e-11);
        assert!((libm::log(fraction(LARGE, above)) - libm::log(upper_area(LARGE, above))).abs() < 1e-11);
    }
}
