//! What the beta and the gamma distribution share where their shapes are large: the deviance form of their density, and the
//! area of a tail.
//!
//! Written as it stands in a textbook, the density of a beta distribution with shapes of 10⁹ is the exponential of a difference of
//! numbers near 10¹⁰, and nine digits are lost. In Loader's form the large parts never appear.
//! Source: C. Loader, "Fast and accurate computation of binomial probabilities" (2000).

/// ln √(2π)
const HALF_LN_2PI: f64 = 0.918_938_533_204_672_8;

/// From this on, both shapes of a distribution are large: a tail is taken by quadrature, in constant time, and no longer by a
/// continued fraction, whose length grows with the root of the shape.
pub(crate) const LARGE: f64 = 1000.0;

/// Nodes and weights of the Gauss-Legendre rule with 16 points on [-1, 1], one of each pair.
/// Source: M. Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions", table 25.4.
const NODES: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_5),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_6),
    (0.458_016_777_657_227_4, 0.169_156_519_395_002_54),
    (0.617_876_244_402_643_7, 0.149_595_988_816_576_73),
    (0.755_404_408_355_003, 0.124_628_971_255_533_87),
    (0.865_631_202_387_831_7, 0.095_158_511_682_492_78),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_89),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_095),
];

/// ln Γ(n+1) − [(n + ½) ln n − n + ½ ln 2π], the error of Stirling's formula, for n > 0.
pub(crate) fn stirling_error(n: f64) -> f64 {
    if n < 16.0 {
        return libm::lgamma(n + 1.0) - (n + 0.5) * libm::log(n) + n - HALF_LN_2PI;
    }
    let nn = n * n;
    (1.0 / 12.0 - (1.0 / 360.0 - (1.0 / 1260.0 - (1.0 / 1680.0 - 1.0 / 1188.0 / nn) / nn) / nn) / nn) / n
}

/// x ln(x/m) + m − x, for x > 0 and m ≥ 0: how unlikely x is where m is expected.
pub(crate) fn deviance(x: f64, m: f64) -> f64 {
    let away = x - m;
    if away.abs() >= 0.1 * (x + m) {
        return x * libm::log(x / m) - away;
    }
    // Close to one another both large terms cancel; this series has neither.
    let v = away / (x + m);
    let (mut sum, mut power) = (away * v, 2.0 * x * v);
    for odd in (3..60).step_by(2) {
        power *= v * v;
        let next = sum + power / f64::from(odd);
        if next == sum {
            break;
        }
        sum = next;
    }
    sum
}

/// The area under a density from a point outwards, as a multiple of the density at that point.
///
/// `ln_ratio(s)` is the logarithm of the density at the distance `s` from the point, over the density at the point; `slope` and `bend`
/// are what it falls by for each unit of distance, and half of what that grows by. The tail is cut where its density is 10⁻²⁰ of what
/// it is at the point.
pub(crate) fn tail_area(slope: f64, bend: f64, ln_ratio: impl Fn(f64) -> f64) -> f64 {
    const PANELS: u32 = 3;
    let width = 92.0 / (slope + libm::sqrt(slope * slope + 92.0 * bend));
    let half = width / f64::from(2 * PANELS);
    let mut area = 0.0;
    for panel in 0..PANELS {
        let middle = half * f64::from(2 * panel + 1);
        for (node, weight) in NODES {
            let pair = libm::exp(ln_ratio(middle - half * node)) + libm::exp(ln_ratio(middle + half * node));
            area += weight * pair;
        }
    }
    area * half
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_of_stirling() {
        // Loader 2000, table of exact values: δ(1) = 1 - ln √(2π) = 0.0810614667953272582, δ(10) = 0.00833056343336287, δ(15) =
        // 0.005554733551962801. The two forms meet at 16.
        let table =
            [(1.0, 0.081_061_466_795_327_26), (10.0, 0.008_330_563_433_362_87), (15.0, 0.005_554_733_551_962_801)];
        for (n, error) in table {
            assert!((stirling_error(n) - error).abs() < 2e-14, "{n}: {}", stirling_error(n));
        }
        assert!((stirling_error(16.0 - 1e-9) - stirling_error(16.0)).abs() < 1e-12);
        assert!((stirling_error(1e9) * 12e9 - 1.0).abs() < 1e-15);
    }

    #[test]
    fn deviances() {
        assert_eq!(deviance(7.0, 7.0), 0.0);
        // 2 ln 2 - 1, and to second order (x - m)²/2m.
        assert!((deviance(2.0, 1.0) - 0.386_294_361_119_890_6).abs() < 1e-15);
        assert!((deviance(1e9 + 1.0, 1e9) * 2e9 - 1.0).abs() < 1e-8);
        for x in [1.0, 50.0, 1e6] {
            let (near, far) = (x / (1.1 / 0.9 * (1.0 - 1e-9)), x / (1.1 / 0.9 * (1.0 + 1e-9)));
            assert!((deviance(x, near) - deviance(x, far)).abs() < 1e-8 * x, "the two forms meet");
        }
        assert!(deviance(3.0, 0.0).is_infinite());
    }

    #[test]
    fn areas() {
        // An exponential and half a normal distribution.
        assert!((tail_area(1.0, 0.0, |s| -s) - 1.0).abs() < 1e-13);
        assert!((tail_area(0.0, 1.0, |s| -s * s / 2.0) - 1.253_314_137_315_500_3).abs() < 1e-13);
    }
}
