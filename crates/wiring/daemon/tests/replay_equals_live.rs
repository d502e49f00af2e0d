//! A replayed capture gives what the live run gave, byte for byte.

#![allow(clippy::unwrap_used, reason = "a test")]

use daemon::{FEED_FILE, RehearseOrder, ReplayOrder, WITNESS_FILE, rehearse, replay};
use questions::{Page, RailFilter, ReportFilter, RunRef, ShotFilter, Snapshot};
use std::path::Path;
use tokio::sync::watch;

/// The answers to slots, shots (with why they were missed), orphans, rails and the injector's clock as the endpoint and `--json`
/// give them.
fn ask(db: &Path, run: &str) -> [String; 5] {
    let connection = store::open_read(db).unwrap();
    let snapshot = Snapshot::of(&connection, &RunRef::Name(run.to_owned())).unwrap();
    let all = Page::first(10_000);
    [
        serde_json::to_string_pretty(&snapshot.slots().unwrap()).unwrap(),
        serde_json::to_string_pretty(&snapshot.shots_with_causes(&ShotFilter::default(), &all).unwrap().items).unwrap(),
        serde_json::to_string_pretty(&snapshot.orphans(&ReportFilter::default(), &all).unwrap().items).unwrap(),
        serde_json::to_string_pretty(&snapshot.rails(&RailFilter::default(), &all).unwrap().items).unwrap(),
        serde_json::to_string_pretty(&snapshot.clocks().unwrap()).unwrap(),
    ]
}

#[tokio::test]
async fn replay_equals_live() {
    let home = tempfile::tempdir().unwrap();
    let capture = home.path().join("capture");
    let order = RehearseOrder {
        seconds: 5,
        seed: 11,
        capture: Some(capture.clone()),
        ..RehearseOrder::new(home.path().join("live.db"))
    };
    let (_stop, stopped) = watch::channel(false);
    let live = rehearse(&order, stopped).await.unwrap();
    let order = ReplayOrder {
        feed: capture.join(FEED_FILE),
        witnesses: capture.join(WITNESS_FILE),
        db: home.path().join("replayed.db"),
        run: None,
        settings: live.settings,
    };
    let replayed = tokio::task::spawn_blocking(move || (replay(&order).unwrap(), order.db)).await.unwrap();
    let (replayed, db) = replayed;
    assert_eq!((replayed.refused_feed.count, replayed.refused_witnesses.count), (0, 0), "{replayed:?}");

    let answers = ask(&live.db, &live.run);
    let again = ask(&db, &replayed.run);
    assert!(answers.iter().any(|text| text.contains("\"cause\": \"collector\"")));
    assert!(answers[4].contains("\"how\": \"two-way\""), "{}", answers[4]);
    assert!(answers.iter().all(|text| text.len() > 100), "a comparison of nothing proves nothing: {answers:?}");
    for (answer, again) in answers.iter().zip(&again) {
        // Line by line first: the first that differs says more than two long texts.
        for (line, other) in answer.lines().zip(again.lines()) {
            assert_eq!(line, other);
        }
        assert_eq!(answer, again);
    }
}
