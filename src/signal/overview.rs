//! Extremes of a long signal in bounded memory, for pictures.

/// Extremes of one stretch of a signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bucket {
    /// Lowest sample.
    pub min: f64,
    /// Highest sample.
    pub max: f64,
    /// Number of samples heard; fewer than the bucket is long where some were lost.
    pub heard: u64,
}

impl Bucket {
    const NONE: Self = Self {
        min: f64::INFINITY,
        max: f64::NEG_INFINITY,
        heard: 0,
    };

    fn add(&mut self, sample: f64) {
        self.min = self.min.min(sample);
        self.max = self.max.max(sample);
        self.heard += 1;
    }

    fn merged(a: Self, b: Self) -> Self {
        Self {
            min: a.min.min(b.min),
            max: a.max.max(b.max),
            heard: a.heard + b.heard,
        }
    }
}

/// A picture of a signal of any length: at most [`Overview::MOST`] buckets of equal length.
/// When they are used up, each two become one.
#[derive(Debug, Clone, PartialEq)]
pub struct Overview {
    buckets: Vec<Bucket>,
    current: Bucket,
    filled: u64,
    length: u64,
}

impl Overview {
    /// Most buckets that are kept. A long signal has between half as many and as many.
    pub const MOST: usize = 2_000;

    /// An empty picture.
    pub fn new() -> Self {
        Self {
            buckets: Vec::new(),
            current: Bucket::NONE,
            filled: 0,
            length: 1,
        }
    }

    /// Adds samples.
    pub fn push(&mut self, samples: &[f64]) {
        for &sample in samples {
            self.current.add(sample);
            self.filled += 1;
            if self.filled == self.length {
                self.finish_bucket();
            }
        }
    }

    /// Adds `frames` that were lost: they take their place on the time axis and hold nothing.
    pub fn push_lost(&mut self, frames: u64) {
        let mut left = frames;
        while left > 0 {
            let step = left.min(self.length - self.filled);
            self.filled += step;
            left -= step;
            if self.filled == self.length {
                self.finish_bucket();
            }
        }
    }

    fn finish_bucket(&mut self) {
        self.buckets.push(self.current);
        self.current = Bucket::NONE;
        self.filled = 0;
        if self.buckets.len() == Self::MOST {
            self.buckets = self
                .buckets
                .chunks_exact(2)
                .map(|two| Bucket::merged(two[0], two[1]))
                .collect();
            self.length *= 2;
        }
    }

    /// Length of a bucket in samples.
    pub fn bucket_len(&self) -> u64 {
        self.length
    }

    /// The buckets in order; the last may be shorter than the others. A bucket without a
    /// sample (all lost) has `heard` 0 and no meaningful extremes.
    pub fn buckets(&self) -> Vec<Bucket> {
        let mut all = self.buckets.clone();
        if self.filled > 0 {
            all.push(self.current);
        }
        all
    }
}

impl Default for Overview {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_survive_any_number_of_merges() {
        let n = 123_457_u64;
        let mut overview = Overview::new();
        for i in 0..n {
            let x = if i == 77_777 {
                -3.0
            } else {
                ((i * 7919) % 1000) as f64 / 1000.0
            };
            overview.push(&[x]);
        }
        let all = overview.buckets();
        assert!(all.len() >= Overview::MOST / 2 && all.len() <= Overview::MOST);
        assert_eq!(all.iter().map(|b| b.heard).sum::<u64>(), n);
        let at = all.iter().position(|b| b.min == -3.0);
        assert_eq!(at, Some((77_777 / overview.bucket_len()) as usize));
    }

    /// Lost frames fill the bucket that is begun, then those that follow.
    #[test]
    fn lost_frames_fill_up_a_bucket_that_is_begun() {
        let mut overview = Overview::new();
        // Enough for buckets of more than one sample.
        overview.push(&vec![0.5; 3 * Overview::MOST]);
        let len = overview.bucket_len();
        assert!(len > 1);
        let whole = overview.buckets().len() as u64;
        overview.push(&[0.25]);
        overview.push_lost(2 * len - 1);
        overview.push(&[0.75]);
        let all = overview.buckets();
        let heard: Vec<u64> = all.iter().map(|b| b.heard).collect();
        assert_eq!(heard[whole as usize..], [1, 0, 1]);
        assert_eq!(
            (all[whole as usize].max, all[whole as usize + 2].max),
            (0.25, 0.75)
        );
    }

    #[test]
    fn lost_frames_take_their_place() {
        let mut overview = Overview::new();
        overview.push(&[1.0; 500]);
        overview.push_lost(1_000_000_000);
        overview.push(&[2.0; 500]);
        let all = overview.buckets();
        assert!(all.len() <= Overview::MOST);
        assert_eq!(all.iter().map(|b| b.heard).sum::<u64>(), 1000);
        assert_eq!(all[0].max, 1.0);
        assert_eq!(all[all.len() - 1].max, 2.0);
        assert_eq!(all[all.len() / 2].heard, 0);
    }
}
