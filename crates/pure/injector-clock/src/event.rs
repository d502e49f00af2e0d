//! What happened to an injector's clock that a run must say of itself.

use std::fmt;

/// Something that makes earlier lines say nothing about later ones, or that does not fit together.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ClockEvent {
    /// The counter went back: the injector was reset.
    Reset,
    /// The clock went ahead or back by more than any drift explains. Positive: it lost time; negative: it gained time.
    Jumped {
        /// By how much at least, in nanoseconds.
        by_ns: i64,
        /// A ping proves it. Otherwise lines that have become slower or faster would look the same.
        proven: bool,
    },
    /// Ticks and pings contradict each other by this much at least, in nanoseconds: of the two, the wider is used.
    Contradiction {
        /// By how much.
        by_ns: i64,
    },
}

impl ClockEvent {
    /// Whether it limits what the run's numbers prove.
    #[must_use]
    pub fn is_warning(self) -> bool {
        self != ClockEvent::Reset
    }
}

impl fmt::Display for ClockEvent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = |ns: i64| ns.unsigned_abs() as f64 / 1e6;
        match self {
            ClockEvent::Reset => f.write_str("its counter went back, so it was reset; it is compared anew from there"),
            ClockEvent::Jumped { by_ns, proven } => {
                let way = if *by_ns < 0 { "ahead" } else { "back" };
                write!(f, "its clock went {way} by {:.3} ms or more, which no drift explains; ", ms(*by_ns))?;
                match (proven, *by_ns < 0) {
                    (true, _) => {}
                    (false, true) => f.write_str("or its lines have become faster by that; ")?,
                    (false, false) => f.write_str("or its lines have become slower by that; ")?,
                }
                f.write_str("it is compared anew from there")
            }
            ClockEvent::Contradiction { by_ns } => write!(
                f,
                "its ticks and its pongs contradict each other by {:.3} ms, so its times are as wide as both together",
                ms(*by_ns)
            ),
        }
    }
}
