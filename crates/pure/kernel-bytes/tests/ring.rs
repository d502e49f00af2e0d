//! What the encoder packs, the walker must unpack; and no bytes may make the walker panic.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test")]

use kernel_bytes::build::{self, PageWriter, mc_event_record};
use kernel_bytes::{Format, Lost, McEvent, McEventLayout, Page, PageLayout};
use proptest::prelude::*;
use vocabulary::Mono;

fn layout() -> PageLayout {
    PageLayout::parse(build::HEADER_PAGE, build::HEADER_EVENT).unwrap()
}

/// One thing that happens to a ring.
#[derive(Clone, Debug)]
enum Step {
    Record { t: i64, payload: Vec<u8> },
    Lose(Option<u64>),
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    // Deltas around both limits: what fits into a record's first word, and what needs an extend or goes back.
    let delta = prop_oneof![0..2000_i64, (1_i64 << 27) - 2..(1 << 27) + 2, 0..1_i64 << 40, -1000..0_i64];
    let words = prop_oneof![1..30_usize, 1..400_usize];
    let record =
        (delta, words, any::<u8>()).prop_map(|(t, words, fill)| Step::Record { t, payload: vec![fill; 4 * words] });
    let step = prop_oneof![20 => record, 1 => proptest::option::of(1..1_000_000_u64).prop_map(Step::Lose)];
    proptest::collection::vec(step, 0..200).prop_map(|mut steps| {
        let mut now = 1 << 30;
        for step in &mut steps {
            if let Step::Record { t, .. } = step {
                now += *t;
                *t = now;
            }
        }
        steps
    })
}

proptest! {
    #[test]
    fn packed_records_come_out_as_they_went_in(steps in steps()) {
        let l = layout();
        let mut writer = PageWriter::new(&l);
        let (mut expected, mut expected_lost, mut pending) = (Vec::new(), Vec::new(), None);
        for step in &steps {
            match step {
                Step::Record { t, payload } => {
                    prop_assert!(writer.push(Mono(*t), payload));
                    expected_lost.extend(pending.take());
                    expected.push((*t, payload.clone()));
                }
                Step::Lose(count) => {
                    writer.lose(*count);
                    pending = Some(*count);
                }
            }
        }
        let (mut found, mut lost) = (Vec::new(), Vec::new());
        for bytes in writer.take() {
            prop_assert_eq!(bytes.len(), l.page_size());
            let page = Page::open(&l, &bytes).unwrap();
            lost.extend(page.lost());
            for record in page {
                let record = record.unwrap();
                found.push((record.t.0, record.payload.to_vec()));
            }
        }
        prop_assert_eq!(found, expected);
        // A count may have found no room behind the data; then the flag alone must be there.
        prop_assert_eq!(lost.len(), expected_lost.len());
        for (found, expected) in lost.iter().zip(&expected_lost) {
            prop_assert!(*found == Lost::Unknown || Some(*found) == expected.map(Lost::Count));
        }
    }

    #[test]
    fn no_bytes_make_the_walk_panic_or_run_on(bytes in proptest::collection::vec(any::<u8>(), 0..600), committed in 0..700_u64) {
        let l = layout();
        let format = Format::parse(build::MC_EVENT_FORMAT).unwrap();
        let events = McEventLayout::from_format(&format).unwrap();
        let mut page = bytes.clone();
        for given in [&bytes, { if page.len() >= 16 { page[8..16].copy_from_slice(&committed.to_le_bytes()); } &page }] {
            let Ok(walk) = Page::open(&l, given) else { continue };
            let (mut records, mut errors) = (0, 0);
            for record in walk {
                match record {
                    Ok(record) => {
                        records += 1;
                        if let Ok(event) = events.decode(record.payload, record.t) {
                            prop_assert!(!event.to_text().is_empty());
                        }
                    }
                    Err(_) => errors += 1,
                }
            }
            prop_assert!(errors <= 1 && records <= given.len() / 4);
        }
    }

    #[test]
    fn any_event_survives_its_record(
        numbers in any::<(u32, u16, u8, i8, i8, i8, u64, u8, u64)>(),
        texts in proptest::array::uniform3(proptest::collection::vec(1..=255_u8, 0..90)),
    ) {
        let (error_type, error_count, mc_index, top_layer, middle_layer, lower_layer, address, grain_bits, syndrome) = numbers;
        let [msg, label, driver_detail] = &texts;
        let event = McEvent {
            t: Mono(5), error_type, msg, label, error_count, mc_index, top_layer, middle_layer, lower_layer, address,
            grain_bits, syndrome, driver_detail,
        };
        let format = Format::parse(build::MC_EVENT_FORMAT).unwrap();
        let record = mc_event_record(&format, &event);
        prop_assert_eq!(McEventLayout::from_format(&format).unwrap().decode(&record, Mono(5)).unwrap(), event);
    }
}

#[test]
fn a_record_larger_than_a_page_is_refused() {
    let l = layout();
    let mut writer = PageWriter::new(&l);
    assert!(writer.push(Mono(1), &[0; 4072]));
    assert!(!writer.push(Mono(2), &[0; 4076]));
    assert!(writer.push(Mono(3), &[0; 4]));
    assert_eq!(writer.take().len(), 2);
}

#[test]
fn a_captured_page_by_a_captured_format() {
    // fixtures/kernel/probe.page, from a 6.18 kernel: what was put in is what the capture was asked to write.
    let format = Format::parse(include_str!("../../../../fixtures/kernel/probe.format")).unwrap();
    let bytes = include_bytes!("../../../../fixtures/kernel/probe.page");
    let events = McEventLayout::from_format(&format).unwrap();
    let l = layout();
    let records: Vec<_> = Page::open(&l, bytes).unwrap().map(Result::unwrap).collect();
    let texts: Vec<_> = records.iter().map(|r| events.decode(r.payload, r.t).unwrap().to_text()).collect();
    assert_eq!(
        texts,
        [
            "2 Corrected errors: memory read error on CPU_SrcID#0_MC#0_Chan#0_DIMM#1 (mc:3 location:0:1:-1 \
             address:0x12345000 grain:32 syndrome:0x00000054  err_code:0x0001:0x0090)",
            "0 Uncorrected error: memory read error on any memory (mc:3 location:-1:-1:-1 address:0x00000000 grain:32 \
             syndrome:0x00000054)",
        ]
    );
    assert_eq!((records[0].t, records[1].t), (Mono(5_835_281_240_021), Mono(5_835_281_240_021 + 300_098_004)));
}
