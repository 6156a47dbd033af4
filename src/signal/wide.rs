//! Loops over numbers in the widest instructions that the processor has.
//!
//! A program built for every processor of a kind uses what the oldest has: two numbers at a time.
//! What is run through [`wide`] is compiled for newer ones too, and which one is taken is found out
//! when it runs. Nothing is reordered and nothing is fused: the results are the same to the last bit.

use std::sync::OnceLock;

use pulp::{Arch, Simd, WithSimd};

/// A loop that [`wide`] runs. Its `run`, and what that calls, must be `#[inline(always)]`: only what
/// is inlined gets the wide instructions.
pub trait Kernel {
    /// What it gives.
    type Out;

    /// Does it.
    fn run(self) -> Self::Out;
}

struct Dispatched<K>(K);

impl<K: Kernel> WithSimd for Dispatched<K> {
    type Output = K::Out;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> K::Out {
        self.0.run()
    }
}

/// Runs a loop in the widest instructions of this processor.
#[inline]
pub fn wide<K: Kernel>(kernel: K) -> K::Out {
    static ARCH: OnceLock<Arch> = OnceLock::new();
    ARCH.get_or_init(Arch::new).dispatch(Dispatched(kernel))
}
