//! The `header_page` and `header_event` files: how a raw sub-buffer is laid out on this kernel.
//!
//! [`crate::Page`] walks by this. Source: `ring_buffer_print_page_header()` and `ring_buffer_print_entry_header()` in the
//! kernel's `kernel/trace/ring_buffer.c`.

use crate::format::{Field, FormatError, parse_fields};
use thiserror::Error;

/// The layout of raw sub-buffers, as the kernel states it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PageLayout {
    pub(crate) timestamp_at: usize,
    pub(crate) commit_at: usize,
    /// The size of the kernel's `unsigned long`.
    pub(crate) commit_size: usize,
    pub(crate) data_at: usize,
    pub(crate) data_size: usize,
    pub(crate) type_bits: u32,
    pub(crate) delta_bits: u32,
    pub(crate) padding: u32,
    pub(crate) time_extend: u32,
    pub(crate) time_stamp: u32,
    pub(crate) data_max: u32,
}

/// What is wrong with a header file.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum LayoutError {
    /// A field line that does not read as one.
    #[error("header_page: {0}")]
    Field(#[from] FormatError),
    /// A field that the page must have.
    #[error("header_page: the field {0} is missing")]
    MissingField(&'static str),
    /// A field of a size that the page walk does not know.
    #[error("header_page: the field {field} has {size} bytes")]
    FieldSize {
        /// The field.
        field: &'static str,
        /// Its size.
        size: usize,
    },
    /// A line of `header_event` that must be there.
    #[error("header_event: the line {0:?} is missing or has no number")]
    MissingLine(&'static str),
    /// Numbers that do not make sense together.
    #[error("header_event: type_len has {type_bits} bits and time_delta {delta_bits}; a record's first word has 32")]
    Bits {
        /// Bits of `type_len`.
        type_bits: u32,
        /// Bits of `time_delta`.
        delta_bits: u32,
    },
}

impl PageLayout {
    /// Parses the texts of `events/header_page` and `events/header_event`.
    pub fn parse(header_page: &str, header_event: &str) -> Result<PageLayout, LayoutError> {
        let fields = parse_fields(header_page)?;
        let field = |name: &'static str, sizes: &[usize]| -> Result<Field, LayoutError> {
            let field = fields.iter().find(|f| f.name == name).ok_or(LayoutError::MissingField(name))?;
            if !sizes.is_empty() && !sizes.contains(&field.size) {
                return Err(LayoutError::FieldSize { field: name, size: field.size });
            }
            Ok(field.clone())
        };
        let (timestamp, commit, data) = (field("timestamp", &[8])?, field("commit", &[4, 8])?, field("data", &[])?);
        let number = |key: &'static str| {
            header_event
                .lines()
                .find_map(|line| line.trim_start().strip_prefix(key)?.trim_start().strip_prefix([':', '=']))
                .and_then(|rest| rest.split(|c: char| !c.is_ascii_digit()).find(|n| !n.is_empty())?.parse::<u32>().ok())
                .ok_or(LayoutError::MissingLine(key))
        };
        let (type_bits, delta_bits) = (number("type_len")?, number("time_delta")?);
        if type_bits == 0 || delta_bits == 0 || type_bits.saturating_add(delta_bits) != 32 {
            return Err(LayoutError::Bits { type_bits, delta_bits });
        }
        Ok(PageLayout {
            timestamp_at: timestamp.offset,
            commit_at: commit.offset,
            commit_size: commit.size,
            data_at: data.offset,
            data_size: data.size,
            type_bits,
            delta_bits,
            padding: number("padding")?,
            time_extend: number("time_extend")?,
            time_stamp: number("time_stamp")?,
            data_max: number("data max type_len")?,
        })
    }

    /// Bytes of one whole sub-buffer: what one read should ask for.
    #[must_use]
    pub fn page_size(&self) -> usize {
        self.data_at.saturating_add(self.data_size)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::build::{HEADER_EVENT, HEADER_PAGE};

    #[test]
    fn the_headers_of_a_6_18_kernel() {
        let l = PageLayout::parse(HEADER_PAGE, HEADER_EVENT).unwrap();
        assert_eq!((l.timestamp_at, l.commit_at, l.commit_size, l.data_at, l.data_size), (0, 8, 8, 16, 4080));
        assert_eq!((l.padding, l.time_extend, l.time_stamp, l.data_max), (29, 30, 31, 28));
        assert_eq!((l.type_bits, l.delta_bits, l.page_size()), (5, 27, 4096));
    }

    #[test]
    fn errors_say_what_is_missing() {
        let error = |page: &str, event: &str| PageLayout::parse(page, event).unwrap_err().to_string();
        assert_eq!(error("", HEADER_EVENT), "header_page: the field timestamp is missing");
        assert_eq!(
            error(&HEADER_PAGE.replace("data;", "date;"), HEADER_EVENT),
            "header_page: the field data is missing"
        );
        let odd = HEADER_PAGE.replace("offset:8;\tsize:8", "offset:8;\tsize:3");
        assert_eq!(error(&odd, HEADER_EVENT), "header_page: the field commit has 3 bytes");
        assert_eq!(
            error(HEADER_PAGE, &HEADER_EVENT.replace("time_stamp", "x")),
            "header_event: the line \"time_stamp\" is missing or has no number"
        );
        assert!(error(HEADER_PAGE, &HEADER_EVENT.replace("27 bits", "99 bits")).contains("99"));
    }
}
