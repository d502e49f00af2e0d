//! Rules of the repository that are tests: who may depend on whom, how long a file may be, what no file may hold.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

#[path = "common/mod.rs"]
mod common;
use common::{packages, root};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Layers from the bottom; a crate may use its own layer and those below.
const LAYERS: [&str; 4] = ["pure", "world", "views", "wiring"];
/// What no pure crate may link: I/O, clocks and tasks.
const NOT_PURE: [&str; 6] = ["tokio", "nix", "rusqlite", "axum", "serial2-tokio", "clocks"];

#[test]
fn dependencies_point_downward() {
    let packages = packages();
    let layer_of = |package: &serde_json::Value| -> usize {
        let path = PathBuf::from(package["manifest_path"].as_str().unwrap());
        let layer = path.parent().unwrap().parent().unwrap().file_name().unwrap().to_str().unwrap().to_owned();
        LAYERS.iter().position(|l| *l == layer).unwrap_or_else(|| panic!("{} lies in no layer", path.display()))
    };
    let layers: BTreeMap<&str, usize> = packages.iter().map(|p| (p["name"].as_str().unwrap(), layer_of(p))).collect();
    assert!(layers.len() >= 13, "{layers:?}");
    let mut wrong = Vec::new();
    for package in &packages {
        let (name, own) = (package["name"].as_str().unwrap(), layer_of(package));
        for dependency in package["dependencies"].as_array().unwrap() {
            if dependency["kind"] == "dev" {
                continue;
            }
            let used = dependency["name"].as_str().unwrap();
            if layers.get(used).is_some_and(|theirs| *theirs > own) {
                wrong.push(format!("{name} ({}) uses {used}, which lies above it", LAYERS[own]));
            }
            if own == 0 && NOT_PURE.contains(&used) {
                wrong.push(format!("{name} is pure and uses {used}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

fn tracked_files() -> Vec<PathBuf> {
    let out = Command::new("git").args(["ls-files"]).current_dir(root()).output().unwrap();
    String::from_utf8(out.stdout).unwrap().lines().map(|l| root().join(l)).filter(|p| p.exists()).collect()
}

fn is_rust(path: &Path) -> bool {
    path.extension().is_some_and(|e| e == "rs")
}

#[test]
fn one_file_is_one_idea() {
    let mut wrong = Vec::new();
    for path in tracked_files().into_iter().filter(|p| is_rust(p)) {
        let text = std::fs::read_to_string(&path).unwrap();
        if text.lines().count() > 550 {
            wrong.push(format!("{} has {} lines", path.display(), text.lines().count()));
        }
        if !text.starts_with("//!") {
            wrong.push(format!("{} does not say what it is for", path.display()));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn no_test_is_ignored_and_nothing_is_left_undone() {
    // Put together here, so that this file does not find itself.
    let words = [concat!("#[ign", "ore"), concat!("TO", "DO"), concat!("FIX", "ME")];
    let mut wrong = Vec::new();
    for path in tracked_files().into_iter().filter(|p| is_rust(p)) {
        let text = std::fs::read_to_string(&path).unwrap();
        for word in words.iter().filter(|word| text.contains(**word)) {
            wrong.push(format!("{} holds {word}", path.display()));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
