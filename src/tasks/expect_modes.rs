//! Where the theory of the disc expects the modes of a wheel in the store.

use crate::reading::tap_pattern::HIGHEST_ORDER;
use crate::reading::turn_plan::TurnPlan;
use crate::record::wheel::Bond;
use crate::record::wheel_modes::{ExpectedMode, FORMAT, VERSION, WheelModes};
use crate::ring::estimate::HIGHEST_HZ;
use crate::ring::plate::{Material, PlateError};
use crate::store::{Store, StoreError};
use crate::tasks::plate_findings::plate_size;
use crate::tasks::read_soundings::made_by;

/// Most modes in the list.
const MOST: usize = 16;
const N_MAX: usize = 9;
const S_MAX: usize = 2;

/// Why no modes can be expected.
#[derive(Debug, thiserror::Error)]
pub enum ExpectError {
    /// The store, or no such wheel.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Its size is none that the theory knows.
    #[error("the wheel \"{id}\": {why}; the theory is of flat discs")]
    Plate {
        /// Id of the wheel.
        id: String,
        /// What is wrong.
        why: PlateError,
    },
}

/// Usual speeds `sqrt(E/rho)` of a bond in m/s, common practice from memory: E of 20 to 70 GPa at
/// 2300 kg/m3 for vitrified, 10 to 45 GPa at 2400 kg/m3 for resinoid; the rest is guessed.
fn usual_speed_m_s(bond: Bond) -> (f64, f64) {
    match bond {
        Bond::Vitrified => (2950.0, 5500.0),
        Bond::Silicate => (2500.0, 5000.0),
        Bond::Resinoid => (2050.0, 4350.0),
        Bond::Shellac => (1500.0, 3500.0),
        Bond::Rubber => (700.0, 2500.0),
        Bond::Metal => (3000.0, 5500.0),
        Bond::Unknown => (700.0, 6500.0),
    }
}

/// The lowest modes, up to sixteen and as far as they can be heard, of the wheel `id` for a speed
/// `sqrt(E/rho)` in m/s (the usual range of its bond without one) and Poisson's ratio (0 to 0.45).
///
/// # Errors
/// [`ExpectError`] when the wheel is not there or its size is no flat disc.
pub fn expected_modes(
    store: &Store,
    id: &str,
    speed_m_s: Option<f64>,
    poisson: f64,
) -> Result<WheelModes, ExpectError> {
    let wheel = store.wheel(id)?;
    let wheel = wheel.ok_or_else(|| StoreError::NoWheel { id: id.to_owned() })?;
    let (low, high) = speed_m_s.map_or_else(|| usual_speed_m_s(wheel.bond), |v| (v, v));
    // A density of 1 makes E the square of the speed.
    let plate = plate_size(&wheel.size)
        .plate(Material {
            youngs_pa: low * low,
            density_kg_m3: 1.0,
            poisson,
        })
        .map_err(|why| ExpectError::Plate {
            id: wheel.id.clone(),
            why,
        })?;
    let found = plate.modes(N_MAX, S_MAX, HIGHEST_HZ);
    let lowest = found.first().map_or(1.0, |m| m.freq_hz);
    let modes = found
        .iter()
        .take(MOST)
        .map(|m| ExpectedMode {
            n: m.n as u32,
            s: m.s as u32,
            lambda_squared: m.lambda_squared,
            ratio: m.freq_hz / lowest,
            freq_hz: (m.freq_hz, m.freq_hz * high / low),
            is_pair: m.n > 0,
            unseen_by: TurnPlan::ALL
                .into_iter()
                .filter(|p| {
                    p.blind_orders(HIGHEST_ORDER.max(m.n as u32))
                        .contains(&(m.n as u32))
                })
                .map(|p| p.name().to_owned())
                .collect(),
        })
        .collect();
    Ok(WheelModes {
        format: FORMAT.to_owned(),
        version: VERSION,
        size: wheel.size.written().to_owned(),
        bond: wheel.bond.name().to_owned(),
        wheel: wheel.id,
        speed_m_s: (low, high),
        speed_assumed: speed_m_s.is_none(),
        poisson,
        modes,
        made_by: made_by(),
    })
}
