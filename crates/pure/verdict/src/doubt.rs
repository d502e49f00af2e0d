//! How many shots were missed, where pairing is not sure.
//!
//! Pairing gives each watched shot the probability that a report was about it. Their sum says how many were detected in the
//! mean, and the counts of the single best answers do not, where shots were too close to be told apart. The number of misses is
//! then a sum of independent yes-or-no variables with a known mean and variance. It exceeds its mean by t or more with a
//! probability of at most exp(−V h(t/V)), h(u) = (1 + u) ln(1 + u) − u, and falls below it with no more. Source: G. Bennett,
//! "Probability inequalities for the sum of independent random variables", Journal of the American Statistical Association 57
//! (1962) 33-45.
//!
//! A normal approximation with its mean + z·sd would be wrong for what is usual: nearly all shots sure, and the rest of the
//! doubt much smaller than one shot. There it would find a whole miss in three hundred shots that were all detected beyond
//! doubt.

use crate::SlotEvidence;

/// How many of a slot's watched shots were missed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Misses {
    /// All shots that are asked about.
    pub(crate) of: u64,
    /// The mean.
    pub(crate) mean: f64,
    /// No fewer, with the confidence asked for.
    pub(crate) least: u64,
    /// No more, with the same.
    pub(crate) most: u64,
    /// What `most` is once there are many more shots that were detected beyond doubt: it is not limited by their number.
    pub(crate) most_later: u64,
}

impl Misses {
    /// The misses among all watched shots of a slot; `alpha` is the probability that `most`, and as well that `least`, is wrong.
    pub(crate) fn of(slot: &SlotEvidence, alpha: f64) -> Misses {
        Misses::among(slot.watched(), slot, alpha)
    }

    /// The same without the dangerous detections, which are no pass. What is doubtful of them stays in the number of misses,
    /// since nobody keeps it apart: that is the careful side.
    pub(crate) fn for_detection(slot: &SlotEvidence, alpha: f64) -> Misses {
        Misses::among(slot.for_detection(), slot, alpha)
    }

    fn among(of: u64, slot: &SlotEvidence, alpha: f64) -> Misses {
        let Some(rated) = slot.rated else {
            let missed = slot.missed;
            return Misses { of, mean: missed as f64, least: missed, most: missed, most_later: missed };
        };
        let n = of as f64;
        let mean = (slot.watched() as f64 - rated.detected).clamp(0.0, n);
        // What is stored is rounded; no such sum has a smaller variance than its fraction demands.
        let fraction = mean - mean.floor();
        let away = deviation(rated.variance.max(fraction * (1.0 - fraction)), alpha);
        // The number of misses is whole, and reaches neither of these.
        let most = ((mean + away).ceil() - 1.0).max(mean.floor());
        let least = ((mean - away).floor() + 1.0).min(mean.ceil()).clamp(0.0, n);
        Misses { of, mean, least: least as u64, most: most.min(n) as u64, most_later: most as u64 }
    }
}

/// The smallest t that Bennett's inequality gives a probability of at most `alpha`; just above 0 where nothing varies.
fn deviation(variance: f64, alpha: f64) -> f64 {
    let wanted = -alpha.ln();
    let exponent = |t: f64| (variance + t) * (t / variance).ln_1p() - t;
    // Bernstein's inequality is weaker and can be solved: the answer is not beyond this.
    let mut enough = wanted / 3.0 + (wanted * wanted / 9.0 + 2.0 * variance * wanted).sqrt();
    let mut few = 0.0;
    if variance <= 0.0 {
        return 1e-9;
    }
    for _ in 0..80 {
        let middle = f64::midpoint(few, enough);
        if exponent(middle) >= wanted { enough = middle } else { few = middle }
    }
    enough
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Rated;

    fn misses(probabilities: &[f64], alpha: f64) -> Misses {
        let detected = probabilities.iter().filter(|p| **p >= 0.5).count() as u64;
        let missed = probabilities.len() as u64 - detected;
        let rated =
            Rated { detected: probabilities.iter().sum(), variance: probabilities.iter().map(|p| p * (1.0 - p)).sum() };
        let slot = SlotEvidence { detected_watched: detected, missed, rated: Some(rated), ..SlotEvidence::default() };
        Misses::of(&slot, alpha)
    }

    /// The distribution of the number of misses, shot by shot.
    fn exact(probabilities: &[f64]) -> Vec<f64> {
        probabilities.iter().fold(vec![1.0], |before, p| {
            let mut after = vec![0.0; before.len() + 1];
            for (k, share) in before.iter().enumerate() {
                after[k] += share * p;
                after[k + 1] += share * (1.0 - p);
            }
            after
        })
    }

    #[test]
    fn sure_shots_are_counted() {
        for missed in [0, 1, 7, 300] {
            let mut all = vec![1.0; 300];
            all[..missed].fill(0.0);
            let told = misses(&all, 0.05);
            assert_eq!((told.of, told.least, told.most), (300, missed as u64, missed as u64));
        }
        // Nearly sure is sure: all doubt together is a thousandth of a shot.
        let told = misses(&[1.0 - 1e-6; 1000], 0.05);
        assert_eq!((told.least, told.most), (0, 0));
        let few = [[0.001; 2].as_slice(), [0.999_99; 98].as_slice()].concat();
        assert_eq!((misses(&few, 0.05).least, misses(&few, 0.05).most), (2, 2));
        assert_eq!(misses(&[], 0.05), Misses { of: 0, mean: 0.0, least: 0, most: 0, most_later: 0 });
        // Stored sums of a few million rounded probabilities are not exactly whole.
        let slot = |detected| SlotEvidence {
            detected_watched: 1000,
            rated: Some(Rated { detected, variance: 0.0 }),
            ..SlotEvidence::default()
        };
        assert_eq!(Misses::of(&slot(1000.0 - 1e-6), 0.05).most, 0);
        assert_eq!(Misses::of(&slot(1000.0 + 1e-6), 0.05).most, 0);
    }

    #[test]
    fn the_bounds_hold_against_the_exact_distribution() {
        let cases: Vec<Vec<f64>> = vec![
            vec![0.9; 1],
            vec![0.9; 300],
            vec![0.5; 40],
            vec![0.99; 500],
            vec![0.999; 100],
            (0..200).map(|i| f64::from(i) / 199.0).collect(),
            [vec![0.02; 30], vec![0.97; 270]].concat(),
        ];
        for probabilities in &cases {
            for alpha in [0.05, 0.01, 0.4] {
                let (told, exact) = (misses(probabilities, alpha), exact(probabilities));
                let above: f64 = exact.iter().skip(told.most as usize + 1).sum();
                let below: f64 = exact.iter().take(told.least as usize).sum();
                assert!(above <= alpha && below <= alpha, "{told:?} {alpha}: {above} {below}");
                assert!(told.least <= told.most, "{told:?}");
            }
        }
        // And they are of use: 30 expected of 300, and a normal distribution would say 38 at most.
        let told = misses(&cases[1], 0.05);
        assert!((37..=43).contains(&told.most) && (17..=23).contains(&told.least), "{told:?}");
    }
}
