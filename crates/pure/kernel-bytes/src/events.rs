//! Which event a record is, and the record as a witness.
//!
//! The trace reader has one of these per ring: it asks the number in `common_type`, as the formats say where it is.

use crate::fields::{DecodeError, IntAt};
use crate::format::{Format, FormatError};
use crate::interner::Interner;
use crate::mc_event::McEventLayout;
use crate::mce_record::MceRecordLayout;
use vocabulary::{Mono, Witness};

/// The events that are read from one ring.
#[derive(Clone, Debug)]
pub struct Events {
    common_type: IntAt,
    mc_event: Option<McEventLayout>,
    mce_record: Option<MceRecordLayout>,
}

impl Events {
    /// From the formats of the events that this kernel has; at least one of them.
    pub fn from_formats(mc_event: Option<&Format>, mce_record: Option<&Format>) -> Result<Events, FormatError> {
        let any = mc_event.or(mce_record).ok_or(FormatError::NoName)?;
        Ok(Events {
            common_type: IntAt::need(any, "common_type")?,
            mc_event: mc_event.map(McEventLayout::from_format).transpose()?,
            mce_record: mce_record.map(MceRecordLayout::from_format).transpose()?,
        })
    }

    /// The record as a witness; none if it is another event's.
    pub fn witness(&self, payload: &[u8], t: Mono, interner: &mut Interner) -> Result<Option<Witness>, DecodeError> {
        let outside = DecodeError { event: "trace", field: "common_type", length: payload.len() };
        let id = self.common_type.bits(payload).ok_or(outside)?;
        if let Some(layout) = self.mc_event.filter(|l| u64::from(l.id()) == id) {
            return Ok(Some(layout.decode(payload, t)?.to_witness(interner)));
        }
        if let Some(layout) = self.mce_record.filter(|l| u64::from(l.id()) == id) {
            return Ok(Some(layout.decode(payload, t)?.to_witness()));
        }
        Ok(None)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::build::{MC_EVENT_FORMAT, MCE_RECORD_FORMAT, RecordWriter};
    use vocabulary::Source;

    #[test]
    fn records_are_told_apart_by_their_number() {
        let (mc, mce) = (Format::parse(MC_EVENT_FORMAT).unwrap(), Format::parse(MCE_RECORD_FORMAT).unwrap());
        let events = Events::from_formats(Some(&mc), Some(&mce)).unwrap();
        let mut interner = Interner::new();
        let mut source = |payload: &[u8]| events.witness(payload, Mono(1), &mut interner).unwrap().map(|w| w.source);
        let texts = |w: RecordWriter<'_>| w.text("msg", b"").text("label", b"A1").text("driver_detail", b"").finish();
        assert_eq!(source(&texts(RecordWriter::new(&mc))), Some(Source::McEvent));
        assert_eq!(source(&RecordWriter::new(&mce).finish()), Some(Source::MceRecord));
        assert_eq!(source(&[5, 0, 0, 0]), None);
        assert!(events.witness(&[5], Mono(1), &mut Interner::new()).is_err());
        assert!(Events::from_formats(None, None).is_err());
    }
}
