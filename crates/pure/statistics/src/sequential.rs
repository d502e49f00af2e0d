//! A test that stops as soon as there is enough: Wald's sequential probability ratio test of a miss rate.
//!
//! After every shot, or any number of them, the misses so far are compared with two parallel lines. Source: A. Wald, "Sequential
//! Analysis" (1947), chapter 5; NIST/SEMATECH e-Handbook 6.2.6. The verdict of the lines is Wald's; how often which verdict comes, and
//! after how many shots, is here not his approximation but the exact sum over all ways.

use crate::NotEstimable;
use crate::error::{open_probability, probability, risk};

/// The test of a miss rate: good at `good_miss`, bad at `bad_miss`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sequential {
    /// Distance of the line of acceptance from the middle, in misses.
    pub h1: f64,
    /// Distance of the line of rejection from the middle, in misses.
    pub h2: f64,
    /// Slope of both lines: misses for each shot.
    pub s: f64,
}

/// What the shots so far say.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Decision {
    /// The miss rate is the good one, or better.
    Accept,
    /// The miss rate is the bad one, or worse.
    Reject,
    /// Not enough yet.
    Continue,
}

/// What a test does that is ended after a number of shots.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Outlook {
    /// The probability that it has accepted.
    pub accepted: f64,
    /// The probability that it has rejected.
    pub rejected: f64,
    /// The probability that it is still open.
    pub open: f64,
    /// How many shots it takes on average, where an open test is ended at the limit.
    pub shots: f64,
}

impl Sequential {
    /// The lines for a test that rejects a machine with the miss rate `good_miss` with a probability of about `alpha`, and accepts one
    /// with `bad_miss` with about `beta`.
    ///
    /// k = ln[b (1 − g) / (g (1 − b))], h1 = ln[(1 − alpha)/beta]/k, h2 = ln[(1 − beta)/alpha]/k, s = ln[(1 − g)/(1 − b)]/k. Errors: not
    /// 0 < `good_miss` < `bad_miss` < 1, or `alpha` + `beta` is not between 0 and 1.
    pub fn new(good_miss: f64, bad_miss: f64, alpha: f64, beta: f64) -> Result<Self, NotEstimable> {
        let (good, bad) = (open_probability(good_miss)?, open_probability(bad_miss)?);
        risk(alpha)?;
        risk(beta)?;
        risk(alpha + beta)?;
        if good >= bad {
            return Err(NotEstimable::Argument("the good miss rate is not below the bad one"));
        }
        let clean = libm::log1p(-good) - libm::log1p(-bad);
        let k = libm::log(bad / good) + clean;
        Ok(Self { h1: libm::log((1.0 - alpha) / beta) / k, h2: libm::log((1.0 - beta) / alpha) / k, s: clean / k })
    }

    /// What `misses` in `shots` say.
    #[must_use]
    pub fn decide(&self, shots: u64, misses: u64) -> Decision {
        let middle = self.s * shots as f64;
        let misses = misses as f64;
        if misses <= middle - self.h1 {
            Decision::Accept
        } else if misses >= middle + self.h2 {
            Decision::Reject
        } else {
            Decision::Continue
        }
    }

    /// After how many shots a test with so many misses accepts for the first time.
    #[must_use]
    pub fn first_accept(&self, misses: u64) -> u64 {
        // A float too large for the type becomes its largest value.
        let near = libm::ceil((misses as f64 + self.h1) / self.s) as u64;
        // The quotient is rounded; the line decides.
        let from = near.saturating_sub(1).max(misses);
        if self.decide(from, misses) == Decision::Accept { from } else { near.max(misses) }
    }

    /// Up to how many shots so many misses reject; nothing where they never do.
    #[must_use]
    pub fn last_reject(&self, misses: u64) -> Option<u64> {
        let near = libm::floor((misses as f64 - self.h2) / self.s);
        let last = if near < 0.0 { None } else { Some(near as u64) };
        let next = last.map_or(0, |n| n.saturating_add(1));
        let last = if self.decide(next, misses) == Decision::Reject { Some(next) } else { last };
        last.filter(|n| *n >= misses)
    }

    /// What the test does with a machine whose miss rate is `miss_rate`, if it is ended after `limit` shots.
    ///
    /// Exact: the probabilities of all numbers of misses between the lines are carried from shot to shot. The work is `limit` times the
    /// distance of the lines in misses, and memory that distance. Error: `miss_rate` not from 0 to 1, or a `limit` above 10⁸.
    pub fn outlook(&self, miss_rate: f64, limit: u64) -> Result<Outlook, NotEstimable> {
        const MOST: u64 = 100_000_000;
        let miss = probability(miss_rate)?;
        if limit > MOST {
            return Err(NotEstimable::Unreachable { limit: MOST });
        }
        let mut told = Outlook { accepted: 0.0, rejected: 0.0, open: 1.0, shots: 0.0 };
        // What is open, by misses from `fewest` on.
        let mut fewest = 0u64;
        let mut open = vec![1.0];
        for shots in 1..=limit {
            told.shots += open.iter().sum::<f64>();
            open.push(0.0);
            let mut from_below = 0.0;
            for share in &mut open {
                let missed = *share * miss;
                *share = *share * (1.0 - miss) + from_below;
                from_below = missed;
            }
            while let Some(most) = open.last() {
                if self.decide(shots, fewest + open.len() as u64 - 1) != Decision::Reject {
                    break;
                }
                told.rejected += most;
                open.pop();
            }
            let mut accepted = 0;
            for (misses, share) in (fewest..).zip(&open) {
                if self.decide(shots, misses) != Decision::Accept {
                    break;
                }
                told.accepted += share;
                accepted += 1;
            }
            open.drain(..accepted);
            fewest += accepted as u64;
            if open.is_empty() {
                break;
            }
        }
        told.open = open.iter().sum();
        Ok(told)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 6.2.6: good 0.01, bad 0.10, alpha 0.05, beta 0.10.
    fn nist() -> Sequential {
        Sequential::new(0.01, 0.10, 0.05, 0.10).unwrap()
    }

    #[test]
    fn lines() {
        let test = nist();
        assert!((test.h1 - 0.938_862).abs() < 1e-6, "{test:?}");
        assert!((test.h2 - 1.205_379).abs() < 1e-6, "{test:?}");
        assert!((test.s - 0.039_747).abs() < 1e-6, "{test:?}");
        // Calculated by the same formulas.
        let strict = Sequential::new(0.001, 0.01, 0.05, 0.05).unwrap();
        for told in [strict.h1, strict.h2] {
            assert!((told - 1.273_75).abs() < 1e-5, "{strict:?}");
        }
        assert!((strict.s - 0.003_915).abs() < 1e-6 && strict.first_accept(0) == 326);
        let wide = Sequential::new(0.01, 0.05, 0.05, 0.05).unwrap();
        assert!((wide.h1 - 1.783_77).abs() < 1e-5 && (wide.s - 0.024_985).abs() < 1e-6 && wide.first_accept(0) == 72);
    }

    #[test]
    fn decisions() {
        let test = nist();
        // Read off the two lines: accept with 0, 1, 2 misses at 24, 49, 74; reject with 2, 3, 4 up to 19, 45, 70.
        for (misses, first) in [(0, 24), (1, 49), (2, 74)] {
            assert_eq!(test.first_accept(misses), first);
            assert_eq!(test.decide(first, misses), Decision::Accept);
            assert_eq!(test.decide(first - 1, misses), Decision::Continue);
        }
        assert_eq!(test.last_reject(0), None);
        assert_eq!(test.last_reject(1), None);
        for (misses, last) in [(2, 19), (3, 45), (4, 70)] {
            assert_eq!(test.last_reject(misses), Some(last));
            assert_eq!(test.decide(last, misses), Decision::Reject);
            assert_eq!(test.decide(last + 1, misses), Decision::Continue);
        }
        assert_eq!(test.decide(0, 0), Decision::Continue);
    }

    /// All ways of at most 14 shots, one by one.
    fn by_brute_force(test: &Sequential, miss: f64, limit: u64) -> Outlook {
        let mut told = Outlook { accepted: 0.0, rejected: 0.0, open: 0.0, shots: 0.0 };
        for way in 0..1u64 << limit {
            let share = (0..limit).fold(1.0, |p, i| p * if way >> i & 1 == 1 { miss } else { 1.0 - miss });
            let mut misses = 0;
            let mut ended = None;
            for shots in 1..=limit {
                misses += way >> (shots - 1) & 1;
                let decision = test.decide(shots, misses);
                if decision != Decision::Continue {
                    ended = Some((shots, decision));
                    break;
                }
            }
            let (shots, decision) = ended.unwrap_or((limit, Decision::Continue));
            told.shots += share * shots as f64;
            match decision {
                Decision::Accept => told.accepted += share,
                Decision::Reject => told.rejected += share,
                Decision::Continue => told.open += share,
            }
        }
        told
    }

    #[test]
    fn outlooks() {
        let quick = Sequential::new(0.1, 0.5, 0.1, 0.1).unwrap();
        for miss in [0.0, 0.1, 0.3, 0.5, 1.0] {
            let (told, all) = (quick.outlook(miss, 14).unwrap(), by_brute_force(&quick, miss, 14));
            for (a, b) in [
                (told.accepted, all.accepted),
                (told.rejected, all.rejected),
                (told.open, all.open),
                (told.shots, all.shots),
            ] {
                assert!((a - b).abs() < 1e-12, "{miss}: {told:?} {all:?}");
            }
        }
        // Wald's bounds: error rates of the test are at most alpha / (1 - beta) and beta / (1 - alpha), and nearly alpha and beta.
        let (good, bad) = (nist().outlook(0.01, 5000).unwrap(), nist().outlook(0.10, 5000).unwrap());
        assert!(good.rejected < 0.05 / 0.9 && bad.accepted < 0.10 / 0.95, "{good:?} {bad:?}");
        assert!(good.open < 1e-9 && (good.accepted + good.rejected + good.open - 1.0).abs() < 1e-12);
        assert_eq!(nist().outlook(0.0, 5000).unwrap().shots, 24.0);
    }

    #[test]
    fn no_answer() {
        for (good, bad, alpha, beta) in
            [(0.1, 0.1, 0.05, 0.05), (0.0, 0.1, 0.05, 0.05), (0.01, 0.1, 0.6, 0.5), (0.01, f64::NAN, 0.05, 0.05)]
        {
            assert!(matches!(Sequential::new(good, bad, alpha, beta), Err(NotEstimable::Argument(_))));
        }
        assert!(nist().outlook(-0.1, 10).is_err() && nist().outlook(0.1, u64::MAX).is_err());
    }
}
