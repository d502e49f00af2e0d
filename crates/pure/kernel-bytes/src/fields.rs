//! Reads single fields of a record, as a [`Format`] says where they are.
//!
//! The event layouts keep one of these per field, so that a record is decoded without looking anything up by name.

use crate::format::{Field, Format, FormatError, Stored};
use std::ffi::CStr;
use thiserror::Error;

/// A record that does not hold what its format says.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
#[error("{event} record of {length} bytes: the field {field} lies outside")]
pub struct DecodeError {
    /// The event.
    pub event: &'static str,
    /// The field.
    pub field: &'static str,
    /// Bytes that the record has.
    pub length: usize,
}

/// Where an integer is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct IntAt {
    offset: usize,
    size: usize,
}

impl IntAt {
    /// The integer field of this name.
    pub(crate) fn need(format: &Format, name: &str) -> Result<IntAt, FormatError> {
        Self::new(format, format.need(name)?)
    }

    /// The integer field of this name, where this kernel has it.
    pub(crate) fn want(format: &Format, name: &str) -> Result<Option<IntAt>, FormatError> {
        format.field(name).map(|f| Self::new(format, f)).transpose()
    }

    fn new(format: &Format, field: &Field) -> Result<IntAt, FormatError> {
        if field.stored == Stored::Inline && matches!(field.size, 1 | 2 | 4 | 8) {
            return Ok(IntAt { offset: field.offset, size: field.size });
        }
        Err(FormatError::WrongKind {
            event: format.name.clone(),
            field: field.name.clone(),
            size: field.size,
            wanted: "an integer",
        })
    }

    /// The bits as they are, without sign extension.
    #[inline]
    pub(crate) fn bits(self, record: &[u8]) -> Option<u64> {
        let at = record.get(self.offset..)?;
        Some(match self.size {
            1 => u64::from(*at.first()?),
            2 => u64::from(u16::from_le_bytes(*at.first_chunk()?)),
            4 => u64::from(u32::from_le_bytes(*at.first_chunk()?)),
            _ => u64::from_le_bytes(*at.first_chunk()?),
        })
    }
}

/// Where a string is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct TextAt {
    offset: usize,
    base: usize,
}

impl TextAt {
    /// The string field of this name.
    pub(crate) fn need(format: &Format, name: &str) -> Result<TextAt, FormatError> {
        let field = format.need(name)?;
        let base = match field.stored {
            Stored::DataLoc if field.size == 4 => 0,
            Stored::RelLoc if field.size == 4 => field.offset + 4,
            _ => {
                return Err(FormatError::WrongKind {
                    event: format.name.clone(),
                    field: field.name.clone(),
                    size: field.size,
                    wanted: "a string of any length",
                });
            }
        };
        Ok(TextAt { offset: field.offset, base })
    }

    /// The bytes up to the first NUL.
    #[inline]
    pub(crate) fn bytes(self, record: &[u8]) -> Option<&[u8]> {
        let word = u32::from_le_bytes(*record.get(self.offset..)?.first_chunk()?);
        let from = self.base + (word & 0xffff) as usize;
        let bytes = record.get(from..from + (word >> 16) as usize)?;
        Some(CStr::from_bytes_until_nul(bytes).map_or(bytes, CStr::to_bytes))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn format(line: &str) -> Format {
        Format::parse(&format!("name: e\nID: 1\n\tfield:{line};\tsigned:1;\n")).unwrap()
    }

    #[test]
    fn strings_are_found_by_their_word() {
        // 0x0012003c: offset 60, length 18 (low half, high half).
        let mut record = vec![0; 78];
        record[..4].copy_from_slice(&0x0012_003c_u32.to_le_bytes());
        record[60..78].copy_from_slice(b"memory read error\0");
        let data = TextAt::need(&format("__data_loc char[] s;\toffset:0;\tsize:4"), "s").unwrap();
        assert_eq!(data.bytes(&record), Some(&b"memory read error"[..]));
        assert_eq!(data.bytes(&record[..77]), None);
        let rel = TextAt::need(&format("__rel_loc char[] s;\toffset:0;\tsize:4"), "s").unwrap();
        record[..4].copy_from_slice(&0x0012_0038_u32.to_le_bytes());
        assert_eq!(rel.bytes(&record), Some(&b"memory read error"[..]));
    }

    #[test]
    fn integers_of_every_size() {
        let record = [0xff, 0xfe, 0x01, 0x80, 0, 0, 0, 0x80];
        for (size, bits) in [(1, 0xff), (2, 0xfeff), (4, 0x8001_feff), (8, 0x8000_0000_8001_feff)] {
            let f = format(&format!("int i;\toffset:0;\tsize:{size}"));
            assert_eq!(IntAt::need(&f, "i").unwrap().bits(&record), Some(bits));
            assert_eq!(IntAt::need(&f, "i").unwrap().bits(&record[..size - 1]), None);
        }
        let error = IntAt::need(&format("char i[16];\toffset:0;\tsize:16"), "i").unwrap_err();
        assert_eq!(error.to_string(), "format of e: the field i has 16 bytes, which cannot be an integer");
    }
}
