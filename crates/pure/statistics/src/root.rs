//! Where an increasing function crosses zero.
//!
//! Newton's method inside a bracket: a step that leaves the bracket is replaced by halving it, so that it always ends. The
//! quantiles of the beta and the gamma distribution are found with it.

/// The `u` between `low` and `high` at which the first of what `at` returns is 0; the second is its slope. `at` increases, and where it is
/// 10⁻⁷ its slope is nearly that of its root, as that of the logarithm of a probability is: the step from there is the last one.
///
/// One end of the bracket if the root lies outside.
pub(crate) fn crossing(mut low: f64, mut high: f64, start: f64, at: impl Fn(f64) -> (f64, f64)) -> f64 {
    let mut u = start.clamp(low, high);
    // 200 halvings are enough for any bracket of floating-point numbers that is used here; Newton takes five.
    for _ in 0..200 {
        let (value, slope) = at(u);
        if value > 0.0 {
            high = u;
        } else {
            low = u;
        }
        let newton = u - value / slope;
        let within = newton >= low && newton <= high;
        let next = if within { newton } else { low + (high - low) / 2.0 };
        if (within && value.abs() < 1e-7) || (next - u).abs() <= 1e-16 * u.abs() {
            return next;
        }
        u = next;
    }
    u
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crossings() {
        let root_of_two = crossing(0.0, 10.0, 9.0, |u| (u * u - 2.0, 2.0 * u));
        assert!((root_of_two - core::f64::consts::SQRT_2).abs() < 1e-15);
        // A slope that is no help: the bracket is halved.
        let halved = crossing(-700.0, 3.0, 0.0, |u| (u + 500.0, 0.0));
        assert!((halved + 500.0).abs() < 1e-12);
        let outside = crossing(0.0, 1.0, 0.5, |u| (u + 3.0, 1.0));
        assert!(outside.abs() < 1e-12, "{outside}");
        let nonsense = crossing(0.0, 1.0, 0.5, |_| (f64::NAN, f64::NAN));
        assert!((0.0..=1.0).contains(&nonsense));
    }
}
