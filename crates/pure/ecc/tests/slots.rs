//! From the kernel's words and the configuration to a slot's code; lines that a module has and has not; what cannot be.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use ecc::{
    Choice, ChosenBy, Classes, Code, Expectation, LineError, Override, SlotCode, SlotError, SlotFacts, Syndromes,
};
use vocabulary::{Class, Force};

fn facts(edac_mode: &'static str, dev_type: &'static str, mem_type: &'static str) -> SlotFacts<'static> {
    SlotFacts { edac_mode: Some(edac_mode), dev_type: Some(dev_type), mem_type: Some(mem_type), channel: Some(1) }
}

fn by_driver(edac_mode: &'static str, dev_type: &'static str, mem_type: &'static str) -> SlotCode {
    SlotCode::of(&facts(edac_mode, dev_type, mem_type), &Override::default()).unwrap()
}

fn by_configuration(slot: &SlotFacts<'_>, name: &str, device_lines: Option<u8>) -> Result<SlotCode, SlotError> {
    SlotCode::of(slot, &Override { code: Some(Choice::named(name)?), device_lines })
}

fn inverted(slot: &SlotCode, lines: &[&str]) -> Classes {
    slot.expect(lines, Some(Force::Invert)).unwrap().may_report
}

const CORRECTED: Classes = Classes { corrected: true, not_corrected: false, nothing: false };
const NOT_CORRECTED: Classes = Classes { corrected: false, not_corrected: true, nothing: false };
const EITHER: Classes = Classes { corrected: true, not_corrected: true, nothing: false };

#[test]
fn the_configuration_goes_before_the_driver() {
    // skx_common.c names SECDED for every module, and remarks that the real mode is probably better.
    let slot = facts("SECDED", "x4", "Registered-DDR4");
    let believed = SlotCode::of(&slot, &Override::default()).unwrap();
    assert_eq!(
        (believed.name(), believed.chosen_by(), believed.device_lines()),
        ("sec-ded", ChosenBy::Driver, Some(4))
    );
    assert_eq!(inverted(&believed, &["DQ4", "DQ5"]), NOT_CORRECTED);
    let told = by_configuration(&slot, "single-device-double-detect", None).unwrap();
    assert_eq!(told.chosen_by(), ChosenBy::Configuration);
    assert_eq!(inverted(&told, &["DQ4", "DQ5"]), CORRECTED);
    assert_eq!(inverted(&told, &["DQ3", "DQ4"]), NOT_CORRECTED);
    assert_eq!(inverted(&told, &["DQ3", "DQ4", "DQ8"]), EITHER);
    assert_eq!(
        [CORRECTED, NOT_CORRECTED, EITHER].map(Classes::only),
        [Some(Class::Corrected), Some(Class::NotCorrected), None]
    );
    assert!(
        EITHER.allows(Class::Corrected) && EITHER.allows(Class::NotCorrected) && !CORRECTED.allows(Class::NotCorrected)
    );
    // The same with devices of another width than the kernel says.
    let wider = by_configuration(&slot, "single-device", Some(8)).unwrap();
    assert_eq!(inverted(&wider, &["DQ3", "DQ4"]), CORRECTED);
    assert_eq!(inverted(&wider, &["DQ7", "DQ8"]), EITHER);
}

#[test]
fn what_nobody_knows_stays_unknown() {
    for (mode, memory) in
        [("Unknown", "Registered-DDR4"), ("Reserved", "Unknown"), ("", ""), ("S3ECD3ED", "Registered-DDR5")]
    {
        let slot = by_driver(mode, "Unknown", memory);
        assert_eq!((slot.name(), slot.chosen_by()), ("unknown", ChosenBy::Nobody));
        let end = if memory.ends_with('5') { "_A" } else { "" };
        assert_eq!(slot.expect(&[format!("DQ1{end}")], Some(Force::Low)), Ok(Expectation::unknown()), "{mode}");
        assert_eq!(slot.syndromes(&[format!("DQ1{end}")], None), Ok(Syndromes::NotKnown));
        // Lines are looked at even so.
        assert!(slot.expect(&["DQ99"], None).is_err());
    }
    assert_eq!(SlotCode::of(&SlotFacts::default(), &Override::default()).unwrap().chosen_by(), ChosenBy::Nobody);
    // Memory without such lines, whatever the driver says of its code.
    for memory in ["High-bandwidth-memory-Gen2", "Low-Power-DDR4-RAM", "Non-volatile-RAM", "FullyBuffered-DDR2"] {
        assert_eq!(by_driver("SECDED", "x8", memory).name(), "unknown", "{memory}");
    }
    // Nothing is known of an injection that names no lines.
    let no_lines: [&str; 0] = [];
    let slot = by_driver("SECDED", "x8", "Registered-DDR4");
    assert_eq!(slot.expect(&no_lines, Some(Force::Low)), Ok(Expectation::unknown()));
    let unknown = Expectation::unknown();
    assert_eq!((unknown.shot(1_000_000, 1e6), unknown.corrected_first(), unknown.dangerous()), (None, None, false));
}

#[test]
fn sub_channels_of_ddr5() {
    let slot = by_driver("SECDED", "x8", "Registered-DDR5");
    assert_eq!(inverted(&slot, &["DQ31_A"]), CORRECTED);
    assert_eq!(inverted(&slot, &["DQ31_A", "CB0_A"]), NOT_CORRECTED);
    // One line in each: two words with one wrong bit each, and not one with two.
    let both = slot.expect(&["DQ0_A", "DQ1_B"], Some(Force::Invert)).unwrap();
    assert_eq!((both.may_report, both.share), (CORRECTED, 1.0));
    // One word of A is corrected, one of B is not: reads go to either.
    let mixed = slot.expect(&["DQ0_A", "DQ1_B", "DQ2_B"], Some(Force::Invert)).unwrap();
    assert_eq!((mixed.may_report, mixed.corrected_first()), (EITHER, Some(0.5)));
    assert!(!mixed.dangerous());
    // All of an x8 device, by its strobe: 16 beats in each of which 8 lines are as good as random.
    let strobe = slot.expect(&["DQS4_B"], None).unwrap();
    assert_eq!((strobe.burst.unwrap().words, strobe.word.unwrap().none), (16, 1.0 / 256.0));
}

#[test]
fn lines_that_the_module_does_not_have() {
    let ddr4 = by_driver("SECDED", "x8", "Unbuffered-DDR4");
    let ddr5 = by_driver("SECDED", "x4", "Unbuffered-DDR5");
    let narrow = by_configuration(&facts("SECDED", "x4", "Registered-DDR5"), "hsiao-36-32-two-beats", None).unwrap();
    let either = by_driver("SECDED", "Unknown", "Unknown");
    let rows: [(&SlotCode, &[&str], &str); 9] = [
        (
            &ddr4,
            &["DQ3", "DQ64"],
            "\"DQ64\" is no signal of a memory module, such as DQ3, CB0 or DQS8, or DQ3_A on DDR5",
        ),
        (&ddr4, &["A7"], "\"A7\" is no signal of a memory module, such as DQ3, CB0 or DQS8, or DQ3_A on DDR5"),
        (&ddr4, &["DQS9"], "the module has no DQS9; it has DQ0 to DQ63, CB0 to CB7, DQS0 to DQS8"),
        (
            &ddr4,
            &["DQ3_A"],
            "DQ3_A names a sub-channel, which only DDR5 modules have; this module has DQ0 to DQ63, CB0 to CB7, DQS0 to DQS8",
        ),
        (
            &ddr5,
            &["CB3"],
            "CB3 does not say which sub-channel; this module has CB3_A and CB3_B, so name one of these or both",
        ),
        (&ddr5, &["DQ40"], "the module has no DQ40; it has DQ0 to DQ31, CB0 to CB7, DQS0 to DQS9, each with _A or _B"),
        (
            &narrow,
            &["CB4_A"],
            "the module has no CB4_A; it has DQ0 to DQ31, CB0 to CB3, DQS0 to DQS8, each with _A or _B",
        ),
        (&either, &["DQ3", "DQ3_B"], "DQ3_B and DQ3 cannot be on one module: only one of them names a sub-channel"),
        (&either, &["DQ3_B", "DQ3"], "DQ3 and DQ3_B cannot be on one module: only one of them names a sub-channel"),
    ];
    for (slot, lines, message) in rows {
        assert_eq!(slot.expect(lines, Some(Force::Low)).unwrap_err().to_string(), message);
        assert_eq!(slot.syndromes(lines, None).unwrap_err().to_string(), message);
    }
    // Where the kernel does not say what the module is, the lines do.
    assert_eq!(inverted(&either, &["DQ40"]), CORRECTED);
    assert_eq!(inverted(&either, &["DQ3_B"]), CORRECTED);
    assert!(matches!(ddr5.expect(&["DQ5"], None), Err(LineError::WhichSubChannel { .. })));
}

#[test]
fn codes_that_a_slot_cannot_have() {
    let ddr4 = facts("SECDED", "Unknown", "Registered-DDR4");
    let ddr5 = facts("SECDED", "x4", "Registered-DDR5");
    let message =
        |result: Result<SlotCode, SlotError>| result.map(|code| code.name().to_owned()).unwrap_err().to_string();
    assert_eq!(
        message(by_configuration(&ddr4, "hsiao-40-32", None)),
        "the code hsiao-40-32 has words of 32 data lines, and Registered-DDR4 has words of 64"
    );
    assert_eq!(
        message(by_configuration(&ddr5, "nxp-72-64", None)),
        "the code nxp-72-64 has words of 64 data lines, and Registered-DDR5 has words of 32"
    );
    assert_eq!(message(by_configuration(&ddr4, "sec-ded", Some(5))), "devices have 4, 8 or 16 data lines, not 5");
    assert_eq!(
        message(by_configuration(&ddr4, "single-device", None)),
        "a code that corrects devices needs their width: the kernel does not say it, so set 4, 8 or 16 data lines"
    );
    assert!(message(by_configuration(&ddr4, "secded", None)).starts_with("no code \"secded\"; there are sec-ded, "));
    assert!(by_configuration(&SlotFacts::default(), "hsiao-40-32", None).is_ok());
}

#[test]
fn syndromes_of_a_matrix_that_is_known() {
    let nxp = by_configuration(&SlotFacts::default(), "nxp-72-64", Some(4)).unwrap();
    let of = |lines: &[&str], force| nxp.syndromes(lines, Some(force)).unwrap();
    // Columns as in the kernel's drivers/edac/fsl_ddr_edac.c: DQ0 3b, DQ1 5b, DQ2 9b.
    assert_eq!(of(&["DQ0"], Force::Low), Syndromes::These(vec![0x3b]));
    assert_eq!(of(&["DQ0", "DQ1"], Force::Invert), Syndromes::These(vec![0x3b ^ 0x5b]));
    assert_eq!(of(&["DQ0", "DQ1"], Force::Low), Syndromes::These(vec![0x3b, 0x5b, 0x60]));
    assert!(matches!(of(&["DQS8", "DQS17"], Force::Low), Syndromes::These(all) if all.len() == 255));
    // A promise has no matrix; and the tables of x8 do not say which line has which column.
    for (name, width) in [("sec-ded", None), ("amd-x8", Some(8))] {
        let slot = by_configuration(&SlotFacts { channel: Some(0), ..SlotFacts::default() }, name, width).unwrap();
        assert_eq!(slot.syndromes(&["DQ0"], None), Ok(Syndromes::NotKnown));
    }
    // A word over two channels: the slot's own half, and none if it is not known which.
    let x4 = |channel| {
        let slot = by_configuration(&SlotFacts { channel, ..SlotFacts::default() }, "amd-x4", Some(4)).unwrap();
        slot.syndromes(&["DQ0"], Some(Force::High)).unwrap()
    };
    assert_eq!(x4(Some(2)), Syndromes::These(vec![0xe821]));
    assert_eq!(x4(Some(3)), Syndromes::These(vec![0x45d1]));
    assert_eq!(x4(None), Syndromes::NotKnown);
    let slot = by_configuration(&SlotFacts { channel: Some(0), ..SlotFacts::default() }, "amd-x4", Some(4)).unwrap();
    assert_eq!(slot.syndromes(&["DQS0", "DQS1", "DQS2"], None), Ok(Syndromes::TooMany));
}

#[test]
fn a_matrix_of_ones_own() {
    // Words of four beats of a sub-channel whose devices have four lines each: a symbol of 16 bits over 64 check bits.
    let mut text = "name: wide\nkind: symbol\nsymbol: 4 lines\ncheck-bits: 64\nword: 4 beats\n".to_owned();
    for line in 0..36_u32 {
        let name = if line < 32 { format!("DQ{line}") } else { format!("CB{}", line - 32) };
        // A device's bits go into check bits of their own, turned by the device so that no two devices share a syndrome.
        let column = |beat: u32| {
            let bit = (line % 4) * 4 + beat;
            let device = u64::from(line / 4);
            let turned =
                (0..3).fold(1_u64 << bit, |all, place| all | (times(device, place, 1 << bit)) << (16 * (place + 1)));
            format!("{turned:x}")
        };
        text += &format!("{name} {}\n", (0..4).map(column).collect::<Vec<_>>().join(" "));
    }
    let code = Code::parse(&text).unwrap();
    assert_eq!((code.symbols().len(), code.symbols()[8].vectors().len()), (9, 16));
    let choice = Override { code: Some(Choice::matrix(code)), device_lines: Some(4) };
    let slot = SlotCode::of(&facts("SECDED", "x4", "Registered-DDR5"), &choice).unwrap();
    assert_eq!((slot.name(), slot.chosen_by()), ("wide", ChosenBy::Configuration));
    let device = slot.expect(&["DQS8_A", "DQ18_B"], Some(Force::High)).unwrap();
    assert_eq!((device.may_report.corrected, device.may_report.not_corrected), (true, false));
    assert_eq!(device.burst.unwrap().words, 4);
    // Bits of nibbles and beats: 16 of a strobe, 4 of a line.
    assert_eq!(device.word.unwrap().none, (1.0 / 65_536.0 + 1.0 / 16.0) / 2.0);
    assert!(slot.expect(&["DQ0_A", "DQ4_A"], None).unwrap().may_report.not_corrected);
}

#[test]
fn matrices_that_cannot_do_what_they_claim() {
    // Symbols of four lines over 16 check bits, as the x4 code has them, on one channel.
    let x4 = Code::builtin("amd-x4").unwrap();
    let head = "name: x\nkind: symbol\nsymbol: 4 lines\ncheck-bits: 16\n";
    let of = |line: &str| x4.columns(line)[0];
    let names: Vec<String> = (0..64).map(|n| format!("DQ{n}")).chain((0..8).map(|n| format!("CB{n}"))).collect();
    let text = |change: &dyn Fn(&str) -> Option<u64>| -> String {
        let rows = names.iter().map(|line| format!("{line} {:04x}\n", change(line).unwrap_or_else(|| of(line))));
        format!("{head}{}", rows.collect::<String>())
    };
    let refused = |text: &str| Code::parse(text).map(|code| code.name().to_owned()).unwrap_err().to_string();
    assert!(Code::parse(&text(&|_| None)).is_ok());
    let rows = [
        (
            text(&|line| (line == "DQ7").then(|| of("DQ4") ^ of("DQ5"))),
            "the columns of the symbol DQ4 to DQ7 are not independent: some errors within it would not be seen, or not be \
             told apart",
        ),
        (
            text(&|line| (line == "CB7").then(|| of("DQ12") ^ of("DQ14"))),
            "errors in the symbols DQ12 to DQ15 and CB4 to CB7 can have the same syndrome, so that neither can be corrected",
        ),
        (
            text(&|line| (line == "DQ9" || line == "CB0").then_some(0)),
            "the column of DQ9, CB0 is 0: an error there would not be seen",
        ),
        (format!("{}- 0001\n", text(&|_| None)), "73 rows do not make whole symbols of 4 lines"),
        (format!("bits: ordered\n{}bits: ordered\n", text(&|_| None)), "row 78: \"bits\" a second time"),
        (
            text(&|_| None).replace("4 lines", "17 lines"),
            "`symbol:` must be such as `4 lines`, up to 16; found \"17 lines\"",
        ),
        (
            format!("word: 3 beats\n{head}"),
            "`word:` must be such as `2 beats` or `2 channels`, up to 16; found \"3 beats\"",
        ),
        (format!("{head}DQ0 .\n"), "row 5: \".\" is no hexadecimal number of up to 16 bits"),
        (format!("{head}DQ0 +1\n"), "row 5: \"+1\" is no hexadecimal number of up to 16 bits"),
        (
            head.to_owned(),
            "no row for DQ0 to DQ31: a word has all of DQ0 to DQ31 (a sub-channel of DDR5) or all of DQ0 to DQ63",
        ),
        (String::new(), "no `name:`"),
    ];
    for (text, message) in &rows {
        assert_eq!(refused(text), *message);
    }
    // A matrix that is wrong all over is not printed in full.
    let all_alike = names.iter().map(|line| format!("{line} 03\n")).collect::<String>();
    let refusal = refused(&format!("name: x\nkind: sec-ded\ncheck-bits: 8\n{all_alike}"));
    assert!(refusal.starts_with("the same column at DQ0 and DQ1 and DQ2") && refusal.contains("(03)"), "{refusal}");
    let even = |n: usize| format!("{:04x}", (n + 1) << 1 | usize::from((n + 1).count_ones() % 2 == 1));
    let even = names.iter().enumerate().map(|(n, line)| format!("{line} {}\n", even(n))).collect::<String>();
    let refusal = refused(&format!("name: x\nkind: sec-ded\ncheck-bits: 8\n{even}"));
    assert!(
        refusal.starts_with("columns of even weight at DQ0 (03), DQ1 (05), ") && refusal.contains(", and 64 more: "),
        "{refusal}"
    );
    // The same with a row of ones is a good code, as the extended Hamming code shows, and a bit without a line is one of its bits.
    assert!(Code::parse(&format!("name: x\nkind: sec-ded\ncheck-bits: 9\n{}- 0fe\n", even_with_ones(&names))).is_err());
    assert!(Code::parse(&format!("name: x\nkind: sec-ded\ncheck-bits: 9\n{}- 1fe\n", even_with_ones(&names))).is_ok());
}

/// Distinct columns that all have the highest of nine bits.
fn even_with_ones(names: &[String]) -> String {
    names.iter().enumerate().map(|(n, line)| format!("{line} {:03x}\n", 0x100 | n)).collect()
}

/// The device's number to the power of `place` + 1, times a number: in the field of 65,536 elements over x^16 + x^12 + x^3 + x + 1.
fn times(device: u64, place: u32, number: u64) -> u64 {
    let product = |a: u64, b: u64| {
        let long = (0..16).filter(|bit| b >> bit & 1 == 1).fold(0, |sum, bit| sum ^ a << bit);
        (16..32).rev().fold(long, |left, bit| if left >> bit & 1 == 1 { left ^ 0x1_100b << (bit - 16) } else { left })
    };
    (0..=place).fold(number, |left, _| product(left, device))
}

#[test]
fn the_hold_and_the_reads() {
    let slot = by_driver("SECDED", "x8", "Registered-DDR4");
    let two = slot.expect(&["DQ3", "DQ30"], Some(Force::Low)).unwrap();
    let burst = two.burst.unwrap();
    // Each word is right with 1/4, corrected with 1/2, uncorrected with 1/4; eight of them.
    let (quiet, none_uncorrected) = (0.25_f64.powi(8), 0.75_f64.powi(8));
    assert!((burst.nothing - quiet).abs() < 1e-12 && (burst.corrected - (none_uncorrected - quiet)).abs() < 1e-12);
    let seen = two.shot(997, 1e6).unwrap();
    // A rate of one a microsecond, over 997 ns and the 2.5 ns of a burst.
    assert!((seen.reads - 0.9995).abs() < 1e-12);
    assert!((seen.reported_p - (1.0 - (-0.9995 * (1.0 - quiet)).exp())).abs() < 1e-12);
    assert!((seen.corrected_first_p + seen.not_corrected_first_p - seen.reported_p).abs() < 1e-12);
    assert!((seen.corrected_first_p / seen.reported_p - two.corrected_first().unwrap()).abs() < 1e-12);
    // No reads, no hold, and numbers that cannot be.
    for rate in [0.0, -1.0, f64::NAN] {
        assert_eq!(two.shot(1_000_000, rate).unwrap().reported_p, 0.0);
    }
    assert!(two.shot(0, 1e6).unwrap().reported_p > 0.0);
    assert_eq!(two.shot(-5, 1e6), two.shot(0, 1e6));
    assert_eq!(two.shot(i64::MAX, f64::MAX).unwrap().reported_p, 1.0);
    // Silent words are wrong and not reported.
    let none = by_driver("None", "x8", "Registered-DDR4").expect(&["DQ3"], Some(Force::Invert)).unwrap();
    let seen = none.shot(1_000_000_000, 1e6).unwrap();
    assert_eq!((seen.wrong_p, seen.reported_p), (1.0, 0.0));
}
