//! What the receiver itself costs, without a disk: `cargo bench -p feed-receive`.
//!
//! An injector on loopback TCP, in a thread of its own, against a stand-in for the daemon that answers at once. Prints
//! injections a second in bulk, and the way there and back of one injection at a time.
#![allow(clippy::unwrap_used, clippy::print_stdout, reason = "a benchmark prints its result and may panic")]

use feed_lines::{FeedLine, Reply};
use feed_receive::{Feed, FeedEvent};
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpStream};
use std::thread;
use tokio::sync::{mpsc, watch};

const BULK: u32 = 1_000_000;
const SINGLE: u32 = 20_000;

fn main() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let feed = Feed::bind("tcp:127.0.0.1:0".parse().unwrap()).unwrap();
        let address = feed.local_addr().unwrap();
        let (to, mut events) = mpsc::channel::<FeedEvent>(64);
        let (stop, stopped) = watch::channel(false);
        let feed = tokio::spawn(feed.run(to, stopped));
        let injector = thread::spawn(move || {
            bulk(address);
            one_at_a_time(address);
            stop.send(true).unwrap();
        });
        while let Some(event) = events.recv().await {
            let FeedEvent::Lines(batch) = event else { continue };
            for line in batch.lines {
                let FeedLine::Injection(injection) = line.line else { continue };
                batch.reply.send(Reply::Accepted {
                    id: injection.id,
                    line: line.number,
                    t_ns: batch.arrival,
                    again: false,
                });
            }
        }
        feed.await.unwrap();
        injector.join().unwrap();
    });
}

fn injection(id: u32) -> String {
    format!(
        "{{\"type\":\"injection\",\"id\":\"b{id}\",\"at\":\"DIMM_A1\",\"lines\":[\"DQ3\",\"CB1\"],\"hold_us\":250}}\n"
    )
}

fn bulk(address: SocketAddr) {
    let mut to = TcpStream::connect(address).unwrap();
    let from = BufReader::new(to.try_clone().unwrap());
    let lines: Vec<String> = (0..BULK / 1000)
        .map(|block| {
            (block * 1000..(block + 1) * 1000).fold(String::new(), |mut text, id| {
                let _ = write!(text, "{}", injection(id));
                text
            })
        })
        .collect();
    let start = clocks::mono();
    let reader = thread::spawn(move || from.split(b'\n').take(BULK as usize).map(Result::unwrap).count());
    for block in lines {
        to.write_all(block.as_bytes()).unwrap();
    }
    let answered = reader.join().unwrap();
    let seconds = clocks::elapsed_since(start).as_secs_f64();
    println!("bulk: {answered} of {BULK} answered in {seconds:.2} s: {:.0} a second", f64::from(BULK) / seconds);
}

fn one_at_a_time(address: SocketAddr) {
    let mut to = TcpStream::connect(address).unwrap();
    to.set_nodelay(true).unwrap();
    let mut from = BufReader::new(to.try_clone().unwrap());
    let mut ways: Vec<u128> = (0..SINGLE)
        .map(|id| {
            let line = injection(id);
            let start = clocks::mono();
            to.write_all(line.as_bytes()).unwrap();
            from.skip_until(b'\n').unwrap();
            clocks::elapsed_since(start).as_nanos()
        })
        .collect();
    ways.sort_unstable();
    let at = |share: usize| ways.get(ways.len() * share / 100).copied().unwrap_or_default() / 1000;
    println!("one at a time: there and back in {} us at the median, p99 {} us", at(50), at(99));
}
