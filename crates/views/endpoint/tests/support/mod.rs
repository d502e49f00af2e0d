//! The endpoint over the invented database, and a client that sees every byte of an answer.
#![allow(dead_code, reason = "each test file uses its own part")]

use questions::RunRef;
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::path::PathBuf;
use tempfile::TempDir;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use verdict::Criteria;

/// One of everything, so that the answer has every key.
pub(crate) const CRITERIA: &str = include_str!("../../../../../docs/criteria.toml");

/// A running endpoint.
pub(crate) struct Served {
    dir: TempDir,
    pub(crate) to: SocketAddr,
    pub(crate) health: watch::Sender<Value>,
    pub(crate) stop: watch::Sender<bool>,
    pub(crate) task: JoinHandle<Result<(), endpoint::EndpointError>>,
}

/// An answer, taken apart.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl Answer {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }

    pub(crate) fn error(&self) -> String {
        let json = self.json();
        assert_eq!(json.as_object().unwrap().len(), 1, "{json}");
        json["error"].as_str().unwrap().to_owned()
    }

    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        let line = |l: &'_ str| l.split_once(": ").is_some_and(|(n, _)| n.eq_ignore_ascii_case(name));
        self.head.lines().find(|l| line(l)).map(|l| &l[name.len() + 2..])
    }
}

impl Served {
    pub(crate) async fn new() -> Served {
        Served::on("127.0.0.1:0").await
    }

    pub(crate) async fn on(address: &str) -> Served {
        Served::with(address, true).await
    }

    /// Without criteria there is no verdict.
    pub(crate) async fn without_criteria() -> Served {
        Served::with("127.0.0.1:0", false).await
    }

    async fn with(address: &str, judges: bool) -> Served {
        let dir = tempfile::tempdir().unwrap();
        let db = dir.path().join("invented.db");
        drop(store::Store::open(&db).unwrap());
        let listener = TcpListener::bind(address).await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let (health, health_seen) = watch::channel(json!({ "ready": true }));
        let (stop, stop_seen) = watch::channel(false);
        let invented = [include_str!("../../../questions/tests/invented.sql"), store::RECOUNT].concat();
        rusqlite::Connection::open(&db).unwrap().execute_batch(&invented).unwrap();
        let criteria = Criteria::parse(CRITERIA, &dir.path().join("criteria.toml")).unwrap();
        let served = endpoint::Served { db, run: RunRef::Newest, criteria: Some(criteria).filter(|_| judges) };
        let task = tokio::spawn(endpoint::serve(listener, served, health_seen, stop_seen));
        Served { dir, to: SocketAddr::from(([127, 0, 0, 1], port)), health, stop, task }
    }

    pub(crate) fn db(&self) -> PathBuf {
        self.dir.path().join("invented.db")
    }

    pub(crate) fn change(&self, sql: &str) {
        let db = rusqlite::Connection::open(self.db()).unwrap();
        db.execute_batch(sql).unwrap();
        // Fails where the change broke the tables, as it may.
        drop(db.execute_batch(store::RECOUNT));
    }

    /// Sends a request as it stands and reads until the endpoint closes.
    pub(crate) async fn raw(&self, request: &str) -> Answer {
        let mut stream = TcpStream::connect(self.to).await.unwrap();
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut all = String::new();
        stream.read_to_string(&mut all).await.unwrap();
        let (head, body) = all.split_once("\r\n\r\n").unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        Answer { status, head: head.to_owned(), body: body.to_owned() }
    }

    pub(crate) async fn send(&self, method: &str, target: &str) -> Answer {
        self.raw(&format!("{method} {target} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", self.to)).await
    }

    pub(crate) async fn get(&self, target: &str) -> Answer {
        self.send("GET", target).await
    }

    /// The answer of a request that has one.
    pub(crate) async fn ok(&self, target: &str) -> Value {
        let answer = self.get(target).await;
        assert_eq!(answer.status, 200, "{target}: {answer:?}");
        answer.json()
    }

    /// The reason of a request that has no answer.
    pub(crate) async fn bad(&self, target: &str) -> String {
        let answer = self.get(target).await;
        assert_eq!(answer.status, 400, "{target}: {answer:?}");
        answer.error()
    }
}
