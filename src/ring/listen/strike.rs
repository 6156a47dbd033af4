//! The instant of a strike, to a fraction of a millisecond.

use crate::ring::listen::predictor;

/// Order of the predictor that whitens what sounded before.
const ORDER: usize = 12;

/// A change of power of a whitened signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Change {
    /// The first sample of the louder part.
    pub(super) index: usize,
    /// Power after over power before.
    pub(super) ratio: f64,
    /// How much likelier two powers are than one: twice the logarithm of the likelihood ratio.
    pub(super) gain: f64,
}

/// The sample in `from..to` at which the whitened signal changes its power: the split that
/// makes two stretches of constant power most likely (Maeda 1985). `quiet_from..quiet_to` is
/// what sounded before; when it is too short to learn from, the first difference whitens.
///
pub(super) fn find(
    x: &[f64],
    quiet_from: usize,
    quiet_to: usize,
    from: usize,
    to: usize,
) -> Option<Change> {
    let to = to.min(x.len());
    if to < from + 4 {
        return None;
    }
    let learnt = if quiet_to >= quiet_from + 10 * ORDER {
        predictor::fit(
            &x[quiet_from..quiet_to],
            ORDER,
            ORDER,
            quiet_to - quiet_from,
        )
    } else {
        None
    };
    let a = learnt.unwrap_or_else(|| vec![1.0]);
    let white = if from < a.len() {
        // Before the first sample the mirror image stands in for the past.
        let lead = a.len().min(x.len() - 1);
        let padded: Vec<f64> = (1..=lead)
            .rev()
            .map(|k| x[k])
            .chain(x[..to].iter().copied())
            .collect();
        predictor::error(&padded, &a, lead + from, lead + to)
    } else {
        predictor::error(x, &a, from, to)
    };
    let change = split(&white)?;
    Some(Change {
        index: from + change.index,
        ..change
    })
}

/// Most likely place of a change of power in `white`.
fn split(white: &[f64]) -> Option<Change> {
    let n = white.len();
    let total: f64 = white.iter().map(|e| e * e).sum();
    if n < 4 || total <= 0.0 {
        return None;
    }
    // What is 100 dB below the rest counts as silence, else digital silence before would
    // make the logarithm run away.
    let least = 1e-10 * total / n as f64;
    let guard = 2;
    let mut before: f64 = white[..guard].iter().map(|e| e * e).sum();
    let mut best: Option<(f64, usize, f64)> = None;
    for (k, &next) in white.iter().enumerate().take(n - guard + 1).skip(guard) {
        let (p, q) = (
            before / k as f64 + least,
            (total - before).max(0.0) / (n - k) as f64 + least,
        );
        let cost = k as f64 * p.ln() + (n - k) as f64 * q.ln();
        if q > p && best.is_none_or(|(c, _, _)| cost < c) {
            best = Some((cost, k, q / p));
        }
        before += next * next;
    }
    let one = n as f64 * (total / n as f64 + least).ln();
    best.map(|(cost, index, ratio)| Change {
        index,
        ratio,
        gain: one - cost,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::listen::tests::signs;

    /// Signs by chance of amplitude `soft`, from `at` on `loud`.
    fn step(n: usize, at: usize, soft: f64, loud: f64) -> Vec<f64> {
        let sign = signs(n, 3);
        (0..n)
            .map(|i| sign[i] * if i < at { soft } else { loud })
            .collect()
    }

    // Gain by its definition: n ln P - k ln p - (n-k) ln q with the powers of the whole and of
    // both parts.
    #[test]
    fn a_step_of_power_is_split_where_it_is_with_its_ratio_and_gain() {
        for (n, at) in [(20, 8), (20, 2), (20, 18), (101, 70), (4, 2)] {
            let change = split(&step(n, at, 0.1, 1.0)).unwrap();
            assert_eq!(change.index, at, "{n}");
            assert!((change.ratio / 100.0 - 1.0).abs() < 1e-6, "{change:?}");
            let (k, rest) = (at as f64, (n - at) as f64);
            let whole = (0.01 * k + rest) / n as f64;
            let gain = n as f64 * whole.ln() - k * 0.01f64.ln();
            assert!(
                (change.gain - gain).abs() < 1e-5 * gain,
                "{change:?} {gain}"
            );
        }
    }

    #[test]
    fn no_part_is_shorter_than_two_samples() {
        assert_eq!(split(&step(20, 1, 0.1, 1.0)).unwrap().index, 2);
        assert_eq!(split(&step(20, 19, 0.1, 1.0)).unwrap().index, 18);
    }

    // Silence counts as 100 dB below the mean of all: with half of it silent the louder part has
    // twice the mean, which is 2e10 over that.
    #[test]
    fn digital_silence_before_counts_as_100_db_below() {
        let change = split(&step(40, 20, 0.0, 0.3)).unwrap();
        assert_eq!(change.index, 20);
        assert!((change.ratio / 2e10 - 1.0).abs() < 1e-6, "{change:?}");
    }

    #[test]
    fn what_gets_softer_or_is_nothing_or_too_short_is_no_change() {
        assert_eq!(split(&step(40, 20, 1.0, 0.1)), None);
        assert_eq!(split(&[0.0; 40]), None);
        assert_eq!(split(&[0.1, 1.0, 1.0]), None);
    }

    /// A tone of amplitude 1 at 0.157 rad a sample over noise of 0.001, which is 0.01 from `from`
    /// up to `to`: 40 dB below the tone, so that only what takes the tone away shows it.
    fn below_a_tone(n: usize, from: usize, to: usize) -> Vec<f64> {
        let sign = signs(n, 5);
        (0..n)
            .map(|i| {
                let loud = if (from..to).contains(&i) { 0.01 } else { 0.001 };
                (0.157 * i as f64).cos() + loud * sign[i]
            })
            .collect()
    }

    // A change of power by a factor of 100 is placed to a sample or two.
    #[test]
    fn a_strike_40_db_below_a_steady_tone_is_found_by_what_the_quiet_taught() {
        let x = below_a_tone(700, 500, 700);
        for (from, to) in [(470, 530), (490, 540), (460, 504)] {
            let change = find(&x, 0, 450, from, to).unwrap();
            assert!(change.index.abs_diff(500) <= 2, "{change:?}");
            assert!(change.ratio > 20.0, "{change:?}");
        }
    }

    #[test]
    fn a_quiet_shorter_than_120_samples_teaches_nothing() {
        let x = below_a_tone(700, 500, 700);
        let learnt = find(&x, 330, 450, 470, 530).unwrap();
        assert!(learnt.index.abs_diff(500) <= 2, "{learnt:?}");
        assert!(learnt.ratio > 10.0, "{learnt:?}");
        // The first difference leaves the tone at 0.157, over which 0.01 is nothing.
        let hidden = find(&x, 331, 450, 470, 530);
        assert!(hidden.is_none_or(|h| h.ratio < 10.0), "{hidden:?}");
    }

    // A cosine is its own mirror image, so that nothing is put in at the first sample.
    #[test]
    fn at_the_first_sample_the_mirror_image_is_the_past() {
        let x = below_a_tone(700, 40, 100);
        for from in [0, 5, 11, 12] {
            let change = find(&x, 200, 700, from, 70).unwrap();
            assert!(change.index.abs_diff(40) <= 2, "{from}: {change:?}");
            assert!(change.ratio > 20.0, "{from}: {change:?}");
        }
    }

    #[test]
    fn a_search_of_less_than_four_samples_or_beyond_the_end_finds_nothing() {
        let x = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, -1.0];
        assert_eq!(find(&x, 0, 0, 4, 8).unwrap().index, 6);
        assert_eq!(find(&x, 0, 0, 4, 100).unwrap().index, 6);
        assert_eq!(find(&x, 0, 0, 5, 8), None);
        assert_eq!(find(&x, 0, 0, 5, 100), None);
        assert_eq!(find(&x, 0, 0, 2, 5), None);
    }
}
