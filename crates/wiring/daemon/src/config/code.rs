//! `[[ecc]]`: what is known of the slots' ECC codes besides what the kernel's drivers say.

use super::{ConfigError, value};
use crate::hub::foresight;
use crate::settings::EccSetting;
use serde::Deserialize;
use std::path::PathBuf;

/// `[[ecc]]`: what is known of the code of one slot, or of all, besides what the kernel's driver says.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EccPart {
    /// The slot's name; without it all slots are meant.
    pub slot: Option<String>,
    /// The code, by name.
    pub code: Option<String>,
    /// A file with the code's matrix.
    pub matrix: Option<PathBuf>,
    /// How many data lines a device has.
    pub device_width: Option<u32>,
    /// How often a second a burst is read from the module while lines are forced.
    pub reads_per_second: Option<u64>,
}

impl EccPart {
    pub(super) fn setting(&self) -> Result<EccSetting, ConfigError> {
        let read = |path: &PathBuf| {
            std::fs::read_to_string(path).map_err(|source| ConfigError::Read { path: path.clone(), source })
        };
        let setting = EccSetting {
            slot: self.slot.clone(),
            code: self.code.clone(),
            matrix: self.matrix.as_ref().map(read).transpose()?,
            device_width: self.device_width,
            reads_per_second: self.reads_per_second,
        };
        foresight::check(&setting).map_err(|e| value(e.key, e.why))?;
        Ok(setting)
    }
}
