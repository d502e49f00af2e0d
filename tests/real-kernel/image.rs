//! The guest's root: busybox, the test driver, and the very binary under test with the libraries it is linked with.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::kernel::Kernel;

/// Packs the root into `dir` and gives the archive's path. `files` are further text files for it.
pub(crate) fn build(kernel: &Kernel, dir: &Path, files: &[(&str, &str)]) -> PathBuf {
    let root = dir.join("root");
    for folder in ["bin", "proc", "sys", "dev", "tmp", "data"] {
        fs::create_dir_all(root.join(folder)).unwrap();
    }
    fs::write(root.join("init"), include_str!("init")).unwrap();
    fs::set_permissions(root.join("init"), fs::Permissions::from_mode(0o755)).unwrap();
    fs::copy(kernel.driver(), root.join("edac_bench.ko")).unwrap();
    add_program(&root, &find_busybox(), "bin/busybox");
    add_program(&root, Path::new(env!("CARGO_BIN_EXE_flipwitness")), "bin/flipwitness");
    for (path, text) in files {
        let path = root.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    let archive = dir.join("initramfs.gz");
    let status = Command::new("bash")
        .args(["-c", "set -o pipefail; cd \"$1\" && find . | cpio -o -H newc --quiet | gzip -1 >\"$2\"", "pack"])
        .args([&root, &archive])
        .status()
        .unwrap();
    assert!(status.success(), "cannot pack {}", root.display());
    archive
}

fn find_busybox() -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path).map(|folder| folder.join("busybox")).find(|program| program.is_file()).unwrap()
}

/// A program keeps its place in the guest by name, its libraries by path, since that is how the loader finds them.
fn add_program(root: &Path, program: &Path, place: &str) {
    fs::copy(program, root.join(place)).unwrap_or_else(|error| panic!("{}: {error}", program.display()));
    let listing = Command::new("ldd").arg(program).output().unwrap();
    // For a static program ldd says so and fails, and then names no path.
    let listing = String::from_utf8_lossy(&listing.stdout);
    for library in listing.split_whitespace().filter(|word| word.starts_with('/') && !word.ends_with(':')) {
        let target = root.join(library.trim_start_matches('/'));
        fs::create_dir_all(target.parent().unwrap()).unwrap();
        fs::copy(library, target).unwrap_or_else(|error| panic!("{library}: {error}"));
    }
}
