//! What a lot is by its own plan: each wheel's newest sounding, odd wheels, shift against the
//! specification, and accept, hold or reject.

use std::collections::{BTreeMap, BTreeSet};

use crate::audio::folder::natural_order;
use crate::quality::lot_figures::{Crowd, FEWEST_FOR_ODD, crowd, median, shift};
use crate::quality::sampling::{
    Inspection, LotDecision, NoPlan, SampleCount, SamplingPlan, decide,
};
use crate::reading::compare::compare;
use crate::reading::matching::{Line, Place, common_shift};
use crate::reading::turn_plan::TurnPlan;
use crate::reading::{Damping, Footing, Outcome, Reading};
use crate::record::baseline::{BaselineKind, BaselineSounding, BaselineStatistics};
use crate::record::lot::{
    LotRecord, LotReportRecord, LotShiftRecord, LotWheelRecord, PeersRecord, SwitchingRecord,
};
use crate::record::lot_plan::CAUTION;
use crate::record::sounding::SoundingRecord;
use crate::store::records::Kept;
use crate::store::{Store, StoreError};
use crate::tasks::lot_peers::{LotPeers, Peer, rings};
use crate::tasks::read_lot::heard_thud;

/// Confidence of the shifts together, and of the odd-wheel rule.
const CONFIDENCE: f64 = 0.95;
/// Tones are looked for this far from the reference, as a logarithm.
pub(super) const WIDEST_SHIFT: f64 = 0.15;
/// Wheels nearer than this to each other are not odd: what tones and ring times repeat to, as
/// logarithms (docs/method.md).
const TONE_FLOOR: f64 = 0.002;
const RING_FLOOR: f64 = 0.05;

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// Nothing is known of the lot.
    #[error("the lot \"{0}\" is not in the store: add it with lot add")]
    NoLot(String),
    /// Its plan.
    #[error(transparent)]
    Plan(#[from] NoPlan),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The newest record of a lot.
///
/// # Errors
/// [`ReportError::NoLot`].
pub fn lot_of(store: &Store, name: &str) -> Result<LotRecord, ReportError> {
    let all = store.all_kept::<LotRecord>(None)?;
    let found = all
        .into_iter()
        .rev()
        .map(|k| k.record)
        .find(|l| l.lot == name);
    found.ok_or_else(|| ReportError::NoLot(name.to_owned()))
}

/// What is taken from a wheel's newest sounding.
struct Sounded {
    record: LotWheelRecord,
    first: u64,
    lines: Vec<Line>,
    tone: Option<f64>,
    marked: bool,
    thud: bool,
    /// True when it was read on physics alone.
    alone: bool,
    /// True when it rings at every spot, and only a baseline is missing.
    rings: bool,
    /// What others are compared with.
    sounded: crate::reading::baseline::Sounded,
    /// Hashes of the recordings of its newest sounding.
    sounds: Vec<String>,
}

/// The report by the lot's own plan, whatever earlier lots ask for.
///
/// # Errors
/// [`ReportError`].
pub(super) fn decided(
    store: &Store,
    name: &str,
) -> Result<(LotReportRecord, LotDecision), ReportError> {
    let lot = lot_of(store, name)?;
    let inspection = Inspection::parse(&lot.inspection).unwrap_or(Inspection::Normal);
    let plan = SamplingPlan::of(lot.lot_size, &lot.level, &lot.aql, inspection)?;
    let mut wheels = Vec::new();
    let mut peers = Vec::new();
    for wheel in store.wheels()? {
        if wheel.lot.as_deref() != Some(name) {
            continue;
        }
        let kept = store.all_kept::<SoundingRecord>(Some(&wheel.id))?;
        let first = kept.first().map_or(0, |k| k.number);
        let marked = !wheel.state.is_usable();
        // A thud heard in any sounding of the wheel stays: no later reading turns it back.
        let thud = kept.iter().any(|k| heard_thud(&k.record));
        if let Some(newest) = kept.into_iter().next_back() {
            let damping = wheel.bond.damping();
            peers.extend(peer(&newest.record, &wheel.id, damping));
            wheels.push(sounded((&wheel.id, damping), newest, first, marked, thud));
        }
    }
    // Which wheels are the sample is settled by lot and id, before any is sounded.
    wheels.sort_by_key(|w| (drawn(name, &w.record.wheel), w.first));
    let shared = same_sound(&wheels);
    for k in &shared {
        let id = wheels[*k].record.wheel.as_str();
        peers.retain(|p: &Peer| p.wheel != id);
    }
    hold_against_peers(&mut wheels, &peers);
    for k in shared {
        let words = "the same recording stands for another wheel of the lot";
        wheels[k].record.because.push(words.to_owned());
    }
    let statistics = match &lot.specification {
        Some(name) => store.baseline(BaselineKind::Specification, name)?,
        None => None,
    };
    let statistics = statistics.and_then(|b| Some((b.soundings.len() as u32, b.statistics?)));
    let places = statistics
        .as_ref()
        .map_or_else(|| of_typical(&wheels), |s| places_of(&s.1));
    for w in &mut wheels {
        let found = common_shift(&w.lines, &places, WIDEST_SHIFT).filter(|s| !s.at_limit);
        w.tone = found.map(|s| s.shift);
        w.record.tone_percent = w.tone.map(|s| 100.0 * s.exp_m1());
    }
    let ring: Vec<f64> = wheels
        .iter()
        .map(|w| w.record.ring_time_s.map_or(f64::NAN, f64::ln))
        .collect();
    let tones: Vec<f64> = wheels.iter().map(|w| w.tone.unwrap_or(f64::NAN)).collect();
    let stiff: Vec<f64> = wheels
        .iter()
        .map(|w| w.record.youngs_gpa.map_or(f64::NAN, f64::ln))
        .collect();
    let odd_tones = crowd(&tones, TONE_FLOOR, 2, CONFIDENCE);
    let odd_ring = crowd(&ring, RING_FLOOR, 2, CONFIDENCE);
    tell_odd(&mut wheels, odd_tones.as_ref(), "its tones lie");
    tell_odd(&mut wheels, odd_ring.as_ref(), "its ring time lies");
    let count = counted(&mut wheels, &plan);
    let decision = decide(&plan, count);
    let report = LotReportRecord {
        format: "fourtap.lot_report".to_owned(),
        version: 1,
        caution: CAUTION.to_owned(),
        decision: decision.word().to_owned(),
        because: because(&plan, count, decision, &wheels),
        sample: plan.sample,
        accept: plan.accept,
        reject: plan.reject,
        good: count.good,
        bad: count.bad,
        unclear: count.unclear,
        trouble_outside: count.trouble_outside,
        shifts: shifts(
            &lot,
            statistics.as_ref(),
            modulus_of(store, &lot)?,
            [&tones, &ring, &stiff].map(|v| not_bad(&wheels, v)),
        ),
        odd_rule: odd_rule([odd_tones.as_ref(), odd_ring.as_ref()]),
        // Filled in by those who ask for the earlier lots as well.
        switching: SwitchingRecord {
            asked: lot.inspection.clone(),
            words: String::new(),
            past: Vec::new(),
        },
        wheels: in_order(wheels.into_iter().map(|w| w.record).collect()),
        lot,
    };
    Ok((report, decision))
}

/// Those that are not good first; then the sample as it was drawn; then the others by name.
fn in_order(mut wheels: Vec<LotWheelRecord>) -> Vec<LotWheelRecord> {
    wheels.sort_by(|a, b| {
        let place = |w: &LotWheelRecord| (w.counts_as == "good", !w.in_sample);
        let by_name = || match a.in_sample {
            true => std::cmp::Ordering::Equal,
            false => natural_order(&a.wheel, &b.wheel),
        };
        place(a).cmp(&place(b)).then_with(by_name)
    });
    wheels
}

/// A wheel that others of the lot may be held against; none of one that does not ring or that an
/// ear doubted.
fn peer(record: &SoundingRecord, wheel: &str, damping: Damping) -> Option<Peer> {
    let needed = needed(record);
    let thud = record.outcome == Outcome::SoundsDead.words();
    let of = || Peer::of(record, needed, (wheel.to_owned(), String::new()), damping);
    (!thud).then(of).flatten()
}

fn needed(record: &SoundingRecord) -> usize {
    let plan = TurnPlan::parse(&record.turn_plan).unwrap_or_default();
    plan.spots_deg().len()
}

/// Reads each wheel that was sounded on physics alone against the other wheels of the lot.
fn hold_against_peers(wheels: &mut [Sounded], all: &[Peer]) {
    let mut peers = LotPeers::new(all);
    for w in wheels.iter_mut().filter(|w| w.alone && w.rings) {
        let Some(others) = peers.of(&w.record.wheel, "") else {
            continue;
        };
        if let Ok(found) = compare(&others.baseline, &w.sounded) {
            w.record.footing = Footing::LotPeers.words().to_owned();
            w.record.peers = Some(PeersRecord {
                wheels: others.reference.soundings,
                reading: found.reading.words().to_owned(),
                changes: found.changes,
            });
        }
    }
}

/// The place of a wheel in the drawing of the sample: the lowest are drawn. The hash of lot and id
/// is as good as chance, cannot be chosen by who sounds, and comes out the same every time.
fn drawn(lot: &str, wheel: &str) -> [u8; 32] {
    let words = format!("{lot}\n{}", wheel.to_lowercase());
    *blake3::hash(words.as_bytes()).as_bytes()
}

fn sounded(
    (id, damping): (&str, Damping),
    kept: Kept<SoundingRecord>,
    first: u64,
    marked: bool,
    thud: bool,
) -> Sounded {
    let record = kept.record;
    let alone = record.footing == Footing::PhysicsOnly.words();
    let times: Vec<f64> = record.taps.iter().filter_map(|t| t.ring_time_s).collect();
    let mean = times.iter().map(|t| t.ln()).sum::<f64>() / times.len().max(1) as f64;
    Sounded {
        first,
        marked,
        thud,
        // A thud, by tool or ear, is final: the others can only add to it.
        alone: alone && record.outcome != Outcome::SoundsDead.words(),
        rings: rings(&record, needed(&record), damping),
        sounded: BaselineSounding::of(&record, record.temp_c).sounded(),
        tone: None,
        lines: record.modes.iter().map(Line::from).collect(),
        sounds: record.files.iter().map(|f| f.blake3.clone()).collect(),
        record: LotWheelRecord {
            wheel: id.to_owned(),
            sounding: kept.number,
            in_sample: false,
            ring_time_s: (!times.is_empty()).then(|| mean.exp()),
            youngs_gpa: record.stiffness.as_ref().map(|s| s.youngs_gpa),
            outcome: record.outcome,
            footing: record.footing,
            peers: None,
            counts_as: String::new(),
            because: Vec::new(),
            tone_percent: None,
        },
    }
}

/// The tones of a baseline as places to find.
pub(super) fn places_of(statistics: &BaselineStatistics) -> Vec<Place> {
    let place = |m: &crate::record::baseline::BaselineMode| place(m.freq_hz.ln(), 1.0);
    statistics.modes.iter().map(place).collect()
}

fn place(ln_freq: f64, weight: f64) -> Place {
    Place {
        ln_freq,
        weight,
        energy_db: 0.0,
        partner: None,
        regular: true,
        always: true,
    }
}

/// Without a baseline the wheel with the middle number of tones among those whose lowest tone is
/// in the middle stands in: any reference will do to hold wheels against each other.
fn of_typical(wheels: &[Sounded]) -> Vec<Place> {
    let lowest = |w: &Sounded| {
        let all = w.lines.iter().map(|l| l.freq_hz);
        all.min_by(f64::total_cmp).unwrap_or(f64::NAN)
    };
    let all: Vec<f64> = wheels.iter().map(lowest).collect();
    let Some(middle) = median(&all) else {
        return Vec::new();
    };
    let near = |w: &&Sounded| (lowest(w) - middle).abs();
    let typical = wheels
        .iter()
        .filter(|w| near(w).is_finite())
        .min_by(|a, b| near(a).total_cmp(&near(b)));
    typical.map_or_else(Vec::new, |w| {
        w.lines
            .iter()
            .map(|l| place(l.ln_freq(), l.weight()))
            .collect()
    })
}

/// The values of the wheels that do not count as bad: a dead wheel's tones say nothing of the lot.
fn not_bad(wheels: &[Sounded], values: &[f64]) -> Vec<f64> {
    let kept = wheels.iter().zip(values);
    kept.map(|(w, v)| {
        if w.record.counts_as == "bad" {
            f64::NAN
        } else {
            *v
        }
    })
    .collect()
}

fn tell_odd(wheels: &mut [Sounded], crowd: Option<&Crowd>, what: &str) {
    for odd in crowd.map_or(&[][..], |c| &c.odd) {
        if let (Some(w), Some(c)) = (wheels.get_mut(odd.place), crowd) {
            w.record.because.push(format!(
                "odd within the lot: {what} {:.1} standard deviations {} the middle of the lot (limit {:.1})",
                odd.score.abs(),
                if odd.score > 0.0 { "above" } else { "below" },
                c.limit
            ));
        }
    }
}

/// Places of wheels that share a recording with another, which cannot be: a file was copied or named
/// wrongly.
fn same_sound(wheels: &[Sounded]) -> BTreeSet<usize> {
    let mut of: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (k, w) in wheels.iter().enumerate() {
        for sound in &w.sounds {
            of.entry(sound).or_default().push(k);
        }
    }
    of.into_values().filter(|v| v.len() > 1).flatten().collect()
}

/// Says of each wheel what it counts as; the sample are the wheels that were drawn.
fn counted(wheels: &mut [Sounded], plan: &SamplingPlan) -> SampleCount {
    let mut count = SampleCount::default();
    for (k, w) in wheels.iter_mut().enumerate() {
        let r = &mut w.record;
        r.in_sample = k < plan.sample as usize;
        let peers = r.peers.take();
        let against = |words: &str| peers.as_ref().is_some_and(|p| p.reading == words);
        let dead = r.outcome == "sounds dead" || w.thud || against(Reading::DullThud.words());
        if w.marked {
            r.because
                .push("it is marked in the store (wheel show tells how)".to_owned());
        }
        if w.thud && r.outcome != "sounds dead" {
            r.because
                .push("an ear heard a thud in an earlier sounding".to_owned());
        } else if let Some(p) = &peers {
            // Whatever else held a sounding back (a drop, damage seen, a doubtful input) still does.
            if p.reading == Reading::ClearRing.words()
                && r.outcome != Outcome::RingsNotCompared.words()
            {
                r.because.push(format!(
                    "its outcome is {}, though it reads clear against {} other wheels of the lot",
                    r.outcome, p.wheels
                ));
            }
            if p.reading != Reading::ClearRing.words() {
                let what = p.changes.join("; ");
                r.because.push(format!(
                    "against {} other wheels of the lot it reads {}: {what}",
                    p.wheels, p.reading
                ));
            }
        } else if r.outcome != "rings clear" {
            r.because.push(format!("its outcome is {}", r.outcome));
        }
        r.peers = peers;
        let word = if dead {
            "bad"
        } else if r.because.is_empty() {
            "good"
        } else {
            "unclear"
        };
        r.counts_as = word.to_owned();
        match (r.in_sample, word) {
            (true, "good") => count.good += 1,
            (true, "bad") => count.bad += 1,
            (true, _) => count.unclear += 1,
            (false, "good") => {}
            (false, _) => count.trouble_outside += 1,
        }
    }
    count
}

fn because(
    plan: &SamplingPlan,
    count: SampleCount,
    decision: LotDecision,
    wheels: &[Sounded],
) -> Vec<String> {
    let read = count.good + count.bad + count.unclear;
    let mut why = vec![
        format!(
            "{} of {} wheels of the sample were sounded: {} good, {} bad, {} unclear",
            read, plan.sample, count.good, count.bad, count.unclear
        ),
        format!(
            "the plan (lot of {}, level {}, AQL {} %, {} inspection) accepts with at most {} bad and rejects with {} or more",
            plan.lot_size,
            plan.level,
            plan.aql,
            plan.inspection.word(),
            plan.accept,
            plan.reject
        ),
    ];
    if read < plan.sample {
        why.push(format!(
            "{} wheels are still to be sounded",
            plan.sample - read
        ));
    }
    if count.unclear > 0 {
        why.push(
            "unclear wheels never count as good: sound them again; what rings but was not compared needs a baseline of its specification".to_owned(),
        );
    }
    if count.trouble_outside > 0 {
        why.push(format!(
            "{} wheels beyond the sample sound dead or are unclear, which holds the lot whatever the sample says",
            count.trouble_outside
        ));
    }
    let by_peers = wheels.iter().filter(|w| w.record.peers.is_some()).count();
    if by_peers > 0 {
        why.push(format!(
            "{by_peers} wheels have no baseline and were held against other wheels of the lot: what is wrong with all of them does not show"
        ));
    }
    if decision == LotDecision::AcceptThenNormal {
        why.push(
            "between the two numbers of reduced inspection: inspect the next lot normally"
                .to_owned(),
        );
    }
    why.push(
        "a wheel that is bad or unclear is not to be used, whatever becomes of the lot".to_owned(),
    );
    why
}

fn shifts(
    lot: &LotRecord,
    statistics: Option<&(u32, BaselineStatistics)>,
    stiff_reference: Option<(f64, f64, u32)>,
    [tones, ring, stiff]: [Vec<f64>; 3],
) -> Vec<LotShiftRecord> {
    let against = lot
        .specification
        .as_deref()
        .filter(|_| statistics.is_some());
    let of = |figure: &str, values: &[f64], reference: Option<(f64, f64, u32)>| {
        // Without a reference the middle of the lot itself: only the spread is told then.
        let s = shift(values, reference.unwrap_or((0.0, 0.0, 2)), 3, CONFIDENCE)?;
        let known = reference.is_some();
        let percent = |v: f64| 100.0 * v.exp_m1();
        Some(LotShiftRecord {
            figure: figure.to_owned(),
            against: match against.filter(|_| known) {
                Some(name) => format!("specification {name}"),
                None => "nothing: no baseline of the specification has it".to_owned(),
            },
            percent: known.then(|| percent(s.mean)),
            interval: known.then(|| (percent(s.interval.0), percent(s.interval.1))),
            spread_percent: 100.0 * s.std,
            wheels: s.wheels,
        })
    };
    let tone_reference = statistics.map(|(n, s)| {
        let spreads: Vec<f64> = s
            .modes
            .iter()
            .filter_map(|m| Some(m.freq_spread_hz? / m.freq_hz))
            .collect();
        // Wheels of one specification go up and down as a whole, so one mode's spread stands for it.
        let spread = median(&spreads).unwrap_or(0.0);
        (0.0, spread / f64::from(*n).sqrt(), *n)
    });
    let ring_reference = statistics.and_then(|(n, s)| {
        let spread = s.ln_ring_time_spread.unwrap_or(0.0);
        Some((s.ln_ring_time_mean?, spread / f64::from(*n).sqrt(), *n))
    });
    [
        of("tone", &tones, tone_reference),
        of("ring time", &ring, ring_reference),
        of("modulus of elasticity", &stiff, stiff_reference),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// Mean logarithm of the modulus of elasticity of the wheels behind the lot's specification, the
/// standard deviation of that mean, and their number; none when fewer than two were weighed.
fn modulus_of(store: &Store, lot: &LotRecord) -> Result<Option<(f64, f64, u32)>, ReportError> {
    let Some(name) = &lot.specification else {
        return Ok(None);
    };
    let Some(baseline) = store.baseline(BaselineKind::Specification, name)? else {
        return Ok(None);
    };
    // One value a wheel, the mean of its soundings.
    let mut by_wheel: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let behind: BTreeSet<&str> = baseline
        .soundings
        .iter()
        .flat_map(|s| s.recorded.iter().map(|r| r.blake3.as_str()))
        .collect();
    let of: BTreeSet<&str> = baseline
        .soundings
        .iter()
        .filter_map(|s| s.wheel.as_deref())
        .collect();
    for wheel in of {
        for kept in store.all_kept::<SoundingRecord>(Some(wheel))? {
            let record = kept.record;
            let is_behind = record
                .files
                .iter()
                .any(|f| behind.contains(f.blake3.as_str()));
            if let Some(s) = record.stiffness.filter(|_| is_behind) {
                let values = by_wheel.entry(wheel.to_owned()).or_default();
                values.push(s.youngs_gpa.ln());
            }
        }
    }
    let means: Vec<f64> = by_wheel
        .values()
        .map(|v| v.iter().sum::<f64>() / v.len() as f64)
        .collect();
    let n = means.len();
    if n < 2 {
        return Ok(None);
    }
    let mean = means.iter().sum::<f64>() / n as f64;
    let spread = means.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1) as f64;
    Ok(Some((mean, (spread / n as f64).sqrt(), n as u32)))
}

fn odd_rule(crowds: [Option<&Crowd>; 2]) -> String {
    let limits: Vec<String> = crowds
        .into_iter()
        .zip(["tones", "ring times"])
        .filter_map(|(c, name)| Some(format!("{name} beyond {:.1}", c?.limit)))
        .collect();
    if limits.is_empty() {
        return format!("not looked for: fewer than {FEWEST_FOR_ODD} wheels have the figures");
    }
    format!(
        "by median and median absolute deviation, {} standard deviations are odd; all wheels and both figures share the chance of a false finding (Bonferroni): in a wholly normal lot one is called odd with at most 5 %",
        limits.join(" and ")
    )
}
