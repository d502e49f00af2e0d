//! How latencies are distributed when some shots were missed: the product-limit estimate for right-censored times.
//!
//! A missed shot says that its latency, if it has one, is longer than the window; leaving it out would make the rest look faster than
//! they are. Times are exact here; where they are known only between two others, `turnbull` is the estimate. Source: E. L. Kaplan and P.
//! Meier, "Nonparametric estimation from incomplete observations", Journal of the American Statistical Association 53 (1958) 457-481.

use crate::error::{open_probability, risk};
use crate::{Interval, NotEstimable, normal};

/// What happened at one time, of so many shots. Equal times are one row; censored ones are taken as after those that happened.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Row {
    /// The latency, or the time at which the watching ended. The unit is the caller's.
    pub time: f64,
    /// How many were detected after exactly that time.
    pub events: u64,
    /// How many had not been detected when their watching ended at that time.
    pub censored: u64,
}

/// The estimate after a time at which something was detected.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Step {
    /// From this time on, until the next step.
    pub time: f64,
    /// How many were still being waited for just before.
    pub at_risk: u64,
    /// How many were detected at this time.
    pub events: u64,
    /// The probability S of a longer latency.
    pub survival: f64,
    /// Standard error of S by Greenwood's formula: S √Σ d / (n (n − d)). Nothing once S is 0.
    pub error: Option<f64>,
    /// Pointwise band of S: S^exp(±z σ), σ = √(Σ d / (n (n − d))) / |ln S|, the log-log transform, which stays within 0 to 1. Nothing once
    /// S is 0.
    pub band: Option<Interval>,
}

/// An estimated distribution: nothing happens before the first step.
#[derive(Clone, PartialEq, Debug)]
pub struct Curve {
    /// In the order of time.
    pub steps: Vec<Step>,
}

/// The estimate, with pointwise bands that are wrong with a probability of about `alpha` at each time (not at all times together).
///
/// `rows` are in ascending order of time. Sources: Kaplan and Meier 1958; M. Greenwood, "The natural duration of cancer" (1926); J. D.
/// Kalbfleisch and R. L. Prentice, "The Statistical Analysis of Failure Time Data", for the transform. Errors: no shots, times not
/// ascending, `alpha` not between 0 and 1.
pub fn estimate(rows: &[Row], alpha: f64) -> Result<Curve, NotEstimable> {
    let z = normal::exceeded_with(risk(alpha)? / 2.0);
    if !rows.iter().all(|row| row.time.is_finite()) || !rows.is_sorted_by(|a, b| a.time < b.time) {
        return Err(NotEstimable::Argument("times are not ascending"));
    }
    let sum = |total: u64, row: &Row| total.checked_add(row.events)?.checked_add(row.censored);
    let all = rows.iter().try_fold(0, sum).ok_or(NotEstimable::Argument("more are counted than fit a number"))?;
    if all == 0 {
        return Err(NotEstimable::Nothing);
    }
    let mut at_risk = all;
    let (mut survival, mut greenwood) = (1.0, 0.0);
    let mut steps = Vec::new();
    for row in rows {
        if row.events > 0 {
            let (n, d) = (at_risk as f64, row.events as f64);
            survival *= (n - d) / n;
            greenwood += d / n / (n - d);
            let root = libm::sqrt(greenwood);
            let open = at_risk > row.events;
            let band = |sigma: f64| Interval {
                lower: libm::pow(survival, libm::exp(z * sigma)),
                upper: libm::pow(survival, libm::exp(-z * sigma)),
            };
            steps.push(Step {
                time: row.time,
                at_risk,
                events: row.events,
                survival,
                error: open.then_some(survival * root),
                band: open.then(|| band(root / -libm::log(survival))),
            });
        }
        at_risk -= row.events + row.censored;
    }
    Ok(Curve { steps })
}

impl Curve {
    /// The probability of a latency longer than `time`.
    #[must_use]
    pub fn survival(&self, time: f64) -> f64 {
        let until = self.steps.partition_point(|step| step.time <= time);
        until.checked_sub(1).and_then(|last| self.steps.get(last)).map_or(1.0, |step| step.survival)
    }

    /// The quantile `p`: the first time by which at least the share `p` was detected.
    ///
    /// Errors: [`NotEstimable::Beyond`] where less than that was ever detected, `p` not between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<f64, NotEstimable> {
        self.first(p, |step| Some(step.survival))
    }

    /// The lower end of an interval for the quantile `p`: the first time at which the band does not rule out that the share `p` was detected,
    /// where its lower edge is down at 1 − `p`. With [`Curve::quantile_upper`] the interval inherits its `alpha` from the band.
    ///
    /// Source: R. Brookmeyer and J. Crowley, "A confidence interval for the median survival time", Biometrics 38 (1982) 29-41. Approximate;
    /// [`crate::order`] is exact where all windows are equal. Errors: [`NotEstimable::Beyond`] where the edge never comes down so far, `p` not
    /// between 0 and 1.
    pub fn quantile_lower(&self, p: f64) -> Result<f64, NotEstimable> {
        self.first(p, |step| Some(step.band.map_or(step.survival, |band| band.lower)))
    }

    /// The upper end of an interval for the quantile `p`: the first time at which the upper edge of the band is down at 1 − `p`.
    ///
    /// Where the curve ends at 0 the band has no edge: everything was detected, but how sure that is the formula cannot say. Source and
    /// errors as [`Curve::quantile_lower`].
    pub fn quantile_upper(&self, p: f64) -> Result<f64, NotEstimable> {
        self.first(p, |step| step.band.map(|band| band.upper))
    }

    fn first(&self, p: f64, edge: impl Fn(&Step) -> Option<f64>) -> Result<f64, NotEstimable> {
        // A product of fractions that is 1/2 on paper may be a digit above it.
        let down = (1.0 - open_probability(p)?) * (1.0 + 1e-12);
        let step = self.steps.iter().find(|step| edge(step).is_some_and(|edge| edge <= down));
        step.map(|step| step.time).ok_or(NotEstimable::Beyond)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(events: &[f64], censored: &[f64]) -> Vec<Row> {
        let mut times: Vec<f64> = [events, censored].concat();
        times.sort_by(f64::total_cmp);
        times.dedup();
        let count = |of: &[f64], time: f64| of.iter().filter(|t| **t == time).count() as u64;
        times.iter().map(|t| Row { time: *t, events: count(events, *t), censored: count(censored, *t) }).collect()
    }

    #[test]
    fn remissions_with_6_mp() {
        // E. J. Freireich et al., Blood 21 (1963) 699-716, as analysed by E. A. Gehan (1965): 21 patients with 6-MP, weeks of remission.
        let events = [6.0, 6.0, 6.0, 7.0, 10.0, 13.0, 16.0, 22.0, 23.0];
        let censored = [6.0, 9.0, 10.0, 11.0, 17.0, 19.0, 20.0, 25.0, 32.0, 32.0, 34.0, 35.0];
        let curve = estimate(&rows(&events, &censored), 0.05).unwrap();
        let table = [
            (6.0, 21, 0.8571, 0.0764),
            (7.0, 17, 0.8067, 0.0869),
            (10.0, 15, 0.7529, 0.0963),
            (13.0, 12, 0.6902, 0.1068),
            (16.0, 11, 0.6275, 0.1141),
            (22.0, 7, 0.5378, 0.1282),
            (23.0, 6, 0.4482, 0.1346),
        ];
        assert_eq!(curve.steps.len(), table.len());
        for (step, (time, at_risk, survival, error)) in curve.steps.iter().zip(table) {
            assert_eq!((step.time, step.at_risk), (time, at_risk));
            assert!((step.survival - survival).abs() < 1e-4 && (step.error.unwrap() - error).abs() < 1e-4, "{step:?}");
            let band = step.band.unwrap();
            assert!(band.lower < survival && survival < band.upper && band.lower > 0.0 && band.upper < 1.0);
        }
        assert_eq!(curve.quantile(0.5), Ok(23.0));
        assert_eq!(curve.quantile(0.9), Err(NotEstimable::Beyond));
        // The median from 13 weeks on, without an upper end, as general statistics programs have it for the log-log band (from memory).
        assert_eq!(curve.quantile_lower(0.5), Ok(13.0));
        assert_eq!(curve.quantile_upper(0.5), Err(NotEstimable::Beyond));
        assert_eq!((curve.survival(5.9), curve.survival(23.0)), (1.0, curve.steps[6].survival));
        // The log-log band at the first step by hand: 0.8571^exp(±1.96 × 0.0764 / (0.8571 × 0.1542)).
        let band = curve.steps[0].band.unwrap();
        assert!((band.lower - 0.6197).abs() < 1e-3 && (band.upper - 0.9516).abs() < 1e-3, "{band:?}");
    }

    #[test]
    fn twenty_units() {
        // The example of accendoreliability.com, "Kaplan-Meier reliability estimator".
        let events = [10.0, 32.0, 56.0, 98.0, 122.0, 181.0];
        let censored = [vec![50.0, 100.0, 125.0, 150.0], vec![200.0; 10]].concat();
        let curve = estimate(&rows(&events, &censored), 0.05).unwrap();
        let told: Vec<(u64, f64)> = curve.steps.iter().map(|s| (s.at_risk, (s.survival * 1e4).round() / 1e4)).collect();
        assert_eq!(told, [(20, 0.95), (19, 0.9), (17, 0.8471), (16, 0.7941), (14, 0.7374), (11, 0.6704)]);
    }

    #[test]
    fn without_censoring_it_is_the_share() {
        let all = [
            Row { time: 1.0, events: 3, censored: 0 },
            Row { time: 2.0, events: 1, censored: 0 },
            Row { time: 5.0, events: 6, censored: 0 },
        ];
        let curve = estimate(&all, 0.05).unwrap();
        let told: Vec<f64> = curve.steps.iter().map(|step| step.survival).collect();
        assert!((told[0] - 0.7).abs() < 1e-15 && (told[1] - 0.6).abs() < 1e-15 && told[2] == 0.0);
        // Greenwood's error is then that of a proportion.
        assert!((curve.steps[1].error.unwrap() - (0.6_f64 * 0.4 / 10.0).sqrt()).abs() < 1e-15);
        assert_eq!((curve.steps[2].error, curve.steps[2].band), (None, None));
        assert_eq!((curve.quantile(0.3), curve.quantile(0.4), curve.quantile(0.41)), (Ok(1.0), Ok(2.0), Ok(5.0)));
    }

    #[test]
    fn no_answer() {
        assert_eq!(estimate(&[], 0.05), Err(NotEstimable::Nothing));
        let row = |time| Row { time, events: 1, censored: 0 };
        assert!(matches!(estimate(&[row(2.0), row(2.0)], 0.05), Err(NotEstimable::Argument(_))));
        assert!(matches!(estimate(&[row(f64::NAN)], 0.05), Err(NotEstimable::Argument(_))));
        let many = Row { time: 1.0, events: u64::MAX, censored: 1 };
        assert!(matches!(estimate(&[many], 0.05), Err(NotEstimable::Argument(_))));
        // Everything was missed: the curve never leaves 1, and no quantile is known.
        let missed = estimate(&[Row { time: 5.0, events: 0, censored: 9 }], 0.05).unwrap();
        assert_eq!((missed.survival(9.0), missed.quantile(0.01)), (1.0, Err(NotEstimable::Beyond)));
    }
}
