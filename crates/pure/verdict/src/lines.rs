//! Ranges of lines, such as `DQ0-DQ63`: into single names and back.
//!
//! The names are those of the feed; a line that no module has is refused. `criteria` reads ranges, `cover` tells them.

use std::cmp::Reverse;
use vocabulary::Signal;

/// The single lines of a range or of one name, in canonical spelling.
///
/// # Errors
/// Why it names no lines, in words.
pub(crate) fn expand(text: &str) -> Result<Vec<String>, String> {
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    let signal = |name: &str| {
        Signal::parse(&name.trim().to_ascii_uppercase())
            .ok_or_else(|| format!("no module has a line {:?}", name.trim()))
    };
    let (first, last) = (signal(first)?, signal(last)?);
    if (first.kind, first.sub_channel) != (last.kind, last.sub_channel) || first.number > last.number {
        return Err(format!("{text:?} is no range: write it like \"DQ0-DQ63\", the lower number first"));
    }
    Ok((first.number..=last.number).map(|number| Signal { number, ..first }.to_string()).collect())
}

/// Lines as short text: neighbours become ranges.
pub(crate) fn compress(lines: &[String]) -> String {
    let mut signals: Vec<Signal> = lines.iter().filter_map(|line| Signal::parse(line)).collect();
    signals.sort_unstable_by_key(|signal| (signal.sub_channel, Reverse(signal.kind.stem()), signal.number));
    let mut ranges: Vec<(Signal, Signal)> = Vec::new();
    for signal in signals {
        match ranges.last_mut() {
            Some((_, last)) if signal == (Signal { number: last.number + 1, ..*last }) => *last = signal,
            _ => ranges.push((signal, signal)),
        }
    }
    let told = ranges.iter().map(|(from, to)| if from == to { from.to_string() } else { format!("{from}-{to}") });
    let odd = lines.iter().filter(|line| Signal::parse(line).is_none()).cloned();
    told.chain(odd).collect::<Vec<_>>().join(", ")
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
