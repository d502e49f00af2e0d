//! The trace event `ras:mc_event`: one memory error as an EDAC driver reported it.
//!
//! The layout is built once from the event's `format` file; decoding borrows from the page. Source of the fields, the
//! printed text and the names: `include/ras/ras_event.h` and `mc_event_error_type()` in `include/linux/edac.h`.

use crate::fields::{DecodeError, IntAt, TextAt};
use crate::format::{Format, FormatError};
use crate::interner::Interner;
use std::fmt;
use std::sync::Arc;
use vocabulary::{Layers, Mono, Severity, Source, Span, Witness};

/// Where each field of the event is on this kernel.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct McEventLayout {
    id: u16,
    error_type: IntAt,
    msg: TextAt,
    label: TextAt,
    error_count: IntAt,
    mc_index: IntAt,
    top_layer: IntAt,
    middle_layer: IntAt,
    lower_layer: IntAt,
    address: IntAt,
    grain_bits: IntAt,
    syndrome: IntAt,
    driver_detail: TextAt,
}

/// One event, borrowed from the page it lies in. Names and meaning are the kernel's.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct McEvent<'a> {
    /// When the driver reported it, in the ring's clock.
    pub t: Mono,
    /// `enum hw_event_mc_err_type`.
    pub error_type: u32,
    /// The driver's message; may be empty.
    pub msg: &'a [u8],
    /// The slot's label, several joined with ` or `, `any memory` or `unknown memory`.
    pub label: &'a [u8],
    /// How many errors; 0 is "at least one, number unknown".
    pub error_count: u16,
    /// The memory controller.
    pub mc_index: u8,
    /// Position in the top layer; negative is unknown.
    pub top_layer: i8,
    /// Position in the middle layer; negative is unknown.
    pub middle_layer: i8,
    /// Position in the lowest layer; negative is unknown, or the controller has no third layer.
    pub lower_layer: i8,
    /// Physical address, 0 if the driver had none.
    pub address: u64,
    /// The error lies within a block of 2 to the power of this many bytes.
    pub grain_bits: u8,
    /// The driver's syndrome, 0 if it had none.
    pub syndrome: u64,
    /// The driver's further text; may be empty.
    pub driver_detail: &'a [u8],
}

impl McEventLayout {
    /// The layout that a `format` file states.
    pub fn from_format(format: &Format) -> Result<McEventLayout, FormatError> {
        let int = |name| IntAt::need(format, name);
        let text = |name| TextAt::need(format, name);
        Ok(McEventLayout {
            id: format.id,
            error_type: int("error_type")?,
            msg: text("msg")?,
            label: text("label")?,
            error_count: int("error_count")?,
            mc_index: int("mc_index")?,
            top_layer: int("top_layer")?,
            middle_layer: int("middle_layer")?,
            lower_layer: int("lower_layer")?,
            address: int("address")?,
            grain_bits: int("grain_bits")?,
            syndrome: int("syndrome")?,
            driver_detail: text("driver_detail")?,
        })
    }

    /// The number in `common_type` of this event's records.
    #[must_use]
    pub fn id(&self) -> u16 {
        self.id
    }

    /// Decodes one record.
    #[inline]
    pub fn decode<'a>(&self, payload: &'a [u8], t: Mono) -> Result<McEvent<'a>, DecodeError> {
        let outside = |field| DecodeError { event: "mc_event", field, length: payload.len() };
        let int = |at: IntAt, field| at.bits(payload).ok_or_else(|| outside(field));
        let text = |at: TextAt, field| at.bytes(payload).ok_or_else(|| outside(field));
        // The narrowing is the kernel's own: these are the types of its record.
        Ok(McEvent {
            t,
            error_type: int(self.error_type, "error_type")? as u32,
            msg: text(self.msg, "msg")?,
            label: text(self.label, "label")?,
            error_count: int(self.error_count, "error_count")? as u16,
            mc_index: int(self.mc_index, "mc_index")? as u8,
            top_layer: int(self.top_layer, "top_layer")? as i8,
            middle_layer: int(self.middle_layer, "middle_layer")? as i8,
            lower_layer: int(self.lower_layer, "lower_layer")? as i8,
            address: int(self.address, "address")?,
            grain_bits: int(self.grain_bits, "grain_bits")? as u8,
            syndrome: int(self.syndrome, "syndrome")?,
            driver_detail: text(self.driver_detail, "driver_detail")?,
        })
    }
}

impl McEvent<'_> {
    /// The text that the kernel prints for this event in its `trace` file.
    #[must_use]
    pub fn to_text(&self) -> String {
        self.to_string()
    }

    /// The event as a witness. `interner` shares labels and messages; the detail differs from error to error.
    pub fn to_witness(&self, interner: &mut Interner) -> Witness {
        let layer = |position: i8| i16::from(position.max(-1));
        let mut w = Witness::new(Source::McEvent, Span::point(self.t), Severity::from_kernel(self.error_type));
        w.controller = Some(u16::from(self.mc_index));
        w.layers = Layers([layer(self.top_layer), layer(self.middle_layer), layer(self.lower_layer)]);
        w.label = interner.text(self.label);
        w.count = u32::from(self.error_count);
        w.address = (self.address != 0).then_some(self.address);
        w.syndrome = (self.syndrome != 0).then_some(self.syndrome);
        w.message = interner.text(self.msg);
        w.detail = (!self.driver_detail.is_empty()).then(|| Arc::from(String::from_utf8_lossy(self.driver_detail)));
        w
    }
}

impl fmt::Display for McEvent<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = match self.error_type {
            0 => "Corrected",
            1 => "Uncorrected",
            2 => "Deferred",
            3 => "Fatal",
            _ => "Info",
        };
        let blank = |text: &[u8]| if text.is_empty() { "" } else { " " };
        write!(
            f,
            "{} {kind} error{}:{}{} on {} (mc:{} location:{}:{}:{} address:0x{:08x} grain:{} syndrome:0x{:08x}{}{})",
            self.error_count,
            if self.error_count > 1 { "s" } else { "" },
            blank(self.msg),
            String::from_utf8_lossy(self.msg),
            String::from_utf8_lossy(self.label),
            self.mc_index,
            self.top_layer,
            self.middle_layer,
            self.lower_layer,
            self.address,
            1_i32.wrapping_shl(u32::from(self.grain_bits)),
            self.syndrome,
            blank(self.driver_detail),
            String::from_utf8_lossy(self.driver_detail),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::build::{MC_EVENT_FORMAT, grain_bits, mc_event_record};
    use vocabulary::FoundBy;

    fn event() -> McEvent<'static> {
        McEvent {
            t: Mono(0),
            error_type: 0,
            msg: b"memory read error",
            label: b"A",
            error_count: 2,
            mc_index: 3,
            top_layer: 0,
            middle_layer: 1,
            lower_layer: -1,
            address: 0x1234_5000,
            grain_bits: 5,
            syndrome: 0x54,
            driver_detail: b"",
        }
    }

    #[test]
    fn the_kernels_own_text() {
        // TP_printk of mc_event in include/ras/ras_event.h.
        assert_eq!(
            event().to_text(),
            "2 Corrected errors: memory read error on A (mc:3 location:0:1:-1 address:0x12345000 grain:32 \
             syndrome:0x00000054)"
        );
        let starts = |count, msg| McEvent { error_count: count, msg, ..event() }.to_text();
        assert!(starts(1, b"x").starts_with("1 Corrected error: x on A ("));
        assert!(starts(0, b"x").starts_with("0 Corrected error: x on A ("));
        assert!(starts(1, b"").starts_with("1 Corrected error: on A ("));
        assert!(
            McEvent { driver_detail: b" err_code:0x1", ..event() }.to_text().ends_with(":0x00000054  err_code:0x1)")
        );
        // mc_event_error_type() in include/linux/edac.h.
        let kinds = ["Corrected", "Uncorrected", "Deferred", "Fatal", "Info", "Info"];
        for (error_type, kind) in [0, 1, 2, 3, 4, 9].into_iter().zip(kinds) {
            let event = McEvent { error_type, ..event() };
            assert!(event.to_text().starts_with(&format!("2 {kind} errors:")));
            assert_eq!(event.to_witness(&mut Interner::new()).severity, Severity::from_kernel(error_type));
        }
        assert!(McEvent { grain_bits: 6, ..event() }.to_text().contains(" grain:64 "));
        assert!(McEvent { grain_bits: 31, ..event() }.to_text().contains(" grain:-2147483648 "));
    }

    #[test]
    fn grain_bits_of_the_kernels_grains() {
        // fls_long(grain - 1) in drivers/edac/edac_mc.c.
        for (grain, bits) in [(1, 0), (8, 3), (16, 4), (32, 5), (64, 6), (128, 7), (4096, 12)] {
            assert_eq!(grain_bits(grain), bits, "{grain}");
        }
    }

    #[test]
    fn a_record_byte_by_byte() {
        // fixtures/kernel/mc_event.record, hand-built for the 6.18 layout.
        let bytes = include_bytes!("../../../../fixtures/kernel/mc_event.record");
        let format = Format::parse(MC_EVENT_FORMAT).unwrap();
        let layout = McEventLayout::from_format(&format).unwrap();
        let decoded = layout.decode(bytes, Mono(7)).unwrap();
        let expected = McEvent {
            t: Mono(7),
            error_count: 1,
            mc_index: 0,
            syndrome: 0,
            label: b"CPU_SrcID#0_MC#0_Chan#0_DIMM#1",
            driver_detail: b" err_code:0x0001:0x0090",
            ..event()
        };
        assert_eq!(decoded, expected);
        // The encoder makes the very same bytes, and pads them.
        let encoded = mc_event_record(&format, &expected);
        assert_eq!(encoded[..bytes.len()], bytes[..]);
        assert_eq!(encoded.len(), 136);
        for cut in 0..bytes.len() {
            assert!(layout.decode(&bytes[..cut], Mono(7)).is_err(), "{cut}");
        }
    }

    #[test]
    fn a_witness_says_only_what_is_known() {
        let mut interner = Interner::new();
        let w = event().to_witness(&mut interner);
        assert_eq!((w.controller, w.layers, w.count), (Some(3), Layers([0, 1, -1]), 2));
        assert_eq!((w.address, w.syndrome), (Some(0x1234_5000), Some(0x54)));
        assert_eq!((w.label.as_deref(), w.message.as_deref(), w.detail), (Some("A"), Some("memory read error"), None));
        // include/ras/ras_event.h: the count has 16 bits, the layers 8 with a sign; ghes_edac tells that it speaks for firmware.
        let widest = McEvent { error_count: u16::MAX, top_layer: 127, middle_layer: -1, ..event() };
        let w = widest.to_witness(&mut interner);
        assert_eq!((w.count, w.layers, w.found_by()), (65_535, Layers([127, -1, -1]), FoundBy::Interrupt));
        let firmware = McEvent { driver_detail: b"APEI location: node:0 card:1 ", ..event() };
        assert_eq!(firmware.to_witness(&mut interner).found_by(), FoundBy::Firmware);
        let bare = McEvent {
            msg: b"",
            label: b"",
            error_count: 0,
            top_layer: -1,
            middle_layer: -128,
            address: 0,
            syndrome: 0,
            driver_detail: b"x",
            ..event()
        };
        let w = bare.to_witness(&mut interner);
        assert_eq!((w.layers, w.count, w.address, w.syndrome), (Layers::UNKNOWN, 0, None, None));
        assert_eq!((w.label, w.message, w.detail.as_deref()), (None, None, Some("x")));
    }

    #[test]
    fn other_layouts_are_followed() {
        // A probe event with the same fields has its own offsets, and a 32-bit kernel a shorter long.
        let moved = MC_EVENT_FORMAT.replace("long address;\toffset:32;\tsize:8", "long address;\toffset:28;\tsize:4");
        let format = Format::parse(&moved).unwrap();
        let high = McEvent { address: 0xf234_5000, ..event() };
        let record = mc_event_record(&format, &high);
        assert_eq!(McEventLayout::from_format(&format).unwrap().decode(&record, Mono(0)).unwrap(), high);
        let without = Format::parse(&MC_EVENT_FORMAT.replace(" syndrome;", " symptom;")).unwrap();
        let error = McEventLayout::from_format(&without).unwrap_err();
        assert_eq!(error.to_string(), "format of mc_event: the field syndrome is missing");
        let inline = Format::parse(&MC_EVENT_FORMAT.replace("__data_loc char[] label", "char label")).unwrap();
        let error = McEventLayout::from_format(&inline).unwrap_err();
        assert_eq!(
            error.to_string(),
            "format of mc_event: the field label has 4 bytes, which cannot be a string of any length"
        );
    }
}
