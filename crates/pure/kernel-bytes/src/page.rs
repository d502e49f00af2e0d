//! Walks one raw sub-buffer of the trace ring and yields its records.
//!
//! The reader hands over every sub-buffer here, and decodes each record by the event number in its first two bytes. A
//! sub-buffer that does not decode yields the records before the fault and then one error; it never panics, whatever the
//! bytes are.
//!
//! Source: `include/linux/ring_buffer.h` (record kinds), `kernel/trace/ring_buffer.c`: `rb_fix_abs_ts()` for absolute
//! stamps, `ring_buffer_read_page()` for the lost flags and the number behind the data, `check_buffer()` for how
//! each kind moves the time.

use crate::page_layout::PageLayout;
use thiserror::Error;
use vocabulary::Mono;

/// In the commit word: records were lost before this sub-buffer (`RB_MISSED_EVENTS`).
const LOST: u64 = 1 << 31;
/// In the commit word: how many is stored right after the data (`RB_MISSED_STORED`).
const LOST_STORED: u64 = 1 << 30;
/// The top bits that an absolute stamp has no room for (`TS_MSB`).
const STAMP_TOP: u64 = 0xf8 << 56;

/// Records that the ring dropped before this sub-buffer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Lost {
    /// This many.
    Count(u64),
    /// The kernel had no room to say how many.
    Unknown,
}

/// One data record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RawRecord<'a> {
    /// The stamp, in the ring's clock.
    pub t: Mono,
    /// The record, beginning with `common_type`; padded at the end to four bytes.
    pub payload: &'a [u8],
}

/// Why a sub-buffer cannot be walked any further.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
pub enum PageError {
    /// Fewer bytes than the page's own header says.
    #[error("sub-buffer of {have} bytes: {need} are needed")]
    Short {
        /// Bytes there are.
        have: usize,
        /// Bytes there must be.
        need: usize,
    },
    /// More data committed than a sub-buffer can hold.
    #[error("sub-buffer says that it holds {committed} bytes of data; at most {room} fit")]
    Commit {
        /// What the commit word says.
        committed: usize,
        /// What fits.
        room: usize,
    },
    /// A record that runs over the end of the data, or says an impossible length.
    #[error("record at byte {at} of the data says a length of {length}; {left} bytes are left")]
    Record {
        /// Offset within the data.
        at: usize,
        /// What it says, its first word included.
        length: usize,
        /// What is left.
        left: usize,
    },
    /// A kind of record that the kernel's `header_event` does not name.
    #[error("record at byte {at} of the data is of the unknown kind {kind}")]
    Kind {
        /// Offset within the data.
        at: usize,
        /// Its `type_len`.
        kind: u32,
    },
}

/// A walk over one sub-buffer. After an error the walk is over.
#[derive(Clone, Debug)]
pub struct Page<'a> {
    layout: &'a PageLayout,
    data: &'a [u8],
    at: usize,
    now: u64,
    begins: u64,
    lost: Option<Lost>,
}

impl<'a> Page<'a> {
    /// Reads the header. `bytes` may be longer than what the header says, never shorter.
    pub fn open(layout: &'a PageLayout, bytes: &'a [u8]) -> Result<Page<'a>, PageError> {
        let short = |need: usize| PageError::Short { have: bytes.len(), need };
        let begins = word64(bytes, layout.timestamp_at).ok_or_else(|| short(layout.data_at))?;
        // The flags arrive sign-extended on 64-bit kernels, so only the low 32 bits mean anything.
        let commit = u64::from(word32(bytes, layout.commit_at).ok_or_else(|| short(layout.data_at))?);
        let committed = (commit & !(LOST | LOST_STORED)) as usize;
        if committed > layout.data_size {
            return Err(PageError::Commit { committed, room: layout.data_size });
        }
        let end = layout.data_at + committed;
        let data = bytes.get(layout.data_at..end).ok_or_else(|| short(end))?;
        let lost = (commit & LOST != 0).then(|| {
            let stored = || match layout.commit_size {
                4 => word32(bytes, end).map(u64::from),
                _ => word64(bytes, end),
            };
            (commit & LOST_STORED != 0).then(stored).flatten().map_or(Lost::Unknown, Lost::Count)
        });
        Ok(Page { layout, data, at: 0, now: begins, begins, lost })
    }

    /// What was lost before the first record here.
    #[must_use]
    pub fn lost(&self) -> Option<Lost> {
        self.lost
    }

    /// The stamp that the sub-buffer begins with: no record in it is older.
    #[must_use]
    pub fn begins(&self) -> Mono {
        Mono(self.begins as i64)
    }

    /// Ends the walk; what is left of the data is not looked at.
    #[cold]
    fn fail(&mut self, error: PageError) -> Option<Result<RawRecord<'a>, PageError>> {
        self.at = self.data.len();
        Some(Err(error))
    }
}

impl<'a> Iterator for Page<'a> {
    type Item = Result<RawRecord<'a>, PageError>;

    #[inline]
    fn next(&mut self) -> Option<Self::Item> {
        let l = self.layout;
        loop {
            let at = self.at;
            let rest = self.data.get(at..)?;
            let left = rest.len();
            if left < 4 {
                return if left == 0 { None } else { self.fail(PageError::Record { at, length: 4, left }) };
            }
            let word = word32(rest, 0)?;
            let kind = word & ((1 << l.type_bits) - 1);
            let delta = u64::from(word >> l.type_bits);
            if kind >= 1 && kind <= l.data_max {
                let length = 4 + 4 * kind as usize;
                let Some(payload) = rest.get(4..length) else {
                    return self.fail(PageError::Record { at, length, left });
                };
                self.now = self.now.wrapping_add(delta);
                self.at = at + length;
                return Some(Ok(RawRecord { t: Mono(self.now as i64), payload }));
            }
            if kind == l.padding && delta == 0 {
                self.at = self.data.len();
                return None;
            }
            let Some(second) = word32(rest, 4) else {
                return self.fail(PageError::Record { at, length: 8, left });
            };
            if kind == l.time_extend {
                self.now = self.now.wrapping_add(delta).wrapping_add(u64::from(second) << l.delta_bits);
                self.at = at + 8;
                continue;
            }
            if kind == l.time_stamp {
                self.now = restore_top((u64::from(second) << l.delta_bits).wrapping_add(delta), self.now);
                self.at = at + 8;
                continue;
            }
            // What is left are long data and discarded records: the second word is the length without the first.
            let length = 4_usize.saturating_add(second as usize);
            if kind != 0 && kind != l.padding {
                return self.fail(PageError::Kind { at, kind });
            }
            if length < 8 || length > left {
                return self.fail(PageError::Record { at, length, left });
            }
            self.at = at + length;
            if kind == 0 {
                self.now = self.now.wrapping_add(delta);
                let payload = rest.get(8..length)?;
                return Some(Ok(RawRecord { t: Mono(self.now as i64), payload }));
            }
            // A discarded record may not have a zero delta, so the kernel writes a one there that is no time.
            if delta != 1 {
                self.now = self.now.wrapping_add(delta);
            }
        }
    }
}

/// An absolute stamp holds 59 bits; the rest comes from the time before it.
fn restore_top(stamp: u64, before: u64) -> u64 {
    if before & STAMP_TOP == 0 {
        return stamp;
    }
    let full = stamp | (before & STAMP_TOP);
    if full < before { full.wrapping_add(1 << 59) } else { full }
}

#[inline]
fn word32(bytes: &[u8], at: usize) -> Option<u32> {
    bytes.get(at..)?.first_chunk().map(|c| u32::from_le_bytes(*c))
}

#[inline]
fn word64(bytes: &[u8], at: usize) -> Option<u64> {
    bytes.get(at..)?.first_chunk().map(|c| u64::from_le_bytes(*c))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::build::{HEADER_EVENT, HEADER_PAGE};

    fn layout() -> PageLayout {
        PageLayout::parse(HEADER_PAGE, HEADER_EVENT).unwrap()
    }

    /// A page of these 32-bit words after the header.
    fn page(begins: u64, commit: u64, words: &[u32]) -> Vec<u8> {
        let mut bytes = [begins.to_le_bytes(), commit.to_le_bytes()].concat();
        bytes.extend(words.iter().flat_map(|w| w.to_le_bytes()));
        bytes.resize(4096, 0);
        bytes
    }

    fn word(kind: u32, delta: u32) -> u32 {
        kind | (delta << 5)
    }

    /// Stamps and lengths of all records, and the error, if one ended the walk.
    fn walk(bytes: &[u8]) -> (Vec<(i64, usize)>, Option<PageError>) {
        let l = layout();
        let mut records = Vec::new();
        for r in Page::open(&l, bytes).unwrap() {
            match r {
                Ok(r) => records.push((r.t.0, r.payload.len())),
                Err(e) => return (records, Some(e)),
            }
        }
        (records, None)
    }

    #[test]
    fn a_captured_page() {
        // fixtures/kernel/print-hello.page, from a 6.18 kernel.
        let bytes = include_bytes!("../../../../fixtures/kernel/print-hello.page");
        let l = layout();
        let page = Page::open(&l, bytes).unwrap();
        assert_eq!((page.begins(), page.lost()), (Mono(891_122_864_773), None));
        let records: Vec<_> = page.map(Result::unwrap).collect();
        assert_eq!(records.len(), 1);
        assert_eq!((records[0].t, records[0].payload.len()), (Mono(891_122_864_773), 24));
        assert_eq!(records[0].payload[..2], [5, 0]);
        assert_eq!(&records[0].payload[16..23], b"hello\n\0");
    }

    #[test]
    fn every_kind_of_record() {
        // include/linux/ring_buffer.h, enum ring_buffer_type.
        // Time extend: 5 + 3 * 2^27 = 402653189.
        let words = [word(30, 5), 3, word(1, 0), 0];
        assert_eq!(walk(&page(0, 16, &words)), (vec![(402_653_189, 4)], None));
        // Long data: the second word is its length with itself: 100 makes a payload of 96 and 104 in all.
        let mut words = vec![0; 28];
        (words[0], words[1], words[26]) = (word(0, 7), 100, word(1, 1));
        assert_eq!(walk(&page(10, 112, &words)), (vec![(17, 96), (18, 4)], None));
        // A discarded record moves the time, unless its delta is the one that stands for zero.
        let words = [word(29, 6), 8, 0, word(1, 1), 0, word(29, 1), 4, word(1, 1), 0];
        assert_eq!(walk(&page(0, 36, &words)), (vec![(7, 4), (8, 4)], None));
        // Padding ends the page.
        assert_eq!(walk(&page(0, 20, &[word(1, 2), 0, word(29, 0), word(1, 1), 0])), (vec![(2, 4)], None));
        // The longest short record.
        let mut words = vec![0; 29];
        words[0] = word(28, 0);
        assert_eq!(walk(&page(0, 116, &words)), (vec![(0, 112)], None));
        assert_eq!(walk(&page(5, 0, &[])), (vec![], None));
    }

    #[test]
    fn absolute_stamps_get_their_top_bits_back() {
        // rb_fix_abs_ts() in kernel/trace/ring_buffer.c.
        let stamp = (7_u64 << 27) + 9;
        let words = [word(31, 9), 7, word(1, 1), 0];
        assert_eq!(walk(&page(100, 16, &words)).0, [(stamp as i64 + 1, 4)]);
        let top = 3_u64 << 59;
        assert_eq!(walk(&page(top + 100, 16, &words)).0, [((top + stamp) as i64 + 1, 4)]);
        // The 59 bits went round between the stamp before and this one.
        assert_eq!(walk(&page(top + (1 << 58), 16, &words)).0, [(((4 << 59) + stamp) as i64 + 1, 4)]);
    }

    #[test]
    fn loss_flags_in_a_sign_extended_commit() {
        // Commit word of an overrun page from a 6.18 kernel: 4064 bytes of data, then the number lost, 1270.
        let l = layout();
        let mut words = vec![0; 1018];
        for i in 0..127 {
            words[i * 8] = word(7, 1);
        }
        (words[1016], words[1017]) = (1270, 0);
        let bytes = page(0, 0xffff_ffff_c000_0fe0, &words);
        let open = Page::open(&l, &bytes).unwrap();
        assert_eq!(open.lost(), Some(Lost::Count(1270)));
        assert_eq!(open.map(Result::unwrap).count(), 127);
        let unsaid = page(0, 0xffff_ffff_8000_0008, &[word(1, 0), 0]);
        assert_eq!(Page::open(&l, &unsaid).unwrap().lost(), Some(Lost::Unknown));
        // A 32-bit kernel's commit and count have four bytes.
        let small = HEADER_PAGE.replace("commit;\toffset:8;\tsize:8", "commit;\toffset:8;\tsize:4");
        let small =
            PageLayout::parse(&small.replace("offset:16;\tsize:4080", "offset:12;\tsize:4084"), HEADER_EVENT).unwrap();
        let mut bytes = [0_u64.to_le_bytes().as_slice(), &0xc000_0008_u32.to_le_bytes()].concat();
        for w in [word(1, 3), 0, 55] {
            bytes.extend(w.to_le_bytes());
        }
        bytes.resize(4096, 0xff);
        let open = Page::open(&small, &bytes).unwrap();
        assert_eq!((open.lost(), open.count()), (Some(Lost::Count(55)), 1));
    }

    #[test]
    fn damaged_pages_give_what_came_before_and_one_error() {
        let l = layout();
        assert_eq!(Page::open(&l, &[0; 15]).unwrap_err(), PageError::Short { have: 15, need: 16 });
        assert_eq!(Page::open(&l, &page(0, 9, &[])[..20]).unwrap_err(), PageError::Short { have: 20, need: 25 });
        assert_eq!(Page::open(&l, &page(0, 4081, &[])).unwrap_err(), PageError::Commit { committed: 4081, room: 4080 });
        let good = [word(1, 1), 0];
        let after = |words: &[u32]| {
            let all = [&good, words].concat();
            let (records, error) = walk(&page(0, 4 * all.len() as u64, &all));
            assert_eq!(records, [(1, 4)]);
            error.unwrap()
        };
        assert_eq!(after(&[word(3, 0), 0]), PageError::Record { at: 8, length: 16, left: 8 });
        assert_eq!(after(&[word(0, 0), 0]), PageError::Record { at: 8, length: 4, left: 8 });
        assert_eq!(after(&[word(0, 0), u32::MAX]), PageError::Record { at: 8, length: 4_294_967_299, left: 8 });
        assert_eq!(after(&[word(30, 0)]), PageError::Record { at: 8, length: 8, left: 4 });
        assert_eq!(after(&[word(29, 3), 2]), PageError::Record { at: 8, length: 6, left: 8 });
        assert_eq!(walk(&page(0, 10, &[word(1, 1), 0, 0])).1, Some(PageError::Record { at: 8, length: 4, left: 2 }));
        // A kernel whose short records end earlier leaves kinds that mean nothing.
        let fewer = PageLayout::parse(HEADER_PAGE, &HEADER_EVENT.replace("== 28", "== 20")).unwrap();
        let bytes = page(0, 8, &[word(28, 0), 0]);
        let error = Page::open(&fewer, &bytes).unwrap().next().unwrap().unwrap_err();
        assert_eq!(error, PageError::Kind { at: 0, kind: 28 });
    }
}
