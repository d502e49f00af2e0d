//! The whole daemon, measured from outside: `cargo bench -p flipwitness --bench end_to_end`, as root, tracefs mounted.
//!
//! The program under test is the very binary, watching a directory of EDAC files (64 DIMMs, invented) and the machine's
//! real trace ring, where a probe on this benchmark stands in for `ras:mc_event`. Times are medians and 99th percentiles;
//! what else the machine does while it runs is in them.
//!
//! Name parts to run only those: `-- rest endpoint burst accepted bulk`.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::disallowed_methods,
    unreachable_pub,
    dead_code,
    reason = "a measurement run by hand"
)]

#[path = "../../../world/kernel-watch/tests/support/probe.rs"]
mod probe;

use probe::{Probe, Shown, flipwitness_probed_function};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const ENDPOINT: &str = "127.0.0.1:19741";
const FEED: &str = "127.0.0.1:19740";

fn main() {
    let named: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let wanted = |part: &str| named.is_empty() || named.iter().any(|n| n == part);
    let probe = Probe::new("bench").expect("needs root and a mounted tracefs");
    if wanted("rest") {
        at_rest(&probe);
    }
    if wanted("endpoint") {
        stamp_to_endpoint(&probe);
    }
    if wanted("burst") {
        burst(&probe, 10_000, Some(Duration::from_secs(1)), 65_536);
        burst(&probe, 500_000, None, 131_072);
        burst(&probe, 500_000, None, 64);
    }
    if wanted("accepted") {
        accepted_one_at_a_time(&probe);
    }
    if wanted("bulk") {
        accepted_in_bulk(&probe, 200_000);
    }
}

/// 64 DIMMs on 8 controllers, and 200 ms of nothing but ten counter reads a second.
fn at_rest(probe: &Probe) {
    let daemon = Daemon::start(probe, 4096);
    std::thread::sleep(Duration::from_secs(3));
    let seconds = 30;
    let before = daemon.cpu_ticks();
    std::thread::sleep(Duration::from_secs(seconds));
    let ticks = daemon.cpu_ticks() - before;
    println!(
        "at rest, 64 DIMMs, 10 counter reads a second, no events: {:.2} % of one core over {seconds} s, {:.1} MiB resident",
        ticks as f64 / seconds as f64,
        daemon.resident_kib() as f64 / 1024.0
    );
    daemon.stop();
}

/// From the kernel's stamp to the moment at which a client has read the report from `/v1/reports`.
fn stamp_to_endpoint(probe: &Probe) {
    let daemon = Daemon::start(probe, 4096);
    let mut client = Http::connect();
    let mut after = String::new();
    let mut latencies = Vec::new();
    for n in 0..500_u64 {
        std::thread::sleep(Duration::from_millis(20));
        raise(1 + n);
        let deadline = Instant::now() + Duration::from_secs(5);
        loop {
            let answer = client.get(&format!("/v1/reports?limit=100{after}"));
            let seen = now_ns();
            let fresh = answer["items"].as_array().unwrap();
            let address = format!("{:#x}", 1 + n);
            if let Some(row) = fresh.iter().find(|r| r["address"] == address.as_str()) {
                latencies.push(seen - row["seen_ns"].as_i64().unwrap());
                break;
            }
            // Followed by its cursor, the list gives each witness once, as soon as it is committed.
            if let Some(last) = answer["last"].as_str() {
                after = format!("&after={last}");
            }
            assert!(Instant::now() < deadline, "report {n} never came");
        }
    }
    println!("from the kernel's stamp to the endpoint: {}", quantiles(&mut latencies));
    daemon.stop();
}

/// Events at a rate or flat out, into a ring of a size: how many are stored, and what is told of the rest.
fn burst(probe: &Probe, events: u64, over: Option<Duration>, ring_kib: u64) {
    let daemon = Daemon::start(probe, ring_kib);
    let began = Instant::now();
    for n in 0..events {
        if let Some(over) = over {
            let due = over.mul_f64(n as f64 / events as f64);
            while began.elapsed() < due {
                std::hint::spin_loop();
            }
        }
        raise(1 + n);
    }
    let raised = began.elapsed();
    let mut stored = 0;
    let mut quiet = 0;
    while quiet < 20 {
        std::thread::sleep(Duration::from_millis(100));
        let now = daemon.count("SELECT count(*) FROM witness");
        quiet = if now == stored { quiet + 1 } else { 0 };
        stored = now;
    }
    let all_stored = began.elapsed() - Duration::from_secs(2);
    let gaps = daemon.count("SELECT count(*) FROM gap");
    let whys: Vec<String> = rusqlite::Connection::open(&daemon.db)
        .unwrap()
        .prepare("SELECT source || ': ' || why FROM gap")
        .unwrap()
        .query_map([], |r| r.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    let told: u64 = whys.iter().filter_map(|why| why.split(' ').rev().nth(2)?.parse::<u64>().ok()).sum();
    daemon.stop();
    println!(
        "{events} events in {raised:.2?}, ring of {ring_kib} KiB per CPU: {stored} stored after {all_stored:.2?}, {} not, {gaps} gaps that tell of {told}",
        events - stored as u64
    );
}

fn accepted_one_at_a_time(probe: &Probe) {
    let daemon = Daemon::start(probe, 4096);
    let mut feed = Feed::connect();
    let mut times = Vec::new();
    for n in 0..2000 {
        let began = Instant::now();
        feed.send(&injection(n));
        feed.reply();
        times.push(began.elapsed().as_nanos() as i64);
        std::thread::sleep(Duration::from_millis(2));
    }
    println!("an injection to its `accepted`, one at a time: {}", quantiles(&mut times));
    let mut bare = bare_syncs(&daemon.dir.path().join("sync"));
    println!("  beside it, appending 4 KiB and a data sync on the same disk: {}", quantiles(&mut bare));
    daemon.stop();
}

fn accepted_in_bulk(probe: &Probe, injections: usize) {
    let daemon = Daemon::start(probe, 4096);
    let mut feed = Feed::connect();
    let lines: String = (0..injections).map(injection).collect();
    let began = Instant::now();
    let mut out = feed.stream.try_clone().unwrap();
    let writer = std::thread::spawn(move || out.write_all(lines.as_bytes()).unwrap());
    for _ in 0..injections {
        feed.reply();
    }
    let took = began.elapsed();
    writer.join().unwrap();
    let stored = daemon.count("SELECT count(*) FROM injection");
    println!(
        "{injections} injections in bulk, each durable before its `accepted`: {:.0} a second ({stored} stored)",
        injections as f64 / took.as_secs_f64()
    );
    daemon.stop();
}

// --- the daemon under test

struct Daemon {
    child: Child,
    dir: tempfile::TempDir,
    db: PathBuf,
}

impl Daemon {
    fn start(probe: &Probe, ring_kib: u64) -> Daemon {
        // Beside the benchmark's own build, which lies on a real disk; a temporary directory may be memory.
        let dir = tempfile::tempdir_in(Path::new(env!("CARGO_TARGET_TMPDIR"))).unwrap();
        edac_tree(&dir.path().join("sys"));
        let db = dir.path().join("run.db");
        let config = dir.path().join("bench.toml");
        let text = format!(
            "version = 1\n[kernel]\nsys = {:?}\ntracefs = {:?}\n[trace]\ninstance = \"flipwitness-bench\"\nper_cpu_kib = {ring_kib}\n\
             total_mib = 4096\nmc_event = {:?}\n[endpoint]\nlisten = {ENDPOINT:?}\n[[feed]]\nfrom = \"tcp:{FEED}\"\n",
            dir.path().join("sys"),
            probe.root(),
            probe.event
        );
        std::fs::write(&config, text).unwrap();
        let child = Command::new(env!("CARGO_BIN_EXE_flipwitness"))
            .args(["--quiet", "watch", "--db"])
            .arg(&db)
            .arg("--config")
            .arg(&config)
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let daemon = Daemon { child, dir, db };
        let deadline = Instant::now() + Duration::from_secs(10);
        while TcpStream::connect(ENDPOINT).is_err() || Http::connect().get("/v1/health")["ready"] != true {
            assert!(Instant::now() < deadline, "the daemon does not get ready");
            std::thread::sleep(Duration::from_millis(50));
        }
        daemon
    }

    /// User and system time in hundredths of a second.
    fn cpu_ticks(&self) -> u64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id())).unwrap();
        let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
        fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
    }

    fn resident_kib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    }

    fn count(&self, sql: &str) -> i64 {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        let db = rusqlite::Connection::open_with_flags(&self.db, flags).unwrap();
        db.busy_timeout(Duration::from_secs(5)).unwrap();
        db.query_row(sql, [], |r| r.get(0)).unwrap()
    }

    fn stop(mut self) {
        let pid = nix::unistd::Pid::from_raw(self.child.id() as i32);
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).unwrap();
        assert!(self.child.wait().unwrap().success());
    }
}

/// EDAC's attribute files for 64 DIMMs, all quiet.
fn edac_tree(sys: &Path) {
    let write = |path: PathBuf, text: String| std::fs::write(path, text).unwrap();
    for mc in 0..8 {
        let dir = sys.join(format!("devices/system/edac/mc/mc{mc}"));
        std::fs::create_dir_all(&dir).unwrap();
        for (name, text) in [
            ("mc_name", "bench\n"),
            ("ce_count", "0\n"),
            ("ue_count", "0\n"),
            ("ce_noinfo_count", "0\n"),
            ("ue_noinfo_count", "0\n"),
            ("seconds_since_reset", "100\n"),
            ("size_mb", "131072\n"),
            ("max_location", "channel 3 slot 1 \n"),
        ] {
            write(dir.join(name), text.to_owned());
        }
        for n in 0..8 {
            let dimm = dir.join(format!("dimm{n}"));
            std::fs::create_dir_all(&dimm).unwrap();
            for (name, text) in [
                ("dimm_label", format!("NODE{mc}_DIMM{n}\n")),
                ("dimm_location", format!("channel {} slot {} \n", n / 2, n % 2)),
                ("size", "16384\n".into()),
                ("dimm_mem_type", "Registered-DDR5\n".into()),
                ("dimm_dev_type", "x4\n".into()),
                ("dimm_edac_mode", "S4ECD4ED\n".into()),
                ("dimm_ce_count", "0\n".into()),
                ("dimm_ue_count", "0\n".into()),
            ] {
                write(dimm.join(name), text);
            }
        }
    }
}

/// One event through the real ring, told apart by its address.
fn raise(address: u64) {
    flipwitness_probed_function(&Shown {
        address,
        syndrome: 0x54,
        msg: c"memory read error".as_ptr(),
        label: c"NODE0_DIMM1".as_ptr(),
        driver_detail: c" err_code:0x0001:0x0090".as_ptr(),
        error_type: 0,
        error_count: 1,
        mc_index: 0,
        top_layer: 0,
        middle_layer: 1,
        lower_layer: -1,
        grain_bits: 5,
    });
}

// --- clients

struct Feed {
    stream: TcpStream,
    replies: BufReader<TcpStream>,
    line: String,
}

impl Feed {
    fn connect() -> Feed {
        let stream = TcpStream::connect(FEED).unwrap();
        stream.set_nodelay(true).unwrap();
        let replies = BufReader::with_capacity(1 << 16, stream.try_clone().unwrap());
        let mut feed = Feed { stream, replies, line: String::new() };
        feed.send("{\"type\":\"hello\",\"who\":\"bench\"}\n");
        feed
    }

    fn send(&mut self, text: &str) {
        self.stream.write_all(text.as_bytes()).unwrap();
    }

    fn reply(&mut self) {
        loop {
            self.line.clear();
            self.replies.read_line(&mut self.line).unwrap();
            if !self.line.contains("\"ping\"") {
                break;
            }
        }
        assert!(self.line.contains("\"accepted\""), "{}", self.line);
    }
}

fn injection(n: usize) -> String {
    format!(
        "{{\"type\":\"injection\",\"id\":\"b{n}\",\"at\":\"NODE{}_DIMM{}\",\"lines\":[\"DQ{}\"],\"hold_us\":100}}\n",
        n % 8,
        n / 8 % 8,
        n % 64
    )
}

struct Http {
    stream: BufReader<TcpStream>,
}

impl Http {
    fn connect() -> Http {
        let stream = TcpStream::connect(ENDPOINT).unwrap();
        stream.set_nodelay(true).unwrap();
        Http { stream: BufReader::new(stream) }
    }

    fn get(&mut self, path: &str) -> serde_json::Value {
        let request = format!("GET {path} HTTP/1.1\r\nHost: {ENDPOINT}\r\n\r\n");
        self.stream.get_mut().write_all(request.as_bytes()).unwrap();
        let mut length = 0;
        loop {
            let mut line = String::new();
            self.stream.read_line(&mut line).unwrap();
            if let Some(n) = line.to_ascii_lowercase().strip_prefix("content-length:") {
                length = n.trim().parse().unwrap();
            }
            if line == "\r\n" {
                break;
            }
        }
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).unwrap();
        serde_json::from_slice(&body).unwrap()
    }
}

// --- measuring

fn now_ns() -> i64 {
    let t = nix::time::clock_gettime(nix::time::ClockId::CLOCK_MONOTONIC).unwrap();
    t.tv_sec() * 1_000_000_000 + t.tv_nsec()
}

fn bare_syncs(path: &Path) -> Vec<i64> {
    let mut file = std::fs::File::create(path).unwrap();
    (0..500)
        .map(|_| {
            let began = Instant::now();
            file.write_all(&[7; 4096]).unwrap();
            file.sync_data().unwrap();
            let took = began.elapsed().as_nanos() as i64;
            std::thread::sleep(Duration::from_millis(2));
            took
        })
        .collect()
}

fn quantiles(ns: &mut [i64]) -> String {
    ns.sort_unstable();
    let at = |q: f64| ns[((ns.len() as f64 * q).ceil() as usize).clamp(1, ns.len()) - 1] as f64 / 1e6;
    format!("median {:.3} ms, p99 {:.3} ms, most {:.3} ms of {}", at(0.5), at(0.99), at(1.0), ns.len())
}
