//! What threads share is of use after one of them failed.

use std::sync::{Mutex, MutexGuard};

/// The value behind a lock; one that a failed thread left is still of use.
pub(super) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner)
}
