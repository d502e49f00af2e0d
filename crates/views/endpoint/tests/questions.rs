//! The routes answer the rows of crate `questions`, filtered and paged by their parameters, and refuse what they do not know.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "this is test code all through, also outside of the functions marked as tests"
)]

mod support;

use questions::{GapFilter, Page, RailFilter, ReportFilter, RunRef, ShotFilter, Snapshot};
use serde_json::Value;
use support::Served;

#[tokio::test]
async fn the_routes_answer_the_rows_of_the_command_line() {
    let served = Served::new().await;
    let db = store::open_read(&served.db()).unwrap();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    let page = Page::first(500);
    // Through text and back, as the endpoint's side of the comparison: the last bit of a fraction may change on the way.
    fn json(rows: impl serde::Serialize) -> Value {
        serde_json::from_str(&serde_json::to_string(&rows).unwrap()).unwrap()
    }
    assert_eq!(served.ok("/v1/run").await, json(run.run_summary().unwrap()));
    assert_eq!(served.ok("/v1/slots").await["items"], json(run.slots().unwrap()));
    assert_eq!(served.ok("/v1/shots").await, json(run.shots(&ShotFilter::default(), &page).unwrap()));
    let why = json(run.shots_with_causes(&ShotFilter::default(), &page).unwrap());
    assert_eq!(served.ok("/v1/shots?why=true").await, why);
    assert_eq!(served.ok("/v1/orphans").await, json(run.orphans(&ReportFilter::default(), &page).unwrap()));
    assert_eq!(served.ok("/v1/reports").await, json(run.reports(&ReportFilter::default(), &page).unwrap()));
    assert_eq!(served.ok("/v1/gaps").await, json(run.gaps(&GapFilter::default(), &page).unwrap()));
    assert_eq!(served.ok("/v1/rails").await, json(run.rails(&RailFilter::default(), &page).unwrap()));
    assert_eq!(served.ok("/v1/clock").await["items"], json(run.clocks().unwrap()));
}

#[tokio::test]
async fn the_verdict_so_far() {
    let served = Served::new().await;
    let criteria = verdict::Criteria::parse(support::CRITERIA, std::path::Path::new("criteria.toml")).unwrap();
    let db = store::open_read(&served.db()).unwrap();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    let told = served.ok("/v1/verdict").await;
    // Nobody watches the invented run any more: what the clock says makes no difference.
    let is = run.verdict(&criteria, vocabulary::Wall(0)).unwrap();
    assert_eq!(told, serde_json::from_str::<Value>(&serde_json::to_string(&is).unwrap()).unwrap());
    assert_eq!((&told["verdict"], &told["state"]), (&"not_met".into(), &"cut_off".into()));
    assert_eq!(served.bad("/v1/verdict?slot=A1").await, "unknown parameter \"slot\": this route takes none");

    let answer = Served::without_criteria().await.get("/v1/verdict").await;
    assert_eq!(answer.status, 404);
    assert!(answer.error().contains("criteria.file"), "{answer:?}");
}

fn column(list: &Value, key: &str) -> Vec<Value> {
    list["items"].as_array().unwrap().iter().map(|row| row[key].clone()).collect()
}

#[tokio::test]
async fn parameters_filter() {
    let served = Served::new().await;
    for (target, rows) in [
        ("/v1/shots", 15),
        ("/v1/shots?slot=B2", 6),
        ("/v1/shots?outcome=missed", 1),
        ("/v1/shots?outcome=open", 3),
        ("/v1/shots?outcome=detected&slot=B2", 3),
        ("/v1/shots?injector=second", 3),
        ("/v1/shots?injector=nobody", 0),
        ("/v1/shots?since_ns=1100000000000", 4),
        ("/v1/shots?until_ns=70000000000", 1),
        ("/v1/shots?since=2027-03-04T06:00:00Z", 4),
        ("/v1/shots?since=2027-03-04T07:00:00%2B01:00&until=2027-03-04T06:01:00Z", 1),
        ("/v1/shots?misplaced=true", 2),
        ("/v1/shots?misplaced=false&outcome=detected", 8),
        ("/v1/shots?misgraded=true", 1),
        ("/v1/shots?late=true", 1),
        ("/v1/shots?shared=true", 2),
        ("/v1/shots?outcome=missed&why=true", 1),
        ("/v1/orphans?severity=uncorrected", 1),
        ("/v1/orphans?slot=B2", 1),
        ("/v1/reports?role=match", 9),
        ("/v1/reports?role=open", 2),
        ("/v1/reports?role=orphan&severity=corrected", 2),
        ("/v1/gaps?source=mc_event", 1),
        ("/v1/gaps?until_ns=1070000000000&since_ns=1069000000000", 1),
        ("/v1/rails?slot=A2", 2),
        ("/v1/rails?rail=vdd", 2),
        ("/v1/rails?rail=VTT", 0),
        ("/v1/slots?slot=mc%231csrow%232channel%231+%2B+mc%231csrow%233channel%231", 1),
    ] {
        let list = served.ok(target).await;
        assert_eq!(list["items"].as_array().unwrap().len(), rows, "{target}");
        assert_eq!(list["next"], Value::Null, "{target}");
    }
}

#[tokio::test]
async fn pages_join_without_seam() {
    let served = Served::new().await;
    for (route, key, rows) in [
        ("/v1/shots", "fired_ns", 15),
        ("/v1/reports", "witness", 15),
        ("/v1/orphans", "report", 3),
        ("/v1/gaps", "gap", 3),
        ("/v1/slots", "slot", 5),
        ("/v1/rails", "rail", 5),
        ("/v1/clock", "at_ns", 3),
    ] {
        let whole = column(&served.ok(route).await, key);
        assert_eq!(whole.len(), rows, "{route}");
        let (mut joined, mut target) = (Vec::new(), format!("{route}?limit=2"));
        loop {
            let page = served.ok(&target).await;
            joined.extend(column(&page, key));
            match page["next"].as_str() {
                Some(next) => target = format!("{route}?limit=2&after={next}"),
                None => break,
            }
        }
        assert_eq!(joined, whole, "{route}");
    }
}

#[tokio::test]
async fn what_is_wrong_is_named() {
    let served = Served::new().await;
    for (target, error) in [
        ("/v1/run?slot=A1", "unknown parameter \"slot\": this route takes none"),
        ("/v1/health?verbose", "unknown parameter \"verbose\": this route takes none"),
        (
            "/v1/gaps?slot=A1",
            "unknown parameter \"slot\": this route takes source, since, since_ns, until, until_ns, limit, after",
        ),
        ("/v1/slots?limit=0", "limit takes a whole number from 1 to 10000, not \"0\""),
        ("/v1/slots?limit=10001", "limit takes a whole number from 1 to 10000, not \"10001\""),
        ("/v1/slots?limit=", "limit takes a whole number from 1 to 10000, not \"\""),
        ("/v1/shots?outcome=lost", "outcome takes detected, missed, unknowable or open, not \"lost\""),
        ("/v1/shots?late=1", "late takes true or false, not \"1\""),
        ("/v1/shots?why=yes", "why takes true or false, not \"yes\""),
        ("/v1/shots?since_ns=soon", "since_ns takes a whole number of nanoseconds, not \"soon\""),
        (
            "/v1/shots?since=yesterday",
            "since takes a date with its offset as in RFC 3339, such as 2027-03-04T05:06:07Z, not \"yesterday\"",
        ),
        ("/v1/shots?since_ns=1&since=2027-03-04T05:06:07Z", "since and since_ns say the same: give one of them"),
        ("/v1/shots?slot=A1&slot=A2", "slot is given twice"),
        (
            "/v1/shots?slot=Z9",
            "no slot of the run is named \"Z9\"; it has: A1, A2, B1, B2, mc#1csrow#2channel#1 + mc#1csrow#3channel#1",
        ),
        ("/v1/shots?after=here", "\"here\" is not a cursor that an earlier answer gave"),
        ("/v1/reports?role=culprit", "role takes match, echo, orphan or open, not \"culprit\""),
        ("/v1/orphans?severity=bad", "severity takes corrected, uncorrected, deferred, fatal or info, not \"bad\""),
        (
            "/v1/shots?late=1&limit=x",
            "late takes true or false, not \"1\"; limit takes a whole number from 1 to 10000, not \"x\"",
        ),
    ] {
        assert_eq!(served.bad(target).await, error, "{target}");
    }
}

/// Every key of every real answer stands in the documentation in code font; keys of free JSON (settings, health) do not count.
#[tokio::test]
async fn the_documentation_names_every_key() {
    let doc = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../docs/endpoint.md")).unwrap();
    let served = Served::new().await;
    let mut keys = std::collections::BTreeSet::new();
    let routes = [
        "/v1/run",
        "/v1/slots",
        "/v1/shots",
        "/v1/orphans",
        "/v1/reports",
        "/v1/gaps",
        "/v1/rails",
        "/v1/clock",
        "/v1/verdict",
    ];
    for route in routes {
        assert!(doc.contains(&format!("## GET {route}")), "{route} has no section");
        let target = if route == "/v1/shots" { "/v1/shots?why=true" } else { route };
        let mut answer = served.ok(target).await;
        if let Some(run) = answer.as_object_mut() {
            run.entry("settings").and_modify(|free| *free = Value::Null);
            run.entry("criteria").and_modify(|of_the_file| *of_the_file = Value::Null);
        }
        collect_keys(&answer, &mut keys);
    }
    assert!(keys.len() > 60, "{keys:?}");
    for key in keys {
        assert!(doc.contains(&format!("`{key}`")), "docs/endpoint.md does not name `{key}`");
    }
}

fn collect_keys(value: &Value, keys: &mut std::collections::BTreeSet<String>) {
    match value {
        Value::Object(object) => {
            for (key, value) in object {
                keys.insert(key.clone());
                collect_keys(value, keys);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| collect_keys(item, keys)),
        _ => {}
    }
}
