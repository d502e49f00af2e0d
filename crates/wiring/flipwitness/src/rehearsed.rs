//! What a rehearsal says to a newcomer: what is simulated, and the answers held against what the simulated machine did.

use daemon::{Rehearsed, SlotTruth};
use questions::SlotRow;
use std::net::SocketAddr;

/// Said before it runs.
pub(crate) fn before(seconds: u64, endpoint: SocketAddr) -> String {
    format!(
        "A rehearsal, about {seconds} seconds: the real daemon watches a simulated machine with eight DIMM slots, on which a\n\
         simulated injector forces data lines. Machine, injector and errors are invented; nothing of this\n\
         machine is touched. Meanwhile the daemon answers at http://{endpoint}/v1/slots\n"
    )
}

/// Said after the table of slots: the answers against the truth, and where to go on.
pub(crate) fn after(done: &Rehearsed, rows: &[SlotRow]) -> String {
    let mut text =
        String::from("\nWhat the simulated machine was made to do, and whether the table above has found it:\n\n");
    let mut all = true;
    let width = done.slots.iter().map(|slot| slot.slot.len()).max().unwrap_or(0);
    for truth in &done.slots {
        let row = rows.iter().find(|row| *row.slot == *truth.slot);
        let differs = row.map_or(vec!["it does not know the slot".to_owned()], |row| differences(truth, row));
        all &= differs.is_empty();
        let found = if differs.is_empty() { "found".to_owned() } else { format!("NOT FOUND: {}", differs.join(", ")) };
        text.push_str(&format!("{:width$}  {:55}  {found}\n", truth.slot, truth.habit));
    }
    text.push('\n');
    text.push_str(match (done.cut_short, all) {
        (true, _) => "It was stopped early: shots that were still open are unknowable.\n",
        (false, true) => "Every shot was answered as it really was.\n",
        (false, false) => "Some answers differ from what really was. On a very busy machine reports can come late.\n",
    });
    let db = done.db.display();
    text.push_str(&format!(
        "\nThe database stays. Ask it:\n\
         \x20 flipwitness shots --db {db} --missed    each shot that nothing reported\n\
         \x20 flipwitness orphans --db {db}           reports that nobody provoked\n\
         \x20 flipwitness rails --db {db}             supply rails and their limits\n\
         \x20 flipwitness clock --db {db}             how exactly the injector's clock is known\n\
         \x20 sqlite3 {db} 'SELECT * FROM detection'  or any other SQLite client\n"
    ));
    text
}

/// Where the answer about a slot is not what the machine did.
fn differences(truth: &SlotTruth, row: &SlotRow) -> Vec<String> {
    let pairs = [
        ("shots", truth.fired, row.shots),
        ("detected", truth.reported, row.detected),
        ("missed", truth.missed, row.missed),
        ("blamed wrongly", truth.blamed_on_neighbour, row.misplaced),
        ("misgraded", truth.misgraded, row.misgraded),
        ("late", truth.late, row.late),
        ("sharing a report", truth.shared, row.shared),
        ("orphans", truth.unprovoked, row.orphans),
        ("excursions", truth.excursions, row.supply.rail_excursions.unwrap_or(0)),
    ];
    let differs = |(what, really, told): (&str, usize, _)| {
        let told = usize::try_from(told).unwrap_or(usize::MAX);
        (really != told).then(|| format!("{told} {what}, really {really}"))
    };
    pairs.into_iter().filter_map(differs).collect()
}
