//! Plans of Fourier transforms, each made once a thread.

use std::cell::RefCell;
use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};

thread_local! {
    static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
}

/// The transform of `len` real samples to `len / 2 + 1` complex values. Only plans for powers of two
/// are kept: of other lengths there is no end.
pub fn forward(len: usize) -> Arc<dyn RealToComplex<f64>> {
    if !len.is_power_of_two() {
        return RealFftPlanner::new().plan_fft_forward(len);
    }
    PLANNER.with_borrow_mut(|planner| planner.plan_fft_forward(len))
}
