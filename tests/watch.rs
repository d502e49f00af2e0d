//! The daemon as a process, on a directory that stands for a machine whose trace ring cannot be read: counters only.
//!
//! What it says about itself, what a feed gets for bad input, what a second daemon gets, and what a killed one leaves.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::disallowed_methods)]

#[path = "common/mod.rs"]
mod common;
use common::*;
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// One controller with two slots, and everything else that the daemon needs.
struct Bench {
    dir: tempfile::TempDir,
    feed: SocketAddr,
    listen: SocketAddr,
}

impl Bench {
    fn new(with_controller: bool) -> Bench {
        let dir = tempfile::tempdir().unwrap();
        let mc = dir.path().join("sys/devices/system/edac/mc");
        std::fs::create_dir_all(&mc).unwrap();
        if with_controller {
            let mc0 = mc.join("mc0");
            let write = |path: PathBuf, text: &str| {
                std::fs::create_dir_all(path.parent().unwrap()).unwrap();
                std::fs::write(path, text).unwrap();
            };
            for (name, text) in [
                ("mc_name", "bench\n"),
                ("ce_count", "0\n"),
                ("ue_count", "0\n"),
                ("ce_noinfo_count", "0\n"),
                ("ue_noinfo_count", "0\n"),
                ("seconds_since_reset", "10\n"),
                ("max_location", "channel 1 slot 0 \n"),
            ] {
                write(mc0.join(name), text);
            }
            for (n, label) in ["LEFT", "RIGHT"].into_iter().enumerate() {
                let dimm = mc0.join(format!("dimm{n}"));
                for (name, text) in [
                    ("dimm_label", format!("{label}\n")),
                    ("dimm_location", format!("channel {n} slot 0 \n")),
                    ("dimm_ce_count", "0\n".into()),
                    ("dimm_ue_count", "0\n".into()),
                ] {
                    write(dimm.join(name), &text);
                }
            }
        }
        Bench { dir, feed: free_port(), listen: free_port() }
    }

    fn db(&self) -> String {
        self.dir.path().join("run.db").display().to_string()
    }

    /// Starts the daemon and waits until it is ready.
    fn start(&self) -> Running {
        let config = self.dir.path().join("bench.toml");
        let at = |part: &str| self.dir.path().join(part);
        let text = format!(
            "[kernel]\nsys = {:?}\ntracefs = {:?}\n[counters]\ninterval_ms = 20\n[pairing]\nwindow_ms = 800\n[criteria]\nfile = {:?}\n",
            at("sys"),
            at("no-tracefs"),
            root().join("docs/criteria.toml")
        );
        std::fs::write(&config, text).unwrap();
        let child = Command::new(env!("CARGO_BIN_EXE_flipwitness"))
            .args(["--quiet", "watch", "--run", "bench", "--config"])
            .arg(&config)
            .args(["--db", &self.db(), "--listen", &self.listen.to_string(), "--feed", &format!("tcp:{}", self.feed)])
            .stdin(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let running = Running { child: Some(child) };
        wait_until("the daemon is ready", || get(self.listen, "/v1/health").is_some_and(|h| h["ready"] == true));
        running
    }

    fn connect(&self) -> Feed {
        let stream = TcpStream::connect(self.feed).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
        Feed { replies: BufReader::new(stream.try_clone().unwrap()), stream }
    }

    /// The slot's counter moves by one: the total first, as in the kernel.
    fn count_error(&self, dimm: u32) {
        let mc0 = self.dir.path().join("sys/devices/system/edac/mc/mc0");
        for file in [mc0.join("ce_count"), mc0.join(format!("dimm{dimm}/dimm_ce_count"))] {
            let now: u32 = std::fs::read_to_string(&file).unwrap().trim().parse().unwrap();
            // Replaced in one write of equal length, so that no reader sees half of it.
            std::fs::write(&file, format!("{}\n", now + 1)).unwrap();
        }
    }

    fn json(&self, question: &str) -> Vec<Value> {
        let told = flipwitness(&[question, "--json", "--db", &self.db()]);
        assert_eq!(told.status, 0, "{}", told.stderr);
        serde_json::from_str(&told.stdout).unwrap()
    }

    fn outcomes(&self) -> Vec<(String, String)> {
        let text = |v: &Value| v.as_str().unwrap().to_owned();
        self.json("shots").iter().map(|s| (text(&s["injection"]), text(&s["outcome"]))).collect()
    }
}

struct Running {
    child: Option<Child>,
}

impl Running {
    fn signal(mut self, signal: nix::sys::signal::Signal) -> (Option<i32>, String) {
        let child = self.child.take().unwrap();
        nix::sys::signal::kill(nix::unistd::Pid::from_raw(child.id() as i32), signal).unwrap();
        let out = child.wait_with_output().unwrap();
        (out.status.code(), String::from_utf8_lossy(&out.stderr).into_owned())
    }

    fn stop(self) -> (Option<i32>, String) {
        self.signal(nix::sys::signal::Signal::SIGTERM)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

struct Feed {
    stream: TcpStream,
    replies: BufReader<TcpStream>,
}

impl Feed {
    fn say(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).unwrap();
    }

    fn reply(&mut self) -> Value {
        loop {
            let mut line = String::new();
            self.replies.read_line(&mut line).unwrap();
            let reply: Value = serde_json::from_str(&line).unwrap_or_else(|e| panic!("{line:?}: {e}"));
            // This injector does not know pings.
            if reply["type"] != "ping" {
                return reply;
            }
        }
    }

    fn inject(&mut self, id: &str, at: &str) -> Value {
        self.say(format!("{{\"type\":\"injection\",\"id\":{id:?},\"at\":{at:?},\"lines\":[\"DQ3\"]}}\n").as_bytes());
        self.reply()
    }
}

fn free_port() -> SocketAddr {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

fn wait_until(what: &str, mut is: impl FnMut() -> bool) {
    let patience = Instant::now() + Duration::from_secs(20);
    while !is() {
        assert!(Instant::now() < patience, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn get(from: SocketAddr, path: &str) -> Option<Value> {
    let mut stream = TcpStream::connect(from).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(5))).ok()?;
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {from}\r\nConnection: close\r\n\r\n").ok()?;
    let mut text = String::new();
    std::io::Read::read_to_string(&mut stream, &mut text).ok()?;
    serde_json::from_str(text.split_once("\r\n\r\n")?.1).ok()
}

#[test]
fn counters_only_is_said_loudly_and_still_detects() {
    let bench = Bench::new(true);
    let running = bench.start();
    let health = get(bench.listen, "/v1/health").unwrap();
    assert_eq!(health["trace"]["watched"], false);
    assert!(health["warnings"][0].as_str().unwrap().contains("COUNTERS ONLY"), "{health}");
    let mut feed = bench.connect();
    feed.say(b"{\"type\":\"hello\",\"who\":\"rig\"}\n");
    assert_eq!(feed.inject("a", "LEFT")["type"], "accepted");
    bench.count_error(0);
    assert_eq!(feed.inject("b", "RIGHT")["type"], "accepted");
    let missed = || {
        get(bench.listen, "/v1/shots?outcome=missed")
            .is_some_and(|s| s["items"].as_array().is_some_and(|i| i.len() == 1))
    };
    wait_until("the shot that nothing reported is missed", missed);
    let run = get(bench.listen, "/v1/run").unwrap();
    assert_eq!(run["remarks"][0]["level"], "warning");
    let verdict = get(bench.listen, "/v1/verdict").unwrap();
    assert_eq!((&verdict["state"], &verdict["so_far"]), (&"running".into(), &true.into()), "{verdict}");
    assert_eq!((&verdict["verdict"], &verdict["slots"][1]["missed"]), (&"not_met".into(), &1.into()), "{verdict}");
    let (status, log) = running.stop();
    assert_eq!(status, Some(0), "{log}");
    assert!(log.contains("COUNTERS ONLY"), "{log}");
    assert_eq!(bench.outcomes(), [("a".into(), "detected".into()), ("b".into(), "missed".into())]);
    let table = flipwitness(&["slots", "--db", &bench.db()]).stdout;
    assert!(table.starts_with("Run bench (watch)") && table.contains("WARNING: COUNTERS ONLY"), "{table}");
}

#[test]
fn a_feed_goes_on_whatever_it_is_told() {
    let bench = Bench::new(true);
    let running = bench.start();
    let mut feed = bench.connect();
    let why = |reply: &Value| reply["why"].as_str().unwrap_or_default().to_owned();
    let long = [b"{\"type\":\"injection\",\"note\":\"".to_vec(), vec![b'x'; 70_000], b"\"}\n".to_vec()].concat();
    let cases: [(&[u8], &str); 7] = [
        (b"garbage\n", "JSON"),
        (b"\xff\xfe\x00\n", "UTF-8"),
        (&long, "longer than 65536 bytes"),
        (b"{\"type\":\"injection\",\"id\":\"x\",\"at\":\"NOWHERE\"}\n", "no slot is named \"NOWHERE\""),
        (b"{\"type\":\"injection\",\"id\":\"x\",\"at\":\"LEFT\",\"t\":-1}\n", "t"),
        (
            b"{\"type\":\"injection\",\"id\":\"x\",\"at\":\"LEFT\",\"t\":\"1999-01-01T00:00:00Z\"}\n",
            "before the run began",
        ),
        (b"{\"type\":\"injection\",\"id\":\"x\",\"at\":\"LEFT\",\"lines\":[\"DQ99\"]}\n", "DQ99"),
    ];
    for (n, (line, words)) in cases.iter().enumerate() {
        feed.say(line);
        let reply = feed.reply();
        assert_eq!((&reply["type"], &reply["line"]), (&"rejected".into(), &(n as u64 + 1).into()), "{reply}");
        assert!(why(&reply).contains(words), "{reply}");
    }
    assert_eq!(feed.inject("ok", "LEFT")["type"], "accepted");
    let again = feed.inject("ok", "LEFT");
    assert_eq!((&again["type"], &again["again"]), (&"accepted".into(), &true.into()));
    // Half a line at the end of the stream.
    feed.say(b"{\"type\":\"injection\",\"id\":\"half\"");
    feed.stream.shutdown(std::net::Shutdown::Write).unwrap();
    assert!(why(&feed.reply()).contains("the stream ended inside this line"));
    let mut other = bench.connect();
    assert_eq!(other.inject("other", "RIGHT")["type"], "accepted");
    assert_eq!(running.stop().0, Some(0));
    assert_eq!(bench.outcomes().len(), 2);
}

#[test]
fn without_a_memory_controller_nothing_is_promised() {
    let bench = Bench::new(false);
    let running = bench.start();
    let reply = bench.connect().inject("a", "LEFT");
    assert_eq!(reply["why"], "no memory controller is registered: nothing can be reported");
    let health = get(bench.listen, "/v1/health").unwrap();
    let warned = health["warnings"].as_array().unwrap().iter().any(|w| {
        let text = w.as_str().unwrap();
        text.starts_with("no memory controller is registered: nothing can be reported")
            && text.contains("load the EDAC driver")
    });
    assert!(warned, "{health}");
    let (status, _) = running.stop();
    assert_eq!(status, Some(0));
}

#[test]
fn one_database_has_one_writer() {
    let bench = Bench::new(true);
    let running = bench.start();
    let second = flipwitness(&["watch", "--db", &bench.db(), "--listen", "127.0.0.1:0"]);
    assert_eq!(second.status, 75, "{}", second.stderr);
    assert!(second.stderr.contains("in use by"), "{}", second.stderr);
    // Questions are answered meanwhile.
    assert_eq!(flipwitness(&["slots", "--db", &bench.db()]).status, 0);
    assert_eq!(running.stop().0, Some(0));
}

#[test]
fn a_killed_daemon_goes_on_with_its_run_and_leaves_a_gap() {
    let bench = Bench::new(true);
    let running = bench.start();
    let mut feed = bench.connect();
    assert_eq!(feed.inject("before", "LEFT")["type"], "accepted");
    bench.count_error(0);
    wait_until("the first shot is settled", || bench.outcomes().iter().any(|(_, o)| o == "detected"));
    let settled = bench.json("shots");
    // Two shots are open when it dies; one of them is counted while nobody looks.
    assert_eq!(feed.inject("silent", "LEFT")["type"], "accepted");
    assert_eq!(feed.inject("counted", "RIGHT")["type"], "accepted");
    running.signal(nix::sys::signal::Signal::SIGKILL);
    bench.count_error(1);
    let running = bench.start();
    let mut feed = bench.connect();
    assert_eq!(feed.inject("silent", "LEFT")["again"], true);
    wait_until("the open shots are settled", || bench.outcomes().iter().all(|(_, o)| o != "open"));
    assert_eq!(feed.inject("after", "RIGHT")["type"], "accepted");
    bench.count_error(1);
    wait_until("the last shot is settled", || bench.outcomes().iter().all(|(_, o)| o != "open"));
    assert_eq!(running.stop().0, Some(0));
    let told: Vec<(String, String)> = bench.outcomes();
    let want = [("before", "detected"), ("silent", "unknowable"), ("counted", "detected"), ("after", "detected")];
    assert_eq!(told, want.map(|(a, b)| (a.to_owned(), b.to_owned())));
    assert_eq!(bench.json("shots")[0], settled[0], "what was stored before is as it was");
    assert_eq!(bench.json("runs").len(), 1);
    let gaps = bench.json("gaps");
    assert!(gaps.iter().any(|g| g["source"] == "daemon" && g["why"] == "the daemon was not running"), "{gaps:?}");
    assert!(Path::new(&bench.db()).exists());
}
