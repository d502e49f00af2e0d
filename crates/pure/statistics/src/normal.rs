//! The standard normal distribution: the quantile that approximate intervals are made with.

use crate::root::crossing;

/// The probability of more than `z`.
fn above(z: f64) -> f64 {
    0.5 * libm::erfc(z * core::f64::consts::FRAC_1_SQRT_2)
}

/// The `z` that is exceeded with the probability `p`, 0 < p < 1; to about 14 digits.
///
/// Newton's method on the logarithm of the tail, which is concave, from formula 26.2.23 of M. Abramowitz and I. A. Stegun, "Handbook of
/// Mathematical Functions", as a first guess.
pub(crate) fn exceeded_with(p: f64) -> f64 {
    if p > 0.5 {
        return -exceeded_with(1.0 - p);
    }
    let t = libm::sqrt(-2.0 * libm::log(p));
    let guess =
        t - (2.515_517 + t * (0.802_853 + t * 0.010_328)) / (1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308)));
    crossing(-1.0, 40.0, guess, |z| {
        let tail = above(z);
        let density = libm::exp(-z * z / 2.0) * 0.398_942_280_401_432_7;
        (libm::log(p / tail), density / tail)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles() {
        // Wichura, "Algorithm AS 241" (1988), its own test values: 0.25, 0.001, 1e-20.
        let table = [
            (0.25, 0.674_489_750_196_081_7),
            (0.001, 3.090_232_306_167_813_5),
            (1e-20, 9.262_340_089_798_408),
            (0.5, 0.0),
            (0.025, 1.959_963_984_540_054),
        ];
        for (p, z) in table {
            assert!((exceeded_with(p) - z).abs() < 5e-14, "{p}: {}", exceeded_with(p));
        }
        assert!((exceeded_with(0.975) + exceeded_with(0.025)).abs() < 1e-13);
        assert!((above(exceeded_with(1e-300)) / 1e-300 - 1.0).abs() < 1e-10);
    }
}
