//! Reads the counters through file handles that stay open.
//!
//! At ten readings a second, opening files would cost more than reading them. A handle of a controller whose driver is
//! gone answers ENODEV, and a new controller of the same name has another directory; both lead to a new walk.

use super::tree::{EdacError, EdacTree, Found, Inventory, Node, ObjectNames, inventory_of, node, object_names};
use kernel_bytes::{ControllerReading, FullReading, PerClass, PlaceReading, edac_text};
use std::collections::BTreeMap;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use vocabulary::{Layers, Span};

/// Why a controller could not be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Unread {
    /// Its files are gone: its driver was unloaded.
    Gone,
    /// Its files answer, but not with numbers.
    Garbled,
}

impl Unread {
    /// In plain words, for a gap.
    #[must_use]
    pub fn why(self) -> &'static str {
        match self {
            Unread::Gone => "the memory controller is gone: its driver is not loaded",
            Unread::Garbled => "the memory controller's counters do not read as numbers",
        }
    }
}

struct Handles {
    dir: PathBuf,
    node: Node,
    names: ObjectNames,
    totals: PerClass<File>,
    noinfo: PerClass<Option<File>>,
    since_reset: Option<File>,
    places: Vec<Place>,
}

struct Place {
    layers: Layers,
    label: Arc<str>,
    label_file: Option<File>,
    counters: PerClass<File>,
}

/// Keeps the counters of all controllers open.
pub struct CounterReader {
    tree: EdacTree,
    open: BTreeMap<u16, Handles>,
    inventory: Inventory,
}

impl CounterReader {
    /// Opens nothing yet: [`CounterReader::rescan`] does.
    #[must_use]
    pub fn new(tree: EdacTree) -> CounterReader {
        CounterReader { tree, open: BTreeMap::new(), inventory: Inventory::default() }
    }

    /// What the last walk found.
    #[must_use]
    pub fn inventory(&self) -> &Inventory {
        &self.inventory
    }

    /// The controllers that are open now, in order.
    #[must_use]
    pub fn controllers(&self) -> Vec<u16> {
        self.open.keys().copied().collect()
    }

    /// Looks whether controllers have come or gone, and with `thoroughly` also whether objects or labels have changed,
    /// and walks the tree again if so. Returns whether the inventory is another one now. An error means that there is no
    /// controller any more; everything is closed then.
    pub fn rescan(&mut self, thoroughly: bool) -> Result<bool, EdacError> {
        if self.is_unchanged(thoroughly) {
            return Ok(false);
        }
        let found = match self.tree.scan() {
            Ok(found) => found,
            Err(error) => {
                self.open.clear();
                self.inventory = Inventory::default();
                return Err(error);
            }
        };
        self.open = found.iter().filter_map(|f| Some((f.controller.index, open(f)?))).collect();
        let inventory = inventory_of(&found);
        let changed = inventory != self.inventory;
        self.inventory = inventory;
        Ok(changed)
    }

    /// Reads one controller. `wants_full` decides from the totals whether to read on.
    pub fn read(
        &self,
        controller: u16,
        wants_full: impl FnOnce(PerClass<u32>) -> bool,
    ) -> Result<ControllerReading, Unread> {
        let handles = self.open.get(&controller).ok_or(Unread::Gone)?;
        let from = clocks::mono();
        let totals = both(&handles.totals)?;
        let mut reading =
            ControllerReading { controller, read: Span::point(from), since_reset_s: None, totals, full: None };
        if wants_full(totals) {
            reading.since_reset_s = handles.since_reset.as_ref().map(|f| number(f, edac_text::number)).transpose()?;
            reading.full = Some(full(handles, totals)?);
        }
        reading.read = Span::new(from, clocks::mono());
        Ok(reading)
    }

    fn is_unchanged(&self, thoroughly: bool) -> bool {
        let Ok(now) = self.tree.controllers() else { return false };
        let is_same = |dir: &Path, h: &Handles| {
            let below =
                || object_names(dir).as_ref() == Some(&h.names) && h.places.iter().all(Place::is_label_unchanged);
            h.dir == dir && node(dir) == Some(h.node) && (!thoroughly || below())
        };
        now.len() == self.open.len() && now.iter().all(|(i, dir)| self.open.get(i).is_some_and(|h| is_same(dir, h)))
    }
}

impl Place {
    fn is_label_unchanged(&self) -> bool {
        let Some(file) = &self.label_file else { return true };
        let mut buffer = [0; 64];
        let text = file.read_at(&mut buffer, 0).ok().and_then(|n| buffer.get(..n)).unwrap_or_default();
        text.strip_suffix(b"\n").unwrap_or(text) == self.label.as_bytes()
    }
}

fn full(handles: &Handles, totals: PerClass<u32>) -> Result<FullReading, Unread> {
    let places = handles
        .places
        .iter()
        .map(|p| Ok(PlaceReading { layers: p.layers, label: p.label.clone(), values: both(&p.counters)? }))
        .collect::<Result<Vec<_>, Unread>>()?;
    let noinfo = |file: &Option<File>| file.as_ref().map_or(Ok(0), |f| number(f, edac_text::counter));
    let noinfo = PerClass {
        corrected: noinfo(&handles.noinfo.corrected)?,
        not_corrected: noinfo(&handles.noinfo.not_corrected)?,
    };
    let totals_after = both(&handles.totals).unwrap_or(totals);
    Ok(FullReading { noinfo, places, totals_after })
}

fn both(files: &PerClass<File>) -> Result<PerClass<u32>, Unread> {
    Ok(PerClass {
        corrected: number(&files.corrected, edac_text::counter)?,
        not_corrected: number(&files.not_corrected, edac_text::counter)?,
    })
}

fn number<N, E>(file: &File, parse: impl FnOnce(&str) -> Result<N, E>) -> Result<N, Unread> {
    let mut buffer = [0; 32];
    let read = file.read_at(&mut buffer, 0).map_err(|_| Unread::Gone)?;
    let text = buffer.get(..read).and_then(|b| std::str::from_utf8(b).ok()).ok_or(Unread::Garbled)?;
    parse(text).map_err(|_| Unread::Garbled)
}

/// Opens everything that a controller counts with; none if it has vanished meanwhile.
fn open(found: &Found) -> Option<Handles> {
    let file = |dir: &Path, name: &str| File::open(dir.join(name)).ok();
    let dir = &found.dir;
    let places = found
        .objects
        .iter()
        .filter_map(|(dir, dimm)| {
            Some(Place {
                layers: dimm.layers,
                label: dimm.label.as_str().into(),
                label_file: file(dir, "dimm_label"),
                counters: PerClass {
                    corrected: file(dir, "dimm_ce_count")?,
                    not_corrected: file(dir, "dimm_ue_count")?,
                },
            })
        })
        .collect();
    Some(Handles {
        dir: dir.clone(),
        node: found.node,
        names: found.names.clone(),
        totals: PerClass { corrected: file(dir, "ce_count")?, not_corrected: file(dir, "ue_count")? },
        noinfo: PerClass { corrected: file(dir, "ce_noinfo_count"), not_corrected: file(dir, "ue_noinfo_count") },
        since_reset: file(dir, "seconds_since_reset"),
        places,
    })
}
