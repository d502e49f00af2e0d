//! What a working machine would say of an injection: the ECC code of its slot, asked before the lines are forced.
//!
//! The sender knows best, then the configuration, then the code. The hub asks for every injection; one that names a line which the
//! module does not have is kept without an expectation, since drivers mistake modules, and the run says so. Must not decide anything
//! about reports: that is pairing's.

use crate::settings::EccSetting;
use ecc::{Choice, Code, Expectation, Override, SlotCode, SlotFacts, Syndromes};
use std::collections::BTreeMap;
use std::sync::Arc;
use vocabulary::{Expected, Foreseen, Injection, Severity, SlotEntry, SlotId, WHOLE_PPM};

/// Why a setting cannot be used.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{key}: {why}")]
pub(crate) struct Unusable {
    /// The key in the configuration.
    pub(crate) key: &'static str,
    /// What is wrong with its value.
    pub(crate) why: String,
}

/// One slot's code, and how often the module is read.
#[derive(Debug)]
struct Known {
    slot: SlotEntry,
    code: SlotCode,
    name: Option<Arc<str>>,
    reads_per_second: Option<u64>,
    /// Whether an injection named lines that the module does not have.
    misfit: bool,
}

/// The codes of all slots.
#[derive(Debug, Default)]
pub(crate) struct Foresight {
    /// Each setting with the code that it chooses, which is read once for all slots.
    settings: Vec<(EccSetting, Option<Choice>)>,
    expect: Option<Severity>,
    slots: BTreeMap<SlotId, Known>,
}

/// What a setting chooses, if it is of any use by itself.
fn choice(setting: &EccSetting) -> Result<Option<Choice>, Unusable> {
    match (&setting.code, &setting.matrix) {
        (Some(_), Some(_)) => {
            Err(Unusable { key: "ecc.matrix", why: "a code and a matrix: one of them is meant".to_owned() })
        }
        (Some(name), None) => {
            Choice::named(name).map(Some).map_err(|e| Unusable { key: "ecc.code", why: e.to_string() })
        }
        (None, Some(text)) => match Code::parse(text) {
            Ok(code) => Ok(Some(Choice::matrix(code))),
            Err(e) => Err(Unusable { key: "ecc.matrix", why: e.to_string() }),
        },
        (None, None) => Ok(None),
    }
}

/// Whether a setting can be used, as far as that can be said without a slot.
///
/// # Errors
/// Which key cannot.
pub(crate) fn check(setting: &EccSetting) -> Result<(), Unusable> {
    choice(setting)?;
    match setting.device_width {
        None | Some(4 | 8 | 16) => Ok(()),
        Some(width) => {
            Err(Unusable { key: "ecc.device_width", why: format!("devices have 4, 8 or 16 lines, not {width}") })
        }
    }
}

impl Foresight {
    /// Nothing is known of any slot yet.
    pub(crate) fn new(settings: &[EccSetting], expect: Option<Severity>) -> Foresight {
        // A setting that cannot be used was refused when it was read.
        let chosen = |setting: &EccSetting| (setting.clone(), choice(setting).unwrap_or_default());
        Foresight { settings: settings.iter().map(chosen).collect(), expect, slots: BTreeMap::new() }
    }

    /// A slot, which may be new or have changed. Answers the name of its code, if that is another one than before, and what the run must say
    /// about it.
    pub(crate) fn know(&mut self, slot: &SlotEntry) -> (Option<Option<Arc<str>>>, Option<String>) {
        if self.slots.get(&slot.id).is_some_and(|known| known.slot == *slot) {
            return (None, None);
        }
        let mut of = Override::default();
        let mut reads_per_second = None;
        let fits = |of: &EccSetting| of.slot.as_deref().is_none_or(|name| *name == *slot.name);
        for (setting, chosen) in self.settings.iter().filter(|(setting, _)| fits(setting)) {
            of.code = chosen.clone().or(of.code);
            of.device_lines = setting.device_width.and_then(|width| u8::try_from(width).ok()).or(of.device_lines);
            reads_per_second = setting.reads_per_second.or(reads_per_second);
        }
        let dimm = slot.dimms.first();
        let facts = SlotFacts {
            edac_mode: dimm.and_then(|d| d.edac_mode.as_deref()),
            dev_type: dimm.and_then(|d| d.dev_type.as_deref()),
            mem_type: dimm.and_then(|d| d.mem_type.as_deref()),
            channel: slot.channel,
        };
        let (code, why) = match SlotCode::of(&facts, &of) {
            Ok(code) => (code, None),
            Err(error) => {
                let why = format!("slot {}: what [[ecc]] says of it is left out: {error}", slot.name);
                match SlotCode::of(&facts, &Override::default()) {
                    Ok(code) => (code, Some(why)),
                    Err(_) => return (None, Some(why)),
                }
            }
        };
        let name = (code.chosen_by() != ecc::ChosenBy::Nobody).then(|| Arc::from(code.name()));
        let before = self
            .slots
            .insert(slot.id, Known { slot: slot.clone(), code, name: name.clone(), reads_per_second, misfit: false });
        let changed = before.is_none_or(|before| before.name != name);
        (changed.then_some(name), why)
    }

    /// What is to be expected of an injection; and why nothing is, if its lines do not fit the module, for the first such injection
    /// of a slot.
    pub(crate) fn of(&mut self, slot: SlotId, injection: &Injection) -> (Foreseen, Option<String>) {
        let Some(known) = self.slots.get_mut(&slot) else { return (told(injection, self.expect, None), None) };
        let expectation = match known.code.expect(&injection.lines, injection.force) {
            Ok(expectation) => expectation,
            Err(why) => {
                let first = !std::mem::replace(&mut known.misfit, true);
                let why = format!(
                    "injection {}: {why}; such injections of this slot are kept without an expectation",
                    injection.id
                );
                return (told(injection, self.expect, Some(&Expectation::unknown())), first.then_some(why));
            }
        };
        let mut foreseen = told(injection, self.expect, Some(&expectation));
        if injection.expect.or(self.expect).is_none() && expectation.word.is_some() {
            foreseen.code = known.name.clone();
        }
        let hold_ns = i64::try_from(injection.hold_us).unwrap_or(i64::MAX).saturating_mul(1000);
        foreseen.seen_ppm = known
            .reads_per_second
            .and_then(|reads| expectation.shot(hold_ns, reads as f64))
            .map(|seen| ppm(seen.reported_p));
        if let Ok(Syndromes::These(all)) = known.code.syndromes(&injection.lines, injection.force) {
            foreseen.syndromes = all;
        }
        (foreseen, None)
    }
}

fn told(injection: &Injection, configured: Option<Severity>, expectation: Option<&Expectation>) -> Foreseen {
    let expected = match (injection.expect.or(configured), expectation) {
        (Some(severity), _) => Expected::only(severity),
        (None, Some(expectation)) if expectation.word.is_some() => expected(expectation),
        // One forced line is one wrong bit in a word, which every ECC corrects; what several lines give depends on the code.
        _ if injection.lines.len() == 1 => Expected::only(Severity::Corrected),
        _ => Expected::ANY,
    };
    Foreseen { expected, ..Foreseen::default() }
}

/// What the code lets a machine report, in whole millionths: what is possible at all has one of them at the least.
fn expected(of: &Expectation) -> Expected {
    let corrected_ppm =
        of.corrected_first().map(|share| match (of.may_report.corrected, of.may_report.not_corrected) {
            (true, true) => ppm(share).clamp(1, WHOLE_PPM - 1),
            (corrected, _) => {
                if corrected {
                    WHOLE_PPM
                } else {
                    0
                }
            }
        });
    Expected { corrected_ppm, miscorrected_ppm: of.wrong_if_corrected().map_or(0, ppm) }
}

fn ppm(share: f64) -> u32 {
    // A share lies between 0 and 1, so that this fits.
    (share.clamp(0.0, 1.0) * f64::from(WHOLE_PPM)).round() as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use vocabulary::{At, Class, Dimm, Force, Layer, Layers, SlotBook};

    fn slot(edac_mode: &str, dev_type: &str) -> SlotEntry {
        let mut book = SlotBook::new();
        book.add(Dimm {
            controller: 0,
            layers: Layers::from_slice(&[0, 0]),
            layer_kinds: vec![Layer::Channel, Layer::Slot],
            label: "A1".into(),
            edac_mode: Some(edac_mode.into()),
            dev_type: Some(dev_type.into()),
            mem_type: Some("Registered-DDR4".into()),
            size_mb: None,
            rank: false,
        });
        book.slots()[0].clone()
    }

    fn injection(lines: &[&str], force: Option<Force>) -> Injection {
        Injection {
            id: "1".into(),
            t: None,
            at: At::Label("A1".into()),
            lines: lines.iter().map(|&l| l.to_owned()).collect(),
            hold_us: 1000,
            shots: 1,
            spacing_us: 0,
            force,
            expect: None,
            note: None,
        }
    }

    fn foresight(slot: &SlotEntry, settings: &[EccSetting]) -> Foresight {
        let mut foresight = Foresight::new(settings, None);
        assert_eq!(foresight.know(slot).1, None);
        foresight
    }

    #[test]
    fn the_code_says_what_may_be_reported() {
        // Two lines of one x4 device: uncorrected under SEC-DED, corrected where a device's errors are corrected.
        let invert = |lines: &[&str]| injection(lines, Some(Force::Invert));
        let classes = |mode: &str, lines: &[&str]| {
            let slot = slot(mode, "x4");
            foresight(&slot, &[]).of(slot.id, &invert(lines)).0.expected.class()
        };
        assert_eq!(classes("SECDED", &["DQ0"]), Some(Class::Corrected));
        assert_eq!(classes("SECDED", &["DQ0", "DQ1"]), Some(Class::NotCorrected));
        assert_eq!(classes("S4ECD4ED", &["DQ0", "DQ1"]), Some(Class::Corrected));
        assert_eq!(classes("S4ECD4ED", &["DQ0", "DQ4"]), Some(Class::NotCorrected));
        // Nobody knows the code: one line is corrected by any, and of two nothing is said.
        assert_eq!(classes("Unknown", &["DQ0"]), Some(Class::Corrected));
        assert_eq!(classes("Unknown", &["DQ0", "DQ1"]), None);
    }

    #[test]
    fn three_lines_under_sec_ded_are_dangerous() {
        let slot = slot("SECDED", "x8");
        let all =
            [EccSetting { code: Some("hsiao-72-64".into()), reads_per_second: Some(2000), ..EccSetting::default() }];
        let three = injection(&["DQ0", "DQ1", "DQ2"], Some(Force::Invert));
        let (told, _) = foresight(&slot, &all).of(slot.id, &three);
        // An odd number of wrong bits, whose sum is a column or is none: the matrix says which.
        assert!(told.expected.class().is_some() || told.expected.corrected_ppm.is_some());
        assert_eq!(told.code.as_deref(), Some("hsiao-72-64"));
        assert_eq!(told.syndromes.len(), 1);
        // 1 - exp(-2000 / s * 1 ms), since every read meets the error.
        assert_eq!(told.seen_ppm, Some(864_665));
        let by_promise = self::foresight(&slot, &[]).of(slot.id, &three).0.expected;
        assert!(by_promise.allows(Class::Corrected) && by_promise.allows(Class::NotCorrected));
        assert!(by_promise.is_dangerous(Class::Corrected), "{by_promise:?}");
    }

    #[test]
    fn sub_channels_are_words_of_their_own() {
        let mut slot = slot("SECDED", "x4");
        slot.dimms[0].mem_type = Some("Registered-DDR5".into());
        let class = |lines: &[&str]| {
            foresight(&slot, &[]).of(slot.id, &injection(lines, Some(Force::Invert))).0.expected.class()
        };
        // Two lines of one word, and one line in each of two words.
        assert_eq!(class(&["DQ3_A", "CB1_A"]), Some(Class::NotCorrected));
        assert_eq!(class(&["DQ3_A", "DQ3_B"]), Some(Class::Corrected));
        // Without a sub-channel the line is not named.
        let (_, why) = foresight(&slot, &[]).of(slot.id, &injection(&["DQ3"], Some(Force::Invert)));
        assert!(why.unwrap().contains("DQ3_A"));
    }

    #[test]
    fn the_sender_knows_best_then_the_configuration() {
        let slot = slot("SECDED", "x8");
        let mut foresight = Foresight::new(&[], Some(Severity::Corrected));
        foresight.know(&slot);
        let two = injection(&["DQ0", "DQ1"], Some(Force::Invert));
        let (configured, _) = foresight.of(slot.id, &two);
        assert_eq!((configured.expected.class(), configured.code), (Some(Class::Corrected), None));
        let said = Injection { expect: Some(Severity::Fatal), ..two };
        assert_eq!(foresight.of(slot.id, &said).0.expected.class(), Some(Class::NotCorrected));
    }

    #[test]
    fn a_line_that_the_module_does_not_have_leaves_nothing_to_expect() {
        let slot = slot("SECDED", "x8");
        let mut foresight = foresight(&slot, &[]);
        let (told, why) = foresight.of(slot.id, &injection(&["DQ3_A", "DQ4_A"], None));
        assert_eq!(told, Foreseen::default());
        let why = why.unwrap();
        assert!(why.starts_with("injection 1: ") && why.contains("DQ3_A"), "{why}");
        // Said once.
        assert_eq!(foresight.of(slot.id, &injection(&["DQ3_A", "DQ4_A"], None)).1, None);
    }

    #[test]
    fn settings_go_by_slot_and_the_later_one_counts() {
        let slot = slot("SECDED", "x8");
        let set = |slot: Option<&str>, code: &str| EccSetting {
            slot: slot.map(str::to_owned),
            code: Some(code.to_owned()),
            ..EccSetting::default()
        };
        let name = |settings: &[EccSetting]| Foresight::new(settings, None).know(&slot).0.flatten();
        assert_eq!(name(&[set(None, "none"), set(Some("A1"), "parity")]).as_deref(), Some("parity"));
        assert_eq!(name(&[set(Some("B1"), "parity")]).as_deref(), Some("sec-ded"));
        // What does not fit the module is told, and what the driver says counts.
        let (code, why) = Foresight::new(&[set(None, "hsiao-40-32")], None).know(&slot);
        assert_eq!(code.flatten().as_deref(), Some("sec-ded"));
        assert!(why.unwrap().starts_with("slot A1: what [[ecc]] says of it is left out: the code hsiao-40-32"));
        for (setting, key) in [
            (EccSetting { code: Some("x".into()), ..EccSetting::default() }, "ecc.code"),
            (EccSetting { matrix: Some("x".into()), ..EccSetting::default() }, "ecc.matrix"),
            (EccSetting { device_width: Some(5), ..EccSetting::default() }, "ecc.device_width"),
        ] {
            assert_eq!(check(&setting).unwrap_err().key, key);
        }
    }
}
