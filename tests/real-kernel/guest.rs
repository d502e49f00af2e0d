//! A booted guest, and the lines by which the host talks to it.
//!
//! The guest has three serial ports. The first is the kernel's console and goes to a file, the second is the injector's
//! and is handed to whoever plays the injector, the third runs scripts. QEMU's monitor is the way to raise a machine
//! check. Time in the guest is the host's, since nothing is slowed or stepped.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use tempfile::TempDir;

use super::kernel::Kernel;
use super::line::Line;

/// Generous, because two guests share two cores with a build in the worst case; a boot takes 5 to 10 s.
const BOOT: Duration = Duration::from_secs(180);
const SCRIPT: Duration = Duration::from_secs(90);
const PROMPT: &str = "(qemu) ";

pub(crate) struct Guest {
    qemu: Child,
    console: PathBuf,
    control: Line,
    monitor: Line,
    requests: u32,
    /// Deleted with the guest: it holds the sockets.
    _dir: TempDir,
}

impl Guest {
    /// Boots to the point where scripts run. The second value is the injector's end of the serial line.
    pub(crate) fn boot(kernel: &Kernel, image: &Path) -> (Self, Line) {
        // A socket's path has a short limit, which a build folder somewhere deep may exceed.
        let dir = tempfile::tempdir().unwrap();
        let socket = |name: &str| dir.path().join(name);
        let listen = |name: &str| format!("socket,id={name},path={},server=on,wait=off", socket(name).display());

        // setpriv has the kernel end QEMU when this thread ends in a way that runs no destructor.
        let qemu = Command::new("setpriv")
            .args(["--pdeathsig", "KILL", "qemu-system-x86_64"])
            .args(["-machine", "q35,accel=tcg", "-cpu", "max", "-m", "512", "-smp", "2"])
            .args(["-display", "none", "-nic", "none", "-no-reboot"])
            .args(["-append", "console=ttyS0 quiet panic=-1"])
            .arg("-kernel")
            .arg(kernel.vmlinuz())
            .arg("-initrd")
            .arg(image)
            .arg("-serial")
            .arg(format!("file:{}", kernel.console().display()))
            .args(["-chardev", &listen("feed"), "-serial", "chardev:feed"])
            .args(["-chardev", &listen("control"), "-device", "pci-serial,chardev=control"])
            .args(["-chardev", &listen("monitor"), "-mon", "chardev=monitor,mode=readline"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .expect("cannot start QEMU");

        // From here on a panic must end QEMU, so the guest exists before anything is waited for. QEMU listens within a
        // moment or not at all.
        let mut qemu = Unfinished(Some(qemu));
        let feed = Line::connect("injector's line", &socket("feed"));
        let control = Line::connect("control line", &socket("control"));
        let monitor = Line::connect("monitor", &socket("monitor"));
        let mut guest =
            Self { qemu: qemu.0.take().unwrap(), console: kernel.console(), control, monitor, requests: 0, _dir: dir };
        guest.monitor.receive_until(PROMPT, BOOT);
        guest.control.receive_until("ready\n", BOOT);
        (guest, feed)
    }

    /// Runs a shell script in the guest and gives what it printed; that it fails is the end of the test.
    pub(crate) fn run(&mut self, script: &str) -> String {
        let (status, output) = self.attempt(script);
        assert!(status == 0, "in the guest, exit status {status} of\n{script}\nwhich printed\n{output}");
        output
    }

    /// Runs a shell script in the guest and gives its exit status and what it printed.
    pub(crate) fn attempt(&mut self, script: &str) -> (i32, String) {
        let (status, output) = self.request(script);
        (status, String::from_utf8_lossy(&output).into_owned())
    }

    /// The bytes of a file in the guest.
    pub(crate) fn fetch(&mut self, path: &str) -> Vec<u8> {
        let (status, bytes) = self.request(&format!("cat '{path}'"));
        assert!(status == 0, "cannot fetch {path}: {}", String::from_utf8_lossy(&bytes));
        bytes
    }

    fn request(&mut self, script: &str) -> (i32, Vec<u8>) {
        self.requests += 1;
        let token = format!("request-{}", self.requests);
        self.control.send(&format!("{token} {}\n", to_hex(script.as_bytes())));
        let answer = self.control.receive_until("\n", SCRIPT);
        let mut words = answer.split(' ');
        assert_eq!(words.next(), Some(token.as_str()), "the control line is out of step: {answer:?}");
        let status = words.next().unwrap().parse().unwrap();
        (status, from_hex(words.next().unwrap_or_default()))
    }

    /// Gives QEMU's monitor a command.
    pub(crate) fn monitor(&mut self, command: &str) {
        self.monitor.send(&format!("{command}\n"));
        let said = self.monitor.receive_until(PROMPT, SCRIPT);
        let said = said.to_lowercase();
        assert!(!said.contains("error") && !said.contains("unknown"), "QEMU's monitor refused {command}: {said}");
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        end(&mut self.qemu);
        if std::thread::panicking() {
            let console = fs::read(&self.console).unwrap_or_default();
            let console = String::from_utf8_lossy(&console);
            let lines: Vec<&str> = console.lines().collect();
            let tail = &lines[lines.len().saturating_sub(60)..];
            eprintln!("--- the end of {}\n{}\n---", self.console.display(), tail.join("\n"));
        }
    }
}

/// QEMU before it is a guest.
struct Unfinished(Option<Child>);

impl Drop for Unfinished {
    fn drop(&mut self) {
        if let Some(qemu) = &mut self.0 {
            end(qemu);
        }
    }
}

fn end(qemu: &mut Child) {
    // It may have ended by itself, which is as good.
    let _ = qemu.kill();
    let _ = qemu.wait();
}

fn to_hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn from_hex(text: &str) -> Vec<u8> {
    let digits = text.trim().as_bytes();
    assert!(digits.len().is_multiple_of(2), "half a byte at the end of an answer");
    digits.chunks(2).map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap()).collect()
}
