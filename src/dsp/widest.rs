//! The widest vector instructions of the processor at hand, chosen while running: one program for old and new machines.
//!
//! The compiler then puts more samples into one instruction; it neither reorders nor contracts anything, so that results are
//! the same to the last bit everywhere.

use pulp::{Arch, WithSimd};

/// Do some work with the widest vector instructions there are. What it calls has to be inlined into it to gain anything.
#[inline(always)]
pub fn dispatch<W: WithSimd>(work: W) -> W::Output {
    Arch::new().dispatch(work)
}

/// Defines functions that are compiled for the widest vector instructions and for any processor, and choose when called.
/// All lifetimes have to be named. Closures within are compiled for any processor only: plain loops are what gains.
macro_rules! widest {
    (@out) => { () };
    (@out $out:ty) => { $out };
    ($($(#[$about:meta])* $seen:vis fn $name:ident <$($life:lifetime),+> (
        $($arg:ident : $kind:ty),* $(,)?
    ) $(-> $out:ty)? $body:block)+) => { $(
        $(#[$about])*
        $seen fn $name<$($life),+>($($arg: $kind),*) $(-> $out)? {
            struct Work<$($life),+> { $($arg: $kind),* }
            impl<$($life),+> pulp::NullaryFnOnce for Work<$($life),+> {
                type Output = widest!(@out $($out)?);
                #[inline(always)]
                fn call(self) -> Self::Output {
                    let Work { $($arg),* } = self;
                    $body
                }
            }
            $crate::dsp::widest::dispatch(Work { $($arg),* })
        }
    )+ };
}

pub(crate) use widest;
