//! `[criteria]`: the file that says what the platform must show. What is in it, crate `verdict` knows.

use super::ConfigError;
use serde::Deserialize;
use std::path::PathBuf;
use verdict::Criteria;

/// `[criteria]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CriteriaPart {
    /// What the platform must show: a file of its own, since it belongs to the platform and not to the machine.
    pub file: Option<PathBuf>,
}

impl CriteriaPart {
    /// The criteria, if a file of them is named.
    ///
    /// # Errors
    /// When the file cannot be read, or the criteria contradict each other.
    pub fn read(&self) -> Result<Option<Criteria>, ConfigError> {
        let Some(path) = &self.file else { return Ok(None) };
        let text = std::fs::read_to_string(path).map_err(|source| ConfigError::Read { path: path.clone(), source })?;
        Ok(Some(Criteria::parse(&text, path)?))
    }
}
