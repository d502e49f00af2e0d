//! Codes against what is published of them, and what a whole enumeration says.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use ecc::{Choice, Code, Decoded, Kind, NAMES, Outcomes, Override, SlotCode, SlotFacts, Symbol, Word};
use std::collections::BTreeSet;
use vocabulary::Force;

const SEC_DED_72: [&str; 3] = ["hsiao-72-64", "hamming-72-64", "nxp-72-64"];

fn lines72() -> Vec<String> {
    (0..64).map(|n| format!("DQ{n}")).chain((0..8).map(|n| format!("CB{n}"))).collect()
}

fn code(name: &str) -> Code {
    Code::builtin(name).unwrap_or_else(|| panic!("{name}"))
}

fn columns(code: &Code) -> Vec<u64> {
    code.symbols().iter().flat_map(|symbol| symbol.vectors().to_vec()).collect()
}

fn chosen(name: &str, width: Option<u8>) -> SlotCode {
    let code = Some(Choice::named(name).unwrap());
    SlotCode::of(&SlotFacts::default(), &Override { code, device_lines: width }).unwrap()
}

#[test]
fn every_name_is_a_code_and_every_file_has_its_name() {
    let mut matrices = 0;
    for name in NAMES {
        assert_eq!(chosen(name, Some(4)).name(), name);
        if let Some(code) = Code::builtin(name) {
            assert_eq!(code.name(), name);
            matrices += 1;
        }
    }
    assert_eq!((matrices, NAMES.len()), (8, 15));
    assert!(Code::builtin("sec-ded").is_none() && Choice::named("SECDED").is_err());
    assert_eq!(code("amd-x4").word(), Word::Channels(2));
    assert_eq!((code("detect-36-32").kind(), code("amd-x8").check_bits()), (Kind::Detect, 16));
}

#[test]
fn weights_of_hsiaos_columns() {
    // Hsiao, IBM Journal of Research and Development 14 (1970), 395: all 8 of weight 1, all 56 of weight 3, 8 of weight 5, and
    // 27 ones in each row (from memory; the counts follow from the rule).
    let columns = columns(&code("hsiao-72-64"));
    let of_weight = |weight| columns.iter().filter(|c| c.count_ones() == weight).count();
    assert_eq!([1, 3, 5].map(of_weight), [8, 56, 8]);
    for row in 0..8 {
        assert_eq!(columns.iter().filter(|c| *c >> row & 1 == 1).count(), 27);
    }
}

#[test]
fn syndromes_of_the_nxp_table() {
    // syndrome_from_bit() of drivers/edac/fsl_ddr_edac.c, evaluated.
    let code = code("nxp-72-64");
    let of = |line: &str| code.columns(line);
    let rows =
        [("DQ0", 0x3b), ("DQ1", 0x5b), ("DQ2", 0x9b), ("DQ3", 0x1a), ("DQ31", 0x31), ("DQ32", 0xce), ("DQ63", 0xc1)];
    for (line, syndrome) in rows.into_iter().chain([("CB0", 1), ("CB7", 0x80)]) {
        assert_eq!(of(line), [syndrome], "{line}");
    }
    assert_eq!(of("DQ64"), [0; 0]);
    // calculate_ecc() of the same file, evaluated.
    let check = |data: u64| (0..64).filter(|n| data >> n & 1 == 1).fold(0, |sum, n| sum ^ of(&format!("DQ{n}"))[0]);
    let rows = [(0xdead_beef_cafe_f00d, 0x50), (0x0123_4567_89ab_cdef, 0x11), (0, 0), (1, 0x3b), (u64::MAX, 0x11)];
    for (data, ecc) in rows {
        assert_eq!(check(data), ecc, "{data:#x}");
    }
}

/// What the decoder makes of every syndrome: 0 clean, 1 corrects, 2 not correctable.
fn verdicts(code: &Code) -> Vec<u8> {
    let verdict = |syndrome| match code.decode(syndrome) {
        Decoded::Clean => 0,
        Decoded::Corrects(_) => 1,
        Decoded::Uncorrectable => 2,
    };
    (0..1 << code.check_bits()).map(verdict).collect()
}

#[test]
fn every_double_error_of_every_sec_ded_code_is_detected() {
    let all = SEC_DED_72.into_iter().chain(["hsiao-40-32", "hsiao-36-32-two-beats"]);
    for (name, bits) in all.zip([72, 72, 72, 40, 72]) {
        let code = code(name);
        let (columns, verdicts) = (columns(&code), verdicts(&code));
        assert_eq!((code.kind(), columns.len()), (Kind::SecDed, bits), "{name}");
        let mut doubles = 0;
        for (n, one) in columns.iter().enumerate() {
            assert!(matches!(code.decode(*one), Decoded::Corrects(symbol) if symbol.vectors() == [*one]));
            for other in &columns[..n] {
                assert_eq!(verdicts[(one ^ other) as usize], 2, "{name}");
                doubles += 1;
            }
        }
        // C(72,2) and C(40,2).
        assert_eq!(doubles, bits * (bits - 1) / 2, "{name}");
    }
}

#[test]
fn triples_that_look_like_one_and_quadruples_that_look_like_none() {
    // Computed for each matrix; that of Hsiao's rule is 56.28 % in the paper (from memory). Of these words of weight 4, each gives four
    // triples that look like one bit, and itself.
    let rows = [("hsiao-72-64", 8392, 0.562_844, 0.008_157), ("nxp-72-64", 8564, 0.574_380, 0.008_324)];
    for (name, of_weight_4, p3, p4) in rows.into_iter().chain([("hamming-72-64", 11_326, 0.759_624, 0.011_009)]) {
        let code = code(name);
        let (columns, verdicts) = (columns(&code), verdicts(&code));
        let (mut triples, mut miscorrected) = (0, 0);
        for (a, one) in columns.iter().enumerate() {
            for (b, two) in columns[..a].iter().enumerate() {
                for three in &columns[..b] {
                    triples += 1;
                    miscorrected += usize::from(verdicts[(one ^ two ^ three) as usize] == 1);
                    assert_ne!(one ^ two ^ three, 0);
                }
            }
        }
        assert_eq!((triples, miscorrected), (59_640, 4 * of_weight_4), "{name}");
        let quadruples = 1_028_790.0;
        assert!((miscorrected as f64 / triples as f64 - p3).abs() < 1e-6, "{name}");
        assert!((miscorrected as f64 / 4.0 / quadruples - p4).abs() < 1e-6, "{name}");
    }
}

/// The number of a symbol as map_err_sym_to_channel() of drivers/edac/amd64_edac.c has it: data symbols of channel 0, those of
/// channel 1, then the check symbols; with symbols of 8 lines there is one between that no module carries.
fn amd_number(symbol: &Symbol, width: usize) -> usize {
    let channel = symbol.channel() as usize;
    let lines = symbol.lines();
    let Some(first) = lines.first() else { return 16 };
    let number: usize = first[2..].parse().unwrap();
    match (first.starts_with("DQ"), width) {
        (true, _) => channel * (64 / width) + number / width,
        (false, 4) => 32 + channel * 2 + number / width,
        (false, _) => 17 + channel,
    }
}

/// All sums of the vectors but 0.
fn errors_within(symbol: &Symbol) -> Vec<u64> {
    let sum = |pick: usize| {
        let vectors = symbol.vectors().iter().enumerate();
        vectors.filter(|(n, _)| pick >> n & 1 == 1).fold(0, |sum, (_, vector)| sum ^ vector)
    };
    (1..1 << symbol.vectors().len()).map(sum).collect()
}

#[test]
fn errors_in_one_and_in_two_symbols_of_the_amd_tables() {
    // x4_vectors and x8_vectors of drivers/edac/amd64_edac.c, all errors tried: of 141,750 in two x4 devices none is taken for one in a
    // third; of 11,119,275 in two x8 devices one of fifteen is.
    for (name, count, singles, doubles, aliases) in
        [("amd-x4", 36, 540, 141_750, 0), ("amd-x8", 19, 4845, 11_119_275, 741_285)]
    {
        let code = code(name);
        let verdicts = verdicts(&code);
        let errors: Vec<Vec<u64>> = code.symbols().iter().map(errors_within).collect();
        assert_eq!(errors.len(), count);
        let distinct: BTreeSet<u64> = errors.iter().flatten().copied().collect();
        assert_eq!(distinct.len(), singles, "{name}");
        for (symbol, errors) in code.symbols().iter().zip(&errors) {
            assert!(
                errors.iter().all(|error| matches!(code.decode(*error), Decoded::Corrects(found) if found == symbol))
            );
        }
        let mut found = [0_usize; 3];
        for (n, one) in errors.iter().enumerate() {
            for other in &errors[..n] {
                for error in one {
                    for also in other {
                        found[usize::from(verdicts[(error ^ also) as usize])] += 1;
                    }
                }
            }
        }
        assert_eq!(found, [0, aliases, doubles - aliases], "{name}");
    }
}

#[test]
fn lookups_in_the_amd_tables() {
    // decode_syndrome() of drivers/edac/amd64_edac.c, evaluated.
    let rows: [(&str, u64, Option<usize>); 12] = [
        ("amd-x4", 0x2f57, Some(0)),
        ("amd-x4", 0x35a9, Some(0)),
        ("amd-x4", 0x0001, Some(2)),
        ("amd-x4", 0x0008, Some(2)),
        ("amd-x4", 0x000f, Some(2)),
        ("amd-x4", 0x1013, Some(3)),
        ("amd-x4", 0x6f88, Some(35)),
        ("amd-x4", 0x1234, None),
        ("amd-x8", 0x0145, Some(0)),
        ("amd-x8", 0x0001, Some(17)),
        ("amd-x8", 0x0100, Some(18)),
        ("amd-x8", 0xff00, Some(18)),
    ];
    for (name, syndrome, number) in rows {
        let code = code(name);
        let width = if name == "amd-x4" { 4 } else { 8 };
        let found = match code.decode(syndrome) {
            Decoded::Corrects(symbol) => Some(amd_number(symbol, width)),
            _ => None,
        };
        assert_eq!(found, number, "{name} {syndrome:#x}");
    }
    let numbers = |name: &str, width| -> BTreeSet<usize> {
        code(name).symbols().iter().map(|symbol| amd_number(symbol, width)).collect()
    };
    assert_eq!(numbers("amd-x4", 4), (0..36).collect());
    assert_eq!(numbers("amd-x8", 8), (0..19).collect());
    // ecc_chipkill_syndromes of the same file in Linux 2.6.32: the entries 1, 2, 4 and 8 of a row are the bits of a symbol.
    let x4 = code("amd-x4");
    let nibble =
        |first: usize| -> Vec<Vec<u64>> { (first..first + 4).map(|n| x4.columns(&format!("DQ{n}"))).collect() };
    assert_eq!(nibble(0), [[0xe821, 0x45d1], [0x7c32, 0x8a62], [0xbb44, 0x5e34], [0xdd88, 0xa718]]);
    assert_eq!(nibble(8), [[0x0001, 0xb741], [0x0002, 0xd982], [0x0004, 0x2254], [0x0008, 0x33a8]]);
    assert_eq!(x4.columns("CB7"), [0xac08, 0x6f88]);
}

fn close(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
}

fn word(slot: &SlotCode, lines: &[&str], force: Force) -> Outcomes {
    slot.expect(lines, Some(force)).unwrap().word.unwrap()
}

#[test]
fn bursts_in_which_nothing_is_wrong() {
    // One line that is wrong in half of the beats: 2 to the power of minus 8, and of minus 16.
    let ddr4 = chosen("hsiao-72-64", None).expect(&["DQ9"], Some(Force::Low)).unwrap();
    close(ddr4.burst.unwrap().clean, 0.003_906_25);
    let ddr5 = chosen("hsiao-40-32", None).expect(&["DQ9_B"], Some(Force::High)).unwrap();
    close(ddr5.burst.unwrap().clean, 1.525_878_906_25e-5);
    assert_eq!((ddr4.share, ddr5.share), (1.0, 0.5));
}

#[test]
fn all_lines_of_a_device() {
    // One x4 device of the x4 code, and one x8 device of the x8 code, are corrected whatever they say: the codes' promise.
    for (name, strobe, width) in [("amd-x4", "DQS11", 4), ("amd-x8", "DQS2", 8)] {
        let slot = chosen(name, Some(width));
        let lines: Vec<String> = (0..width).map(|n| format!("DQ{}", 16 + n + if width == 4 { 4 } else { 0 })).collect();
        let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
        for force in [Force::Low, Force::Invert] {
            let expected = slot.expect(&lines, Some(force)).unwrap();
            assert!(expected.may_report.corrected && !expected.may_report.not_corrected, "{name} {force:?}");
            assert_eq!(expected.wrong_if_corrected(), Some(0.0));
        }
        // The strobe of the device does the same as all its lines held low.
        assert_eq!(slot.expect(&[strobe], Some(Force::Invert)), slot.expect(&lines, Some(Force::Low)));
    }
    // The same device under SEC-DED: of the 16 sets of its four lines one is empty, four are single, six double, four triple.
    let sec_ded = word(&chosen("sec-ded", Some(4)), &["DQS11"], Force::Low);
    close(sec_ded.none, 1.0 / 16.0);
    close(sec_ded.corrected, 4.0 / 16.0);
    close(sec_ded.miscorrected, 4.0 / 16.0 * 4.0 * 8392.0 / 59_640.0);
    close(sec_ded.silent, 1.0 / 16.0 * 8392.0 / 1_028_790.0);
    // And nothing of the kind for a module without a code.
    let nothing = chosen("none", None).expect(&lines72()[..9], Some(Force::Invert)).unwrap();
    assert!(nothing.may_report.nothing && !nothing.may_report.corrected && !nothing.may_report.not_corrected);
    assert_eq!((nothing.word.unwrap().silent, nothing.corrected_first()), (1.0, None));
}
