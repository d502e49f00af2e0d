//! The inventory: one walk over `devices/system/edac/mc`.
//!
//! The counter reader walks at its start and whenever something changed. A file that vanishes between listing and
//! reading is passed over: drivers may be unloaded at any time.

use kernel_bytes::edac_text;
use std::io::ErrorKind;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use thiserror::Error;
use vocabulary::{Dimm, Layer, Layers};

/// Why there is no inventory.
#[derive(Debug, Error)]
pub enum EdacError {
    /// EDAC is not there, or has no controller.
    #[error("no memory controller is registered: nothing can be reported")]
    NoController,
    /// The directory is there but cannot be listed.
    #[error("cannot list {path}: {source}")]
    Unreadable {
        /// The directory.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}

impl EdacError {
    /// What to try.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            EdacError::NoController => {
                "load the EDAC driver of the platform's memory controller, and check that the kernel has CONFIG_EDAC; \
                 where the firmware owns error reporting the driver may refuse to load; virtual machines usually have \
                 none; modules without ECC have none either"
            }
            EdacError::Unreadable { .. } => "run as a user who may read sysfs",
        }
    }
}

/// One memory controller.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Controller {
    /// The number in its directory's name.
    pub index: u16,
    /// The driver's name for it.
    pub name: Option<String>,
    /// All its memory, in MiB.
    pub size_mb: Option<u64>,
    /// What each layer is, top layer first; empty where the kernel used a word that is not known.
    pub layer_kinds: Vec<Layer>,
    /// The highest position in each layer.
    pub max_location: Layers,
    /// How many `dimm` or `rank` objects it shows.
    pub objects: usize,
}

/// What a machine has.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Inventory {
    /// In order of their numbers.
    pub controllers: Vec<Controller>,
    /// In order of controller and object number.
    pub dimms: Vec<Dimm>,
}

/// EDAC below a given `/sys`.
#[derive(Clone, Debug)]
pub struct EdacTree {
    mc: PathBuf,
}

/// A controller with where it was found.
#[derive(Debug)]
pub(super) struct Found {
    pub(super) controller: Controller,
    pub(super) dir: PathBuf,
    pub(super) node: Node,
    pub(super) names: ObjectNames,
    pub(super) objects: Vec<(PathBuf, Dimm)>,
}

/// Tells a directory from a later one of the same name: device and inode.
pub(super) type Node = (u64, u64);

/// The objects below a controller: whether each is a rank, and its number.
pub(super) type ObjectNames = Vec<(bool, u32)>;

impl EdacTree {
    /// `sys_root` is `/sys`, or a directory that looks like it.
    #[must_use]
    pub fn new(sys_root: &Path) -> EdacTree {
        EdacTree { mc: sys_root.join("devices/system/edac/mc") }
    }

    /// Reads what there is.
    pub fn inventory(&self) -> Result<Inventory, EdacError> {
        Ok(inventory_of(&self.scan()?))
    }

    /// The controllers' directories, in order of their numbers.
    pub(crate) fn controllers(&self) -> Result<Vec<(u16, PathBuf)>, EdacError> {
        let mut found: Vec<(u16, PathBuf)> = match list(&self.mc) {
            Ok(names) => {
                names.iter().filter_map(|n| Some((edac_text::controller_index(n)?, self.mc.join(n)))).collect()
            }
            Err(e) if e.kind() == ErrorKind::NotFound => Vec::new(),
            Err(source) => return Err(EdacError::Unreadable { path: self.mc.clone(), source }),
        };
        if found.is_empty() {
            return Err(EdacError::NoController);
        }
        found.sort();
        Ok(found)
    }

    pub(super) fn scan(&self) -> Result<Vec<Found>, EdacError> {
        let found: Vec<Found> =
            self.controllers()?.into_iter().filter_map(|(index, dir)| scan_controller(index, dir)).collect();
        if found.is_empty() { Err(EdacError::NoController) } else { Ok(found) }
    }
}

pub(super) fn inventory_of(found: &[Found]) -> Inventory {
    Inventory {
        controllers: found.iter().map(|f| f.controller.clone()).collect(),
        dimms: found.iter().flat_map(|f| f.objects.iter().map(|(_, dimm)| dimm.clone())).collect(),
    }
}

/// What tells this directory from others; none if it is gone.
pub(super) fn node(dir: &Path) -> Option<Node> {
    std::fs::metadata(dir).ok().map(|meta| (meta.dev(), meta.ino()))
}

/// The controller's objects, in order; none if it is gone.
pub(super) fn object_names(dir: &Path) -> Option<ObjectNames> {
    let mut names: ObjectNames = list(dir).ok()?.iter().filter_map(|n| edac_text::object_index(n)).collect();
    names.sort_unstable();
    Some(names)
}

fn scan_controller(index: u16, dir: PathBuf) -> Option<Found> {
    let (node, names) = (node(&dir)?, object_names(&dir)?);
    let location = text(&dir, "max_location").and_then(|t| edac_text::location(&t).ok());
    let objects: Vec<(PathBuf, Dimm)> = names
        .iter()
        .filter_map(|(rank, number)| {
            let object = dir.join(format!("{}{number}", if *rank { "rank" } else { "dimm" }));
            let dimm = scan_object(index, *rank, &object)?;
            Some((object, dimm))
        })
        .collect();
    let controller = Controller {
        index,
        name: text(&dir, "mc_name").filter(|n| !n.is_empty()),
        size_mb: text(&dir, "size_mb").and_then(|t| edac_text::number(&t).ok()),
        layer_kinds: location.as_ref().map(|l| l.kinds.clone()).unwrap_or_default(),
        max_location: location.map_or(Layers::UNKNOWN, |l| l.layers),
        objects: objects.len(),
    };
    Some(Found { controller, dir, node, names, objects })
}

fn scan_object(controller: u16, rank: bool, dir: &Path) -> Option<Dimm> {
    // An object without a readable location cannot be told from its neighbours: its errors are the controller's.
    let location = edac_text::location(&text(dir, "dimm_location")?).ok()?;
    Some(Dimm {
        controller,
        layers: location.layers,
        layer_kinds: location.kinds,
        label: text(dir, "dimm_label").unwrap_or_default(),
        edac_mode: text(dir, "dimm_edac_mode"),
        dev_type: text(dir, "dimm_dev_type"),
        mem_type: text(dir, "dimm_mem_type"),
        size_mb: text(dir, "size").and_then(|t| edac_text::number(&t).ok()),
        rank,
    })
}

fn list(dir: &Path) -> std::io::Result<Vec<String>> {
    Ok(std::fs::read_dir(dir)?.filter_map(|entry| entry.ok()?.file_name().into_string().ok()).collect())
}

/// An attribute's text without the newline; none if it is not there or not readable.
fn text(dir: &Path, name: &str) -> Option<String> {
    let bytes = std::fs::read(dir.join(name)).ok()?;
    Some(String::from_utf8_lossy(&bytes).trim_end_matches(['\n', '\0']).to_owned())
}
