//! What the earlier lots of a kind ask for: normal, tightened or reduced inspection of the next.

use crate::quality::sampling::{Inspection, LotDecision};
use crate::quality::switching::{Next, PastLot, next_inspection};
use crate::record::lot::{LotRecord, PastLotRecord, SwitchingRecord};
use crate::store::Store;
use crate::tasks::decide_lot::{ReportError, decided, lot_of};

/// The word for inspection that has ended.
const STOP: &str = "stop";

/// What the lots of the same kind that were added before a lot ask for. Lots are of a kind when
/// they are of one specification, or without one of one size and bond, and are inspected at the
/// same level and limit.
///
/// # Errors
/// [`ReportError`] when the lot is not in the store, or the store cannot be read.
pub fn switching(store: &Store, name: &str) -> Result<SwitchingRecord, ReportError> {
    let lot = lot_of(store, name)?;
    let mut before: Vec<LotRecord> = Vec::new();
    for kept in store.all_kept::<LotRecord>(None)? {
        if kept.record.lot == name {
            break;
        }
        match before.iter_mut().find(|l| l.lot == kept.record.lot) {
            Some(known) => *known = kept.record,
            None => before.push(kept.record),
        }
    }
    let mut past = Vec::new();
    let mut decided_lots = Vec::new();
    for other in before.iter().filter(|o| of_a_kind(o, &lot)) {
        // As that lot stands now, which a later addition of the same name may have changed.
        let decision = decided(store, &other.lot)?.1;
        past.push(PastLotRecord {
            lot: other.lot.clone(),
            decision: decision.word().to_owned(),
        });
        if decision != LotDecision::Hold {
            decided_lots.push(PastLot {
                accepted: decision != LotDecision::Reject,
                in_gap: decision == LotDecision::AcceptThenNormal,
            });
        }
    }
    let wants_reduced = lot.inspection == Inspection::Reduced.word();
    let was_reduced = before
        .iter()
        .any(|o| of_a_kind(o, &lot) && o.inspection == Inspection::Reduced.word());
    let next = next_inspection(&decided_lots, was_reduced || wants_reduced);
    Ok(SwitchingRecord {
        asked: match next {
            Next::Inspect(inspection) => inspection.word().to_owned(),
            Next::ReducedMayBeAsked => Inspection::Normal.word().to_owned(),
            Next::Stop => STOP.to_owned(),
        },
        words: words(&past, next, &lot.inspection),
        past,
    })
}

fn of_a_kind(a: &LotRecord, b: &LotRecord) -> bool {
    let same = match (&a.specification, &b.specification) {
        (Some(a), Some(b)) => a == b,
        (None, None) => a.size == b.size && a.bond == b.bond,
        _ => false,
    };
    same && a.level == b.level && a.aql == b.aql
}

/// True when a lot must be inspected more strictly than it was.
pub(super) fn too_lenient(switching: &SwitchingRecord, inspection: &str) -> bool {
    let strictness = |word: &str| match word {
        STOP => 3,
        w if w == Inspection::Tightened.word() => 2,
        w if w == Inspection::Reduced.word() => 0,
        _ => 1,
    };
    strictness(&switching.asked) > strictness(inspection)
}

fn words(past: &[PastLotRecord], next: Next, chosen: &str) -> String {
    if past.is_empty() {
        return match chosen {
            "reduced" => "it is the first lot of its kind here: inspection begins normal, and reduced only after ten accepted lots".to_owned(),
            _ => "it is the first lot of its kind here: inspection begins normal".to_owned(),
        };
    }
    let count = |word: &str| past.iter().filter(|p| p.decision == word).count();
    let asks = match next {
        Next::Inspect(inspection) => format!("ask for {} inspection", inspection.word()),
        Next::ReducedMayBeAsked => {
            "ask for normal inspection; reduced may be chosen if the standard's other conditions hold as well".to_owned()
        }
        Next::Stop => "stop acceptance: five lots under tightened inspection were not accepted, the maker must mend the cause first".to_owned(),
    };
    let chosen = match next {
        Next::Inspect(inspection) if inspection.word() != chosen => {
            format!("; this lot was added with {chosen} inspection")
        }
        _ => String::new(),
    };
    format!(
        "{} earlier lots of its kind ({} accepted, {} rejected, {} on hold and not counted) {asks}{chosen} (MIL-STD-105E, 4.7 and 4.8)",
        past.len(),
        count("accept"),
        count("reject"),
        count("hold"),
    )
}
