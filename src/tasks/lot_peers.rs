//! Wheels read in one run that are held against each other: each against the others.

use std::collections::BTreeMap;

use crate::reading::baseline::{Baseline, FEWEST_WHEELS, Sounded, Unfit, build_group};
use crate::reading::compare::compare;
use crate::reading::{Damping, Footing, Reading};
use crate::record::baseline::BaselineSounding;
use crate::record::sounding::{BaselineRef, SoundingRecord};
use crate::tasks::read_soundings::BaselineInUse;

/// A sounding of the run that others may be held against.
#[derive(Debug, Clone)]
pub struct Peer {
    /// What tells wheels apart: the id, or a name of its own where there is none.
    pub wheel: String,
    /// What wheels must share to be peers, for example specification and lot; empty if not known.
    pub lot: String,
    /// Its kind of bond.
    pub damping: Damping,
    /// The sounding.
    pub sounded: Sounded,
}

impl Peer {
    /// A sounding with a clear ring at each of `needed` spots; none for any other.
    pub fn of(
        record: &SoundingRecord,
        needed: usize,
        (wheel, lot): (String, String),
        damping: Damping,
    ) -> Option<Self> {
        let clear =
            |t: &crate::record::sounding::TapRecord| t.reading == Reading::ClearRing.words();
        (record.taps.len() == needed && record.taps.iter().all(clear)).then(|| Self {
            sounded: BaselineSounding::of(record, record.temp_c).sounded(),
            wheel,
            lot,
            damping,
        })
    }
}

/// What the wheel `wheel` of lot `lot` is held against: the other wheels of its lot in the run,
/// one sounding each. Wheels at odds with most others, and those that do not read clear against
/// the others themselves, are left out, so that a damaged one does not widen the limits; but
/// when fewer than [`FEWEST_WHEELS`] would stay, there are no peers.
pub fn peers(all: &[Peer], wheel: &str, lot: &str) -> Option<BaselineInUse> {
    let mut others: BTreeMap<String, &Peer> = BTreeMap::new();
    for peer in all.iter().filter(|p| p.lot == lot) {
        if !peer.wheel.eq_ignore_ascii_case(wheel) {
            others.entry(peer.wheel.to_lowercase()).or_insert(peer);
        }
    }
    let others: Vec<&Peer> = others.into_values().collect();
    let first = others.first()?;
    let damping = first.damping;
    let clear: Vec<&Peer> = others
        .iter()
        .filter(|p| {
            let rest: Vec<&Peer> = others
                .iter()
                .filter(|o| o.wheel != p.wheel)
                .copied()
                .collect();
            let read = group(&rest, damping).and_then(|b| compare(&b, &p.sounded).ok());
            read.is_none_or(|c| c.reading == Reading::ClearRing)
        })
        .copied()
        .collect();
    let baseline = group(&clear, damping)?;
    Some(BaselineInUse {
        reference: BaselineRef {
            of: "this run".to_owned(),
            version: 0,
            soundings: baseline.soundings,
        },
        baseline,
    })
}

/// A baseline of what goes together among them, at least two thirds; none without.
fn group(peers: &[&Peer], damping: Damping) -> Option<Baseline> {
    let mut sounded: Vec<Sounded> = peers
        .iter()
        .map(|p| Sounded {
            name: p.wheel.clone(),
            ..p.sounded.clone()
        })
        .collect();
    let least = FEWEST_WHEELS.max((2 * sounded.len()).div_ceil(3));
    while sounded.len() >= least {
        match build_group(Footing::LotPeers, &sounded, damping) {
            Ok(baseline) => return Some(baseline),
            Err(Unfit::Mixed { name, .. } | Unfit::TooFewModes { name, .. }) => {
                sounded.retain(|s| s.name != name);
            }
            Err(_) => return None,
        }
    }
    None
}
