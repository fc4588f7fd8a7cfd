//! Random choices that a seed alone decides (SplitMix64: Steele, Lea, Flood 2014, "Fast splittable pseudorandom
//! number generators").

pub(super) struct RandomChoices(u64);

impl RandomChoices {
    pub(super) fn new(seed: u64, trial: u64) -> RandomChoices {
        RandomChoices(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ trial.wrapping_mul(0xd134_2543_de82_ef95))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `end`.
    pub(super) fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }

    /// One of several.
    pub(super) fn of<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[self.below(all.len())]
    }

    /// Bytes with one to three changes: a bit turned, a byte replaced, a stretch cut out or doubled, the end cut off.
    pub(super) fn damaged(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut out = bytes.to_vec();
        for _ in 0..=self.below(3) {
            if out.is_empty() {
                break;
            }
            let at = self.below(out.len());
            let to = (at + 1 + self.below(40)).min(out.len());
            match self.below(5) {
                0 => out[at] ^= 1 << self.below(8),
                1 => out[at] = *self.of(b"0123456789-.,;\"[]{}=\n \0\xff"),
                2 => drop(out.drain(at..to)),
                3 => {
                    let again = out[at..to].to_vec();
                    out.splice(at..at, again);
                }
                _ => out.truncate(at),
            }
        }
        out
    }
}
