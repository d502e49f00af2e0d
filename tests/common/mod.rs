//! Running the binary under test, and golden files.
#![allow(dead_code, clippy::unwrap_used, clippy::indexing_slicing, clippy::print_stderr, missing_docs, unreachable_pub)]

use std::path::{Path, PathBuf};
use std::process::Command;

pub struct Told {
    pub status: i32,
    pub stdout: String,
    pub stderr: String,
}

/// The top of the repository.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../..").canonicalize().unwrap()
}

/// What cargo says of the packages of the workspace.
pub fn packages() -> Vec<serde_json::Value> {
    let out = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(root())
        .output()
        .unwrap();
    let mut metadata: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    serde_json::from_value(metadata["packages"].take()).unwrap()
}

/// Runs the binary to its end; only warnings and errors are logged.
pub fn flipwitness(args: &[&str]) -> Told {
    let out = Command::new(env!("CARGO_BIN_EXE_flipwitness")).arg("--quiet").args(args).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Told { status: out.status.code().unwrap_or(-1), stdout: text(out.stdout), stderr: text(out.stderr) }
}

/// Compares with a golden file; `FLIPWITNESS_BLESS=1` writes it anew.
pub fn golden(path: &str, text: &str) {
    let path = root().join(path);
    if std::env::var_os("FLIPWITNESS_BLESS").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    let want = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(text, want, "differs from {}", path.display());
}
