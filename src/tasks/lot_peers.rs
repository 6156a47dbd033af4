//! Wheels read in one run that are held against each other: each against the others.

use std::collections::BTreeMap;

use crate::reading::baseline::{Baseline, FEWEST_WHEELS, Sounded, Unfit, build_group};
use crate::reading::compare::compare;
use crate::reading::rule::DAMPED;
use crate::reading::{Damping, Footing, Heard, Reading};
use crate::record::baseline::BaselineSounding;
use crate::record::sounding::{BaselineRef, SoundingRecord, TapRecord};
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
    /// A sounding that [`rings`] at each of `needed` spots; none for any other.
    pub fn of(
        record: &SoundingRecord,
        needed: usize,
        (wheel, lot): (String, String),
        damping: Damping,
    ) -> Option<Self> {
        rings(record, needed, damping).then(|| Self {
            sounded: BaselineSounding::of(record, record.temp_c).sounded(),
            wheel,
            lot,
            damping,
        })
    }
}

/// Held to the rule of wheels whose baseline is being taken: every tap rings at its spot, where an
/// organic bond need not reach the quality factor of a clear ring, and no ear spoke against it.
pub fn rings(record: &SoundingRecord, needed: usize, damping: Damping) -> bool {
    let rings = |t: &TapRecord| {
        let damped = damping != Damping::Low
            && t.reading == Reading::Unclear.words()
            && t.reasons.iter().all(|r| r.starts_with(DAMPED))
            && !t.reasons.is_empty();
        let heard = t.heard.as_deref().is_none_or(|h| h == Heard::Ring.word());
        heard && (damped || t.reading == Reading::ClearRing.words())
    };
    record.taps.len() == needed && record.taps.iter().all(rings)
}

/// Most other wheels that a wheel is held against: with more the limits hardly change, and the
/// work would grow with the square of the lot.
const MOST_PEERS: usize = 24;

/// The wheels of a run by lot, and what each is held against: the other wheels of its lot, one
/// sounding each.
#[derive(Debug)]
pub struct LotPeers<'a> {
    /// By lot: up to one more than [`MOST_PEERS`], drawn by the hash of their names.
    lots: BTreeMap<&'a str, Vec<&'a Peer>>,
    /// What was made, by lot and the place of the wheel that is left out.
    made: BTreeMap<(&'a str, usize), Option<BaselineInUse>>,
}

impl<'a> LotPeers<'a> {
    /// The first sounding of each wheel counts.
    pub fn new(all: &'a [Peer]) -> Self {
        let mut lots: BTreeMap<&str, BTreeMap<String, &Peer>> = BTreeMap::new();
        for peer in all {
            let wheels = lots.entry(&peer.lot).or_default();
            wheels.entry(peer.wheel.to_lowercase()).or_insert(peer);
        }
        let drawn = |wheels: BTreeMap<String, &'a Peer>| {
            let mut wheels: Vec<(String, &Peer)> = wheels.into_iter().collect();
            wheels.sort_by_key(|(name, _)| *blake3::hash(name.as_bytes()).as_bytes());
            wheels.truncate(MOST_PEERS + 1);
            wheels.into_iter().map(|w| w.1).collect()
        };
        Self {
            lots: lots.into_iter().map(|(l, w)| (l, drawn(w))).collect(),
            made: BTreeMap::new(),
        }
    }

    /// What a wheel is held against. Wheels at odds with most others, and those that do not read
    /// clear against the others themselves, are left out, so that a damaged one does not widen the
    /// limits; but when fewer than [`FEWEST_WHEELS`] would stay, there are no peers.
    pub fn of(&mut self, wheel: &str, lot: &str) -> Option<BaselineInUse> {
        let (lot, wheels) = self.lots.get_key_value(lot)?;
        let own = wheels
            .iter()
            .position(|p| p.wheel.eq_ignore_ascii_case(wheel))
            .unwrap_or(wheels.len());
        let made = self.made.entry((lot, own)).or_insert_with(|| {
            let mut others = wheels.clone();
            if own < others.len() {
                others.remove(own);
            }
            others.truncate(MOST_PEERS);
            held_against(&others)
        });
        made.clone()
    }
}

fn held_against(others: &[&Peer]) -> Option<BaselineInUse> {
    let damping = others.first()?.damping;
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
