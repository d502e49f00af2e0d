//! Sums of columns: a space of syndromes over GF(2), where adding is XOR.
//!
//! It knows nothing of codes or lines. `matrix` counts with it, `parse` checks with it.

/// All the sums that can be made of the vectors that were put in.
#[derive(Clone)]
pub(crate) struct Span {
    /// Each row lacks the leading bits of those before it, so that reducing by them in order clears every leading bit.
    rows: [u64; 64],
    rank: usize,
}

impl Span {
    /// Only the sum of nothing, which is 0.
    pub(crate) fn new() -> Span {
        Span { rows: [0; 64], rank: 0 }
    }

    /// All the sums of these vectors.
    pub(crate) fn of(vectors: impl IntoIterator<Item = u64>) -> Span {
        let mut span = Span::new();
        for vector in vectors {
            span.put(vector);
        }
        span
    }

    /// Takes everything out again.
    pub(crate) fn clear(&mut self) {
        self.rank = 0;
    }

    /// How many vectors are enough to make all of it: it holds 2 to this power syndromes.
    pub(crate) fn rank(&self) -> usize {
        self.rank
    }

    /// What is left of the vector after all that can be made here is taken away: 0 if it can be made, and the same for any
    /// two vectors that differ by something that can.
    pub(crate) fn residue(&self, vector: u64) -> u64 {
        self.rows.get(..self.rank).unwrap_or_default().iter().fold(vector, |left, row| left.min(left ^ row))
    }

    /// Whether the vector can be made.
    pub(crate) fn has(&self, vector: u64) -> bool {
        self.residue(vector) == 0
    }

    /// Puts a vector in; says whether it could not be made before.
    pub(crate) fn put(&mut self, vector: u64) -> bool {
        let left = self.residue(vector);
        // 64 independent rows already make every vector, so that there is always room for one that is new.
        if left != 0
            && let Some(row) = self.rows.get_mut(self.rank)
        {
            *row = left;
            self.rank += 1;
        }
        left != 0
    }

    /// Everything that can be made, added to an offset, each once, in no particular order: 2 to the rank values, for
    /// ranks that leave time for so many.
    pub(crate) fn sums(&self, offset: u64) -> impl Iterator<Item = u64> {
        let mut sum = offset;
        // Counting up, the lowest bit that is set in n says which row changes (a Gray code), so that each sum is one step away
        // from the one before.
        (0..1_u64.checked_shl(self.rank as u32).unwrap_or(u64::MAX)).map(move |n| {
            sum ^= self.rows.get(n.trailing_zeros() as usize).filter(|_| n > 0).unwrap_or(&0);
            sum
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_is_what_its_vectors_sum_up_to() {
        let vectors = [0b1011, 0b0110, 0b1101, 0b0001];
        let mut span = Span::new();
        let new: Vec<bool> = vectors.iter().map(|v| span.put(*v)).collect();
        // The third is the sum of the first two.
        assert_eq!((new, span.rank()), (vec![true, true, false, true], 3));
        let mut sums: Vec<u64> =
            (0..16).map(|pick| (0..4).filter(|i| pick >> i & 1 == 1).fold(0, |sum, i| sum ^ vectors[i])).collect();
        sums.sort_unstable();
        sums.dedup();
        let mut all: Vec<u64> = span.sums(0).collect();
        all.sort_unstable();
        assert_eq!(all, sums);
        for v in 0..16 {
            assert_eq!(span.has(v), sums.contains(&v));
            assert!(sums.iter().all(|sum| span.residue(v) == span.residue(v ^ sum)));
        }
    }

    #[test]
    fn a_full_span_takes_no_more() {
        let mut span = Span::new();
        assert!((0..64).all(|bit| span.put(1 << bit)));
        assert!(!span.put(u64::MAX) && span.rank() == 64 && span.has(u64::MAX));
    }
}
