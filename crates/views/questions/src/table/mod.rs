//! Tables for people: the same rows as the JSON, in 100 columns, with the words that a newcomer needs below.
//!
//! What every table shares is here: the grid, dates, milliseconds, counted words. Each table has a file of its own. Nothing
//! in them asks the database, and every string that comes from outside goes through [`crate::printable`].

mod gaps;
mod reports;
mod run;
mod runs;
mod shots;
mod slots;

pub use gaps::gaps_table;
pub use reports::{orphans_table, reports_table};
pub use run::run_text;
pub use runs::runs_table;
pub use shots::shots_table;
pub use slots::slots_table;

use crate::printable;
use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle};

/// What a terminal, a mail and a printed page all hold.
const WIDTH: u16 = 100;

/// How a column is set.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Set {
    /// Numbers: to the right, never broken.
    Number,
    /// A short word, never broken.
    Word,
    /// Text that may take several lines.
    Text,
}

/// A grid with a rule below its heading.
fn grid<const N: usize>(columns: [(&str, Set); N], rows: impl IntoIterator<Item = [String; N]>) -> String {
    let mut table = Table::new();
    let rule = LineStyle::none().fill('-').junction('-');
    table
        .load_style(TableStyle::new().header_separator(rule))
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(WIDTH)
        .set_header(columns.map(|(heading, _)| heading));
    for row in rows {
        table.add_row(row);
    }
    for (column, (_, set)) in table.column_iter_mut().zip(columns) {
        column.set_padding((0, 2));
        if set != Set::Text {
            column.set_constraint(ColumnConstraint::ContentWidth);
        }
        if set == Set::Number {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let mut text = table.trim_fmt();
    text.push('\n');
    text
}

/// Text in lines of at most 100 characters, of which the second and further ones begin with `indent` spaces.
fn wrapped(text: &str, indent: usize) -> String {
    let mut out = String::new();
    let mut width = 0;
    for word in text.split(' ') {
        let length = word.chars().count();
        if width > indent && width + 1 + length > usize::from(WIDTH) {
            out.push('\n');
            out.extend(std::iter::repeat_n(' ', indent));
            width = indent;
        } else if width > 0 {
            out.push(' ');
            width += 1;
        }
        out.push_str(word);
        width += length;
    }
    out.push('\n');
    out
}

/// What the words above mean: a word and its sentence a line.
fn legend<const N: usize>(lines: [(&str, &str); N]) -> String {
    let word_width = lines.iter().map(|(word, _)| word.chars().count()).max().unwrap_or(0);
    lines.iter().map(|(word, means)| wrapped(&format!("{word:word_width$}  {means}"), word_width + 2)).collect()
}

/// Milliseconds with two decimals.
fn ms(ns: i64) -> String {
    format!("{:.2}", ns as f64 / 1e6)
}

/// A length of time in the unit that suits it.
fn length(ns: i64) -> String {
    let seconds = ns as f64 / 1e9;
    match ns {
        ..1_000_000 => format!("{:.3} ms", seconds * 1e3),
        ..1_000_000_000 => format!("{:.1} ms", seconds * 1e3),
        ..120_000_000_000 => format!("{seconds:.1} s"),
        ..7_200_000_000_000 => format!("{:.1} min", seconds / 60.0),
        _ => format!("{:.1} h", seconds / 3600.0),
    }
}

/// A date as people read it; where a boot has no measured clock pair, the seconds since that boot.
fn date(rfc3339: Option<&str>, boot: i64, at_ns: i64) -> String {
    match rfc3339 {
        Some(date) => plain_date(date),
        None => format!("boot {boot} + {:.3} s", at_ns as f64 / 1e9),
    }
}

/// RFC 3339 in UTC without its T and Z.
fn plain_date(rfc3339: &str) -> String {
    rfc3339.trim_end_matches('Z').replacen('T', " ", 1)
}

/// A fraction in percent with two decimals, rounded so that only all is 100 and only none is 0.
fn percent(part: f64) -> String {
    let hundredths = (part * 1e4).round();
    let shown = if part < 1.0 { hundredths.min(9999.0) } else { hundredths };
    let shown = if part > 0.0 { shown.max(1.0) } else { shown };
    format!("{:.2} %", shown / 100.0)
}

/// `1 shot`, `2 shots`.
fn counted(n: i64, one: &str, several: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { several })
}

/// A name or a dash.
fn name_or_dash(name: Option<&str>) -> String {
    name.map_or_else(|| "-".to_owned(), printable)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_all_is_100_percent_and_only_none_is_0() {
        let table = [(1.0, "100.00 %"), (0.999_999, "99.99 %"), (0.5, "50.00 %"), (1e-9, "0.01 %"), (0.0, "0.00 %")];
        for (part, text) in table {
            assert_eq!(percent(part), text);
        }
    }

    #[test]
    fn lengths_have_the_unit_that_suits() {
        let table = [
            (20_000, "0.020 ms"),
            (1_500_000, "1.5 ms"),
            (2_000_000_000, "2.0 s"),
            (600_000_000_000, "10.0 min"),
            (36_000_000_000_000, "10.0 h"),
        ];
        for (ns, text) in table {
            assert_eq!(length(ns), text);
        }
    }

    #[test]
    fn long_text_is_wrapped_below_its_beginning() {
        let text = wrapped(&format!("word  {}", "abcdefghi ".repeat(20).trim_end()), 6);
        assert!(text.lines().count() == 3 && text.lines().all(|l| l.len() <= 100), "{text}");
        assert!(text.lines().skip(1).all(|l| l.starts_with("      a")), "{text}");
    }
}
