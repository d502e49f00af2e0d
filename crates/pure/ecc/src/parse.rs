//! The text form of a code, and what is wrong with one. `docs/ecc.md` has the form.
//!
//! A matrix that cannot do what it claims would make false expectations for a whole run, so that everything that can be
//! checked is checked here, and the lines at fault are named.

use crate::code::{Code, Kind, Row, Symbol, Word};
use crate::lines::{CHECK_LINES, bit, data_lines, name, names};
use crate::span::Span;
use vocabulary::Signal;

/// Why a text is no code. Rows count from 1, in the whole text.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum CodeError {
    /// Neither a key nor the row of a line.
    #[error("row {row}: {text:?} is neither `key: value` nor the name of a line with its columns")]
    NotARow {
        /// Where.
        row: usize,
        /// What stands there.
        text: String,
    },
    /// A key that codes do not have.
    #[error("row {row}: no key {key:?}; there are name, kind, check-bits, word, symbol and bits")]
    UnknownKey {
        /// Where.
        row: usize,
        /// The key.
        key: String,
    },
    /// The same key again.
    #[error("row {row}: {key:?} a second time")]
    KeyTwice {
        /// Where.
        row: usize,
        /// The key.
        key: String,
    },
    /// A key that must be there.
    #[error("no `{key}:`")]
    NoKey {
        /// The key.
        key: &'static str,
    },
    /// A key's value is none that it can have.
    #[error("`{key}:` must be {wanted}; found {found:?}")]
    BadValue {
        /// The key.
        key: &'static str,
        /// What it can be.
        wanted: &'static str,
        /// What it is.
        found: String,
    },
    /// A row for something that is no data or check line.
    #[error(
        "row {row}: {name:?} is no data or check line: DQ0 to DQ63, CB0 to CB7, without a sub-channel, or - for a bit that no line carries"
    )]
    NoLine {
        /// Where.
        row: usize,
        /// What stands there.
        name: String,
    },
    /// A line with two rows.
    #[error("row {row}: {line} has a row already")]
    LineTwice {
        /// Where.
        row: usize,
        /// The line.
        line: String,
    },
    /// A row with too many columns, or too few.
    #[error("row {row}: each line must have {wanted} column(s), as `word:` says, and {line} has {found}")]
    ColumnCount {
        /// Where.
        row: usize,
        /// The line.
        line: String,
        /// How many it must have.
        wanted: u32,
        /// How many it has.
        found: usize,
    },
    /// A column that is no number of the syndrome's size.
    #[error("row {row}: {text:?} is no hexadecimal number of up to {check_bits} bits")]
    BadColumn {
        /// Where.
        row: usize,
        /// What stands there.
        text: String,
        /// The size of a syndrome.
        check_bits: u32,
    },
    /// Data lines without a row.
    #[error("no row for {lines}: a word has all of DQ0 to DQ31 (a sub-channel of DDR5) or all of DQ0 to DQ63")]
    Missing {
        /// The lines.
        lines: String,
    },
    /// Bits whose errors nobody would see.
    #[error("the column of {lines} is 0: an error there would not be seen")]
    Zero {
        /// The lines.
        lines: String,
    },
    /// Bits that cannot be told apart.
    #[error("the same column at {lines}: errors there could not be told apart")]
    Equal {
        /// The lines, by groups of equal columns.
        lines: String,
    },
    /// Bits that break the detection of double errors.
    #[error(
        "columns of even weight at {lines}: two wrong bits could look like one; a SEC-DED matrix has columns of odd weight, or a row of ones"
    )]
    Even {
        /// The lines, with their columns.
        lines: String,
    },
    /// Rows that do not make whole symbols.
    #[error("{rows} rows do not make whole symbols of {lines} lines")]
    SymbolRows {
        /// How many rows there are.
        rows: usize,
        /// How many lines a symbol has.
        lines: usize,
    },
    /// Errors within one symbol that look alike.
    #[error(
        "the columns of the symbol {symbol} are not independent: some errors within it would not be seen, or not be told apart"
    )]
    Dependent {
        /// The lines of the symbol.
        symbol: String,
    },
    /// Two symbols that share a syndrome.
    #[error("errors in the symbols {one} and {other} can have the same syndrome, so that neither can be corrected")]
    Overlap {
        /// The lines of one.
        one: String,
        /// The lines of the other.
        other: String,
    },
}

const KEYS: [&str; 6] = ["name", "kind", "check-bits", "word", "symbol", "bits"];
/// At most so many faults are named; a matrix that is wrong all over need not be printed.
const NAMED: usize = 8;

/// The text, sorted by what its rows are.
struct Parts<'a> {
    values: [Option<&'a str>; KEYS.len()],
    rows: Vec<(usize, Vec<&'a str>)>,
}

fn sort(text: &str) -> Result<Parts<'_>, CodeError> {
    let mut parts = Parts { values: [None; KEYS.len()], rows: Vec::new() };
    for (row, line) in (1..).zip(text.lines()) {
        let line = line.split('#').next().unwrap_or_default().trim();
        if let Some((key, value)) = line.split_once(':') {
            let known = KEYS.iter().zip(&mut parts.values).find(|(known, _)| **known == key.trim_end());
            let (_, kept) = known.ok_or_else(|| CodeError::UnknownKey { row, key: key.to_owned() })?;
            if kept.replace(value.trim()).is_some() {
                return Err(CodeError::KeyTwice { row, key: key.to_owned() });
            }
        } else if !line.is_empty() {
            let words: Vec<&str> = line.split_whitespace().collect();
            if words.len() < 2 {
                return Err(CodeError::NotARow { row, text: line.to_owned() });
            }
            parts.rows.push((row, words));
        }
    }
    Ok(parts)
}

impl Parts<'_> {
    fn value(&self, key: &'static str) -> Option<&str> {
        KEYS.iter().zip(self.values).find(|(known, _)| **known == key).and_then(|(_, value)| value)
    }

    /// The value of a key, read, or what it would have to be.
    fn read<T>(
        &self,
        key: &'static str,
        wanted: &'static str,
        absent: Option<T>,
        read: impl Fn(&str) -> Option<T>,
    ) -> Result<T, CodeError> {
        match (self.value(key), absent) {
            (Some(found), _) => read(found).ok_or_else(|| CodeError::BadValue { key, wanted, found: found.to_owned() }),
            (None, Some(absent)) => Ok(absent),
            (None, None) => Err(CodeError::NoKey { key }),
        }
    }
}

/// `4 lines` and the like: a number and a word, which may lack its `s`.
fn counted(text: &str, unit: &str) -> Option<u32> {
    let (number, word) = text.split_once(' ')?;
    let number = number.parse().ok().filter(|n| (1..=16).contains(n))?;
    (word.trim() == unit || word.trim() == unit.trim_end_matches('s')).then_some(number)
}

impl Code {
    /// Reads a code from its text form and checks that it can do what it claims.
    ///
    /// # Errors
    ///
    /// What is wrong, with the row of the text or the names of the lines.
    pub fn parse(text: &str) -> Result<Code, CodeError> {
        let parts = sort(text)?;
        let name = parts.read("name", "a name without blanks", None, |name| {
            (!name.is_empty() && !name.contains(char::is_whitespace)).then(|| name.to_owned())
        })?;
        let kind = parts.read("kind", "sec-ded, symbol or detect", None, |word| match word {
            "sec-ded" => Some(Kind::SecDed),
            "symbol" => Some(Kind::Symbol),
            "detect" => Some(Kind::Detect),
            _ => None,
        })?;
        let check_bits = parts.read("check-bits", "a number from 1 to 64", None, |number| {
            number.parse().ok().filter(|n| (1..=64).contains(n))
        })?;
        let word = parts.read("word", "such as `2 beats` or `2 channels`, up to 16", Some(Word::Beats(1)), |word| {
            let beats = counted(word, "beats").filter(|n| n.is_power_of_two()).map(Word::Beats);
            beats.or_else(|| counted(word, "channels").map(Word::Channels))
        })?;
        let symbol_lines = match kind {
            Kind::Symbol => parts.read("symbol", "such as `4 lines`, up to 16", None, |text| counted(text, "lines"))?,
            _ => parts.read("symbol", "absent, since `kind:` is not symbol", Some(1), |_| None)?,
        };
        let ordered = parts.read("bits", "`ordered` or `unordered`", Some(true), |word| match word {
            "ordered" => Some(true),
            "unordered" => Some(false),
            _ => None,
        })?;
        let rows = rows(&parts, check_bits, word)?;
        let symbols = symbols(&rows, kind, word, symbol_lines as usize)?;
        let code = Code { name, kind, check_bits, word, ordered, rows, symbols };
        code.check()?;
        Ok(code)
    }

    /// All bits of a word, each with its column and its name.
    fn bits(&self) -> impl Iterator<Item = (u64, String)> {
        let of_row = |row: &Row| {
            let line = row.line.map_or_else(|| "a bit without a line".to_owned(), name);
            let columns = row.columns.iter().zip(1..).filter_map(|(column, part)| Some(((*column)?, part)));
            let named = columns.map(|(column, part): (u64, u32)| match self.word {
                _ if self.word.parts() == 1 => (column, line.clone()),
                Word::Beats(_) => (column, format!("{line} in beat {part}")),
                Word::Channels(_) => (column, format!("{line} of channel {}", part - 1)),
            });
            named.collect::<Vec<_>>()
        };
        self.rows.iter().flat_map(of_row)
    }

    fn check(&self) -> Result<(), CodeError> {
        let data = self.lines() & data_lines(64);
        let missing = data_lines(if self.is_for_sub_channels() { 32 } else { 64 }) & !data;
        if missing != 0 {
            return Err(CodeError::Missing { lines: names(missing) });
        }
        let zero: Vec<String> = self.bits().filter(|(column, _)| *column == 0).map(|(_, line)| line).collect();
        if !zero.is_empty() {
            return Err(CodeError::Zero { lines: listed(zero, ", ") });
        }
        match self.kind {
            Kind::SecDed => self.check_sec_ded(),
            Kind::Symbol => self.check_symbols(),
            Kind::Detect => Ok(()),
        }
    }

    /// Distinct columns of odd weight: the sum of two is of even weight and not 0, and so never taken for one. A row of ones
    /// (an overall parity) does the same.
    fn check_sec_ded(&self) -> Result<(), CodeError> {
        let mut bits: Vec<(u64, String)> = self.bits().collect();
        let even = |column: &u64| column.count_ones().is_multiple_of(2);
        let row_of_ones = bits.iter().fold(u64::MAX, |all, (column, _)| all & column) != 0;
        let faults =
            bits.iter().filter(|(column, _)| even(column)).map(|(column, line)| format!("{line} ({column:02x})"));
        let faults: Vec<String> = faults.collect();
        // Sorted by the column alone, so that lines of one column stay in the order of the text.
        bits.sort_by_key(|(column, _)| *column);
        let groups = bits.chunk_by(|one, next| one.0 == next.0).filter(|group| group.len() > 1);
        let equal = groups.map(|group| {
            let lines: Vec<&str> = group.iter().map(|(_, line)| line.as_str()).collect();
            let column = group.first().map_or(0, |(column, _)| *column);
            format!("{} ({column:02x})", lines.join(" and "))
        });
        let equal: Vec<String> = equal.collect();
        if !equal.is_empty() {
            return Err(CodeError::Equal { lines: listed(equal, "; ") });
        }
        if !faults.is_empty() && !row_of_ones {
            return Err(CodeError::Even { lines: listed(faults, ", ") });
        }
        Ok(())
    }

    /// No two symbols share a syndrome, and no error within a symbol is without one.
    fn check_symbols(&self) -> Result<(), CodeError> {
        for (index, one) in self.symbols.iter().enumerate() {
            let mut span = Span::new();
            if !one.vectors.iter().all(|vector| span.put(*vector)) {
                return Err(CodeError::Dependent { symbol: one.told(self.word) });
            }
            for other in self.symbols.iter().skip(index + 1) {
                let mut both = span.clone();
                let apart = other.vectors.iter().filter(|vector| both.put(**vector)).count();
                // A symbol whose own columns depend on each other is told as that, not as an overlap.
                let mut alone = Span::new();
                let own = other.vectors.iter().filter(|vector| alone.put(**vector)).count();
                if apart < own {
                    return Err(CodeError::Overlap { one: one.told(self.word), other: other.told(self.word) });
                }
            }
        }
        Ok(())
    }
}

fn listed(mut faults: Vec<String>, between: &str) -> String {
    let more = faults.len().saturating_sub(NAMED);
    faults.truncate(NAMED);
    let told = faults.join(between);
    if more > 0 { format!("{told}{between}and {more} more") } else { told }
}

fn rows(parts: &Parts<'_>, check_bits: u32, word: Word) -> Result<Vec<Row>, CodeError> {
    let mut seen: u128 = 0;
    let mut rows = Vec::with_capacity(parts.rows.len());
    for (row, words) in &parts.rows {
        let row = *row;
        let mut words = words.iter().copied();
        let line = words.next().unwrap_or_default();
        let no_line = || CodeError::NoLine { row, name: line.to_owned() };
        let bit = match line {
            "-" => None,
            _ => {
                let signal = Signal::parse(line).filter(|signal| signal.sub_channel.is_none()).ok_or_else(no_line)?;
                let bit = bit(signal).ok_or_else(no_line)?;
                if seen >> bit & 1 == 1 {
                    return Err(CodeError::LineTwice { row, line: line.to_owned() });
                }
                seen |= 1 << bit;
                Some(bit)
            }
        };
        let mut columns = Vec::new();
        for text in words {
            let hexadecimal = text.bytes().all(|b| b.is_ascii_hexdigit());
            let number = u64::from_str_radix(text, 16)
                .ok()
                .filter(|n| hexadecimal && n.checked_shr(check_bits).unwrap_or(0) == 0);
            columns.push(match number {
                None if text == "." && bit.is_none() => None,
                None => return Err(CodeError::BadColumn { row, text: text.to_owned(), check_bits }),
                number => number,
            });
        }
        if columns.len() != word.parts() as usize {
            let (line, wanted, found) = (line.to_owned(), word.parts(), columns.len());
            return Err(CodeError::ColumnCount { row, line, wanted, found });
        }
        rows.push(Row { line: bit, columns });
    }
    debug_assert_eq!(seen & !(data_lines(64) | CHECK_LINES), 0, "a mask bit is a data or a check line");
    Ok(rows)
}

/// What the decoder corrects together: each bit for itself, or the bits of so many rows that follow each other.
fn symbols(rows: &[Row], kind: Kind, word: Word, symbol_lines: usize) -> Result<Vec<Symbol>, CodeError> {
    if kind == Kind::Detect {
        return Ok(Vec::new());
    }
    if !rows.len().is_multiple_of(symbol_lines) {
        return Err(CodeError::SymbolRows { rows: rows.len(), lines: symbol_lines });
    }
    let parts = word.parts() as usize;
    let mut symbols = Vec::new();
    for group in rows.chunks(symbol_lines) {
        let lines = group.iter().filter_map(|row| row.line).fold(0, |mask, bit| mask | 1 << bit);
        // Several beats of one device are one symbol; its neighbours on other channels are other devices.
        let together = if kind == Kind::Symbol && matches!(word, Word::Beats(_)) { parts } else { 1 };
        for first in (0..parts).step_by(together) {
            let columns = group.iter().flat_map(|row| row.columns.iter().skip(first).take(together));
            let vectors: Vec<u64> = columns.filter_map(|column| *column).collect();
            let channel = if matches!(word, Word::Channels(_)) { first as u32 } else { 0 };
            if !vectors.is_empty() {
                symbols.push(Symbol { channel, lines, bits_per_line: together as u32, vectors });
            }
        }
    }
    Ok(symbols)
}
