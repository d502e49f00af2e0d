//! How late reports came.

/// How late reports came: one curve for each slot or each controller.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Latency {
    /// What a curve stands for, in one word, such as `slot` or `controller`.
    pub each: String,
    /// The latency that a criterion sets, nanoseconds.
    pub limit_ns: Option<i64>,
    /// The share of shots that must be reported within it.
    pub limit_share: Option<f64>,
    /// The matching window, nanoseconds: a shot without a report is known to be later than this and no more.
    pub window_ns: i64,
    /// The curves.
    pub curves: Vec<Curve>,
}

/// How a curve was estimated.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Estimator {
    /// Exact latencies, and misses censored at the window: Kaplan and Meier.
    KaplanMeier,
    /// Latencies known only between two times: Turnbull.
    Turnbull,
}

/// The share of shots that were reported within a time.
#[derive(Clone, PartialEq, Debug)]
pub struct Curve {
    /// The slot's or the controller's name.
    pub name: String,
    /// Shots behind it: detected and missed.
    pub shots: i64,
    /// Of these, those without a report inside the window.
    pub missed: i64,
    /// How it was estimated.
    pub estimator: Estimator,
    /// Confidence of the band, such as 0.95.
    pub confidence: f64,
    /// The steps in order of time; empty where it is not estimable.
    pub steps: Vec<Step>,
    /// Quantiles, such as 0.5 and 0.99, the same for all curves.
    pub quantiles: Vec<Quantile>,
}

/// From this time on, this share was reported.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Step {
    /// Nanoseconds after the shot.
    pub at_ns: i64,
    /// Share reported within it, 0 to 1.
    pub share: f64,
    /// Lower edge of the band.
    pub low: Option<f64>,
    /// Upper edge of the band.
    pub high: Option<f64>,
}

/// The time within which a share of the shots was reported.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Quantile {
    /// The share, 0 to 1.
    pub share: f64,
    /// The time, nanoseconds; nothing where it is not estimable.
    pub ns: Option<i64>,
    /// Lower end of its interval.
    pub low_ns: Option<i64>,
    /// Upper end of its interval.
    pub high_ns: Option<i64>,
}
