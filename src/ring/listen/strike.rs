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
