//! One job looked at more than once: before and after, on several machines, with other limits, as an excitation.

pub mod compare;
pub mod headroom;
pub mod matrix;
pub mod resonance;
