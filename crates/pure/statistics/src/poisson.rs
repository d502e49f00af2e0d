//! The rate of events that come by themselves, from how many came in a time.
//!
//! Events are independent of one another and come at a constant rate: the background of unprovoked reports. Whether a real module does
//! so is for the reader of the evidence to judge.

use crate::beta::Tail;
use crate::error::risk;
use crate::gamma::quantile;
use crate::{Interval, NotEstimable};

fn watched(exposure: f64) -> Result<f64, NotEstimable> {
    if exposure > 0.0 && exposure.is_finite() { Ok(exposure) } else { Err(NotEstimable::Nothing) }
}

/// The exact interval for a rate: `events` were seen in an `exposure`, and the answer is in events for each unit of it.
///
/// It holds the true rate with a probability of at least 1 − `alpha`; each end is wrong with at most `alpha`/2. Source: F. Garwood,
/// "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437-442: half the quantiles of chi-squared with 2x and 2x + 2
/// degrees of freedom. Errors: no exposure, `alpha` not between 0 and 1.
pub fn exact(events: u64, exposure: f64, alpha: f64) -> Result<Interval, NotEstimable> {
    risk(alpha)?;
    Ok(Interval {
        lower: exact_lower(events, exposure, alpha / 2.0)?,
        upper: exact_upper(events, exposure, alpha / 2.0)?,
    })
}

/// The exact one-sided lower bound of a rate; 0 where no event was seen. Source and errors as [`exact`].
pub fn exact_lower(events: u64, exposure: f64, alpha: f64) -> Result<f64, NotEstimable> {
    let (exposure, alpha) = (watched(exposure)?, risk(alpha)?);
    Ok(if events == 0 { 0.0 } else { quantile(events as f64, Tail::Lower, alpha) / exposure })
}

/// The exact one-sided upper bound of a rate: for no event −ln `alpha`, about 3 at 95 %, over the exposure. Source and errors as
/// [`exact`].
pub fn exact_upper(events: u64, exposure: f64, alpha: f64) -> Result<f64, NotEstimable> {
    let (exposure, alpha) = (watched(exposure)?, risk(alpha)?);
    let expected = if events == 0 { -libm::log(alpha) } else { quantile(events as f64 + 1.0, Tail::Upper, alpha) };
    Ok(expected / exposure)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn garwoods_table() {
        // Garwood 1936, as it stands in every table of Poisson limits: 95 %, both sides.
        let table = [
            (0, 0.0, 3.6889),
            (1, 0.0253, 5.5716),
            (2, 0.2422, 7.2247),
            (5, 1.6235, 11.6683),
            (10, 4.7954, 18.3904),
            (20, 12.2165, 30.8884),
            (100, 81.3640, 121.6268),
        ];
        for (events, lower, upper) in table {
            let told = exact(events, 1.0, 0.05).unwrap();
            assert!((told.lower - lower).abs() < 1e-4 && (told.upper - upper).abs() < 1e-4, "{events}: {told:?}");
            let in_hours = exact(events, 40.0, 0.05).unwrap();
            assert!((in_hours.upper * 40.0 - told.upper).abs() < 1e-12);
        }
        for (events, upper) in [(0, 2.9957), (1, 4.7439), (5, 10.5130)] {
            assert!((exact_upper(events, 1.0, 0.05).unwrap() - upper).abs() < 1e-4);
        }
    }

    #[test]
    fn no_answer() {
        for exposure in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(exact(3, exposure, 0.05), Err(NotEstimable::Nothing));
        }
        assert!(matches!(exact(3, 1.0, 2.0), Err(NotEstimable::Argument(_))));
    }
}
