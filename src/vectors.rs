//! Loops over columns, compiled for the widest vectors that the processor at hand has.
//!
//! The choice is made while the program runs. Every operation in those loops is exactly rounded one by one (no fused
//! multiply-add, no reordering), so no number depends on it.

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
    pub fn run<R>(self, op: impl FnOnce() -> R) -> R {
        match self.0 {
            Some(arch) => arch.dispatch(op),
            None => op(),
        }
    }
}
