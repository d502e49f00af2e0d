//! The known list: what is injected, what the machine does about it, and what the answer has to be.
//!
//! This is the one place to read or extend. `play.rs` carries it out from top to bottom, `compare.rs` holds the database
//! against it.

use std::time::Duration;

use Act::{BringBack, Fire, KillDaemon, MachineCheck, Pause, Report, Resend, StartDaemon, TakeAway};
use Addressed::{Label, Numbers};
use Place::{At, Unknown};

/// The window that the daemon is started with.
pub(crate) const WINDOW: Duration = Duration::from_secs(5);

/// A slot of the test driver's controllers.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Slot {
    pub(crate) controller: u8,
    pub(crate) channel: u8,
    pub(crate) slot: u8,
}

impl Slot {
    /// The label that the driver gives it.
    pub(crate) fn label(self) -> String {
        format!("BOARD_MC{}_CH{}_SLOT{}", self.controller, self.channel, self.slot)
    }
}

const fn slot(controller: u8, channel: u8, slot: u8) -> Slot {
    Slot { controller, channel, slot }
}

const A0: Slot = slot(0, 0, 0);
const A1: Slot = slot(0, 0, 1);
const B0: Slot = slot(0, 1, 0);
const B1: Slot = slot(0, 1, 1);
const C0: Slot = slot(1, 0, 0);
const C1: Slot = slot(1, 0, 1);
const D0: Slot = slot(1, 1, 0);
const D1: Slot = slot(1, 1, 1);

/// All slots that the driver registers.
pub(crate) const SLOTS: [Slot; 8] = [A0, A1, B0, B1, C0, C1, D0, D1];

/// How an injection names its slot.
#[derive(Clone, Copy)]
pub(crate) enum Addressed {
    Label(Slot),
    Numbers(Slot),
}

impl Addressed {
    pub(crate) fn slot(self) -> Slot {
        let (Label(slot) | Numbers(slot)) = self;
        slot
    }
}

/// Where the driver says that an error was.
#[derive(Clone, Copy)]
pub(crate) enum Place {
    At(Slot),
    /// Somewhere on this controller, which the driver tells by positions of -1.
    Unknown(u8),
}

/// The severities in the driver's words.
pub(crate) const CORRECTED: &str = "ce";
pub(crate) const UNCORRECTED: &str = "ue";

/// The answer that a shot has to get. Everything that is not named in a line of the list has to be false or absent.
#[derive(Clone, Copy)]
pub(crate) struct Answer {
    pub(crate) outcome: &'static str,
    pub(crate) misplaced: bool,
    pub(crate) misgraded: bool,
    pub(crate) shared: bool,
    pub(crate) blamed: Option<Slot>,
    pub(crate) latency_at_most: Duration,
}

const fn detected(blamed: Option<Slot>) -> Answer {
    // In the guest a report follows its order within milliseconds. A busy host may hold the guest still, though, and
    // only the machine check says something about time.
    Answer { outcome: "detected", misplaced: false, misgraded: false, shared: false, blamed, latency_at_most: WINDOW }
}

const fn missed() -> Answer {
    Answer { outcome: "missed", ..detected(None) }
}

const fn unknowable() -> Answer {
    Answer { outcome: "unknowable", ..detected(None) }
}

/// One thing that happens.
#[derive(Clone, Copy)]
pub(crate) enum Act {
    /// The injector sends an injection with this id, and waits for `accepted`.
    Fire(&'static str, Addressed, Answer),
    /// The injector sends the last injection once more, as after a broken link.
    Resend,
    /// The driver reports an error: severity, count, place.
    Report(&'static str, u16, Place),
    /// A corrected machine check is put into the CPU's banks, for the kernel to find.
    MachineCheck,
    /// The driver of this controller goes away, as before a reload.
    TakeAway(u8),
    BringBack(u8),
    /// The daemon gets SIGKILL.
    KillDaemon,
    /// The daemon is started by the same command as the first time.
    StartDaemon,
    Pause(Duration),
}

/// Acts that belong together, and what remains of their reports when every shot has its answer.
pub(crate) struct Step {
    pub(crate) about: &'static str,
    pub(crate) acts: Vec<Act>,
    /// No other injection or report within a window before and after, since the answer would be another one.
    pub(crate) alone: bool,
    pub(crate) echoes: usize,
    /// Slot, severity in the database's words, count.
    pub(crate) orphans: Vec<(Slot, &'static str, u64)>,
}

fn step(about: &'static str, acts: impl Into<Vec<Act>>) -> Step {
    Step { about, acts: acts.into(), alone: true, echoes: 0, orphans: Vec::new() }
}

impl Step {
    /// The answer does not depend on what the neighbouring steps do.
    fn among_others(self) -> Self {
        Self { alone: false, ..self }
    }

    fn with_echoes(self, echoes: usize) -> Self {
        Self { echoes, ..self }
    }

    fn with_orphan(mut self, slot: Slot, severity: &'static str, count: u64) -> Self {
        self.orphans.push((slot, severity, count));
        self
    }
}

/// The list.
pub(crate) fn steps() -> Vec<Step> {
    let reported = |id, at: Addressed| {
        let slot = at.slot();
        step("one shot, one report", [Fire(id, at, detected(Some(slot))), Report(CORRECTED, 1, At(slot))])
            .among_others()
    };
    let pause = |ms| Pause(Duration::from_millis(ms));
    vec![
        reported("label-a0", Label(A0)),
        reported("label-a1", Label(A1)),
        reported("label-b0", Label(B0)),
        reported("label-c1", Label(C1)),
        reported("numbers-b1", Numbers(B1)),
        reported("numbers-c0", Numbers(C0)),
        reported("numbers-d0", Numbers(D0)),
        reported("numbers-d1", Numbers(D1)),
        step("nobody says anything", [Fire("silence", Numbers(B0), missed())]),
        step(
            "the neighbour is blamed",
            [
                Fire("neighbour", Label(A0), Answer { misplaced: true, ..detected(Some(A1)) }),
                Report(CORRECTED, 1, At(A1)),
            ],
        ),
        step(
            "another severity than the configuration expects",
            [
                Fire("uncorrected", Numbers(C1), Answer { misgraded: true, ..detected(Some(C1)) }),
                Report(UNCORRECTED, 1, At(C1)),
            ],
        ),
        step(
            "three shots, and the hardware logged one record with a count of three",
            [
                Fire("burst-1", Label(D0), Answer { shared: true, ..detected(Some(D0)) }),
                Fire("burst-2", Label(D0), Answer { shared: true, ..detected(Some(D0)) }),
                Fire("burst-3", Label(D0), Answer { shared: true, ..detected(Some(D0)) }),
                Report(CORRECTED, 3, At(D0)),
            ],
        ),
        step(
            "a count of zero means at least one, and moves no counter",
            [Fire("count-of-zero", Label(B1), detected(Some(B1))), Report(CORRECTED, 0, At(B1))],
        ),
        step(
            "one shot is reported three times",
            [
                Fire("talkative", Numbers(A1), detected(Some(A1))),
                Report(CORRECTED, 1, At(A1)),
                pause(300),
                Report(CORRECTED, 1, At(A1)),
                pause(300),
                Report(CORRECTED, 1, At(A1)),
            ],
        )
        .with_echoes(2),
        step(
            "the driver does not know the place, which blames nobody",
            [Fire("nowhere", Label(C0), detected(None)), Report(CORRECTED, 1, Unknown(1))],
        ),
        step("nobody has injected anything", [Report(CORRECTED, 2, At(D1))]).with_orphan(D1, "corrected", 2),
        step("an unprovoked error that is not corrected", [Report(UNCORRECTED, 1, At(A0))]).with_orphan(
            A0,
            "uncorrected",
            1,
        ),
        step(
            "the controller is not there to report anything",
            [
                TakeAway(1),
                // Long enough for several reads of the counters to find it gone.
                pause(500),
                Fire("no-controller", Numbers(D0), unknowable()),
                pause(500),
                BringBack(1),
            ],
        ),
        reported("controller-is-back", Numbers(D0)),
        step(
            "a machine check that no controller's driver decodes is found by the kernel's polling",
            [
                Fire(
                    "machine-check",
                    Label(A0),
                    Answer { latency_at_most: Duration::from_millis(2500), ..detected(None) },
                ),
                MachineCheck,
                // The answer has to come from the poll alone, so nothing else happens until it must have been made.
                pause(2500),
            ],
        ),
        step(
            "the daemon is killed while a shot is open, and nobody knows what it did not see",
            [
                Fire("killed", Label(B1), unknowable()),
                KillDaemon,
                pause(1000),
                StartDaemon,
                // What was stored before counts: this is the same injection, not another one.
                Resend,
            ],
        ),
        reported("after-the-restart", Label(B1)),
    ]
}
