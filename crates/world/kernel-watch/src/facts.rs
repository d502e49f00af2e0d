//! Facts about the running system that a run is stored with.

use std::path::{Path, PathBuf};
use thiserror::Error;

/// A file of `/proc` that could not be read.
#[derive(Debug, Error)]
#[error("cannot read {path}: {source}")]
pub struct FactsError {
    /// The file.
    pub path: PathBuf,
    /// Why.
    pub source: std::io::Error,
}

/// What names this boot of this machine.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SystemFacts {
    /// The kernel's random id of this boot.
    pub boot_id: String,
    /// Such as `6.12.0-1-amd64`.
    pub kernel: String,
    /// The machine's own name.
    pub host: String,
}

impl SystemFacts {
    /// Reads them below a `/proc`.
    pub fn read(proc_root: &Path) -> Result<SystemFacts, FactsError> {
        let text = |name: &str| {
            let path = proc_root.join("sys/kernel").join(name);
            match std::fs::read_to_string(&path) {
                Ok(text) => Ok(text.trim().to_owned()),
                Err(source) => Err(FactsError { path, source }),
            }
        };
        Ok(SystemFacts { boot_id: text("random/boot_id")?, kernel: text("osrelease")?, host: text("hostname")? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn this_machine_and_a_missing_one() {
        // Documentation/admin-guide/sysctl/kernel.rst: boot_id is a UUID made once at boot.
        let facts = SystemFacts::read(Path::new("/proc")).unwrap();
        assert_eq!(facts.boot_id.len(), 36);
        assert!(facts.kernel.starts_with(|c: char| c.is_ascii_digit()));
        let empty = tempfile::tempdir().unwrap();
        let error = SystemFacts::read(empty.path()).unwrap_err();
        assert!(error.path.ends_with("sys/kernel/random/boot_id"), "{error}");
    }
}
