//! Carries out the list: the host injects, the guest's machine reports or keeps silent, the daemon watches.

use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;

use super::guest::Guest;
use super::injector::Injector;
use super::kernel::Kernel;
use super::list::{Act, Place, Step, WINDOW};
use super::watch;

/// Between steps that need not be alone, so that two of them are never read from the counters at once.
const APART: Duration = Duration::from_millis(400);
/// A window, and a little for clocks and a busy host.
const ALONE: Duration = WINDOW.saturating_add(Duration::from_millis(1500));

/// What is left when the daemon has been stopped.
pub(crate) struct Played {
    /// Answers that were already given when the daemon was killed.
    pub(crate) settled_before_kill: Vec<Value>,
}

/// Plays all steps and copies the database out of the guest.
pub(crate) fn play(kernel: &Kernel, image: &Path, steps: &[Step]) -> Played {
    let begin = Instant::now();
    let (guest, feed) = Guest::boot(kernel, image);
    let mut player =
        Player { guest, injector: Injector::new(feed), played: Played { settled_before_kill: Vec::new() } };
    eprintln!("{}: booted after {:.1} s", kernel.name, begin.elapsed().as_secs_f64());

    // Polling every second is the shortest that the kernel does by itself.
    player.guest.run("echo 1 >/sys/devices/system/machinecheck/machinecheck0/check_interval");
    player.start_daemon();
    let mut was_alone = true;
    for step in steps {
        if step.alone && !was_alone {
            sleep(ALONE);
        }
        eprintln!("{}: {:5.1} s {}", kernel.name, begin.elapsed().as_secs_f64(), step.about);
        for act in &step.acts {
            player.act(*act);
        }
        sleep(if step.alone { ALONE } else { APART });
        was_alone = step.alone;
    }
    // Every window has to close, since a shot whose window is open has no answer yet.
    sleep(ALONE);
    watch::stop(&mut player.guest);
    player.copy_database(&kernel.results());
    eprintln!("{}: {:5.1} s played", kernel.name, begin.elapsed().as_secs_f64());
    player.played
}

struct Player {
    guest: Guest,
    injector: Injector,
    played: Played,
}

impl Player {
    fn act(&mut self, act: Act) {
        match act {
            Act::Fire(id, at, _) => self.injector.fire(id, at),
            Act::Resend => self.injector.resend(),
            Act::Report(severity, count, place) => {
                let (controller, channel, slot) = match place {
                    Place::At(at) => (at.controller, i32::from(at.channel), i32::from(at.slot)),
                    Place::Unknown(controller) => (controller, -1, -1),
                };
                self.driver(&format!(
                    "report {controller} {severity} {count} {channel} {slot} 12345040 5a memory read error"
                ));
            }
            // A corrected memory read error with a count of one in bank 8, with a valid address.
            Act::MachineCheck => self.guest.monitor("mce 0 8 0x8c00004000010090 0 0x12345040 0x8c"),
            Act::TakeAway(controller) => self.driver(&format!("unregister {controller}")),
            Act::BringBack(controller) => self.driver(&format!("register {controller}")),
            Act::KillDaemon => {
                self.played.settled_before_kill = watch::settled_shots(&mut self.guest);
                watch::kill(&mut self.guest);
            }
            Act::StartDaemon => self.start_daemon(),
            Act::Pause(time) => sleep(time),
        }
    }

    fn driver(&mut self, command: &str) {
        self.guest.run(&format!("echo '{command}' >/dev/edac_bench"));
    }

    fn start_daemon(&mut self) {
        watch::start(&mut self.guest);
        self.injector.hello();
    }

    /// A database may still have its log beside it, and is only whole with it.
    fn copy_database(&mut self, dir: &Path) {
        // What an earlier run left must not be taken for a part of this one.
        let _ = std::fs::remove_dir_all(dir);
        std::fs::create_dir_all(dir).unwrap();
        for path in self.guest.run(&format!("ls {}*", watch::DATABASE)).lines() {
            let name = Path::new(path).file_name().unwrap();
            std::fs::write(dir.join(name), self.guest.fetch(path)).unwrap();
        }
    }
}
