//! The sampling plan of a lot with what it can and cannot do.

use crate::quality::sampling::{Inspection, NoPlan, SamplingPlan};
use crate::record::lot_plan::{CAUTION, CharacteristicRecord, FORMAT, LotPlanRecord, VERSION};

/// Where the tables come from.
const SOURCE: &str = "MIL-STD-105E (1989), single sampling; normal and tightened plans also stand in ANSI/ASQ Z1.4 and ISO 2859-1";
const REDUCED_SOURCE: &str =
    "MIL-STD-105E (1989), single sampling; the reduced plans are not those of ISO 2859-1:1999";
/// Points of the characteristic that are printed.
const POINTS: usize = 9;

/// The plan as a record.
///
/// # Errors
/// [`NoPlan`].
pub fn plan_lot(
    lot_size: u32,
    level: &str,
    aql: &str,
    inspection: Inspection,
) -> Result<LotPlanRecord, NoPlan> {
    let plan = SamplingPlan::of(lot_size, level, aql, inspection)?;
    Ok(LotPlanRecord {
        format: FORMAT.to_owned(),
        version: VERSION,
        caution: CAUTION.to_owned(),
        lot_size,
        level: plan.level.to_owned(),
        aql: plan.aql.to_owned(),
        inspection: inspection.word().to_owned(),
        code_letter: plan.code_letter,
        plan_letter: plan.plan_letter,
        sample: plan.sample,
        accept: plan.accept,
        reject: plan.reject,
        characteristic: bad_counts(&plan)
            .into_iter()
            .map(|bad| CharacteristicRecord {
                bad,
                accepted: plan.accepts_lot_with(bad),
            })
            .collect(),
        accepted_percent: [0.95, 0.5, 0.1]
            .map(|c| plan.share_accepted_with(c).map(|s| 100.0 * s))
            .into_iter()
            .collect::<Option<Vec<f64>>>()
            .and_then(|s| Some((*s.first()?, *s.get(1)?, *s.get(2)?))),
        switching: switching_words(inspection).map(str::to_owned).to_vec(),
        source: if inspection == Inspection::Reduced {
            REDUCED_SOURCE
        } else {
            SOURCE
        }
        .to_owned(),
    })
}

/// Numbers of bad wheels from none to where hardly any lot is accepted, in steps of 1, 2 or 5
/// times a power of ten, after 1.
fn bad_counts(plan: &SamplingPlan) -> Vec<u32> {
    let end = (0..=plan.lot_size)
        .find(|bad| plan.accepts_lot_with(*bad) < 0.02)
        .unwrap_or(plan.lot_size);
    let steps = (0..6).flat_map(|k| [1, 2, 5].map(|m| m * 10_u32.pow(k)));
    let step = steps
        .into_iter()
        .find(|s| (end / s) as usize <= POINTS)
        .unwrap_or(1);
    let mut counts: Vec<u32> = (0..=end / step).map(|k| k * step).collect();
    counts.extend([1, end]);
    counts.sort_unstable();
    counts.dedup();
    counts
}

/// When another inspection follows: MIL-STD-105E, 4.7 and 4.8.
fn switching_words(inspection: Inspection) -> [&'static str; 2] {
    match inspection {
        Inspection::Normal => [
            "to tightened: when 2 of 5 lots in a row, or of fewer, are not accepted",
            "to reduced, if wanted: after 10 lots in a row that were accepted, with few bad wheels in their samples (limit number of the standard) and steady production",
        ],
        Inspection::Tightened => [
            "to normal: when 5 lots in a row are accepted",
            "stop taking lots: when 5 lots in all were not accepted under tightened inspection",
        ],
        Inspection::Reduced => [
            "to normal: when a lot is not accepted, or is accepted between the two numbers",
            "to normal: when production is irregular or late, or for any other good reason",
        ],
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_characteristic_falls_from_one_to_nearly_none() {
        for (lot, aql) in [(2, "6.5"), (60, "0.10"), (200, "1.0"), (100_000, "0.4")] {
            for inspection in [
                Inspection::Normal,
                Inspection::Tightened,
                Inspection::Reduced,
            ] {
                let p = plan_lot(lot, "II", aql, inspection).unwrap();
                let c = &p.characteristic;
                assert!((c[0].accepted - 1.0).abs() < 1e-9 && c[0].bad == 0);
                assert!(c.windows(2).all(|w| w[0].accepted >= w[1].accepted - 1e-9));
                assert!(c.len() >= 2 && c.len() < POINTS + 4, "{}", c.len());
                assert!(c.last().unwrap().accepted < 0.5, "{lot} {aql}");
            }
        }
    }
}
