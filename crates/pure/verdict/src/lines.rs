//! Ranges of lines, such as `DQ0-DQ63`: into single names and back.
//!
//! The names are those of the feed; a line that no module has is refused. `criteria` reads ranges, `cover` tells them.

use feed_lines::canonical_signal;

/// The single lines of a range or of one name, in canonical spelling.
///
/// # Errors
/// Why it names no lines, in words.
pub(crate) fn expand(text: &str) -> Result<Vec<String>, String> {
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    let name =
        |name: &str| canonical_signal(name.trim()).ok_or_else(|| format!("no module has a line {:?}", name.trim()));
    let (first, last) = (name(first)?, name(last)?);
    let (Some(from), Some(to)) = (parts(&first), parts(&last)) else { return Err(format!("{text:?} is no range")) };
    if (from.0, from.2) != (to.0, to.2) || from.1 > to.1 {
        return Err(format!("{text:?} is no range: write it like \"DQ0-DQ63\", the lower number first"));
    }
    Ok((from.1..=to.1).map(|n| format!("{}{n}{}", from.0, from.2)).collect())
}

/// Lines as short text: neighbours become ranges.
pub(crate) fn compress(lines: &[String]) -> String {
    let mut ranges: Vec<(&str, u16, u16, &str)> = Vec::new();
    let mut plain: Vec<String> = Vec::new();
    let mut numbered: Vec<_> = lines.iter().filter_map(|line| parts(line)).collect();
    numbered.sort_unstable_by_key(|(stem, n, tail)| (*tail, std::cmp::Reverse(*stem), *n));
    for (stem, n, tail) in numbered {
        match ranges.last_mut() {
            Some((s, _, last, t)) if *s == stem && *t == tail && n == last.saturating_add(1) => *last = n,
            _ => ranges.push((stem, n, n, tail)),
        }
    }
    for (stem, from, to, tail) in ranges {
        plain.push(if from == to {
            format!("{stem}{from}{tail}")
        } else {
            format!("{stem}{from}{tail}-{stem}{to}{tail}")
        });
    }
    plain.extend(lines.iter().filter(|line| parts(line).is_none()).cloned());
    plain.join(", ")
}

/// The letters, the number and the sub-channel.
fn parts(line: &str) -> Option<(&str, u16, &str)> {
    let digits = line.find(|c: char| c.is_ascii_digit())?;
    let (stem, rest) = line.split_at_checked(digits)?;
    let end = rest.find('_').unwrap_or(rest.len());
    let (number, tail) = rest.split_at_checked(end)?;
    Some((stem, number.parse().ok()?, tail))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back() {
        // JESD79-4 based modules: DQ0-63 and CB0-7; JESD79-5: two sub-channels.
        for (range, count) in [("DQ0-DQ63", 64), ("CB0-CB7", 8), ("DQ0_A-DQ31_A", 32), ("DQ7", 1), ("DQS0-DQS17", 18)] {
            let lines = expand(range).unwrap();
            assert_eq!((lines.len(), compress(&lines).as_str()), (count, range));
        }
        assert_eq!(expand(" dq4 - dq6 ").unwrap(), ["DQ4", "DQ5", "DQ6"]);
        let mixed: Vec<String> = ["CB1", "DQ3", "DQ1", "DQ2", "odd", "CB0_B"].map(str::to_owned).into();
        assert_eq!(compress(&mixed), "DQ1-DQ3, CB1, CB0_B, odd");
    }

    #[test]
    fn no_ranges() {
        for (text, why) in [
            ("DQ0-DQ64", "no module has a line \"DQ64\""),
            ("DQ5-DQ2", "lower number first"),
            ("DQ0-CB7", "is no range"),
            ("DQ0_A-DQ3_B", "is no range"),
            ("", "no module has a line \"\""),
            ("DQ0-", "no module has a line \"\""),
            ("DQ0-DQ1-DQ2", "no module has a line \"DQ1-DQ2\""),
        ] {
            let told = expand(text).unwrap_err();
            assert!(told.contains(why), "{text}: {told}");
        }
    }
}
