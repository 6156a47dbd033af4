//! Places for labels along a line so that none covers another.

/// Left edges for labels of given widths that want to be centred at given places, in rising
/// order, inside `from..to` with a gap between them; the sum of squared moves is least.
/// The caller makes sure that all fit; if they do not, they run out at the right.
pub fn spread(wanted: &[(f64, f64)], gap: f64, from: f64, to: f64) -> Vec<f64> {
    // Blocks of touching labels: sum of wanted left edges (less the offset in the block),
    // number, width. Neighbouring blocks that overlap become one.
    struct Block {
        sum: f64,
        count: usize,
        width: f64,
    }
    impl Block {
        fn left(&self, from: f64, to: f64) -> f64 {
            let mean = self.sum / self.count as f64;
            mean.min(to - self.width).max(from)
        }
    }
    let mut blocks: Vec<Block> = Vec::new();
    for &(centre, width) in wanted {
        let mut block = Block {
            sum: centre - 0.5 * width,
            count: 1,
            width,
        };
        while let Some(last) = blocks.pop() {
            if last.left(from, to) + last.width + gap <= block.left(from, to) {
                blocks.push(last);
                break;
            }
            let shift = last.width + gap;
            block = Block {
                sum: last.sum + block.sum - shift * block.count as f64,
                count: last.count + block.count,
                width: last.width + gap + block.width,
            };
        }
        blocks.push(block);
    }
    let mut lefts = Vec::with_capacity(wanted.len());
    let mut widths = wanted.iter().map(|w| w.1);
    for block in blocks {
        let mut left = block.left(from, to);
        for width in widths.by_ref().take(block.count) {
            lefts.push(left);
            left += width + gap;
        }
    }
    lefts
}

/// Lane for each span, in order, so that spans in a lane do not touch; none as soon as more
/// than `most` lanes would be needed.
pub fn lanes(spans: &[(f64, f64)], gap: f64, most: usize) -> Option<Vec<usize>> {
    let mut taken: Vec<Vec<(f64, f64)>> = vec![Vec::new(); most];
    spans
        .iter()
        .map(|&(from, to)| {
            let lane = taken
                .iter()
                .position(|lane| lane.iter().all(|&(a, b)| to + gap <= a || b + gap <= from))?;
            taken[lane].push((from, to));
            Some(lane)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spread_labels_keep_their_order_and_distance() {
        let wanted = [(10.0, 30.0), (12.0, 30.0), (50.0, 30.0), (99.0, 30.0)];
        let lefts = spread(&wanted, 4.0, 0.0, 140.0);
        for (pair, next) in lefts.windows(2).zip(&wanted) {
            assert!(pair[0] + next.1 + 4.0 <= pair[1] + 1e-9, "{lefts:?}");
        }
        assert!(lefts[0] >= 0.0 && lefts[3] + 30.0 <= 140.0, "{lefts:?}");
    }

    #[test]
    fn a_lonely_label_is_centred_and_edges_hold() {
        assert_eq!(spread(&[(50.0, 20.0)], 4.0, 0.0, 100.0), [40.0]);
        assert_eq!(spread(&[(2.0, 20.0)], 4.0, 0.0, 100.0), [0.0]);
        assert_eq!(spread(&[(99.0, 20.0)], 4.0, 0.0, 100.0), [80.0]);
        assert!(spread(&[], 4.0, 0.0, 100.0).is_empty());
    }

    #[test]
    fn lanes_hold_what_does_not_touch() {
        let spans = [(0.0, 10.0), (5.0, 15.0), (12.0, 20.0)];
        assert_eq!(lanes(&spans, 1.0, 2), Some(vec![0, 1, 0]));
        assert_eq!(lanes(&spans, 1.0, 1), None);
    }
}
