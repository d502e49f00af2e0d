//! The time from one beginning of the injector's clock to the next, and what its lines say of it.
//!
//! Of each kind of line the one is kept that bounds the curve best now; see the crate's page for the curve. This is constant
//! work for each line; once a stretch everything kept is looked at, to learn how fast the clocks run apart.

use crate::drift::{Drift, down};
use crate::hull::Point;
use crate::stretches::{STRETCH_NS, Stretches};

/// Without a pong for so long, what is assumed of queues counts too.
const PONG_HOLDS_NS: i64 = 60_000_000_000;
/// How many lines in a row must be later than the slack until the clock may have been set back.
const LATE_LINES: u32 = 4;
/// Over how much time they must arrive: behind a line that was held up, many arrive together.
const LATE_SPAN_NS: i64 = 2_000_000_000;
/// How long they must go on coming late until it has been.
const LATE_NS: i64 = 64_000_000_000;
/// When the drift is first looked at; then after twice the time each, until stretches are closed.
const FIRST_LOOK_NS: i64 = 2_000_000_000;

/// Lines that all were later than the slack allows.
#[derive(Clone, Copy)]
struct Late {
    since: i64,
    first_arrived: i64,
    last_arrived: i64,
    lines: u32,
    fastest: Point,
}

impl Late {
    fn may_be_set_back(&self) -> bool {
        self.lines >= LATE_LINES && self.last_arrived.saturating_sub(self.first_arrived) >= LATE_SPAN_NS
    }
}

/// See the module's page. Times are the injector's.
pub(crate) struct Epoch {
    slack_ns: i64,
    stretches: Stretches,
    drift: Drift,
    /// The likeliest slope within the drift, and whether it was measured.
    slope: Option<i64>,
    tick: Option<Point>,
    pong: Option<Point>,
    ping: Option<Point>,
    /// When the last ping was answered.
    ponged: Option<i64>,
    /// The point that the last minute's lowest bound stands on.
    under: Point,
    /// The fastest line, by the likeliest slope.
    floor: Point,
    late: Option<Late>,
    begun: i64,
    last: i64,
    look: i64,
}

/// What a line says against the ones before.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Fit {
    /// It fits, and was so much longer on its way than the fastest.
    Fits(i64),
    /// It came sooner than it can have; by how much, and whether a ping proves that.
    TooSoon(i64, bool),
    /// It and many before came later than they should; by how much at least.
    TooLate(i64),
}

/// Where the curve lies.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Bounds {
    pub(crate) lo: i64,
    pub(crate) hi: i64,
    /// By how much ticks and pongs contradict each other.
    pub(crate) torn_ns: i64,
}

impl Epoch {
    pub(crate) fn new(first: Point, is_pong: bool, slack_ns: i64) -> Epoch {
        let mut epoch = Epoch {
            slack_ns,
            stretches: Stretches::default(),
            drift: Drift::PRIOR,
            slope: None,
            tick: None,
            pong: None,
            ping: None,
            ponged: None,
            under: first,
            floor: first,
            late: None,
            begun: first.x,
            last: first.x,
            look: first.x.saturating_add(FIRST_LOOK_NS),
        };
        epoch.take(first, is_pong);
        epoch
    }

    /// Whether a point above the curve fits to the ones before. It is not taken yet.
    pub(crate) fn fit(&mut self, p: Point, is_pong: bool) -> Fit {
        let proven = self.holds_pong(p.x);
        let soon = |epoch: &Epoch, drift: Drift| match epoch.ping.filter(|_| proven || is_pong) {
            Some(ping) => drop_at(ping, drift, p.x).saturating_sub(p.y),
            // The first pong proves more than what was assumed.
            None if is_pong => 0,
            None => {
                let under = if drift == epoch.drift {
                    Some(drop_at(epoch.under, drift, p.x))
                } else {
                    epoch.stretches.lowest(drift, p.x)
                };
                under.map_or(0, |y| y.saturating_sub(epoch.slack_ns).saturating_sub(p.y))
            }
        };
        if soon(self, self.drift) > 0 {
            let by = soon(self, Drift::PRIOR);
            // While pongs come, a tick alone proves nothing: its own clock reading may be what is wrong.
            if by > 0 && (is_pong || !proven) {
                return Fit::TooSoon(by, is_pong);
            }
            if by <= 0 {
                self.unlearn();
            }
        }
        let late = p.y.saturating_sub(self.slack_ns).saturating_sub(self.hi(self.drift, p.x));
        if late > 0 && !proven {
            let arrived = p.x.saturating_add(p.y);
            let fresh = Late { since: p.x, first_arrived: arrived, last_arrived: arrived, lines: 0, fastest: p };
            let so_far = self.late.get_or_insert(fresh);
            so_far.lines = so_far.lines.saturating_add(1);
            so_far.last_arrived = arrived;
            if p.y <= rise_at(so_far.fastest, Drift::PRIOR, p.x) {
                so_far.fastest = p;
            }
            if so_far.may_be_set_back() && p.x.saturating_sub(so_far.since) > LATE_NS {
                return Fit::TooLate(late);
            }
        } else {
            self.late = None;
        }
        let fastest = self.floor.y.saturating_add(down(self.slope.unwrap_or(0), p.x.saturating_sub(self.floor.x)));
        Fit::Fits(p.y.saturating_sub(fastest).max(0))
    }

    /// Takes a point above the curve that fits.
    pub(crate) fn take(&mut self, p: Point, is_pong: bool) {
        self.last = self.last.max(p.x);
        let best = if is_pong { &mut self.pong } else { &mut self.tick };
        if best.is_none_or(|best| p.y <= rise_at(best, self.drift, p.x)) {
            *best = Some(p);
        }
        if p.y <= drop_at(self.under, self.drift, p.x) {
            self.under = p;
        }
        let floor = self.floor.y.saturating_add(down(self.slope.unwrap_or(0), p.x.saturating_sub(self.floor.x)));
        if p.y <= floor {
            self.floor = p;
        }
        let closed = self.stretches.above(p, self.drift, self.slack_ns);
        if closed || p.x >= self.look {
            self.learn();
        }
    }

    /// A point below the curve, of the pong that was taken last: by how much the pongs before prove that the clock was set back.
    pub(crate) fn set_back_ns(&mut self, p: Point) -> i64 {
        let by = |epoch: &Epoch, drift: Drift| {
            epoch.pong.map_or(0, |pong| p.y.saturating_sub(rise_at(pong, drift, p.x))).max(0)
        };
        if by(self, self.drift) == 0 {
            return 0;
        }
        let back = by(self, Drift::PRIOR);
        if back == 0 {
            self.unlearn();
        }
        back
    }

    /// Takes a point below the curve.
    pub(crate) fn take_ping(&mut self, p: Point) {
        if self.ping.is_none_or(|best| p.y >= drop_at(best, self.drift, p.x)) {
            self.ping = Some(p);
        }
        self.ponged = Some(p.x);
        self.stretches.below(p);
    }

    /// Where the curve lies at `x`.
    pub(crate) fn bounds(&self, x: i64) -> Bounds {
        let drift = self.drift;
        let mut hi = self.hi(drift, x);
        let assumed = self.stretches.lowest(drift, x).map(|y| y.saturating_sub(self.slack_ns));
        let proven = self.ping.map(|ping| drop_at(ping, drift, x));
        let lo = match proven {
            Some(lo) if self.holds_pong(self.last) => lo,
            _ => proven.into_iter().chain(assumed).max().unwrap_or(hi),
        };
        if let Some(late) = self.late.filter(Late::may_be_set_back) {
            // Nobody knows yet whether the lines are slow or the clock was set back: both may be.
            hi = hi.max(rise_at(late.fastest, drift, x));
            let lo = lo.min(self.hi(drift, x).saturating_sub(self.slack_ns));
            return Bounds { lo, hi, torn_ns: 0 };
        }
        if lo <= hi {
            return Bounds { lo, hi, torn_ns: 0 };
        }
        // Never a narrow answer that may be wrong: what the ticks say alone, and what the pongs say alone.
        let of = |best: Option<Point>| best.map(|best| rise_at(best, drift, x));
        let highest = of(self.tick).into_iter().chain(of(self.pong)).max().unwrap_or(hi);
        Bounds { lo: lo.min(hi.saturating_sub(self.slack_ns)), hi: highest.max(lo), torn_ns: lo.saturating_sub(hi) }
    }

    /// The injector's time now, as far as it can be known, for a line that comes at `arrival`.
    pub(crate) fn offset(&self) -> i64 {
        self.hi(self.drift, self.last)
    }

    /// The fastest of the lines that all came too late.
    pub(crate) fn fastest_late(&self) -> Option<Point> {
        self.late.map(|late| late.fastest)
    }

    /// The injector's time of the last line.
    pub(crate) fn last(&self) -> i64 {
        self.last
    }

    /// Whether a pong came lately enough for nothing to be assumed.
    pub(crate) fn holds_pong(&self, x: i64) -> bool {
        self.ponged.is_some_and(|at| x.saturating_sub(at) <= PONG_HOLDS_NS)
    }

    /// The likeliest slope, once it is measured, and the interval that holds it.
    pub(crate) fn slope(&self) -> (Option<i64>, Drift) {
        (self.slope, self.drift)
    }

    /// How many points were looked at.
    pub(crate) fn work(&self) -> u64 {
        self.stretches.work()
    }

    fn hi(&self, drift: Drift, x: i64) -> i64 {
        let of = |best: Option<Point>| best.map_or(i64::MAX, |best| rise_at(best, drift, x));
        of(self.tick).min(of(self.pong))
    }

    /// The clocks do not run as they did: what was learned of their rates is forgotten, and what was seen is not.
    fn unlearn(&mut self) {
        self.drift = Drift::PRIOR;
        self.slope = None;
        self.stretches = Stretches::default();
        self.begun = self.last;
        self.look = self.last.saturating_add(FIRST_LOOK_NS);
    }

    /// Looks at everything that is kept.
    fn learn(&mut self) {
        let age = self.last.saturating_sub(self.begun);
        self.look = if age < STRETCH_NS { self.last.saturating_add(age.max(FIRST_LOOK_NS)) } else { i64::MAX };
        let proven = self.ping.is_some();
        let measured = self.stretches.drift(proven);
        self.drift = measured.believed();
        let envelope = self.stretches.envelope().map(|(slope, _)| slope.clamp(self.drift.lo, self.drift.hi));
        self.slope = envelope.filter(|_| self.drift != Drift::PRIOR);
        let (drift, now) = (self.drift, self.last);
        let least = |points: &mut dyn Iterator<Item = Point>, at: &dyn Fn(Point) -> i64| points.min_by_key(|p| at(*p));
        let lowest_at = |p: Point| drop_at(p, drift, now);
        let slope = self.slope.unwrap_or(0);
        let floor_at = |p: Point| p.y.saturating_add(down(slope, now.saturating_sub(p.x)));
        self.under = least(&mut self.stretches.recent_above(), &lowest_at).unwrap_or(self.under);
        self.floor = least(&mut self.stretches.recent_above(), &floor_at).unwrap_or(self.floor);
        let pings = self.stretches.all_below().chain(self.ping);
        self.ping = pings.max_by_key(|p| lowest_at(*p));
    }
}

/// The most that the curve can be at `x`, having been no more than `y` at a point.
fn rise_at(from: Point, drift: Drift, x: i64) -> i64 {
    from.y.saturating_add(drift.most(x.saturating_sub(from.x)))
}

/// The least that the curve can be at `x`, having been no less than `y` at a point.
fn drop_at(from: Point, drift: Drift, x: i64) -> i64 {
    from.y.saturating_add(drift.least(x.saturating_sub(from.x)))
}
