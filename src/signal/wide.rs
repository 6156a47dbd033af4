//! Loops over numbers in the widest instructions that the processor has.
//!
//! A program built for every processor of a kind uses what the oldest has: two numbers at a time.
//! What is made by `widely!` is compiled for newer ones too, and which one is taken is found out
//! when it runs. Nothing is reordered and nothing is fused: the results are the same to the last bit.

use std::sync::OnceLock;

use pulp::Arch;

/// Makes a function that runs another in the widest instructions of this processor:
/// `widely!(pub fn dot(a: &[f64], b: &[f64]) -> f64 = dot_inlined)`.
///
/// The other, and what it calls, must be `#[inline(always)]`: only what is inlined gets the wide
/// instructions. A closure would be shorter, but whether it is inlined is left to the compiler.
macro_rules! widely {
    (
        $(#[$note:meta])*
        $visible:vis fn $name:ident($($given:ident: $kind:ty),*) $(-> $out:ty)? = $inlined:path
    ) => {
        $(#[$note])*
        $visible fn $name($($given: $kind),*) $(-> $out)? {
            struct Given<T>(T);

            impl pulp::WithSimd for Given<($($kind,)*)> {
                #[allow(unused_parens)]
                type Output = ($($out)?);

                #[inline(always)]
                fn with_simd<S: pulp::Simd>(self, _: S) -> Self::Output {
                    let ($($given,)*) = self.0;
                    $inlined($($given),*)
                }
            }

            $crate::signal::wide::processor().dispatch(Given(($($given,)*)))
        }
    };
}

pub(crate) use widely;

/// What this processor has, found out once.
#[inline]
pub fn processor() -> Arch {
    static FOUND: OnceLock<Arch> = OnceLock::new();
    *FOUND.get_or_init(Arch::new)
}
