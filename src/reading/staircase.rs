//! Which damage comes next in an ear test: a staircase that settles where the ear hears 70.7 %.
//!
//! Transformed up-down procedure, two down and one up (H. Levitt, J. Acoust. Soc. Am. 49 (1971)
//! 467): two damaged wheels heard in a row at one level make the next damage smaller, one that was
//! not heard makes it larger. It rests where two in a row are as likely as not, `p^2 = 1/2`,
//! p = 0.707. Until the first turn every hit steps down, so that nobody sits through what is easy
//! (common practice). Sound wheels in between do not move it.

/// Turns that are left out of the estimate, as the way down to where it settles.
const FIRST_TURNS: usize = 2;
/// Turns that an estimate needs besides.
const LEAST_TURNS: usize = 4;

/// A staircase over levels 0 (the easiest) to `levels - 1` (the hardest).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Staircase {
    levels: usize,
    level: usize,
    in_a_row: u32,
    /// True while it goes down to smaller damage; none before the first step.
    down: Option<bool>,
    turns: Vec<usize>,
}

impl Staircase {
    /// At level `start`; at least one level is taken for granted.
    pub fn new(levels: usize, start: usize) -> Self {
        let levels = levels.max(1);
        Self {
            levels,
            level: start.min(levels - 1),
            in_a_row: 0,
            down: None,
            turns: Vec::new(),
        }
    }

    /// Level of the next damaged wheel.
    pub fn level(&self) -> usize {
        self.level
    }

    /// Levels at which it turned, in order.
    pub fn turns(&self) -> &[usize] {
        &self.turns
    }

    /// Takes in whether the damage at the present level was heard.
    pub fn heard(&mut self, heard: bool) {
        if !heard {
            self.in_a_row = 0;
            self.step(false);
            return;
        }
        self.in_a_row += 1;
        if self.in_a_row >= 2 || self.turns.is_empty() {
            self.in_a_row = 0;
            self.step(true);
        }
    }

    fn step(&mut self, down: bool) {
        if self.down.is_some_and(|before| before != down) {
            self.turns.push(self.level);
        }
        self.down = Some(down);
        self.level = if down {
            (self.level + 1).min(self.levels - 1)
        } else {
            self.level.saturating_sub(1)
        };
    }

    /// Level at which 70.7 % are heard: the mean of the turns but the first two, and of an even
    /// number of them (tops and bottoms in equal number); none with fewer than four.
    pub fn threshold(&self) -> Option<f64> {
        let usable = self.turns.len().saturating_sub(FIRST_TURNS);
        let usable = usable - usable % 2;
        if usable < LEAST_TURNS {
            return None;
        }
        let last = &self.turns[self.turns.len() - usable..];
        Some(last.iter().sum::<usize>() as f64 / usable as f64)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use rand::{Rng, SeedableRng};

    use super::*;

    #[test]
    fn two_down_and_one_up() {
        let mut s = Staircase::new(10, 3);
        let mut levels = vec![s.level()];
        for heard in [true, true, false, true, true, true, false] {
            s.heard(heard);
            levels.push(s.level());
        }
        // Down at once until the first turn, then two in a row for a step.
        assert_eq!(levels, [3, 4, 5, 4, 4, 5, 5, 4]);
        assert_eq!(s.turns(), [5, 4, 5]);
        assert_eq!(s.threshold(), None, "three turns are no estimate");
        let mut at_the_end = Staircase::new(2, 9);
        assert_eq!(at_the_end.level(), 1, "there is no level 9 of 2");
        for _ in 0..5 {
            at_the_end.heard(true);
        }
        assert_eq!(at_the_end.level(), 1);
    }

    #[test]
    fn the_first_turns_and_an_odd_one_do_not_count() {
        let mut s = Staircase::new(100, 10);
        s.turns = vec![90, 80, 70, 20, 24, 22, 26];
        // Of the five after the first two the last four: 20, 24, 22, 26.
        assert_eq!(s.threshold(), Some(23.0));
        s.turns.pop();
        assert_eq!(s.threshold(), Some(34.0));
        s.turns.pop();
        assert_eq!(s.threshold(), None);
    }

    /// Simulated listeners whose share of hits falls as a logistic curve over the level: the mean
    /// estimate lies where they hear 70.7 % (Levitt 1971), for several of them.
    #[test]
    fn simulated_listeners_settle_where_they_hear_seventy_percent() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(71);
        for (middle, width) in [(12.0, 2.0), (20.0, 3.0), (8.0, 1.5)] {
            let share = |level: f64| 1.0 / (1.0 + ((level - middle) / width).exp());
            let (mut sum, runs) = (0.0, 400);
            for _ in 0..runs {
                let mut s = Staircase::new(40, 0);
                for _ in 0..120 {
                    s.heard(rng.random::<f64>() < share(s.level() as f64));
                }
                sum += s.threshold().unwrap();
            }
            let found = share(sum / f64::from(runs));
            // Steps of finite size pull the estimate a few per cent; a plain one up, one down
            // would give 0.5, three down 0.79.
            assert!((found - 0.707).abs() < 0.04, "{middle} {width}: {found}");
        }
    }
}
