//! The question `gaps`: when which source was not watching.

use crate::filter::Conditions;
use crate::{GapFilter, Listing, Page, QuestionError, Snapshot};
use rusqlite::params_from_iter;
use serde::Serialize;

/// One interval in which a source lost data or was not being read.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct GapRow {
    /// The gap's number in the database.
    pub gap: i64,
    /// The source that was blind.
    pub source: String,
    /// The only controller that was blind; null when it was the whole machine.
    pub controller: Option<i64>,
    /// The boot whose clock the stamps are on.
    pub boot: i64,
    /// The beginning, monotonic nanoseconds.
    pub from_ns: i64,
    /// The end, monotonic nanoseconds.
    pub to_ns: i64,
    /// From the beginning to the end, nanoseconds.
    pub length_ns: i64,
    /// `from_ns` as a date, RFC 3339 in UTC; null where the boot has no measured clock pair.
    pub from: Option<String>,
    /// `to_ns` as a date.
    pub to: Option<String>,
    /// Why, in plain words.
    pub why: String,
}

impl Snapshot<'_> {
    /// Gaps in the order in which they were written down.
    ///
    /// # Errors
    /// When the cursor is not one of this question, or the database cannot be read.
    pub fn gaps(&self, filter: &GapFilter, page: &Page) -> Result<Listing<GapRow>, QuestionError> {
        let (gap, _) = page.cursor()?;
        let mut which = Conditions::new("run = ?", self.run);
        which.with("gap > ?", gap);
        if let Some(source) = &filter.source {
            which.with("source = ?", source.clone());
        }
        self.between(&mut which, "boot", ("from_ns", "to_ns"), filter.since, filter.until);
        which.value(page.one_more());
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT gap, source, controller, boot, from_ns, to_ns, why FROM gap WHERE {} ORDER BY gap LIMIT ?",
            which.sql()
        ))?;
        let rows = ask
            .query_map(params_from_iter(which.into_values()), |row| {
                let (gap, boot, from_ns, to_ns): (i64, _, i64, i64) =
                    (row.get(0)?, row.get(3)?, row.get(4)?, row.get(5)?);
                let found = GapRow {
                    gap,
                    source: row.get(1)?,
                    controller: row.get(2)?,
                    boot,
                    from_ns,
                    to_ns,
                    length_ns: to_ns.saturating_sub(from_ns),
                    from: self.dates.date(boot, from_ns),
                    to: self.dates.date(boot, to_ns),
                    why: row.get(6)?,
                };
                Ok((found, (gap, 0)))
            })?
            .collect::<rusqlite::Result<_>>()?;
        Ok(Listing::of(rows, page))
    }
}
