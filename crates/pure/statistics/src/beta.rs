//! The beta distribution: both tails and their inverse, for shapes up to 10¹⁵.
//!
//! Exact intervals for a proportion and tails of the binomial distribution are made from it. A tail comes from the continued fraction
//! of A. R. Didonato and A. H. Morris, "Algorithm 708: significant digit computation of the incomplete beta function ratios", ACM
//! Transactions on Mathematical Software 18 (1992) 360-373, which does not lose digits where one shape is much larger than the other;
//! or, where both shapes are large, from quadrature over the density (`quadrature`). The general library that was tried did not
//! return from its inverse for shapes of 10⁹.

use crate::quadrature::{LARGE, deviance, stirling_error, tail_area};
use crate::root::crossing;
use core::f64::consts::PI;

/// Which end of a distribution.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Tail {
    Lower,
    Upper,
}

impl Tail {
    fn other(self) -> Self {
        match self {
            Self::Lower => Self::Upper,
            Self::Upper => Self::Lower,
        }
    }
}

/// Natural logarithms at one point x: of the probability of less, of more, and of x times the density.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tails {
    pub(crate) ln_lower: f64,
    pub(crate) ln_upper: f64,
    ln_density: f64,
}

/// ln [x^a y^b / B(a, b)], for y = 1 − x.
fn ln_power(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let n = a + b;
    0.5 * libm::log(a / n * b / (2.0 * PI)) + stirling_error(n)
        - stirling_error(a)
        - stirling_error(b)
        - deviance(a, n * x)
        - deviance(b, n * y)
}

/// The probability of less than x over [`ln_power`], as a continued fraction, for x up to the mean; `over` is a − (a + b) x, which
/// is not negative.
fn fraction(a: f64, b: f64, x: f64, y: f64, over: f64) -> f64 {
    let c = 1.0 + over;
    let c1 = 1.0 + 1.0 / a;
    let (mut p, mut s) = (1.0, a + 1.0);
    let (mut before, mut below_before) = (0.0, 1.0);
    let mut below = c / c1;
    let mut value = 1.0 / below;
    let mut above = 1.0;
    // With one shape below LARGE a hundred terms are enough.
    for n in 1..10_000 {
        let n = f64::from(n);
        let t = n / a;
        let w = n * (b - n) * x;
        let e = a / s;
        let first = p * (p + b / a) * e * e * w * x;
        let second = n + w / s + (1.0 + t) / (c1 + t + t) * (c + n * (1.0 + y));
        p = 1.0 + t;
        s += 2.0;
        (before, above) = (above, first * before + second * above);
        (below_before, below) = (below, first * below_before + second * below);
        let last = value;
        value = above / below;
        if (value - last).abs() <= 1e-16 * value.abs() {
            break;
        }
        // Only the quotient matters, and both parts would grow out of range.
        (before, below_before) = (before / below, below_before / below);
        (above, below) = (value, 1.0);
    }
    value
}

/// The probability of less than x over [`ln_power`], for x up to the mean; `over` is a − (a + b) x.
fn lower_share(a: f64, b: f64, x: f64, y: f64, over: f64) -> f64 {
    if a.min(b) < LARGE {
        return fraction(a, b, x, y, over);
    }
    let (a1, b1) = (a - 1.0, b - 1.0);
    let slope = a1 / x - b1 / y;
    let bend = a1 / x / x + b1 / y / y;
    tail_area(slope, bend, |s| a1 * libm::log1p(-s / x) + b1 * libm::log1p(s / y)) / (x * y)
}

/// Both tails of the beta distribution with the shapes `a` and `b`, both positive, at `x`; `y` is 1 − x, asked for so that neither
/// loses digits near its end.
///
/// The tail that does not hold the mean is exact to about 10⁻¹² of itself.
pub(crate) fn tails(a: f64, b: f64, x: f64, y: f64) -> Tails {
    if x <= 0.0 {
        return Tails { ln_lower: f64::NEG_INFINITY, ln_upper: 0.0, ln_density: f64::NEG_INFINITY };
    }
    if y <= 0.0 {
        return Tails { ln_lower: 0.0, ln_upper: f64::NEG_INFINITY, ln_density: f64::NEG_INFINITY };
    }
    let ln_power = ln_power(a, b, x, y);
    let ln_density = ln_power - libm::log(y);
    // How far the mean is above x, from whichever of x and y has more digits.
    let over = if x <= y { a - (a + b) * x } else { (a + b) * y - b };
    if over >= 0.0 {
        let ln_lower = (ln_power + libm::log(lower_share(a, b, x, y, over))).min(0.0);
        Tails { ln_lower, ln_upper: libm::log1p(-libm::exp(ln_lower)), ln_density }
    } else {
        let ln_upper = (ln_power + libm::log(lower_share(b, a, y, x, -over))).min(0.0);
        Tails { ln_lower: libm::log1p(-libm::exp(ln_upper)), ln_upper, ln_density }
    }
}

/// The x that cuts the probability `alpha` off at this end of the beta distribution with the positive shapes `a` and `b`.
///
/// Exact to about 10⁻¹² of x or of 1 − x, whichever is smaller, as far as a number near 1 can be.
pub(crate) fn quantile(a: f64, b: f64, tail: Tail, alpha: f64) -> f64 {
    let ln_alpha = libm::log(alpha);
    let middle = tails(a, b, 0.5, 0.5);
    let in_lower_half = match tail {
        Tail::Lower => middle.ln_lower >= ln_alpha,
        Tail::Upper => middle.ln_upper <= ln_alpha,
    };
    // Near 0 floating-point numbers lie closer than near 1.
    if in_lower_half {
        in_lower_half_at(a, b, tail, ln_alpha)
    } else {
        1.0 - in_lower_half_at(b, a, tail.other(), ln_alpha)
    }
}

fn in_lower_half_at(a: f64, b: f64, tail: Tail, ln_alpha: f64) -> f64 {
    let n = a + b;
    let side = if tail == Tail::Lower { -2.0 } else { 1.0 };
    let start = libm::log(a / n) + side * libm::sqrt(b / a / (n + 1.0));
    let u = crossing(-740.0, -core::f64::consts::LN_2, start, |u| {
        let at = tails(a, b, libm::exp(u), -libm::expm1(u));
        // The logarithm of a tail is concave in u = ln x, so that Newton's steps do not run away.
        match tail {
            Tail::Lower => (at.ln_lower - ln_alpha, libm::exp(at.ln_density - at.ln_lower)),
            Tail::Upper => (ln_alpha - at.ln_upper, libm::exp(at.ln_density - at.ln_upper)),
        }
    });
    libm::exp(u)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ways_of_a_tail_meet() {
        // Where one shape reaches LARGE, the continued fraction gives way to quadrature.
        for (b, z) in [(1000.0, -2.0), (1000.0, -6.0), (5e3, 1.0), (1e6, -3.0), (1e9, 2.0), (1e9, -4.0), (1e12, 3.0)] {
            let at = |a: f64| {
                let n = a + b;
                let x = a / n + z * libm::sqrt(a / n * b / n / n);
                let exact = ln_power(a, b, x, 1.0 - x);
                let over = a - n * x;
                if z < 0.0 {
                    (exact + libm::log(fraction(a, b, x, 1.0 - x, over)), tails(a, b, x, 1.0 - x).ln_lower)
                } else {
                    (exact + libm::log(fraction(b, a, 1.0 - x, x, -over)), tails(a, b, x, 1.0 - x).ln_upper)
                }
            };
            let (by_fraction, by_quadrature) = at(LARGE);
            assert!((by_fraction - by_quadrature).abs() < 1e-11, "{b} {z}: {by_fraction} {by_quadrature}");
        }
    }

    #[test]
    fn quantiles_are_the_inverse() {
        let shapes = [0.003, 0.5, 1.0, 2.0, 7.5, 30.0, 999.0, 1001.0, 4e4, 1e9, 1e15];
        for a in shapes {
            for b in shapes {
                for alpha in [0.7, 0.25, 0.025, 1e-6, 1e-30] {
                    for tail in [Tail::Lower, Tail::Upper] {
                        let x = quantile(a, b, tail, alpha);
                        assert!((0.0..=1.0).contains(&x), "{a} {b} {alpha} {tail:?}: {x}");
                        // Where x is so close to an end that its neighbours are far away, nothing better can be asked for.
                        if x < 1e-300 || 1.0 - x < 1e-3 {
                            continue;
                        }
                        let at = tails(a, b, x, 1.0 - x);
                        let told = if tail == Tail::Lower { at.ln_lower } else { at.ln_upper };
                        let step = libm::exp(at.ln_density - told);
                        let within = 1e-11 + 3e-15 * step * (1.0 - libm::log(x));
                        assert!((told - libm::log(alpha)).abs() < within, "{a} {b} {alpha} {tail:?}: {x} {told}");
                    }
                }
            }
        }
    }
}
