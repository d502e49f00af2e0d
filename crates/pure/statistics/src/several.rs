//! Many slots are judged at once: what that costs each.
//!
//! With 32 slots and an error of 5 % each, some slot passes or fails by luck in most runs. Both corrections hold the probability of any
//! wrong claim among all to `alpha`, whatever depends on whatever.

use crate::NotEstimable;

/// The `alpha` for each of `slots`, with which all their bounds hold together with a probability of at least 1 − `alpha`.
///
/// Bonferroni's inequality. This one gives every slot a bound; [`holm`] decides more but gives none. With no slots it is `alpha`.
#[must_use]
pub fn for_each(alpha: f64, slots: usize) -> f64 {
    alpha / slots.max(1) as f64
}

/// Holm's adjusted p-values, in the order of what was given: a claim is shown where its value is at most the `alpha` of all together.
///
/// The i-th smallest of m is multiplied by m − i + 1, none is smaller than one before it, and none is above 1. Source: S. Holm, "A simple
/// sequentially rejective multiple test procedure", Scandinavian Journal of Statistics 6 (1979) 65-70. Error: something is not a
/// probability.
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, NotEstimable> {
    if p_values.iter().any(|p| !(0.0..=1.0).contains(p)) {
        return Err(NotEstimable::Argument("a p-value is not from 0 to 1"));
    }
    let mut order: Vec<(usize, f64)> = p_values.iter().copied().enumerate().collect();
    order.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut largest = 0.0_f64;
    let mut left = order.len();
    for (_, p) in &mut order {
        largest = largest.max(*p * left as f64).min(1.0);
        *p = largest;
        left -= 1;
    }
    order.sort_by_key(|(place, _)| *place);
    Ok(order.into_iter().map(|(_, p)| p).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn adjusted() {
        // By hand after Holm 1979: 4 × 0.005, 3 × 0.01, 2 × 0.03, 1 × 0.04 raised to the one before it.
        let told = holm(&[0.01, 0.04, 0.03, 0.005]).unwrap();
        for (told, is) in told.iter().zip([0.03, 0.06, 0.06, 0.02]) {
            assert!((told - is).abs() < 1e-15, "{told} {is}");
        }
        assert_eq!(holm(&[0.6, 0.7]).unwrap(), [1.0, 1.0]);
        assert_eq!(holm(&[0.2]).unwrap(), [0.2]);
        assert_eq!(holm(&[]).unwrap(), [0.0; 0]);
        assert!(holm(&[0.1, f64::NAN]).is_err() && holm(&[1.1]).is_err());
    }

    #[test]
    fn divided() {
        assert_eq!(for_each(0.05, 32), 0.05 / 32.0);
        assert_eq!(for_each(0.05, 0), 0.05);
        // Holm is never stricter than Bonferroni.
        let p = [0.001, 0.02, 0.003, 0.5, 0.0016];
        for (told, p) in holm(&p).unwrap().iter().zip(p) {
            assert!(*told <= (p * 5.0).min(1.0) && *told >= p);
        }
    }
}
