//! The shape of a sound in time.

use crate::signal::envelope::{BandLevels, Levels};
use crate::signal::filter::LANES;

/// The shape of a rise in time: power above the background, summed over bands.
pub(super) struct Shape<'a> {
    pub(super) levels: &'a BandLevels,
    /// Level before the rise.
    pub(super) background: Levels,
    /// Bands that count.
    pub(super) use_lane: [bool; LANES],
}

impl Shape<'_> {
    /// Mean power above the background over `n` hops from `hop` on.
    pub(super) fn power(&self, hop: u64, n: u64) -> f64 {
        self.levels.mean(hop, hop + n).map_or(0.0, |m| {
            (0..LANES)
                .filter(|&l| self.use_lane[l])
                .map(|l| (m[l] - self.background[l]).max(0.0))
                .sum()
        })
    }

    /// True when it gets to 0.7 of its power of the next 50 ms within `hops`.
    pub(super) fn is_quick(&self, hop: u64, hops: u64) -> bool {
        self.is_quick_among(hop, hops, 50)
    }

    /// True when it gets to 0.7 of its power of the next `among` hops within `hops`.
    pub(super) fn is_quick_among(&self, hop: u64, hops: u64, among: u64) -> bool {
        let (most, _) = self.most(hop, hop + among, 3);
        (hop..=hop + hops).any(|h| self.power(h, 3) >= 0.7 * most)
    }

    /// True when the power of 30 hops ever gets to four times what it was before.
    pub(super) fn swells(&self, from: u64, to: u64) -> bool {
        let mut least = f64::INFINITY;
        (from..to).step_by(10).any(|h| {
            let p = self.power(h, 30);
            least = least.min(p);
            p > 4.0 * least
        })
    }

    /// Largest power over `n` hops that starts in `from..to`.
    pub(super) fn most(&self, from: u64, to: u64, n: u64) -> (f64, u64) {
        (from..to).fold((0.0, from), |best, h| {
            let p = self.power(h, n);
            if p > best.0 { (p, h) } else { best }
        })
    }
}
