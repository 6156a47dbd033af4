//! Holds one baseline against another.

use crate::reading::Damping;
use crate::reading::baseline::{Baseline, Sounded};
use crate::reading::compare::compare;
use crate::reading::matching::Line;
use crate::record::baseline::BaselineRecord;
use crate::record::baseline_difference::{BaselineDifference, FORMAT, ToneDifference, VERSION};
use crate::tasks::build_baseline::BuildError;
use crate::tasks::read_soundings::evidence_record;

/// The means of `second` held against the limits of `first`, both of wheels of `damping`.
///
/// # Errors
/// [`BuildError::Unfit`] when this version of the method makes no baseline of one of them.
pub fn compare_baselines(
    first: &BaselineRecord,
    second: &BaselineRecord,
    damping: Damping,
) -> Result<BaselineDifference, BuildError> {
    let (a, b) = (first.compared(damping)?, second.compared(damping)?);
    let compared = compare(&a, &means(&b)).map_err(|e| BuildError::Limits(e.to_string()))?;
    // The frequencies of `lines` are shifted as the second's are: the ratio is what is left.
    let own = a.lines.iter().filter(|l| l.place.regular);
    let tones = own
        .zip(&compared.lines)
        .map(|(base, line)| ToneDifference {
            first_hz: base.place.ln_freq.exp(),
            second_hz: line.found_hz,
            beside_percent: line.found_hz.map(|f| 100.0 * (f / line.freq_hz).ln()),
        })
        .collect();
    Ok(BaselineDifference {
        format: FORMAT.to_owned(),
        version: VERSION,
        first: first.reference(),
        second: second.reference(),
        matches: compared.matches,
        reading: compared.reading.words().to_owned(),
        changes: compared.changes,
        hints: compared.hints,
        evidence: compared.evidence.iter().map(evidence_record).collect(),
        tones,
    })
}

/// The means of a baseline as one sounding.
fn means(b: &Baseline) -> Sounded {
    let n = f64::from(b.soundings).sqrt();
    let line = |l: &crate::reading::baseline::BaseLine| {
        let (freq_hz, decay_per_s) = (l.place.ln_freq.exp(), l.ln_decay.exp());
        Line {
            freq_hz,
            freq_std_hz: freq_hz * l.spread / n,
            decay_per_s,
            decay_std_per_s: decay_per_s * (l.decay_spread / n).min(0.14),
            energy_db: l.place.energy_db,
            split: 0.0,
        }
    };
    let regular = b.lines.iter().filter(|l| l.place.regular);
    Sounded {
        name: "the second baseline".to_owned(),
        lines: regular.map(line).collect(),
        room_misfit: b.room_misfit,
        tap_ring_times_s: b.ring_times.iter().map(|t| t.ln_mean.exp()).collect(),
        temp_c: b.temp_c,
    }
}
