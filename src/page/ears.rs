//! Ear tests that are under way on the page; each is kept in the store when it is over.

use std::collections::BTreeMap;
use std::sync::Mutex;

use crate::page::fault::Fault;
use crate::page::locks::locked;
use crate::tasks::ear_test::EarTest;

/// Tests that can be under way; the oldest goes when there are more.
const MOST: usize = 24;

/// The tests by number.
#[derive(Debug, Default)]
pub(super) struct Ears {
    tests: Mutex<(u64, BTreeMap<u64, EarTest>)>,
}

impl Ears {
    /// Begins one; gives its number.
    pub(super) fn begin(&self, test: EarTest) -> u64 {
        let mut tests = locked(&self.tests);
        tests.0 += 1;
        let number = tests.0;
        tests.1.insert(number, test);
        while tests.1.len() > MOST {
            tests.1.pop_first();
        }
        number
    }

    /// Does something with one.
    ///
    /// # Errors
    /// [`Fault`] when it is not there.
    pub(super) fn with<T>(
        &self,
        number: u64,
        f: impl FnOnce(&mut EarTest) -> T,
    ) -> Result<T, Fault> {
        let mut tests = locked(&self.tests);
        let test = tests.1.get_mut(&number);
        let gone = || Fault::not_found("That ear test is not there any more: begin a new one.");
        test.map(f).ok_or_else(gone)
    }

    /// Takes one away.
    pub(super) fn end(&self, number: u64) -> Option<EarTest> {
        locked(&self.tests).1.remove(&number)
    }
}
