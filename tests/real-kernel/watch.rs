//! The daemon in the guest: how it is configured, started, killed, stopped and asked.

use serde_json::Value;

use super::guest::Guest;
use super::list::WINDOW;

pub(crate) const CONFIG_PATH: &str = "etc/flipwitness.toml";
/// The counters are read often, so that a controller which is away for a second is found missing.
pub(crate) const CONFIG: &str = r#"version = 1

[expect]
severity = "corrected"

[counters]
interval_ms = 100
"#;

pub(crate) const RUN: &str = "lane";
pub(crate) const DATABASE: &str = "/data/run.db";

fn command() -> String {
    format!(
        "flipwitness watch --config /{CONFIG_PATH} --db {DATABASE} --feed serial:/dev/ttyS1@115200 --window {}s --run {RUN}",
        WINDOW.as_secs()
    )
}

/// Starts the daemon and returns when it says that it is healthy.
pub(crate) fn start(guest: &mut Guest) {
    // A shell stays behind to tell the exit status. The daemon's log goes to the console, where a failing test shows it.
    let command = command();
    guest.run(&format!(
        "rm -f /data/pid /data/exit
         setsid sh -c '{command} >/dev/console 2>&1 & echo $! >/data/pid; wait $!; echo $? >/data/exit' >/dev/null 2>&1 &
         for try in $(seq 200); do
             wget -q -O /dev/null http://127.0.0.1:9741/v1/health && exit 0
             [ ! -e /data/exit ] || {{ echo \"the daemon has ended with status $(cat /data/exit)\"; exit 1; }}
             sleep 0.1
         done
         echo 'the daemon has not become healthy'
         exit 1"
    ));
}

/// Ends the daemon by a signal and gives the exit status that a shell sees.
fn signal(guest: &mut Guest, signal: &str) -> String {
    let status = guest.run(&format!(
        "kill -{signal} $(cat /data/pid)
         for try in $(seq 200); do
             [ ! -e /data/exit ] || {{ cat /data/exit; exit 0; }}
             sleep 0.1
         done
         echo 'the daemon has not ended'
         exit 1"
    ));
    status.trim().to_owned()
}

pub(crate) fn kill(guest: &mut Guest) {
    assert_eq!(signal(guest, "KILL"), "137", "exit status after SIGKILL");
}

pub(crate) fn stop(guest: &mut Guest) {
    assert_eq!(signal(guest, "TERM"), "0", "exit status after SIGTERM");
}

/// The shots that have their answer, asked in the guest while the daemon writes.
pub(crate) fn settled_shots(guest: &mut Guest) -> Vec<Value> {
    // What goes to the log must not get into the answer.
    let shots = guest.run(&format!("flipwitness shots --json --db {DATABASE} 2>/dev/console"));
    let mut shots: Vec<Value> = serde_json::from_str(&shots).unwrap_or_else(|error| panic!("{error} in {shots}"));
    shots.retain(|shot| shot["outcome"] != "open");
    shots
}
