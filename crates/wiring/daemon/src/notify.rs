//! Tells the service manager: ready once everything is, alive while health is told, stopping at the end.

use serde_json::Value;
use std::time::Duration;
use tokio::sync::watch;

/// Speaks `sd_notify` until `stop` becomes true. Does nothing where no service manager listens.
pub(crate) async fn notify(mut health: watch::Receiver<Value>, mut stop: watch::Receiver<bool>) {
    let say = |state: &[sd_notify::NotifyState]| {
        // Without a service manager there is nobody to tell.
        let _ = sd_notify::notify(state);
    };
    let watchdog = sd_notify::watchdog_enabled().map(|limit| limit / 2);
    let mut beat = tokio::time::interval(watchdog.unwrap_or(Duration::from_secs(3600)));
    let mut ready = false;
    loop {
        tokio::select! {
            _ = stop.wait_for(|s| *s) => break,
            // The live loop tells its health every second: no news means that it hangs, and then nobody says "alive".
            changed = health.changed() => {
                if changed.is_err() {
                    break;
                }
                if !ready && health.borrow_and_update().get("ready") == Some(&Value::Bool(true)) {
                    ready = true;
                    say(&[sd_notify::NotifyState::Ready]);
                }
            }
            _ = beat.tick() => {
                if watchdog.is_some() && health.has_changed().is_ok() {
                    say(&[sd_notify::NotifyState::Watchdog]);
                }
            }
        }
    }
    say(&[sd_notify::NotifyState::Stopping]);
}
