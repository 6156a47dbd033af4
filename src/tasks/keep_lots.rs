//! Describes a lot and how it is to be inspected, and keeps that.

use crate::quality::sampling::{Inspection, NoPlan};
use crate::record::lot::LotRecord;
use crate::record::lot_plan::LotPlanRecord;
use crate::record::wheel::{Bond, NoSuchBond, Size, SizeError};
use crate::store::{Store, StoreError};
use crate::tasks::plan_lot::plan_lot;

/// A lot as a person describes it, unchecked.
#[derive(Debug, Clone, PartialEq)]
pub struct NewLot {
    /// Its name.
    pub lot: String,
    /// Number of wheels in it.
    pub lot_size: u32,
    /// Size of its wheels as written.
    pub size: String,
    /// Name of the bond.
    pub bond: String,
    /// Their specification, where known.
    pub specification: Option<String>,
    /// What one of its wheels weighs in kg, where it was weighed.
    pub mass_kg: Option<f64>,
    /// Inspection level.
    pub level: String,
    /// Acceptance quality limit in percent nonconforming.
    pub aql: String,
    /// How strict.
    pub inspection: Inspection,
}

/// Why a lot is not kept.
#[derive(Debug, thiserror::Error)]
pub enum LotError {
    /// No name.
    #[error("the name of the lot is empty: give it one")]
    NoName,
    /// The mass.
    #[error("a mass of {0} kg cannot be: give what one wheel weighs, such as 0.45")]
    Mass(f64),
    /// The size.
    #[error(transparent)]
    Size(#[from] SizeError),
    /// The bond.
    #[error(transparent)]
    Bond(#[from] NoSuchBond),
    /// No plan is there for it.
    #[error(transparent)]
    Plan(#[from] NoPlan),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Keeps the lot; gives its sampling plan. `at` is RFC 3339.
///
/// # Errors
/// [`LotError`]; nothing is kept then.
pub fn add_lot(store: &mut Store, new: &NewLot, at: &str) -> Result<LotPlanRecord, LotError> {
    let name = new.lot.trim();
    if name.is_empty() {
        return Err(LotError::NoName);
    }
    if let Some(kg) = new.mass_kg.filter(|kg| !(*kg > 0.0 && *kg < 1e4)) {
        return Err(LotError::Mass(kg));
    }
    let plan = plan_lot(new.lot_size, &new.level, &new.aql, new.inspection)?;
    let kept = LotRecord {
        format: "fourtap.lot".to_owned(),
        version: 1,
        lot: name.to_owned(),
        lot_size: new.lot_size,
        size: Size::parse(&new.size)?.written().to_owned(),
        bond: Bond::parse(&new.bond)?.name().to_owned(),
        specification: new.specification.clone(),
        mass_kg: new.mass_kg,
        level: plan.level.clone(),
        aql: plan.aql.clone(),
        inspection: plan.inspection.clone(),
    };
    store.keep(&kept, at)?;
    Ok(plan)
}
