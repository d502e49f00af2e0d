//! What anybody who repeats this must know before opening a machine. Common practice in the trade; local rules come first.

use crate::model::Section;
use crate::parts::section;
use maud::{Markup, html};

const CAUTIONS: [(&str, &str); 9] = [
    (
        "Power off, and wait.",
        "Shut down, switch off, and pull every mains cord before a module or an injector is seated or removed; redundant supplies have \
         several. Stand-by rails feed parts of the memory slots: wait until the stand-by lights are out.",
    ),
    ("Electrostatic discharge.", "Wrist strap and mat, both connected; hold modules by their edges (IEC 61340-5-1)."),
    (
        "Mechanical load.",
        "An injector makes a module taller and heavier. Support it, check latches and air flow, and remember that sockets bear only some tens of \
         insertions.",
    ),
    (
        "Timing margin.",
        "Anything between slot and module costs margin. Let the firmware train with it in place, run without injection first, and stop if that \
         run has errors.",
    ),
    (
        "Uncorrectable errors and writable disks.",
        "An uncorrected error can stop the machine, and a miscorrected one can write wrong data without a word. Use a machine whose data can be \
         lost, unplug other disks or at least unmount them, and keep the results elsewhere. Force three or more lines at once under a code that \
         corrects one bit only where nothing writable is mounted.",
    ),
    (
        "Drivers against drivers.",
        "A line that is forced against an active driver carries a large current. Limits of duration, duty cycle and number belong to the \
         injector's hardware, which must let go by itself when its link or host is gone.",
    ),
    (
        "Voltages.",
        "Limits for operation are not absolute maximum ratings. The latter are limits of damage, not test points.",
    ),
    (
        "What stays behind.",
        "Firmware may keep lists of retired pages, repair rows for good, or mark a module as degraded. Note the state before, look after it \
         afterwards, and mark modules that were used.",
    ),
    (
        "Who may do it.",
        "Local safety rules, the makers' instructions and qualified people come before anything on this page. Opening a machine may end its \
         warranty.",
    ),
];

/// The whole part.
pub(crate) fn part() -> Markup {
    let body = html! {
        p { "Whoever repeats these measurements works inside a machine. These cautions are common practice and not complete." }
        ul { @for (what, text) in CAUTIONS { li { b { (what) } " " (text) } } }
    };
    section(Section::Cautions, &body)
}
