//! The command `plan`: how many injections the criteria need, how far apart, for how long.
//!
//! What is known of the machine comes from an earlier run in a database, from flags, or from both: a flag goes before the run. The
//! words of the flags are read here too, for `cli`. Nothing is calculated here: that is crate `verdict`'s.

use crate::cli::Plan;
use crate::{ask, exit, verdict as judged};
use anyhow::{Result, bail};
use daemon::Config;
use questions::{RunRef, Snapshot, plan_table};
use std::collections::BTreeSet;
use std::time::Duration;
use verdict::plan::{Banks, PlanSlot, Setup, Way, plan as plan_for};

/// More slots than any machine has; a typing error should not plan for millions.
const MOST_SLOTS: u32 = 4096;

/// The slots that a flag names.
#[derive(Clone)]
pub(crate) struct SlotList(Vec<PlanSlot>);

/// Says what it takes.
pub(crate) fn plan(order: &Plan) -> Result<()> {
    let criteria = judged::criteria(&order.asked)?;
    let setup = setup(order)?;
    let plan = plan_for(&criteria, &setup)?;
    ask::say(&if order.json { serde_json::to_string_pretty(&plan)? } else { plan_table(&plan) })
}

fn setup(order: &Plan) -> Result<Setup> {
    if order.db.is_none() && order.slots.is_none() {
        bail!(exit::WrongUsage(
            "no slot is known: name a database with an earlier run with --db, or the slots with --slots"
        ));
    }
    let mut setup = match &order.db {
        Some(db) => {
            let connection = store::open_read(db)?;
            Snapshot::of(&connection, &RunRef::from(order.run.clone()))?.setup()?
        }
        None => Setup {
            slots: Vec::new(),
            way: Way::Interrupt,
            banks: Banks::default(),
            at_once: None,
            window_ms: Some(Config::default().pairing.window_ms),
            advised_ms: None,
            orphans_per_hour: 0.0,
        },
    };
    if let Some(SlotList(slots)) = &order.slots {
        setup.slots.clone_from(slots);
    }
    setup.way = order.found_by.unwrap_or(setup.way);
    setup.banks = order.banks;
    setup.at_once = order.at_once;
    setup.window_ms = order.window.map(ms).or(setup.window_ms);
    setup.advised_ms = order.spacing.map(ms).or(setup.advised_ms);
    setup.orphans_per_hour = order.orphans_per_hour.unwrap_or(setup.orphans_per_hour);
    Ok(setup)
}

fn ms(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

/// A number of slots, of which nothing is known, or names with places.
pub(crate) fn slots(text: &str) -> Result<SlotList, String> {
    if let Ok(count) = text.parse::<u32>() {
        if !(1..=MOST_SLOTS).contains(&count) {
            return Err(format!("must be from 1 to {MOST_SLOTS} slots"));
        }
        let slot = |n: u32| PlanSlot { name: format!("slot {n}"), controller: None, channel: None };
        return Ok(SlotList((1..=count).map(slot).collect()));
    }
    let slots: Vec<PlanSlot> = text.split(',').map(slot).collect::<Result<_, _>>()?;
    let names: BTreeSet<&str> = slots.iter().map(|slot| slot.name.as_str()).collect();
    if names.len() < slots.len() {
        return Err("a slot is named twice".to_owned());
    }
    Ok(SlotList(slots))
}

fn slot(text: &str) -> Result<PlanSlot, String> {
    let (name, place) = text.rsplit_once('=').map_or((text, None), |(name, place)| (name, Some(place)));
    let name = name.trim();
    if name.is_empty() {
        return Err("a slot has no name".to_owned());
    }
    let place = place.map(|place| {
        let numbers = place.split_once(':').and_then(|(mc, channel)| Some((mc.parse().ok()?, channel.parse().ok()?)));
        numbers.ok_or_else(|| format!("{place:?} is no place: write CONTROLLER:CHANNEL, such as 0:1"))
    });
    let place: Option<(u16, u16)> = place.transpose()?;
    Ok(PlanSlot { name: name.to_owned(), controller: place.map(|p| p.0), channel: place.map(|p| p.1) })
}

pub(crate) fn way(text: &str) -> Result<Way, String> {
    let number = |text: &str| text.parse::<u64>().ok().filter(|n| *n <= 86_400_000);
    let told = match text.split_once('=') {
        None if text == "interrupt" => Some(Way::Interrupt),
        None if text == "firmware" => Some(Way::Firmware),
        Some(("polling", s)) => number(s).map(|every_s| Way::Polling { every_s }),
        Some(("edac", ms)) => number(ms).filter(|ms| *ms > 0).map(|every_ms| Way::EdacPolling { every_ms }),
        _ => None,
    };
    told.ok_or_else(|| "must be interrupt, firmware, polling=SECONDS or edac=MS".to_owned())
}

pub(crate) fn banks(text: &str) -> Result<Banks, String> {
    match text {
        "channel" => Ok(Banks::Channel),
        "controller" => Ok(Banks::Controller),
        "machine" => Ok(Banks::Machine),
        _ => Err("must be channel, controller or machine".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_flags() {
        let SlotList(told) = slots("A1=0:1, B 1,C=x=2:0").unwrap();
        let told: Vec<_> = told.iter().map(|s| (s.name.as_str(), s.controller, s.channel)).collect();
        assert_eq!(told, [("A1", Some(0), Some(1)), ("B 1", None, None), ("C=x", Some(2), Some(0))]);
        assert_eq!(slots("3").unwrap().0.last().unwrap().name, "slot 3");
        for (text, why) in [
            ("0", "from 1 to 4096"),
            ("5000", "from 1 to 4096"),
            ("", "has no name"),
            ("A1,,B1", "has no name"),
            ("A1,A1", "named twice"),
            ("A1=0", "is no place"),
            ("A1=-1:0", "is no place"),
        ] {
            let told = slots(text).err().unwrap();
            assert!(told.contains(why), "{text:?}: {told}");
        }
        assert_eq!(way("polling=300"), Ok(Way::Polling { every_s: 300 }));
        assert_eq!(way("edac=1000"), Ok(Way::EdacPolling { every_ms: 1000 }));
        for text in ["", "polling", "polling=-1", "edac=0", "edac=x", "interrupt=1", "sound"] {
            assert!(way(text).is_err(), "{text}");
        }
        assert_eq!(banks("machine"), Ok(Banks::Machine));
        assert!(banks("socket").is_err());
    }
}
