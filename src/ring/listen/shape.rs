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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ring::listen::tests::levels;

    fn shape(levels: &BandLevels) -> Shape<'_> {
        Shape {
            levels,
            background: [1.0, 2.0, 3.0, 0.0, 0.0, 0.0],
            use_lane: [true, true, false, true, true, true],
        }
    }

    #[test]
    fn power_is_the_mean_over_the_background_of_the_bands_that_count() {
        // The first band is 4 over its background, the second below its own, the third is out.
        let known = levels(&[(2, [3.0, 1.0, 50.0]), (2, [7.0, 1.0, 50.0]), (6, [0.0; 3])]);
        let shape = shape(&known);
        assert!((shape.power(0, 4) - 4.0).abs() < 1e-12);
        assert!((shape.power(0, 2) - 2.0).abs() < 1e-12);
        assert!((shape.power(2, 2) - 6.0).abs() < 1e-12);
        assert!(shape.power(4, 4).abs() < 1e-12);
        assert!(shape.power(10, 4).abs() < 1e-12, "nothing is there");
    }

    #[test]
    fn the_most_is_told_with_its_place_and_its_end_is_left_out() {
        let known = levels(&[(10, [1.0; 3]), (3, [5.0, 2.0, 0.0]), (20, [1.0; 3])]);
        let shape = shape(&known);
        assert_eq!(shape.most(5, 20, 3), (4.0, 10));
        assert_eq!(shape.most(5, 20, 1), (4.0, 10), "the first of equals");
        let (most, at) = shape.most(5, 10, 3);
        assert_eq!(at, 9);
        assert!((most - 8.0 / 3.0).abs() < 1e-12);
        assert_eq!(shape.most(20, 25, 3), (0.0, 20));
    }

    #[test]
    fn quick_is_what_gets_to_seven_tenths_in_time() {
        // From hop 10 on a part of what it gets to at hop 40.
        for (part, quick) in [(0.69, false), (0.71, true)] {
            let known = levels(&[
                (10, [1.0, 0.0, 0.0]),
                (30, [1.0 + part, 0.0, 0.0]),
                (30, [2.0, 0.0, 0.0]),
            ]);
            let shape = shape(&known);
            assert_eq!(shape.is_quick(0, 10), quick, "{part}");
            // Of three hops from 9 on one holds nothing yet: two thirds of the part.
            assert!(!shape.is_quick(0, 9), "{part}");
            // Three hops from 37 on end before it gets louder.
            assert!(shape.is_quick_among(0, 10, 38), "{part}");
            assert!(shape.is_quick(0, 40), "{part}");
        }
    }

    #[test]
    fn a_swell_is_four_times_what_was_least_before() {
        let swells = |first: f64, later: f64| {
            let known = levels(&[
                (40, [1.0 + first, 0.0, 0.0]),
                (40, [2.0, 0.0, 0.0]),
                (60, [1.0 + later, 0.0, 0.0]),
            ]);
            let shape = shape(&known);
            (shape.swells(0, 100), shape.swells(0, 61))
        };
        assert_eq!(swells(9.0, 4.1), (true, false));
        assert_eq!(swells(9.0, 3.9), (false, false));
        assert_eq!(swells(0.2, 0.1), (true, true), "from 0.2 to 1");
        assert_eq!(swells(9.0, 0.1), (false, false));
    }
}
