//! Loops over columns, compiled for the widest vectors that the processor at hand has.
//!
//! The choice is made while the program runs. Every operation in those loops is exactly rounded one by one (no fused
//! multiply-add, no reordering), so no number depends on it.
//!
//! Why pulp? It picks the vectors while the program runs, without a build flag and without `unsafe` in this crate.
//!
//! Why do loops cut their slices inside the closure for `Vectors::run`? Captured slices lose their known length there,
//! and the loop then does not run in vectors.

pub(crate) mod columns;
pub(crate) mod lanes;

use pulp::Arch;

/// Which vectors to use.
#[derive(Debug, Clone, Copy)]
pub struct Vectors(Option<Arch>);

impl Default for Vectors {
    fn default() -> Self {
        Self(Some(Arch::new()))
    }
}

impl Vectors {
    /// Those that every processor of this kind has.
    pub fn plain() -> Self {
        Self(None)
    }

    /// Runs `op`, whose loops must be inlined into it.
    #[inline(always)]
    pub(crate) fn run<R>(self, op: impl FnOnce() -> R) -> R {
        match self.0 {
            Some(arch) => arch.dispatch(op),
            None => op(),
        }
    }

    /// A bit for each byte that is `a`, and for each that is `b`, the first byte lowest.
    #[inline(always)]
    pub(crate) fn find(self, bytes: &[u8; 64], a: u8, b: u8) -> [u64; 2] {
        #[cfg(target_arch = "x86_64")]
        {
            let wide = match self.0 {
                Some(Arch::V4(simd)) => Some(*simd),
                Some(Arch::V3(simd)) => Some(simd),
                _ => None,
            };
            if let Some(simd) = wide {
                let halves: [[u8; 32]; 2] = pulp::cast(*bytes);
                return [a, b].map(|wanted| {
                    let wanted = simd.avx._mm256_set1_epi8(wanted as i8);
                    let [low, high] = halves.map(|half| {
                        let found = simd.avx2._mm256_cmpeq_epi8(pulp::cast(half), wanted);
                        u64::from(simd.avx2._mm256_movemask_epi8(found) as u32)
                    });
                    low | high << 32
                });
            }
        }
        [find(bytes, a), find(bytes, b)]
    }
}

/// A one in every byte.
pub(crate) const ONES: u64 = 0x0101_0101_0101_0101;
const LOW: u64 = 0x7f * ONES;
/// The highest bit of every byte.
pub(crate) const HIGH: u64 = 0x80 * ONES;

/// The highest bit of every byte that is zero.
#[inline(always)]
pub(crate) fn zeros(bytes: u64) -> u64 {
    !(((bytes & LOW) + LOW) | bytes) & HIGH
}

/// [`Vectors::find`] for one byte, eight bytes at a time.
#[inline(always)]
fn find(bytes: &[u8; 64], wanted: u8) -> u64 {
    let mut mask = 0;
    for (i, bytes) in bytes.as_chunks::<8>().0.iter().enumerate() {
        let found = zeros(u64::from_le_bytes(*bytes) ^ (u64::from(wanted) * ONES));
        // Gathers the highest bit of each byte in the highest byte.
        mask |= ((found >> 7).wrapping_mul(0x0102_0408_1020_4080) >> 56) << (8 * i);
    }
    mask
}

#[cfg(test)]
mod tests {
    use super::*;

    proptest::proptest! {
        #[test]
        fn every_way_finds_the_same_bytes(bytes in proptest::array::uniform32(0u8..5), a in 0u8..5, b in 0u8..5) {
            let block: [u8; 64] = std::array::from_fn(|i| bytes[i / 2] ^ ((i as u8 & 1) * 0x80));
            let slow = |wanted| (0..64).filter(|&i| block[i] == wanted).fold(0u64, |mask, i| mask | 1 << i);
            proptest::prop_assert_eq!(Vectors::default().find(&block, a, b), [slow(a), slow(b)]);
            proptest::prop_assert_eq!(Vectors::plain().find(&block, a, b), [slow(a), slow(b)]);
        }
    }
}
