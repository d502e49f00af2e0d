//! What `tests/real-kernel/prepare` leaves for a kernel, and what is missing when it has not been run.

use std::path::{Path, PathBuf};

/// The programs that the lane starts. `setpriv` and `ldd` are on every Debian, the others come with `prepare`.
const PROGRAMS: [&str; 6] = ["qemu-system-x86_64", "busybox", "cpio", "gzip", "setpriv", "ldd"];

pub(crate) struct Kernel {
    pub(crate) name: &'static str,
    pub(crate) dir: PathBuf,
}

impl Kernel {
    pub(crate) fn new(name: &'static str) -> Self {
        let target = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap();
        Self { name, dir: target.join("real-kernel").join(name) }
    }

    pub(crate) fn vmlinuz(&self) -> PathBuf {
        self.dir.join("vmlinuz")
    }

    pub(crate) fn driver(&self) -> PathBuf {
        self.dir.join("edac_bench.ko")
    }

    /// What the guest's console said, kept after the run for whoever has to find out why.
    pub(crate) fn console(&self) -> PathBuf {
        self.dir.join("console.log")
    }

    /// Where the database goes that the guest wrote; it stays there for the same reason.
    pub(crate) fn results(&self) -> PathBuf {
        self.dir.join("results")
    }

    /// One line that says what stands in the way, or nothing.
    pub(crate) fn missing(&self) -> Option<String> {
        let what = if let Some(program) = PROGRAMS.iter().find(|program| !is_installed(program)) {
            format!("{program} is not installed")
        } else if !self.dir.join("RELEASE").exists() {
            format!("Linux {} and the driver for it are not prepared", self.name)
        } else if std::fs::read_to_string(self.dir.join("edac_bench.c")).ok().as_deref()
            != Some(include_str!("driver/edac_bench.c"))
        {
            format!("the driver for Linux {} was built from another source", self.name)
        } else {
            return None;
        };
        Some(format!("{what}: run tests/real-kernel/prepare {}", self.name))
    }
}

fn is_installed(program: &str) -> bool {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path).any(|folder| folder.join(program).is_file())
}
