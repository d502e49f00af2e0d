//! Expectations against plain enumeration: every set of lines that can be wrong, one by one, through the decoder.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use ecc::{Burst, Choice, Code, Decoded, Outcomes, Override, SlotCode, SlotFacts, Syndromes, Word};
use proptest::prelude::*;
use std::collections::BTreeSet;
use vocabulary::Force;

const MATRICES: [&str; 8] = [
    "hsiao-72-64",
    "hamming-72-64",
    "nxp-72-64",
    "hsiao-40-32",
    "hsiao-36-32-two-beats",
    "detect-36-32",
    "amd-x4",
    "amd-x8",
];

/// One bit of a word: its column, and the symbol that it is in.
#[derive(Clone, Copy)]
struct Bit {
    column: u64,
    symbol: Option<usize>,
}

/// The bits that a line has in a word. Only `columns` and `symbols` of the code are used, not how the crate counts.
fn bits(code: &Code, line: &str, channel: usize) -> Vec<Bit> {
    let columns = code.columns(line);
    let own = match code.word() {
        Word::Beats(_) => columns,
        Word::Channels(_) => vec![columns[channel]],
    };
    let symbol = |column| code.symbols().iter().position(|symbol| symbol.vectors().contains(&column));
    own.into_iter().map(|column| Bit { column, symbol: symbol(column) }).collect()
}

/// What becomes of a word in which exactly these bits are wrong.
fn decoded(code: &Code, wrong: &[Bit]) -> Outcomes {
    let syndrome = wrong.iter().fold(0, |sum, bit| sum ^ bit.column);
    let mut outcome = Outcomes::default();
    *match code.decode(syndrome) {
        Decoded::Clean if wrong.is_empty() => &mut outcome.none,
        Decoded::Clean => &mut outcome.silent,
        Decoded::Uncorrectable => &mut outcome.uncorrected,
        Decoded::Corrects(symbol) => {
            let index = code.symbols().iter().position(|known| known == symbol);
            // The decoder changes the bits of one symbol so that the syndrome is 0; that is right if all wrong bits were there.
            if wrong.iter().all(|bit| bit.symbol == index) { &mut outcome.corrected } else { &mut outcome.miscorrected }
        }
    } = 1.0;
    outcome
}

fn add(sum: &mut Outcomes, outcome: Outcomes, weight: f64) {
    sum.none += outcome.none * weight;
    sum.corrected += outcome.corrected * weight;
    sum.uncorrected += outcome.uncorrected * weight;
    sum.miscorrected += outcome.miscorrected * weight;
    sum.silent += outcome.silent * weight;
}

/// All sets of the random bits, with the fixed ones.
fn enumerated(code: &Code, fixed: &[Bit], random: &[Bit]) -> (Outcomes, BTreeSet<u64>) {
    let mut sum = Outcomes::default();
    let mut syndromes = BTreeSet::new();
    let sets = 1_u32 << random.len();
    for set in 0..sets {
        let chosen = random.iter().enumerate().filter(|(n, _)| set >> n & 1 == 1).map(|(_, bit)| *bit);
        let wrong: Vec<Bit> = fixed.iter().copied().chain(chosen).collect();
        add(&mut sum, decoded(code, &wrong), 1.0 / f64::from(sets));
        syndromes.insert(wrong.iter().fold(0, |sum, bit| sum ^ bit.column));
    }
    syndromes.remove(&0);
    (sum, syndromes)
}

fn close(found: Outcomes, expected: Outcomes) {
    let parts = |o: Outcomes| [o.none, o.corrected, o.uncorrected, o.miscorrected, o.silent];
    for (found, expected) in parts(found).into_iter().zip(parts(expected)) {
        assert!((found - expected).abs() < 1e-12 && found >= 0.0, "{found} is not {expected}");
        assert_eq!(found > 0.0, expected > 0.0);
    }
}

fn line(code: &Code, pick: usize) -> String {
    let all = (0..64).map(|n| format!("DQ{n}")).chain((0..8).map(|n| format!("CB{n}")));
    let known: Vec<String> = all.filter(|line| !code.columns(line).is_empty()).collect();
    // Half of the picks are close together, so that devices are hit as a whole.
    known[if pick.is_multiple_of(2) { pick % known.len() } else { pick / 2 % 8 }].clone()
}

/// The lines of a strobe on a module with x4 devices.
fn latched(code: &Code, strobe: usize) -> Vec<String> {
    let lanes = if code.columns("DQ63").is_empty() { 4 } else { 8 };
    let (lane, high) = (strobe % (lanes + 1), strobe / (lanes + 1));
    (0..4)
        .map(|n| if lane < lanes { format!("DQ{}", lane * 8 + high * 4 + n) } else { format!("CB{}", high * 4 + n) })
        .filter(|line| !code.columns(line).is_empty())
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn a_word_is_what_the_enumeration_says(
        which in 0..MATRICES.len(),
        picks in prop::collection::btree_set(0_usize..720, 1..6),
        strobe in prop::option::of(0_usize..10),
        force in prop::sample::select(vec![None, Some(Force::Low), Some(Force::High), Some(Force::Invert)]),
        channel in 0_u16..2,
    ) {
        let code = Code::builtin(MATRICES[which]).unwrap();
        let mut lines: BTreeSet<String> = picks.into_iter().map(|pick| line(&code, pick)).collect();
        let latched: BTreeSet<String> = strobe.iter().flat_map(|n| latched(&code, *n)).collect();
        if code.columns(lines.first().unwrap()).len() > 1 && strobe.is_some() {
            lines = lines.into_iter().take(2).collect();
        }
        // Not all matrices have so many check lines as strobes.
        let strobe = strobe.filter(|_| !latched.is_empty());
        let of = |line: &String| bits(&code, line, usize::from(channel));
        let (fixed, random): (Vec<&String>, Vec<&String>) = lines
            .union(&latched)
            .partition(|line| force == Some(Force::Invert) && !latched.contains(*line));
        let fixed: Vec<Bit> = fixed.into_iter().flat_map(of).collect();
        let random: Vec<Bit> = random.into_iter().flat_map(of).collect();
        let (expected, syndromes) = enumerated(&code, &fixed, &random);

        let facts = SlotFacts { channel: Some(channel), ..SlotFacts::default() };
        let chosen = Override { code: Some(Choice::matrix(code.clone())), device_lines: Some(4) };
        let slot = SlotCode::of(&facts, &chosen).unwrap();
        let end = if code.columns("DQ63").is_empty() { "_B" } else { "" };
        let strobe = strobe.map(|n| format!("DQS{n}"));
        let named: Vec<String> = lines.iter().chain(&strobe).map(|line| format!("{line}{end}")).collect();
        let found = slot.expect(&named, force).unwrap();
        close(found.word.unwrap(), expected);
        prop_assert_eq!(found.may_report.corrected, expected.corrected + expected.miscorrected > 0.0);
        prop_assert_eq!(found.may_report.not_corrected, expected.uncorrected > 0.0);
        prop_assert_eq!(found.may_report.nothing, expected.none + expected.silent > 0.0);
        match slot.syndromes(&named, force).unwrap() {
            Syndromes::These(these) => prop_assert_eq!(these, syndromes.into_iter().collect::<Vec<_>>()),
            Syndromes::TooMany => prop_assert!(syndromes.len() > 255),
            Syndromes::NotKnown => prop_assert_eq!(code.name(), "amd-x8"),
        }
        check_burst(expected, found.burst.unwrap());
    }

    #[test]
    fn promises_are_kept_line_by_line(picks in prop::collection::btree_set(0_u32..64, 1..9), invert in any::<bool>()) {
        let lines: Vec<String> = picks.iter().map(|n| format!("DQ{n}")).collect();
        let force = Some(if invert { Force::Invert } else { Force::High });
        let expect = |name: &str| {
            let chosen = Override { code: Some(Choice::named(name).unwrap()), device_lines: Some(4) };
            SlotCode::of(&SlotFacts::default(), &chosen).unwrap().expect(&lines, force).unwrap().word.unwrap()
        };
        // All sets of wrong lines, and in two beats for the codes of devices.
        let (mut single, mut one_device, mut two_devices, mut none) = (0.0, 0.0, 0.0, 0.0);
        let sets = if invert { 1 } else { 1_u32 << lines.len() };
        for set in 0..sets {
            let wrong: Vec<u32> =
                picks.iter().enumerate().filter(|(n, _)| invert || set >> n & 1 == 1).map(|(_, line)| *line).collect();
            single += f64::from(u8::from(wrong.len() == 1)) / f64::from(sets);
            none += f64::from(u8::from(wrong.is_empty())) / f64::from(sets);
        }
        let devices: BTreeSet<u32> = picks.iter().map(|line| line / 4).collect();
        let clean = |device: &u32| {
            let own = picks.iter().filter(|line| **line / 4 == *device).count() as i32;
            if invert { 0.0 } else { 0.25_f64.powi(own) }
        };
        for set in 0..1_u32 << devices.len() {
            let p: f64 = devices.iter().enumerate()
                .map(|(n, device)| if set >> n & 1 == 1 { 1.0 - clean(device) } else { clean(device) })
                .product();
            one_device += if set.count_ones() == 1 { p } else { 0.0 };
            two_devices += if set.count_ones() == 2 { p } else { 0.0 };
        }
        let near = |found: f64, expected: f64| prop_assert_near(found, expected);
        let sec_ded = expect("sec-ded");
        near(sec_ded.none, none)?;
        near(sec_ded.corrected, single)?;
        let devices = expect("single-device-double-detect");
        near(devices.corrected, one_device)?;
        prop_assert!(devices.uncorrected >= two_devices - 1e-12);
        for word in [sec_ded, devices, expect("single-device"), expect("detect"), expect("parity"), expect("none")] {
            near(word.none + word.corrected + word.uncorrected + word.miscorrected + word.silent, 1.0)?;
        }
    }
}

fn prop_assert_near(found: f64, expected: f64) -> Result<(), TestCaseError> {
    prop_assert!((found - expected).abs() < 1e-12, "{} is not {}", found, expected);
    Ok(())
}

/// A burst's probabilities from all sequences of its words, for as many words as can be tried.
fn check_burst(word: Outcomes, burst: Burst) {
    let parts = [word.none, word.corrected, word.uncorrected, word.miscorrected, word.silent];
    let words = burst.words.min(4);
    let (mut clean, mut nothing, mut corrected, mut uncorrected, mut rightly) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for sequence in 0..5_usize.pow(words) {
        let of: Vec<usize> = (0..words).map(|n| sequence / 5_usize.pow(n) % 5).collect();
        let p: f64 = of.iter().map(|kind| parts[*kind]).product();
        let any = |kinds: &[usize]| of.iter().any(|kind| kinds.contains(kind));
        clean += if any(&[1, 2, 3, 4]) { 0.0 } else { p };
        nothing += if any(&[1, 2, 3]) { 0.0 } else { p };
        uncorrected += if any(&[2]) { p } else { 0.0 };
        corrected += if any(&[1, 3]) && !any(&[2]) { p } else { 0.0 };
        rightly += if any(&[1]) && !any(&[2, 3, 4]) { p } else { 0.0 };
    }
    if words == burst.words {
        let found = [burst.clean, burst.nothing, burst.corrected, burst.uncorrected, burst.corrected_rightly];
        for (found, expected) in found.into_iter().zip([clean, nothing, corrected, uncorrected, rightly]) {
            assert!((found - expected).abs() < 1e-12, "{found} is not {expected}");
        }
    } else {
        let all = |p: f64| p.powi(burst.words as i32);
        assert!((burst.clean - all(word.none)).abs() < 1e-12);
        assert!((burst.nothing - all(word.none + word.silent)).abs() < 1e-12);
        assert!((burst.uncorrected - (1.0 - all(1.0 - word.uncorrected))).abs() < 1e-12);
        assert!((burst.nothing + burst.corrected + burst.uncorrected - 1.0).abs() < 1e-12);
        assert!(burst.corrected_rightly <= burst.corrected + 1e-12);
    }
}
