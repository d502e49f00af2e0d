//! Makes what the kernel would: records, raw sub-buffers, and the texts that describe them.
//!
//! The tests, the benchmarks and the simulated machine of a rehearsal are written against this; the watching side must
//! never use it. Encoding goes by the same parsed [`Format`] and [`PageLayout`] as decoding, so a record can be made for
//! any kernel whose description files are at hand.

use crate::format::{Field, Format, Stored};
use crate::mc_event::McEvent;
use crate::page_layout::PageLayout;
use vocabulary::Mono;

/// `events/header_page` of a 6.18 kernel on x86-64.
pub const HEADER_PAGE: &str = include_str!("../../../../fixtures/kernel/header_page");
/// `events/header_event` of a 6.18 kernel.
pub const HEADER_EVENT: &str = include_str!("../../../../fixtures/kernel/header_event");
/// `events/ras/mc_event/format` of a 6.18 kernel on x86-64.
pub const MC_EVENT_FORMAT: &str = include_str!("../../../../fixtures/kernel/mc_event.format");
/// `events/mce/mce_record/format` as a 6.12 kernel on x86-64 has it.
pub const MCE_RECORD_FORMAT: &str = include_str!("../../../../fixtures/kernel/mce_record.format");

/// `grain_bits` for a grain in bytes: `fls_long(grain - 1)` in the kernel's `drivers/edac/edac_mc.c`.
#[must_use]
pub fn grain_bits(grain: u64) -> u8 {
    (64 - grain.saturating_sub(1).leading_zeros()) as u8
}

/// One record, field by field. A field that the format has not is left out, as a kernel without it would.
#[derive(Clone, Debug)]
pub struct RecordWriter<'f> {
    format: &'f Format,
    bytes: Vec<u8>,
}

impl<'f> RecordWriter<'f> {
    /// A record of this event with every field 0.
    #[must_use]
    pub fn new(format: &'f Format) -> RecordWriter<'f> {
        let fixed = format.fields.iter().map(|f| f.offset + f.size).max().unwrap_or(0);
        RecordWriter { format, bytes: vec![0; fixed] }.int("common_type", u64::from(format.id))
    }

    /// Sets an integer field, cut to its size as the kernel's assignment does.
    #[must_use]
    pub fn int(mut self, name: &str, value: u64) -> RecordWriter<'f> {
        if let Some(field) = self.format.field(name).cloned() {
            self.store(&field, value);
        }
        self
    }

    /// Appends a string with its NUL, and points the field to it.
    #[must_use]
    pub fn text(mut self, name: &str, value: &[u8]) -> RecordWriter<'f> {
        let Some(field) = self.format.field(name).cloned() else { return self };
        let base = if field.stored == Stored::RelLoc { field.offset + 4 } else { 0 };
        let word = ((value.len() as u64 + 1) << 16) | ((self.bytes.len() - base) as u64 & 0xffff);
        self.store(&field, word);
        self.bytes.extend_from_slice(value);
        self.bytes.push(0);
        self
    }

    /// The record, padded to four bytes.
    #[must_use]
    pub fn finish(mut self) -> Vec<u8> {
        self.bytes.resize(self.bytes.len().next_multiple_of(4), 0);
        self.bytes
    }

    fn store(&mut self, field: &Field, value: u64) {
        if let Some(to) = self.bytes.get_mut(field.offset..field.offset + field.size.min(8)) {
            to.copy_from_slice(value.to_le_bytes().get(..to.len()).unwrap_or_default());
        }
    }
}

/// The record of an `mc_event`.
#[must_use]
pub fn mc_event_record(format: &Format, event: &McEvent<'_>) -> Vec<u8> {
    RecordWriter::new(format)
        .int("error_type", u64::from(event.error_type))
        .int("error_count", u64::from(event.error_count))
        .int("mc_index", u64::from(event.mc_index))
        .int("top_layer", event.top_layer as u64)
        .int("middle_layer", event.middle_layer as u64)
        .int("lower_layer", event.lower_layer as u64)
        .int("address", event.address)
        .int("grain_bits", u64::from(event.grain_bits))
        .int("syndrome", event.syndrome)
        .text("msg", event.msg)
        .text("label", event.label)
        .text("driver_detail", event.driver_detail)
        .finish()
}

/// Packs records into raw sub-buffers as the kernel's ring does.
#[derive(Clone, Debug)]
pub struct PageWriter<'l> {
    layout: &'l PageLayout,
    done: Vec<Vec<u8>>,
    begins: u64,
    now: u64,
    data: Vec<u8>,
    lost: Option<Option<u64>>,
}

impl<'l> PageWriter<'l> {
    /// An empty ring.
    #[must_use]
    pub fn new(layout: &'l PageLayout) -> PageWriter<'l> {
        PageWriter { layout, done: Vec::new(), begins: 0, now: 0, data: Vec::new(), lost: None }
    }

    /// Adds a record; false if it is larger than a sub-buffer can hold, and then nothing is added.
    ///
    /// A step of the time that does not fit into the record's first word becomes a time extend; time going backwards
    /// becomes an absolute stamp.
    pub fn push(&mut self, t: Mono, payload: &[u8]) -> bool {
        let t = t.0 as u64;
        if self.data.is_empty() {
            (self.begins, self.now) = (t, t);
        }
        let delta = t.wrapping_sub(self.now);
        let mut bytes = Vec::new();
        if t < self.now {
            bytes.extend_from_slice(&self.two_words(self.layout.time_stamp, t));
            bytes.extend_from_slice(&self.encode(0, payload));
        } else if delta >> self.layout.delta_bits != 0 {
            bytes.extend_from_slice(&self.two_words(self.layout.time_extend, delta));
            bytes.extend_from_slice(&self.encode(0, payload));
        } else {
            bytes = self.encode(delta, payload);
        }
        if self.data.len() + bytes.len() > self.layout.data_size {
            bytes = self.encode(0, payload);
            if bytes.len() > self.layout.data_size {
                return false;
            }
            self.flush();
            self.begins = t;
        }
        self.now = t;
        self.data.extend_from_slice(&bytes);
        true
    }

    /// Marks that records were lost before the next one: so many, or nobody knows how many.
    pub fn lose(&mut self, count: Option<u64>) {
        self.flush();
        self.lost = Some(count);
    }

    /// Ends the present sub-buffer and hands out all that are complete.
    pub fn take(&mut self) -> Vec<Vec<u8>> {
        self.flush();
        std::mem::take(&mut self.done)
    }

    fn encode(&self, delta: u64, payload: &[u8]) -> Vec<u8> {
        let length = payload.len().next_multiple_of(4).max(4);
        let words = (length / 4) as u64;
        let mut bytes = Vec::with_capacity(8 + length);
        if words <= u64::from(self.layout.data_max) {
            bytes.extend_from_slice(&self.first_word(words as u32, delta));
        } else {
            bytes.extend_from_slice(&self.first_word(0, delta));
            bytes.extend_from_slice(&(length as u32 + 4).to_le_bytes());
        }
        let end = bytes.len() + length;
        bytes.extend_from_slice(payload);
        bytes.resize(end, 0);
        bytes
    }

    fn first_word(&self, kind: u32, delta: u64) -> [u8; 4] {
        let delta = (delta & ((1 << self.layout.delta_bits) - 1)) as u32;
        ((delta << self.layout.type_bits) | kind).to_le_bytes()
    }

    fn two_words(&self, kind: u32, value: u64) -> Vec<u8> {
        let high = (value >> self.layout.delta_bits) as u32;
        [self.first_word(kind, value), high.to_le_bytes()].concat()
    }

    fn flush(&mut self) {
        if self.data.is_empty() {
            return;
        }
        let l = self.layout;
        let data = std::mem::take(&mut self.data);
        let mut commit = data.len() as u64;
        let mut page = vec![0; l.page_size()];
        let mut put =
            |at: usize, bytes: &[u8]| page.get_mut(at..at + bytes.len()).map(|to| to.copy_from_slice(bytes)).is_some();
        put(l.data_at, &data);
        if let Some(count) = self.lost.take() {
            commit |= 1 << 31;
            let stored = count
                .is_some_and(|n| put(l.data_at + data.len(), n.to_le_bytes().get(..l.commit_size).unwrap_or_default()));
            commit |= u64::from(stored) << 30;
            // On a 64-bit kernel the flags arrive sign-extended.
            commit |= 0xffff_ffff << 32;
        }
        put(l.timestamp_at, &self.begins.to_le_bytes());
        put(l.commit_at, commit.to_le_bytes().get(..l.commit_size).unwrap_or_default());
        self.done.push(page);
    }
}
