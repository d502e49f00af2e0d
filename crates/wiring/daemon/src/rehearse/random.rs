//! The one source of chance in a rehearsal, so that a seed stands for a rehearsal.
//!
//! Not for anything that must not be guessed. Called by `scenario`, which draws what happens, and by `machine`, which draws
//! what no answer depends on.

/// The generator splitmix64: Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014.
#[derive(Clone, Debug)]
pub(super) struct Random(u64);

impl Random {
    /// The sequence of a seed.
    pub(super) fn new(seed: u64) -> Random {
        Random(seed)
    }

    /// The next 64 bits.
    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number from `least` to `most`, both included. The ranges here are so small that the remainder's bias is not seen.
    pub(super) fn between(&mut self, least: u64, most: u64) -> u64 {
        least + self.next() % (most.saturating_sub(least) + 1)
    }

    /// Whether something happens that happens so many times in a hundred.
    pub(super) fn chance(&mut self, percent: u64) -> bool {
        self.between(1, 100) <= percent
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_sequence() {
        // Rosetta Code, "Pseudo-random numbers/Splitmix64": the first five numbers of seed 1234567.
        let mut random = Random::new(1_234_567);
        let published = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        assert_eq!(published.map(|_| random.next()), published);
    }

    #[test]
    fn both_ends_are_reached() {
        let mut random = Random::new(1);
        let drawn: Vec<u64> = (0..200).map(|_| random.between(3, 6)).collect();
        assert!((3..=6).all(|n| drawn.contains(&n)) && drawn.iter().all(|n| (3..=6).contains(n)));
        assert!(!random.chance(0) && random.chance(100));
    }
}
