//! A trace event's `format` file: which field lies where in a record.
//!
//! The layouts of `mc_event` and `mce_record` are built from this, and so is the page header's. Nothing here knows which
//! fields an event should have; whoever needs a field asks for it by name and gets an error that names it.
//!
//! Source: `f_show()` and `ring_buffer_print_page_header()` in the kernel's `kernel/trace/trace_events.c` and
//! `ring_buffer.c`, which write these lines.

use thiserror::Error;

/// How a field's value is stored.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stored {
    /// The value itself.
    Inline,
    /// `__data_loc`: a 32-bit word, low half the offset from the record's start, high half the length in bytes.
    DataLoc,
    /// `__rel_loc`: the same, but the offset counts from the end of the word.
    RelLoc,
}

/// One line of a `format` file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Field {
    /// Such as `error_count`, without array brackets.
    pub name: String,
    /// Bytes from the start of the record.
    pub offset: usize,
    /// Bytes.
    pub size: usize,
    /// Whether the kernel says that the value is signed.
    pub signed: bool,
    /// Where the value is.
    pub stored: Stored,
}

/// A parsed `format` file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Format {
    /// The event's name.
    pub name: String,
    /// The number in `common_type` of every record of this event; differs between kernels and boots.
    pub id: u16,
    /// All fields, the common ones first, as the file has them.
    pub fields: Vec<Field>,
}

/// What is wrong with a `format` file.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum FormatError {
    /// No `name:` line.
    #[error("format: the line \"name:\" is missing")]
    NoName,
    /// No usable `ID:` line.
    #[error("format of {event}: the line \"ID:\" is missing or is not a number below 65536")]
    NoId {
        /// The event.
        event: String,
    },
    /// A field line that does not read as one.
    #[error("format, line {line}: not a field: {text:?}")]
    BadLine {
        /// From 1.
        line: usize,
        /// The line.
        text: String,
    },
    /// A field that the record must have.
    #[error("format of {event}: the field {field} is missing")]
    Missing {
        /// The event.
        event: String,
        /// The field.
        field: String,
    },
    /// A field whose size or kind cannot hold what it should.
    #[error("format of {event}: the field {field} has {size} bytes, which cannot be {wanted}")]
    WrongKind {
        /// The event.
        event: String,
        /// The field.
        field: String,
        /// Its size.
        size: usize,
        /// What it should be.
        wanted: &'static str,
    },
}

impl Format {
    /// Parses the text of a `format` file.
    pub fn parse(text: &str) -> Result<Format, FormatError> {
        let after = |key: &str| text.lines().find_map(|line| line.strip_prefix(key)).map(str::trim);
        let name = after("name:").filter(|n| !n.is_empty()).ok_or(FormatError::NoName)?.to_owned();
        let id = after("ID:").and_then(|n| n.parse().ok()).ok_or_else(|| FormatError::NoId { event: name.clone() })?;
        Ok(Format { name, id, fields: parse_fields(text)? })
    }

    /// The field of this name.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&Field> {
        self.fields.iter().find(|f| f.name == name)
    }

    /// The field of this name, or the error that names it.
    pub fn need(&self, name: &str) -> Result<&Field, FormatError> {
        self.field(name).ok_or_else(|| FormatError::Missing { event: self.name.clone(), field: name.to_owned() })
    }
}

/// All field lines of a `format` or `header_page` text; other lines are passed over.
pub(crate) fn parse_fields(text: &str) -> Result<Vec<Field>, FormatError> {
    text.lines()
        .enumerate()
        .filter_map(|(i, line)| line.trim_start().strip_prefix("field:").map(|rest| (i + 1, line, rest)))
        .map(|(line, whole, rest)| {
            parse_field(rest).ok_or_else(|| FormatError::BadLine { line, text: whole.trim().to_owned() })
        })
        .collect()
}

fn parse_field(rest: &str) -> Option<Field> {
    let mut parts = rest.split(';').map(str::trim);
    let declared = parts.next()?;
    let (mut offset, mut size, mut signed) = (None, None, false);
    for part in parts {
        match part.split_once(':') {
            Some(("offset", n)) => offset = Some(n.trim().parse().ok()?),
            Some(("size", n)) => size = Some(n.trim().parse().ok()?),
            Some(("signed", n)) => signed = n.trim() != "0",
            _ => {}
        }
    }
    let (_, name) = declared.rsplit_once([' ', '\t', '*'])?;
    let name = name.split('[').next().filter(|n| !n.is_empty())?.to_owned();
    let stored = match declared.split_whitespace().next()? {
        "__data_loc" => Stored::DataLoc,
        "__rel_loc" => Stored::RelLoc,
        _ => Stored::Inline,
    };
    Some(Field { name, offset: offset?, size: size?, signed, stored })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::build;

    #[test]
    fn the_fields_of_mc_event() {
        // The layout of a 6.18 x86-64 kernel as its own format file states it (include/ras/ras_event.h).
        let f = Format::parse(build::MC_EVENT_FORMAT).unwrap();
        assert_eq!((f.name.as_str(), f.id), ("mc_event", 2206));
        let expected = [
            ("common_type", 0, 2, false),
            ("common_pid", 4, 4, true),
            ("error_type", 8, 4, false),
            ("error_count", 20, 2, false),
            ("mc_index", 22, 1, false),
            ("top_layer", 23, 1, true),
            ("middle_layer", 24, 1, true),
            ("lower_layer", 25, 1, true),
            ("address", 32, 8, true),
            ("grain_bits", 40, 1, false),
            ("syndrome", 48, 8, true),
        ];
        for (name, offset, size, signed) in expected {
            let field = f.need(name).unwrap();
            assert_eq!((field.offset, field.size, field.signed, field.stored), (offset, size, signed, Stored::Inline));
        }
        for (name, offset) in [("msg", 12), ("label", 16), ("driver_detail", 56)] {
            assert_eq!((f.need(name).unwrap().offset, f.need(name).unwrap().stored), (offset, Stored::DataLoc));
        }
    }

    #[test]
    fn arrays_pointers_and_relative_strings() {
        let text = "name: x\nID: 7\nformat:\n\tfield:char comm[16];\toffset:8;\tsize:16;\tsigned:0;\n\
                    \tfield:const char *fmt;\toffset:24;\tsize:8;\tsigned:0;\n\
                    \tfield:__rel_loc char[] s;\toffset:32;\tsize:4;\tsigned:0;\n";
        let f = Format::parse(text).unwrap();
        let names: Vec<_> = f.fields.iter().map(|f| (f.name.as_str(), f.stored)).collect();
        assert_eq!(names, [("comm", Stored::Inline), ("fmt", Stored::Inline), ("s", Stored::RelLoc)]);
    }

    #[test]
    fn errors_say_what_is_missing() {
        let error = |text: &str| Format::parse(text).unwrap_err().to_string();
        assert_eq!(error(""), "format: the line \"name:\" is missing");
        assert_eq!(
            error("name: mc_event\nID: x\n"),
            "format of mc_event: the line \"ID:\" is missing or is not a number below 65536"
        );
        assert_eq!(
            error("name: a\nID: 1\n\tfield:int b;\toffset:x;\n"),
            "format, line 3: not a field: \"field:int b;\\toffset:x;\""
        );
        let f = Format::parse("name: a\nID: 1\n").unwrap();
        assert_eq!(f.need("label").unwrap_err().to_string(), "format of a: the field label is missing");
    }
}
