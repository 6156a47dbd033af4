//! The kinds of records that stand in the chain.

use crate::record::ChainRecord;
use crate::record::ear_test::EarTestRecord;
use crate::record::fit::FitRecord;
use crate::record::import::ImportRecord;
use crate::record::lot::LotRecord;
use crate::record::mounting::MountingRecord;
use crate::record::pruning::PruningRecord;
use crate::record::sounding::SoundingRecord;
use crate::record::wheel_state::WheelStateRecord;

/// Reads a record of a kind (the name of its format) and gives the wheel it is of.
///
/// # Errors
/// A sentence that says why the text is no such record.
pub fn check_record(kind: &str, text: &str) -> Result<Option<String>, String> {
    match kind {
        EarTestRecord::FORMAT => check::<EarTestRecord>(text),
        FitRecord::FORMAT => check::<FitRecord>(text),
        ImportRecord::FORMAT => check::<ImportRecord>(text),
        LotRecord::FORMAT => check::<LotRecord>(text),
        MountingRecord::FORMAT => check::<MountingRecord>(text),
        PruningRecord::FORMAT => check::<PruningRecord>(text),
        SoundingRecord::FORMAT => check::<SoundingRecord>(text),
        WheelStateRecord::FORMAT => check::<WheelStateRecord>(text),
        _ => Err(format!(
            "there is no kind of record \"{kind}\" in this program: use the newer fourtap that made it"
        )),
    }
}

fn check<R: ChainRecord>(text: &str) -> Result<Option<String>, String> {
    let record: R = serde_json::from_str(text).map_err(|e| e.to_string())?;
    let (format, version) = record.stated();
    if format != R::FORMAT {
        return Err(format!("its format is \"{format}\", not \"{}\"", R::FORMAT));
    }
    if version == 0 || version > R::VERSION {
        return Err(format!(
            "its format version is {version}, and this program knows up to {}: use a newer fourtap",
            R::VERSION
        ));
    }
    Ok(record.wheel().map(str::to_owned))
}
