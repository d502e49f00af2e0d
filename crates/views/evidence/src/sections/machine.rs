//! The machine: its boots, how it was set, and what is in its slots.

use crate::figures::{NOT_TOLD, date};
use crate::model::{Boot, Fact, Inventory, Paper, Section, Slot};
use crate::parts::{again, head, number, row_head, section, table};
use maud::{Markup, html};
use vocabulary::Wall;

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let body = html! {
        (boots(&paper.machine.boots))
        @if !paper.machine.facts.is_empty() { (facts("What the machine is and how it was set", &paper.machine.facts)) }
        (inventory(&paper.slots))
        p.small.soft {
            "Size, type, device width and ECC mode are what the kernel's driver states; drivers are known to state some of them by "
            "rote. The code assumed is the one that the expected severities were made from; where nothing else is said, it comes from what the \
             driver states."
        }
        (again(&paper.recipes, Section::Machine))
    };
    section(Section::Machine, &body)
}

fn boots(boots: &[Boot]) -> Markup {
    let day = |at: Option<Wall>| at.map_or_else(|| NOT_TOLD.to_owned(), date);
    let rows = html! {
        @for boot in boots {
            tr { td { (boot.kernel) } td.w { (day(boot.first)) } td.w { (day(boot.watched)) } td { code { (boot.boot_id) } } }
        }
    };
    table("Boots of the run", "dates in UTC", &head(&["kernel", "watched from", "until", "boot id"]), &rows)
}

/// A table of facts; the method's settings are shown by it, too.
pub(crate) fn facts(caption: &str, facts: &[Fact]) -> Markup {
    let sources = facts.iter().any(|f| f.source.is_some());
    let rows = html! {
        @for fact in facts {
            tr {
                td { (fact.what) }
                td { (fact.value) }
                @if sources { td.soft { (fact.source.as_deref().unwrap_or(NOT_TOLD)) } }
            }
        }
    };
    let columns: &[&str] = if sources { &["what", "value", "read from"] } else { &["what", "value"] };
    table(caption, "", &head(columns), &rows)
}

fn inventory(slots: &[Slot]) -> Markup {
    // Where every slot has its label as its name, a column of labels says nothing.
    let labels = slots.iter().any(|s| s.inventory.label.as_ref() != Some(&s.name));
    let rows = html! {
        @for slot in slots {
            @let i = &slot.inventory;
            tr {
                (row_head(&slot.name))
                td.w { (place(i)) }
                @if labels { td { (told(i.label.as_deref())) } }
                td.r { (i.size_mb.map_or_else(|| NOT_TOLD.to_owned(), gib)) }
                td.w { (told(i.memory.as_deref())) }
                td { (told(i.devices.as_deref())) }
                (number(&i.objects.to_string()))
                td { (told(i.ecc_stated.as_deref())) }
                td {
                    (told(i.ecc_assumed.as_deref()))
                    @if let Some(because) = &i.ecc_because { div.small.soft { (because) } }
                }
            }
        }
    };
    let mut columns = vec!["slot", "place"];
    if labels {
        columns.push("label");
    }
    columns.extend([">size", "type", "devices", ">objects", "ECC as stated", "code assumed"]);
    table("Slots", "as the machine says; place: controller, channel, slot", &head(&columns), &rows)
}

fn told(text: Option<&str>) -> &str {
    text.unwrap_or(NOT_TOLD)
}

fn place(i: &Inventory) -> String {
    let word = |n: Option<i64>| n.map_or_else(|| NOT_TOLD.to_owned(), |n| n.to_string());
    format!("{}, {}, {}", word(i.controller), word(i.channel), word(i.number))
}

fn gib(size_mb: i64) -> String {
    if size_mb >= 1024 && size_mb % 1024 == 0 {
        format!("{}\u{202f}GiB", size_mb / 1024)
    } else {
        format!("{size_mb}\u{202f}MiB")
    }
}
