//! Tables for people: the same rows as the JSON, in 100 columns, with the words that a newcomer needs below.
//!
//! What every table shares is here: the grid, dates, milliseconds, counted words. Each table has a file of its own. Nothing
//! in them asks the database, and every string that comes from outside goes through [`crate::printable`].

mod clock;
mod gaps;
mod plan;
mod rails;
mod reports;
mod run;
mod runs;
mod shots;
mod slots;
mod verdict;
mod why;

pub use self::verdict::verdict_table;
pub use clock::clock_table;
pub use gaps::gaps_table;
pub use plan::plan_table;
pub use rails::rails_table;
pub use reports::{orphans_table, reports_table};
pub use run::run_text;
pub use runs::runs_table;
pub use shots::shots_table;
pub use slots::slots_table;
pub use why::why_table;

use crate::printable;
use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle, Width};

/// What a terminal, a mail and a printed page all hold.
const WIDTH: u16 = 100;

/// The widest that a name's column becomes; longer names take several lines.
const NAME_WIDTH: u16 = 24;

/// How a column is set.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Set {
    /// Numbers: to the right, never broken.
    Number,
    /// A short word, never broken.
    Word,
    /// A name: as wide as it needs, up to a bound.
    Name,
    /// Text that takes the room that the others leave.
    Text,
}

/// A grid with a rule below its heading.
fn grid<const N: usize>(columns: [(&str, Set); N], rows: Vec<[String; N]>) -> String {
    let mut table = Table::new();
    let rule = LineStyle::none().fill('-').junction('-');
    table
        .load_style(TableStyle::new().header_separator(rule))
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(WIDTH)
        .set_header(columns.map(|(heading, _)| heading));
    table.add_rows(rows);
    let needs = table.column_max_content_widths();
    for ((column, (_, set)), need) in table.column_iter_mut().zip(columns).zip(needs) {
        // With the blank that stands for the line between columns, two blanks.
        let padding = 1;
        column.set_padding((0, padding));
        match set {
            Set::Text => {}
            Set::Name => {
                let width = need.min(NAME_WIDTH) + padding;
                column.set_constraint(ColumnConstraint::Absolute(Width::Fixed(width)));
            }
            Set::Word | Set::Number => {
                column.set_constraint(ColumnConstraint::ContentWidth);
            }
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

/// The table with what its words mean below: of the words given, those that it uses.
fn with_legend<const N: usize>(mut table: String, words: [(&str, &str); N]) -> String {
    let used: Vec<_> = words.into_iter().filter(|(word, _)| mentions(&table, word)).collect();
    let width = used.iter().map(|(word, _)| word.chars().count()).max().unwrap_or(0);
    table.push('\n');
    for (word, means) in used {
        table += &wrapped(&format!("{word:width$}  {means}"), width + 2);
    }
    table
}

/// Whether the text has the word, also in its plural, and not merely as the beginning of another one.
fn mentions(text: &str, word: &str) -> bool {
    text.match_indices(word).any(|(at, _)| {
        let behind = text.get(at + word.len()..).unwrap_or_default();
        let letters = behind.find(|c: char| !c.is_alphabetic()).unwrap_or(behind.len());
        matches!(behind.get(..letters), Some("" | "s" | "es"))
    })
}

/// The words that several tables use, so that they mean the same in all of them.
mod means {
    pub(super) const SHOT: (&str, &str) = ("shot", "one time in which the injector really forced lines");
    pub(super) const DETECTED: (&str, &str) = ("detected", "the kernel reported an error that fits the shot");
    pub(super) const MISSED: (&str, &str) =
        ("missed", "it reported none although everything was watched: reporting failed");
    pub(super) const UNKNOWABLE: (&str, &str) =
        ("unknowable", "not everything was watched, so the shot counts neither as detected nor as missed");
    pub(super) const UNWATCHED: (&str, &str) = (
        "unwatched",
        "detected, but not everything was watched: unreported it would have been unknowable, so a verdict leaves it out",
    );
    pub(super) const OPEN: (&str, &str) = ("open", "not settled yet: reports may still come");
    pub(super) const BLAMED: (&str, &str) =
        ("blamed on", "the kernel reported the shot as an error of that slot, which was not injected");
    pub(super) const MISGRADED: (&str, &str) =
        ("misgraded", "reported as corrected or as not corrected where a working machine would not say so");
    pub(super) const DANGEROUS: (&str, &str) = (
        "dangerous",
        "reported as corrected, but so many lines were forced that the code may have taken them for another one: data may be wrong, no pass",
    );
    pub(super) const LATE: (&str, &str) = ("late", "detected, but after the deadline of this run");
    pub(super) const ESTIMATED: (&str, &str) = (
        "estimated",
        "the mean of the shots' probabilities of detection: nearer to the truth than counting where answers are unsure",
    );
    pub(super) const UNSURE: (&str, &str) =
        ("unsure", "the answer about the shot, which report is its or that none is, is less than 90 % sure");
    pub(super) const GUESSED: (&str, &str) = ("guessed", "unsure, and more likely wrong than right");
    pub(super) const LATENCY: (&str, &str) =
        ("latency", "from the beginning of the shot to its report, as far as that is proven");
    pub(super) const KNOWN_TO: (&str, &str) =
        ("known to", "the least latency that is possible is less than `latency` by so much");
    pub(super) const ECHO: (&str, &str) = ("echo", "a further report of a shot that was detected already");
    pub(super) const ORPHAN: (&str, &str) =
        ("orphan", "a report that no shot explains: perhaps a module that fails on its own");
    pub(super) const GAP: (&str, &str) =
        ("gap", "a time in which a source lost data or was not read; a shot in it can be unknowable");
    pub(super) const ERRORS: (&str, &str) =
        ("errors", "how many the report stands for, and how bad; 1+ where the kernel did not say how many");
}

/// Milliseconds with two decimals.
fn ms(ns: i64) -> String {
    format!("{:.2}", ns as f64 / 1e6)
}

/// A length of time in the unit that suits it.
fn length(ns: i64) -> String {
    let seconds = ns as f64 / 1e9;
    if seconds < 0.001 {
        format!("{:.3} ms", seconds * 1e3)
    } else if seconds < 1.0 {
        format!("{:.1} ms", seconds * 1e3)
    } else if seconds < 120.0 {
        format!("{seconds:.1} s")
    } else if seconds < 7200.0 {
        format!("{:.1} min", seconds / 60.0)
    } else {
        format!("{:.1} h", seconds / 3600.0)
    }
}

/// A date as people read it; where a boot has no measured clock pair, the seconds since that boot.
fn date(rfc3339: Option<&str>, boot: i64, at_ns: i64) -> String {
    match rfc3339 {
        Some(date) => format!("{} UTC", plain_date(date)),
        None => format!("boot {boot} + {:.3} s", at_ns as f64 / 1e9),
    }
}

/// A column of dates: the day stands in the heading where all rows have the same, and in every row otherwise.
fn dates<'r>(
    heading: &str,
    rows: impl Iterator<Item = (Option<&'r str>, i64, i64)>,
) -> (String, impl Iterator<Item = String>) {
    let all: Vec<String> = rows.map(|(rfc3339, boot, at_ns)| date(rfc3339, boot, at_ns)).collect();
    let day_of = |date: &str| date.strip_suffix(" UTC").and_then(|d| d.split_once(' ')).map(|(day, _)| day.to_owned());
    let day = all.first().and_then(|d| day_of(d)).filter(|day| all.iter().all(|d| day_of(d).as_ref() == Some(day)));
    let heading = match &day {
        Some(day) => format!("{heading}\n{day} UTC"),
        None => format!("{heading}\nUTC"),
    };
    let prefix = day.map(|day| day + " ").unwrap_or_default();
    let cells = all.into_iter().map(move |date| {
        let short = date.strip_prefix(&prefix).unwrap_or(&date);
        short.strip_suffix(" UTC").unwrap_or(short).to_owned()
    });
    (heading, cells)
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

/// A name or a dash. Names of slots with several ranks take a line a rank.
fn name(name: Option<&str>) -> String {
    name.map_or_else(|| "-".to_owned(), |name| printable(name).replace(" + ", " +\n"))
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
    fn a_word_is_explained_where_it_is_used() {
        for (text, word, is) in [("latency 3", "late", false), ("3 late,", "late", true), ("2 echoes", "echo", true)] {
            assert_eq!(mentions(text, word), is, "{word} in {text}");
        }
    }

    #[test]
    fn long_text_is_wrapped_below_its_beginning() {
        let text = wrapped(&format!("word  {}", "abcdefghi ".repeat(20).trim_end()), 6);
        assert!(text.lines().count() == 3 && text.lines().all(|l| l.len() <= 100), "{text}");
        assert!(text.lines().skip(1).all(|l| l.starts_with("      a")), "{text}");
    }
}
