//! What can be calculated, in plain words and with its published source. Whoever fills the model names those that were used.

use crate::model::Formula;

/// Exact two-sided intervals of shares.
pub const EXACT_INTERVAL: Formula = Formula {
    what: "Two-sided interval of a share",
    how: "The exact binomial interval: all true shares under which a count as extreme as the one found is not too unlikely, at \
          half the remaining probability on each side. It covers the truth at least as often as stated.",
    source: "C. J. Clopper, E. S. Pearson: The use of confidence or fiducial limits, Biometrika 26 (1934)",
};

/// Exact one-sided bounds of shares.
pub const EXACT_BOUND: Formula = Formula {
    what: "Lower bound of a share",
    how: "The lower end of the exact binomial interval with all of the remaining probability on one side. Without a miss in n \
          shots it is the n-th root of one minus the confidence: 0.990 after 299 shots, at 95 %.",
    source: "C. J. Clopper, E. S. Pearson, Biometrika 26 (1934)",
};

/// Wilson's intervals.
pub const WILSON: Formula = Formula {
    what: "Wilson's interval of a share",
    how: "The interval from the score test. It is shorter than the exact one and covers the truth as stated only on average.",
    source: "E. B. Wilson, Journal of the American Statistical Association 22 (1927)",
};

/// Rates of rare events.
pub const POISSON_INTERVAL: Formula = Formula {
    what: "Interval of a rate, such as orphans in an hour",
    how: "The exact Poisson interval, from quantiles of the chi-squared distribution, divided by the time watched.",
    source: "F. Garwood: Fiducial limits for the Poisson distribution, Biometrika 28 (1936)",
};

/// Several slots at once.
pub const HOLM: Formula = Formula {
    what: "Several slots at once",
    how: "The chance to call even one slot good that is not is held over all slots together: the slot with the strongest evidence \
          must pass the strictest test, the next one a test less strict, and so on.",
    source: "S. Holm: A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics 6 (1979)",
};

/// Wald's sequential test.
pub const WALD: Formula = Formula {
    what: "Test that may stop early",
    how: "After each shot the likelihoods of a good and of a bad detection rate are compared; the test ends as soon as their ratio \
          leaves its two stated limits. The order of the shots counts, and the limits are set before the run.",
    source: "A. Wald: Sequential tests of statistical hypotheses, Annals of Mathematical Statistics 16 (1945)",
};

/// Latencies with misses.
pub const KAPLAN_MEIER: Formula = Formula {
    what: "Latency curve from exact latencies",
    how: "A missed shot counts as later than its window, and no more is assumed of it. The band at each time is from the curve's \
          variance at that time.",
    source: "E. L. Kaplan, P. Meier, Journal of the American Statistical Association 53 (1958); variance: M. Greenwood (1926)",
};

/// Latencies known only between two times.
pub const TURNBULL: Formula = Formula {
    what: "Latency curve from latencies known only between two times",
    how: "A counter that is read now and then says only that a report came between two reads. The curve is the one under which \
          all these intervals together are likeliest; inside such an interval it has no known shape and is drawn as one step at \
          its end.",
    source: "B. W. Turnbull, Journal of the Royal Statistical Society B 38 (1976)",
};

/// Intervals of quantiles.
pub const ORDER_STATISTICS: Formula = Formula {
    what: "Interval of a quantile",
    how: "Two of the sorted latencies between which the quantile lies with the stated confidence, whatever the shape of the \
          distribution. With too few shots there are no such two, and the quantile is not estimable.",
    source: "H. A. David, H. N. Nagaraja: Order Statistics, 3rd edition (2003), section 7.1",
};

/// Detections by chance.
pub const CHANCE: Formula = Formula {
    what: "Detections that chance alone would make",
    how: "A slot that reports by itself at some rate would now and then report inside a shot's window. Detection is corrected by \
          p = (found − chance) / (1 − chance), chance = 1 − exp(−rate × window).",
    source: "W. S. Abbott, Journal of Economic Entomology 18 (1925), for the correction; the chance follows from a Poisson process",
};

/// Rates from probabilities.
pub const PAIRING: Formula = Formula {
    what: "Which report belongs to which shot",
    how: "Every report that could belong to a shot by time and place is weighed by how likely that latency, slot and severity are if \
          the shot caused it, against a report by chance. The best assignment over all of them gives the single answers; the \
          estimated detection is the mean over all plausible assignments, since counting only the best one is biased.",
    source: "Bayes' rule, summed over all plausible assignments; DEVELOPERS.md of flipwitness names the code and its tests",
};

/// One-way ticks.
pub const ENVELOPE: Formula = Formula {
    what: "The injector's clock from one-way ticks",
    how: "The line below all arrivals that is nearest to them: the fastest ticks show the clock, the others the queue.",
    source: "S. B. Moon, P. Skelly, D. Towsley, IEEE INFOCOM (1999)",
};

/// Four time stamps.
pub const FOUR_STAMPS: Formula = Formula {
    what: "The injector's clock from four time stamps",
    how: "Half the sum of both differences is the offset; it is wrong by at most half of the time under way.",
    source: "RFC 5905, section 8",
};
