//! What the endpoint does as an HTTP server: methods, hosts, headers, health, beginning and end.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "this is test code all through, also outside of the functions marked as tests"
)]

mod support;

use endpoint::EndpointError;
use questions::RunRef;
use serde_json::json;
use support::Served;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

#[tokio::test]
async fn every_answer_is_json_and_nobody_keeps_it() {
    let served = Served::new().await;
    for (target, status) in [
        ("/v1/health", 200),
        ("/v1/run", 200),
        ("/v1/slots", 200),
        ("/v1/shots", 200),
        ("/v1/orphans", 200),
        ("/v1/reports", 200),
        ("/v1/gaps", 200),
        ("/v1/verdict", 200),
        ("/v1/run?x=1", 400),
        ("/v2/run", 404),
        ("/", 404),
    ] {
        let answer = served.get(target).await;
        assert_eq!(answer.status, status, "{target}: {answer:?}");
        assert_eq!(answer.header("content-type"), Some("application/json"), "{target}");
        assert_eq!(answer.header("cache-control"), Some("no-store"), "{target}");
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"), "{target}");
        assert_eq!(answer.header("access-control-allow-origin"), None, "{target}");
        answer.json();
    }
    assert!(served.get("/v1/nothing").await.error().contains("/v1/orphans"));
}

#[tokio::test]
async fn only_get_and_head() {
    let served = Served::new().await;
    for method in ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"] {
        let answer = served.send(method, "/v1/run").await;
        assert_eq!(answer.status, 405, "{answer:?}");
        assert_eq!(answer.header("allow"), Some("GET,HEAD"), "{answer:?}");
        assert_eq!(answer.error(), format!("the endpoint only answers questions: GET or HEAD, not {method}"));
    }
    let (get, head) = (served.get("/v1/run").await, served.send("HEAD", "/v1/run").await);
    assert_eq!((head.status, head.body.as_str()), (200, ""));
    assert_eq!(head.header("content-length"), Some(get.body.len().to_string().as_str()));
}

#[tokio::test]
async fn a_page_of_another_host_gets_nothing_from_loopback() {
    let served = Served::new().await;
    let request = |host: &str| format!("GET /v1/run HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
    for host in ["evil.example", "evil.example:9741", "10.0.0.1:9741"] {
        let answer = served.raw(&request(host)).await;
        assert_eq!(answer.status, 421, "{answer:?}");
        assert!(!answer.body.contains("burn-in-7") && !answer.error().is_empty());
    }
    for host in ["localhost:9741", "127.0.0.1", "[::1]:9741"] {
        assert_eq!(served.raw(&request(host)).await.status, 200, "{host}");
    }
    let absolute = "GET http://evil.example/v1/run HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";
    assert_eq!(served.raw(absolute).await.status, 421);

    // Bound to other addresses as well, it has names that it cannot know.
    let open = Served::on("0.0.0.0:0").await;
    assert_eq!(open.raw(&request("bench-3.lab.example")).await.status, 200);
}

#[tokio::test]
async fn health_is_the_daemons_word() {
    let served = Served::new().await;
    let health = json!({ "ready": true, "sources": { "mc_event": "watching" } });
    served.health.send(health.clone()).unwrap();
    assert_eq!(served.ok("/v1/health").await, health);
    for not_ready in [json!({ "ready": false, "why": "the feed is down" }), json!({}), json!({ "ready": "true" })] {
        served.health.send(not_ready.clone()).unwrap();
        let answer = served.get("/v1/health").await;
        assert_eq!((answer.status, answer.json()), (503, not_ready));
    }
}

#[tokio::test]
async fn what_was_committed_is_answered() {
    let served = Served::new().await;
    let last = served.ok("/v1/reports").await["last"].as_str().unwrap().to_owned();
    let follow = format!("/v1/reports?after={last}");
    assert_eq!(served.ok(&follow).await["items"], json!([]));
    served.change(
        "INSERT INTO witness (witness, boot, run, source, from_ns, t_ns, known_ns, severity, count)
         VALUES (17, 3, 2, 'mc_event', 199700000000, 199700000000, 199700000000, 'corrected', 1)",
    );
    let new = served.ok(&follow).await;
    assert_eq!((&new["items"][0]["witness"], &new["items"][0]["role"]), (&json!(17), &json!("open")));
    served.change("UPDATE shot SET outcome = 'missed' WHERE outcome IS NULL");
    assert_eq!(served.ok("/v1/run").await["totals"]["missed"], 4);
}

#[tokio::test]
async fn a_database_that_breaks_is_told_and_outlived() {
    let served = Served::new().await;
    served.ok("/v1/slots").await;
    served.change("ALTER TABLE latency_cell RENAME TO elsewhere");
    let answer = served.get("/v1/slots").await;
    assert_eq!((answer.status, answer.header("retry-after")), (503, Some("1")));
    assert!(answer.error().contains("no such table"), "{answer:?}");
    served.change("ALTER TABLE elsewhere RENAME TO latency_cell");
    served.ok("/v1/slots").await;
}

#[tokio::test]
async fn many_at_once_are_all_answered() {
    let served = std::sync::Arc::new(Served::new().await);
    let asked: Vec<_> = (0..30)
        .map(|_| {
            let served = served.clone();
            tokio::spawn(async move { served.get("/v1/shots").await.status })
        })
        .collect();
    for answer in asked {
        assert_eq!(answer.await.unwrap(), 200);
    }
}

#[tokio::test]
async fn it_ends_when_told_although_clients_stay() {
    let served = Served::new().await;
    let mut idle = TcpStream::connect(served.to).await.unwrap();
    let request = format!("GET /v1/health HTTP/1.1\r\nHost: {}\r\n\r\n", served.to);
    idle.write_all(request.as_bytes()).await.unwrap();
    let mut some = [0; 16];
    idle.read_exact(&mut some).await.unwrap();
    // Half a request, which never gets its other half.
    let mut half = TcpStream::connect(served.to).await.unwrap();
    half.write_all(b"GET /v1/he").await.unwrap();
    served.stop.send(true).unwrap();
    served.task.await.unwrap().unwrap();
    assert!(TcpStream::connect(served.to).await.is_err());
}

#[tokio::test]
async fn it_does_not_begin_without_its_run() {
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("run.db");
    let begin = |run: RunRef| {
        let db = db.clone();
        async move {
            let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
            let (_health, health) = watch::channel(json!({}));
            let (_stop, stop) = watch::channel(false);
            endpoint::serve(listener, endpoint::Served { db, run, criteria: None }, health, stop).await.unwrap_err()
        }
    };
    assert!(matches!(begin(RunRef::Newest).await, EndpointError::Database(store::StoreError::NoDatabase { .. })));
    drop(store::Store::open(&db).unwrap());
    assert!(matches!(begin(RunRef::Newest).await, EndpointError::Run(questions::QuestionError::NoRunYet)));
}
