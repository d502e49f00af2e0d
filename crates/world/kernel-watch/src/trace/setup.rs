//! Settings of the trace instance, and why there may be none.

use kernel_bytes::{FormatError, LayoutError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use thiserror::Error;
use vocabulary::Mono;

/// How the instance is set up.
#[derive(Clone, Debug)]
pub struct TraceSetup {
    /// Ring size per CPU, in KiB.
    pub per_cpu_kib: u64,
    /// Most memory for all CPUs together, in MiB: machines have hundreds of CPUs.
    pub total_mib: u64,
    /// For an instance that a killed daemon left: up to when that daemon had read it. Losses from before the first
    /// record read begin here; without it, at the boot.
    pub watched_until: Option<Mono>,
    /// The event with the fields of `ras:mc_event`: another one only where a probe stands in for it.
    pub mc_event: String,
    /// The event with the fields of `mce:mce_record`.
    pub mce_record: String,
}

impl Default for TraceSetup {
    fn default() -> TraceSetup {
        TraceSetup {
            per_cpu_kib: 4096,
            total_mib: 256,
            watched_until: None,
            mc_event: "ras/mc_event".to_owned(),
            mce_record: "mce/mce_record".to_owned(),
        }
    }
}

/// The smallest ring that is asked for, in KiB.
const LEAST_KIB: u64 = 64;

impl TraceSetup {
    /// KiB per CPU within the budget.
    pub(super) fn kib_for(&self, cpus: usize) -> u64 {
        let share = self.total_mib.saturating_mul(1024) / cpus.max(1) as u64;
        self.per_cpu_kib.min(share).max(LEAST_KIB)
    }
}

/// Why the trace ring cannot be watched.
#[derive(Debug, Error)]
pub enum TraceError {
    /// No tracefs at the given place.
    #[error("no tracefs at {path}")]
    NoTracefs {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// Something is not allowed.
    #[error("no permission to {doing} {path}: {source}")]
    NoPermission {
        /// What was tried.
        doing: &'static str,
        /// On what.
        path: PathBuf,
        /// The kernel's answer.
        source: std::io::Error,
    },
    /// Neither event is there and usable.
    #[error("the kernel has no memory-error trace event: {}", .missing.join("; "))]
    NoEvent {
        /// Each event with why it cannot be used.
        missing: Vec<String>,
    },
    /// The page description cannot be used.
    #[error("{path}: {source}")]
    Layout {
        /// The directory of the two header files.
        path: PathBuf,
        /// What is wrong.
        source: LayoutError,
    },
    /// An event's description cannot be used.
    #[error("{path}: {source}")]
    Format {
        /// The `format` file.
        path: PathBuf,
        /// What is wrong.
        source: FormatError,
    },
    /// Anything else.
    #[error("cannot {doing} {path}: {source}")]
    Io {
        /// What was tried.
        doing: &'static str,
        /// On what.
        path: PathBuf,
        /// Why not.
        source: std::io::Error,
    },
}

impl TraceError {
    /// What to try.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            TraceError::NoTracefs { .. } => {
                "mount it: mount -t tracefs nodev /sys/kernel/tracing; or check that the kernel has CONFIG_TRACING"
            }
            TraceError::NoPermission { .. } => {
                "run as root, or let a privileged step prepare the instance for this user; kernel lockdown in \
                 confidentiality mode forbids it to everybody"
            }
            TraceError::NoEvent { .. } => "use a kernel with CONFIG_RAS (mc_event) or CONFIG_X86_MCE (mce_record)",
            TraceError::Layout { .. } | TraceError::Format { .. } => {
                "this kernel describes its trace records in a way that is not known here: please report it"
            }
            TraceError::Io { .. } => "see the kernel's log",
        }
    }

    pub(super) fn io(doing: &'static str, path: &Path, source: std::io::Error) -> TraceError {
        let path = path.to_owned();
        match source.kind() {
            ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
                TraceError::NoPermission { doing, path, source }
            }
            _ => TraceError::Io { doing, path, source },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ring_keeps_to_the_budget() {
        let setup = TraceSetup::default();
        for (cpus, kib) in [(0, 4096), (2, 4096), (64, 4096), (128, 2048), (512, 512), (100_000, 64)] {
            assert_eq!(setup.kib_for(cpus), kib, "{cpus} CPUs");
        }
    }
}
