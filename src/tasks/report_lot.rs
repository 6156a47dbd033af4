//! The report on a lot: what it is by its own plan, and whether earlier lots asked for more.

use crate::quality::sampling::LotDecision;
use crate::record::lot::LotReportRecord;
use crate::store::Store;
use crate::tasks::decide_lot::{ReportError, decided};
use crate::tasks::lot_history::{switching, too_lenient};

/// The report. Soundings of any kind count, live ones and those of `lot read`.
///
/// # Errors
/// [`ReportError`].
pub fn report_lot(store: &Store, name: &str) -> Result<LotReportRecord, ReportError> {
    let (mut report, decision) = decided(store, name)?;
    report.switching = switching(store, name)?;
    report.because.push(report.switching.words.clone());
    let accepted = matches!(
        decision,
        LotDecision::Accept | LotDecision::AcceptThenNormal
    );
    if accepted && too_lenient(&report.switching, &report.lot.inspection) {
        report.decision = LotDecision::Hold.word().to_owned();
        report.because.push(
            "the plan of this lot would accept it, but it was not inspected as strictly as that: add it again with the inspection that is asked for".to_owned(),
        );
    }
    Ok(report)
}
