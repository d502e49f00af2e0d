//! A directory that looks like `/sys` with EDAC, for tests and measurements.

use std::path::{Path, PathBuf};

pub struct FakeEdac {
    root: PathBuf,
}

impl FakeEdac {
    pub fn new(root: &Path) -> FakeEdac {
        FakeEdac { root: root.to_owned() }
    }

    pub fn mc(&self, index: u16) -> PathBuf {
        self.root.join(format!("devices/system/edac/mc/mc{index}"))
    }

    /// A controller with `max_location` as the kernel prints it.
    pub fn controller(&self, index: u16, name: &str, max_location: &str) {
        let mc = self.mc(index);
        std::fs::create_dir_all(&mc).unwrap();
        // The driver core's own neighbours of the controllers.
        for other in ["power", "subsystem"] {
            std::fs::create_dir_all(mc.with_file_name(other)).unwrap();
        }
        put(&mc, "mc_name", name);
        put(&mc, "size_mb", "65536");
        put(&mc, "max_location", max_location);
        for counter in ["ce_count", "ue_count", "ce_noinfo_count", "ue_noinfo_count", "seconds_since_reset"] {
            put(&mc, counter, "0");
        }
    }

    /// A `dimm` or `rank` object; `directory` such as `dimm3`.
    pub fn object(&self, mc: u16, directory: &str, location: &str, label: &str) {
        let dir = self.mc(mc).join(directory);
        std::fs::create_dir_all(&dir).unwrap();
        put(&dir, "dimm_location", location);
        put(&dir, "dimm_label", label);
        put(&dir, "size", "16384");
        put(&dir, "dimm_mem_type", "Registered-DDR4");
        put(&dir, "dimm_dev_type", "x8");
        put(&dir, "dimm_edac_mode", "SECDED");
        put(&dir, "dimm_ce_count", "0");
        put(&dir, "dimm_ue_count", "0");
    }

    pub fn set(&self, mc: u16, file: &str, value: impl ToString) {
        put(&self.mc(mc), file, &value.to_string());
    }
}

fn put(dir: &Path, name: &str, value: &str) {
    std::fs::write(dir.join(name), format!("{value}\n")).unwrap();
}
