//! Works on many things at once and hands the results back in order.

use std::collections::BTreeMap;
use std::num::NonZero;
use std::sync::mpsc::channel;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;

/// How far the workers may run ahead of the result whose turn it is, per worker: bounds what
/// waits in memory behind a slow one.
const AHEAD: usize = 8;

#[derive(Debug, Default)]
struct State {
    /// The next thing to work on.
    next: usize,
    /// Results that were handed back.
    handed: usize,
    stop: bool,
}

#[derive(Debug, Default)]
struct Board {
    state: Mutex<State>,
    changed: Condvar,
}

impl Board {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn change(&self, how: impl FnOnce(&mut State)) {
        how(&mut self.lock());
        self.changed.notify_all();
    }

    /// The next thing to work on; none at the end.
    fn take(&self, count: usize, ahead: usize) -> Option<usize> {
        let mut state = self.lock();
        loop {
            if state.stop || state.next >= count {
                return None;
            }
            if state.next < state.handed + ahead {
                state.next += 1;
                return Some(state.next - 1);
            }
            state = self
                .changed
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
        }
    }
}

/// Lets the others go home when a worker panics, so that the panic is not waited for.
struct Alarm<'a>(&'a Board);

impl Drop for Alarm<'_> {
    fn drop(&mut self) {
        if thread::panicking() {
            self.0.change(|s| s.stop = true);
        }
    }
}

/// Does `work` on all `items`, on as many threads as the machine has cores, and calls `each`
/// on this thread with every result as soon as its turn comes. `each` ends it all with `false`.
pub fn in_order<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(usize, &T) -> R + Sync,
    mut each: impl FnMut(usize, R) -> bool,
) {
    let cores = thread::available_parallelism().map_or(1, NonZero::get);
    let workers = cores.min(items.len());
    let board = Board::default();
    let (sender, receiver) = channel();
    thread::scope(|scope| {
        for _ in 0..workers {
            let (sender, board, work) = (sender.clone(), &board, &work);
            scope.spawn(move || {
                let _alarm = Alarm(board);
                while let Some(k) = board.take(items.len(), AHEAD * workers) {
                    if sender.send((k, work(k, &items[k]))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(sender);
        let mut early = BTreeMap::new();
        let mut turn = 0;
        for (k, result) in receiver {
            early.insert(k, result);
            while let Some(result) = early.remove(&turn) {
                let go_on = each(turn, result);
                turn += 1;
                board.change(|s| {
                    s.handed = turn;
                    s.stop |= !go_on;
                });
                if !go_on {
                    return;
                }
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;

    #[test]
    fn results_come_in_order_whatever_takes_long() {
        let items: Vec<u64> = (0..100).collect();
        let mut got = Vec::new();
        let (running, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
        in_order(
            &items,
            |k, item| {
                let now = running.fetch_add(1, Ordering::SeqCst) + 1;
                most.fetch_max(now, Ordering::SeqCst);
                thread::sleep(Duration::from_millis(if k % 7 == 0 { 8 } else { 1 }));
                running.fetch_sub(1, Ordering::SeqCst);
                item * 3
            },
            |k, r| {
                got.push((k as u64, r));
                true
            },
        );
        let expected: Vec<(u64, u64)> = (0..100).map(|k| (k, 3 * k)).collect();
        assert_eq!(got, expected);
        let cores = thread::available_parallelism().map_or(1, NonZero::get);
        assert!(most.load(Ordering::SeqCst) <= cores);
        assert!(cores == 1 || most.load(Ordering::SeqCst) > 1);
    }

    #[test]
    fn it_can_be_ended_and_never_runs_far_ahead() {
        let done = AtomicUsize::new(0);
        let mut got = 0;
        in_order(
            &[(); 10_000],
            |_, ()| done.fetch_add(1, Ordering::SeqCst),
            |k, _| {
                got = k;
                k < 5
            },
        );
        assert_eq!(got, 5);
        let cores = thread::available_parallelism().map_or(1, NonZero::get);
        assert!(done.load(Ordering::SeqCst) <= 6 + (AHEAD + 1) * cores);
        in_order(&[(); 0], |_, ()| (), |_, ()| true);
    }
}
