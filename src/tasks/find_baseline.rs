//! Finds a baseline by what a person wrote of it.

use crate::record::baseline::{BaselineKind, BaselineRecord};
use crate::record::wheel::Bond;
use crate::store::{Store, StoreError};

/// Why there is none.
#[derive(Debug, thiserror::Error)]
pub enum NotFound {
    /// A wheel without one.
    #[error(
        "the wheel \"{0}\" has no baseline in use: build one with fourtap baseline build --wheel {0} FILE…"
    )]
    OfWheel(String),
    /// The store, also for a wheel, specification or version that is not there.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The baseline of a wheel or specification in its newest version in use, or in the version that
/// `version` names; with the bond to compare it for.
///
/// # Errors
/// [`NotFound`].
pub fn baseline_of(
    store: &Store,
    kind: BaselineKind,
    name: &str,
    version: Option<u32>,
) -> Result<(BaselineRecord, Bond), NotFound> {
    let (name, bond) = match kind {
        BaselineKind::Specification => (name.to_owned(), None),
        BaselineKind::Wheel => {
            let missing = || StoreError::NoWheel {
                id: name.to_owned(),
            };
            let wheel = store.wheel(name)?.ok_or_else(missing)?;
            (wheel.id, Some(wheel.bond))
        }
    };
    let record = match version {
        None => store.baseline(kind, &name)?.ok_or_else(|| match kind {
            BaselineKind::Wheel => NotFound::OfWheel(name.clone()),
            BaselineKind::Specification => StoreError::NoBaselineOf { name: name.clone() }.into(),
        })?,
        Some(v) => {
            let all = store.baseline_versions(kind, &name)?;
            let one = all.into_iter().find(|b| b.record.baseline_version == v);
            let missing = || StoreError::NoBaseline { name, version: v };
            one.ok_or_else(missing)?.record
        }
    };
    let bond = bond.or(record.bond).unwrap_or(Bond::Unknown);
    Ok((record, bond))
}

/// [`baseline_of`] as it is written: `NAME`, or `NAME:VERSION`.
///
/// # Errors
/// [`NotFound`].
pub fn written_baseline(
    store: &Store,
    kind: BaselineKind,
    written: &str,
) -> Result<(BaselineRecord, Bond), NotFound> {
    let parted = written
        .rsplit_once(':')
        .and_then(|(name, v)| Some((name, v.parse::<u32>().ok()?)));
    match parted {
        Some((name, version)) => baseline_of(store, kind, name, Some(version)),
        None => baseline_of(store, kind, written, None),
    }
}
