//! The table of supply rails.

use super::run::heading;
use super::{Set, counted, dates, grid, length, name, with_legend, wrapped};
use crate::{Listing, RailRow, RunSummary, printable};

/// Each rail, its limits, and how it kept to them.
#[must_use]
pub fn rails_table(rails: &Listing<RailRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    if rails.items.is_empty() {
        return out + "No supply rail: the feed has told of none that is like that.\n";
    }
    let columns = [
        ("slot", Set::Name),
        ("rail", Set::Name),
        ("limits\nmV", Set::Word),
        ("least\nmV", Set::Number),
        ("mean\nmV", Set::Number),
        ("most\nmV", Set::Number),
        ("\nreadings", Set::Number),
        ("\ncovered", Set::Number),
        ("\noutside", Set::Number),
    ];
    let rows = rails.items.iter().map(|r| {
        [
            name(r.slot.as_deref()),
            printable(&r.rail),
            limits(r),
            format!("{:.1}", r.min_mv),
            r.mean_mv.map_or_else(|| "-".to_owned(), |mean| format!("{mean:.1}")),
            format!("{:.1}", r.max_mv),
            r.readings.to_string(),
            if r.covered_ns > 0 { length(r.covered_ns) } else { "-".to_owned() },
            outside(r),
        ]
    });
    out += &grid(columns, rows.collect());
    if let Some(next) = &rails.next {
        out += &format!("More follow: --after {next}\n");
    }
    out += "\n";
    out += &excursions(rails);
    out += &origins(rails);
    let late: i64 = rails.items.iter().map(|r| r.late).sum();
    if late > 0 {
        let text =
            format!("{} older than the newest of the rail when told.", counted(late, "reading was", "readings were"));
        out += &wrapped(&text, 0);
    }
    with_legend(
        out,
        [
            ("limits", "between what the rail has to be; those that move with VDD are shown at its nominal value"),
            ("covered", "for how long it is known what the rail had: a reading holds until the next, or for a while"),
            ("outside", "for how much of that a reading outside the limits held; unknown until a later reading comes"),
            ("excursion", "a time outside, without a reading inside and without silence in it"),
            ("damage", "the rail was beyond the absolute maximum, which is a limit of damage and not a test point"),
        ],
    )
}

fn limits(r: &RailRow) -> String {
    match (r.min_limit_mv, r.max_limit_mv) {
        (Some(min), Some(max)) => format!("{min} - {max}"),
        _ => "not known".to_owned(),
    }
}

fn outside(r: &RailRow) -> String {
    match (r.outside, r.outside_ns) {
        (None, _) | (_, None) => "-".to_owned(),
        (Some(0), Some(_)) => "never".to_owned(),
        (Some(_), Some(0)) => "unknown".to_owned(),
        (Some(_), Some(ns)) => length(ns),
    }
}

/// The rails that were outside; nothing if none was.
fn excursions(rails: &Listing<RailRow>) -> String {
    let outside: Vec<&RailRow> = rails.items.iter().filter(|r| r.excursions.is_some_and(|n| n > 0)).collect();
    if outside.is_empty() {
        return String::new();
    }
    let stamps = outside
        .iter()
        .map(|r| (r.first_outside.as_deref(), r.boot.unwrap_or_default(), r.first_outside_ns.unwrap_or_default()));
    let (first, cells) = dates("first outside", stamps);
    let columns = [
        ("slot", Set::Name),
        ("rail", Set::Name),
        ("excursions", Set::Number),
        ("longest", Set::Number),
        (first.as_str(), Set::Word),
        ("what it was", Set::Text),
    ];
    let rows = outside.iter().zip(cells).map(|(r, first)| {
        let longest = match r.longest_ns {
            None | Some(0) => "unknown".to_owned(),
            Some(ns) => length(ns),
        };
        let excursions = r.excursions.unwrap_or_default().to_string();
        [name(r.slot.as_deref()), printable(&r.rail), excursions, longest, first, what(r)]
    });
    format!("Outside the limits:\n\n{}\n", grid(columns, rows.collect()))
}

fn what(r: &RailRow) -> String {
    let mut words = Vec::new();
    if r.limits_of_vdd {
        words.push("not its share of VDD".to_owned());
    } else {
        if r.min_limit_mv.is_some_and(|limit| r.min_mv < limit) {
            words.push(format!("down to {:.1} mV", r.min_mv));
        }
        if r.max_limit_mv.is_some_and(|limit| r.max_mv > limit) {
            words.push(format!("up to {:.1} mV", r.max_mv));
        }
    }
    let damaging = r.absolute_min_mv.is_some_and(|limit| r.min_mv < limit)
        || r.absolute_max_mv.is_some_and(|limit| r.max_mv > limit);
    if damaging {
        words.push("damage is possible".to_owned());
    }
    words.join(", ")
}

/// Where the limits come from, each origin once with its rails. A rail has its slot with it where not all slots have the same.
fn origins(rails: &Listing<RailRow>) -> String {
    let with_limits: Vec<(&RailRow, &str)> =
        rails.items.iter().filter_map(|r| Some((r, r.limits_from.as_deref()?))).collect();
    let mut origins: Vec<(&str, Vec<String>)> = Vec::new();
    for (r, from) in &with_limits {
        let everywhere = with_limits.iter().all(|(other, theirs)| other.rail != r.rail || theirs == from);
        let named = match r.slot.as_deref() {
            Some(slot) if !everywhere => format!("{} of {slot}", r.rail),
            _ => r.rail.clone(),
        };
        match origins.iter_mut().find(|(known, _)| known == from) {
            Some((_, names)) if names.contains(&named) => {}
            Some((_, names)) => names.push(named),
            None => origins.push((from, vec![named])),
        }
    }
    let line = |(from, names): (&str, Vec<String>)| {
        wrapped(&format!("Limits of {}: {}", printable(&names.join(", ")), printable(from)), 4)
    };
    origins.into_iter().map(line).collect()
}
