//! What the theory of the disc and the pattern of the taps add to the modes of a sounding.

use std::sync::Arc;

use crate::reading::tap_pattern::{PairHint, pair_hints, unseen_orders};
use crate::reading::turn_plan::TurnPlan;
use crate::record::sounding::{ModeRecord, PairRecord, StiffnessRecord};
use crate::record::wheel::Size;
use crate::ring::label::{Labelled, Pair, label_modes};
use crate::ring::mode::Mode;
use crate::ring::plate::{PlateError, PlatePattern, PlateSize};
use crate::ring::stiffness::{Tolerance, stiffness};

/// The body of a wheel as far as it is known.
#[derive(Debug, Clone)]
pub struct WheelBody {
    pattern: Arc<PlatePattern>,
    /// Mass in kg, where it was weighed.
    pub mass_kg: Option<f64>,
}

impl WheelBody {
    /// Computes the modes of a size, which takes some tenths of a second; copies share them.
    ///
    /// # Errors
    /// [`PlateError`] for a size that is no flat plate.
    pub fn new(size: &Size, mass_kg: Option<f64>) -> Result<Self, PlateError> {
        Ok(Self {
            pattern: Arc::new(PlatePattern::new(plate_size(size))?),
            mass_kg,
        })
    }
}

/// A wheel's size in m.
pub fn plate_size(size: &Size) -> PlateSize {
    PlateSize {
        diameter_m: 1e-3 * size.diameter_mm(),
        thickness_m: 1e-3 * size.thickness_mm(),
        bore_m: 1e-3 * size.hole_mm(),
    }
}

/// What was found.
#[derive(Debug, Clone, Default)]
pub struct Findings {
    labelled: Labelled,
    /// The pairs.
    pub pairs: Vec<PairRecord>,
    /// Numbers of nodal diameters whose pairs the taps struck in one and the same mix.
    pub unseen_orders: Vec<u32>,
    /// Elastic values, where mass and labels are known.
    pub stiffness: Option<StiffnessRecord>,
    /// Sentences: hints, no measurements.
    pub hints: Vec<String>,
}

/// Labels, pairs and hints of the modes of all taps together; `spots_deg` of the taps that were
/// solved.
pub fn findings(
    modes: &[Mode],
    body: Option<&WheelBody>,
    plan: TurnPlan,
    spots_deg: &[Option<f64>],
) -> Findings {
    if modes.is_empty() {
        return Findings::default();
    }
    let labelled = label_modes(modes, body.map(|b| b.pattern.as_ref()));
    let of_pairs = pair_hints(plan, spots_deg, modes, &labelled.pairs);
    let pairs: Vec<PairRecord> = labelled
        .pairs
        .iter()
        .zip(&of_pairs)
        .enumerate()
        .map(|(k, (pair, hint))| pair_record(k, pair, hint, modes))
        .collect();
    let unseen_orders = unseen_orders(spots_deg);
    let mut hints: Vec<String> = pairs.iter().filter_map(pair_words).collect();
    hints.extend(unseen_words(&unseen_orders, modes, &labelled));
    Findings {
        stiffness: body.and_then(|b| stiffness_record(b, modes, &labelled)),
        labelled,
        pairs,
        unseen_orders,
        hints,
    }
}

impl Findings {
    /// Writes label and pair of each mode into its record, both in the same order.
    pub fn mark(&self, records: &mut [ModeRecord]) {
        for (record, label) in records.iter_mut().zip(&self.labelled.labels) {
            record.label = label.map(|l| (l.n as u32, l.s as u32));
        }
        for (k, pair) in self.labelled.pairs.iter().enumerate() {
            for line in [pair.low, pair.high] {
                if let Some(record) = records.get_mut(line) {
                    record.pair = Some(k as u32 + 1);
                }
            }
        }
    }
}

fn pair_record(k: usize, pair: &Pair, hint: &PairHint, modes: &[Mode]) -> PairRecord {
    PairRecord {
        pair: k as u32 + 1,
        label: pair.label.map(|l| (l.n as u32, l.s as u32)),
        low_hz: modes[pair.low].freq_hz,
        high_hz: modes[pair.high].freq_hz,
        split_hz: pair.split_hz,
        split_std_hz: pair.split_std_hz,
        fitting_orders: hint.orders.clone(),
        antinode_deg: hint.antinode_deg.map(|a| a.0),
        antinode_std_deg: hint.antinode_deg.map(|a| a.1),
    }
}

fn numbers(of: &[u32], last: &str) -> String {
    let words: Vec<String> = of.iter().map(ToString::to_string).collect();
    match words.split_last() {
        None => String::new(),
        Some((one, [])) => one.clone(),
        Some((end, rest)) => format!("{} {last} {end}", rest.join(", ")),
    }
}

/// What the amplitudes of a pair hint at; none where they tell nothing that is not known.
fn pair_words(pair: &PairRecord) -> Option<String> {
    let mut words = format!("the pair at {:.0} Hz", pair.low_hz);
    let lie = pair.antinode_deg.zip(pair.antinode_std_deg);
    let order = match (pair.label, pair.fitting_orders.as_slice()) {
        (Some((n, _)), [_]) => n,
        // The taps cannot be held against the label, or speak against it.
        (Some(_), _) => return None,
        (None, [n]) => {
            words.push_str(&format!(" has by its levels {n} nodal diameters"));
            *n
        }
        (None, some) if some.len() == 2 => {
            words.push_str(&format!(
                " has by its levels {} nodal diameters",
                numbers(some, "or")
            ));
            return Some(words);
        }
        _ => return None,
    };
    match lie {
        Some((deg, std)) => {
            if pair.label.is_none() {
                words.push_str(" and");
            }
            words.push_str(&format!(
                " lies with an antinode of its lower tone near {deg:.0}° +- {std:.0}° from the mark (and every {:.0}° on)",
                180.0 / f64::from(order)
            ));
            Some(words)
        }
        None if pair.label.is_none() => Some(words),
        None => None,
    }
}

/// What the taps could not see.
fn unseen_words(orders: &[u32], modes: &[Mode], labelled: &Labelled) -> Option<String> {
    if orders.is_empty() {
        return None;
    }
    let mut told: Vec<(usize, usize)> = Vec::new();
    let mut named: Vec<String> = Vec::new();
    for (m, label) in modes.iter().zip(&labelled.labels) {
        let Some(l) = label.filter(|l| orders.contains(&(l.n as u32))) else {
            continue;
        };
        // The other tone of a pair needs no second mention.
        if !told.contains(&(l.n, l.s)) {
            told.push((l.n, l.s));
            named.push(format!("({}, {}) at {:.0} Hz", l.n, l.s, m.freq_hz));
        }
    }
    let here = if named.is_empty() {
        String::new()
    } else {
        format!(", here {}", named.join(" and "))
    };
    Some(format!(
        "these tap spots strike both tones of every pair with {} nodal diameters in one and the same mix{here}: a change of one of the two may not show",
        numbers(orders, "or")
    ))
}

fn stiffness_record(
    body: &WheelBody,
    modes: &[Mode],
    labelled: &Labelled,
) -> Option<StiffnessRecord> {
    let mass_kg = body.mass_kg?;
    let tolerance = Tolerance::assumed(&body.pattern.size());
    let found = stiffness(&body.pattern, mass_kg, &tolerance, modes, &labelled.labels)?;
    let known = |value: f64| found.poisson_measured.then_some(value);
    Some(StiffnessRecord {
        youngs_gpa: 1e-9 * found.youngs_pa,
        youngs_std_gpa: 1e-9 * found.youngs_std_pa,
        poisson: known(found.poisson),
        poisson_std: known(found.poisson_std),
        density_kg_m3: found.density_kg_m3,
        mass_kg,
        scatter: found.scatter,
        from_modes: found
            .modes
            .iter()
            .map(|(n, s)| (*n as u32, *s as u32))
            .collect(),
    })
}
