//! Tells the service manager: ready once everything is, what is amiss meanwhile, alive, stopping at the end.
//!
//! "Alive" means that this task still gets its turn, which it shares a thread with everything but the store. That the
//! disk is slow or full is no reason to be killed: what is held in memory then would be lost, and waiting is right.

use serde_json::Value;
use std::time::Duration;
use tokio::sync::watch;

/// How long the service manager waits for everything: an injector that is not plugged in must not hold up the boot.
const PATIENCE: Duration = Duration::from_secs(10);

/// Speaks `sd_notify` until `stop` becomes true. Does nothing where no service manager listens.
pub(crate) async fn notify(mut health: watch::Receiver<Value>, mut stop: watch::Receiver<bool>) {
    let say = |state: &[sd_notify::NotifyState]| {
        // Without a service manager there is nobody to tell.
        let _ = sd_notify::notify(state);
    };
    let watchdog = sd_notify::watchdog_enabled().map(|limit| limit / 2);
    let mut beat = tokio::time::interval(watchdog.unwrap_or(Duration::from_secs(3600)));
    let patience = tokio::time::sleep(PATIENCE);
    tokio::pin!(patience);
    let mut ready = false;
    let mut told = String::new();
    loop {
        tokio::select! {
            _ = stop.wait_for(|s| *s) => break,
            changed = health.changed() => {
                if changed.is_err() {
                    break;
                }
                let (now_ready, status) = {
                    let health = health.borrow_and_update();
                    (health.get("ready") == Some(&Value::Bool(true)), status(&health))
                };
                if status != told {
                    say(&[sd_notify::NotifyState::Status(&status)]);
                    told = status;
                }
                if now_ready && !std::mem::replace(&mut ready, true) {
                    say(&[sd_notify::NotifyState::Ready]);
                }
            }
            () = &mut patience, if !ready => {
                ready = true;
                say(&[sd_notify::NotifyState::Ready]);
            }
            _ = beat.tick() => {
                if watchdog.is_some() {
                    say(&[sd_notify::NotifyState::Watchdog]);
                }
            }
        }
    }
    say(&[sd_notify::NotifyState::Stopping]);
}

/// One line for `systemctl status`: what is amiss, or what is being watched.
fn status(health: &Value) -> String {
    let texts = |key: &str| -> Vec<&str> {
        health.get(key).and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str).collect()
    };
    let amiss = [texts("why"), texts("warnings")].concat();
    if amiss.is_empty() {
        let run = health.get("run").and_then(Value::as_str).unwrap_or_default();
        return format!("watching; run {run}");
    }
    // The service manager takes one line.
    amiss.join("; ").replace('\n', " ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_status_says_what_is_amiss() {
        let health = json!({ "ready": true, "run": "week 9", "why": [], "warnings": [] });
        assert_eq!(status(&health), "watching; run week 9");
        let health =
            json!({ "ready": false, "run": "week 9", "why": ["feed a: gone"], "warnings": ["COUNTERS\nONLY"] });
        assert_eq!(status(&health), "feed a: gone; COUNTERS ONLY");
    }
}
