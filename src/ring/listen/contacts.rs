//! What was put into a sound after its strike: second contacts, pulses of a voice, echoes.
//!
//! A predictor learnt from the decay foretells every tone in it; what it cannot foretell was
//! put in anew.

use crate::ring::listen::innovation::Innovation;
use crate::ring::listen::predictor;
use crate::signal::filter::decimate;
use crate::units::{SampleRate, power_db};

/// Second contacts are looked for up to this long after the strike, in ms.
const LONGEST_MS: usize = 120;
/// Length of the past that foretells, in ms.
const PAST_MS: f64 = 3.3;
/// A second contact stands out of its surroundings by this factor of power...
const STANDS_OUT: f64 = 6.0;
/// ...and more the fewer samples a hop has, by chance alone...
const CHANCE: f64 = 60.0;
/// ...and is at least this part of the strike.
const LEAST_PART: f64 = 0.002;

/// One later contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Contact {
    /// Samples (of the recording) after the strike.
    pub(super) after: usize,
    /// Energy relative to the strike's in dB.
    pub(super) level_db: f64,
}

/// What came after a strike.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Contacts {
    /// Later contacts in order.
    pub(super) later: Vec<Contact>,
    /// Contacts after the first 30 ms that are nearly as strong as the strike.
    pub(super) pulses: usize,
    /// Share of the sound's power from 5 to 50 ms that follows from its own past, 0 to 1.
    pub(super) follows: f64,
    /// What was put in during the first 5 ms relative to the next 45 ms, in dB.
    pub(super) direct_db: f64,
    /// Power that goes on being put in from 20 to 60 ms relative to the strike's, without what
    /// was there before, in dB. Unlike `innovation` this knows the harmonics of a high voice.
    pub(super) going_on_db: f64,
    /// What was put in over time, none when there was too little sound.
    pub(super) innovation: Option<Innovation>,
}

impl Contacts {
    fn unknown() -> Self {
        Self {
            later: Vec::new(),
            pulses: 0,
            follows: 0.0,
            direct_db: f64::INFINITY,
            going_on_db: f64::NEG_INFINITY,
            innovation: None,
        }
    }
}

/// Examines `samples` from the strike at `strike` up to `until`.
pub(super) fn examine(rate: SampleRate, samples: &[f64], strike: usize, until: usize) -> Contacts {
    let factor = ((rate.hz() / 46_000.0).round() as usize).max(1);
    let before = rate.samples(0.040).min(strike) / factor * factor;
    let until = until.min(strike + rate.samples(0.2)).min(samples.len());
    if until <= strike {
        return Contacts::unknown();
    }
    let x = decimate(&samples[strike - before..until], factor);
    let hop = ((rate.hz() / factor as f64 / 1000.0).round() as usize).max(1);
    let innovation = Innovation::of(&x, before / factor, hop);
    let Some(errors) = Errors::of(&x, before / factor, hop) else {
        return Contacts {
            innovation,
            ..Contacts::unknown()
        };
    };
    let (later, pulses) = errors.contacts(factor);
    Contacts {
        later,
        pulses,
        follows: errors.follows,
        direct_db: errors.direct_db(),
        going_on_db: errors.going_on_db(),
        innovation,
    }
}

/// Prediction error around a strike in hops of 1 ms, hop 0 starting at the strike.
struct Errors {
    /// Energy per hop from the strike on.
    hops: Vec<f64>,
    /// Factor over its surroundings that makes a hop a contact.
    stands_out: f64,
    /// First hop whose past lies after the strike.
    clean: usize,
    /// Place of the largest error in each hop, in samples after the strike.
    peaks: Vec<usize>,
    /// Energy put in by the strike.
    main: f64,
    /// Largest and mean energy of a hop before the strike.
    before_most: f64,
    before_mean: f64,
    follows: f64,
}

impl Errors {
    fn of(x: &[f64], strike: usize, hop: usize) -> Option<Self> {
        let after = x.len().saturating_sub(strike);
        let wanted = ((PAST_MS * hop as f64).round() as usize).clamp(48, 160);
        let order = wanted.min(after.saturating_sub(4 * hop) / 4);
        // The past must lie after the strike too.
        let clean = (order / hop + 1).max(4);
        let from = strike + clean * hop;
        let a = predictor::fit(x, order, from, x.len())?;
        let first = strike.saturating_sub(20 * hop).max(order.min(strike));
        let e = predictor::error(x, &a, first, x.len());
        let energy = |v: &[f64]| v.iter().map(|s| s * s).sum::<f64>();
        let lead = strike - first;
        let (early, late) = e.split_at(lead);
        // The last 2 ms before the strike may hold its beginning.
        let early = &early[..lead.saturating_sub(2 * hop)];
        let early: Vec<f64> = early.chunks_exact(hop).map(energy).collect();
        let hops: Vec<f64> = late.chunks_exact(hop).map(energy).collect();
        let peaks = late
            .chunks_exact(hop)
            .enumerate()
            .map(|(i, c)| {
                let best = c
                    .iter()
                    .enumerate()
                    .max_by(|p, q| p.1.abs().total_cmp(&q.1.abs()));
                i * hop + best.map_or(0, |b| b.0)
            })
            .collect();
        let main = hops.iter().take(4).sum::<f64>() + energy(&e[lead.saturating_sub(hop)..lead]);
        let body = (5 * hop).min(late.len())..(50 * hop).min(late.len());
        let sound = energy(&x[strike + body.start..strike + body.end]);
        let follows = if sound > 0.0 {
            (1.0 - energy(&late[body]) / sound).clamp(0.0, 1.0)
        } else {
            0.0
        };
        Some(Self {
            hops,
            clean,
            stands_out: STANDS_OUT + CHANCE / hop as f64,
            peaks,
            main,
            before_most: early.iter().copied().fold(0.0, f64::max),
            before_mean: early.iter().sum::<f64>() / early.len().max(1) as f64,
            follows,
        })
    }

    /// Hops that stand out of those around them.
    fn contacts(&self, factor: usize) -> (Vec<Contact>, usize) {
        let mut later: Vec<Contact> = Vec::new();
        let mut pulses = 0;
        let mut last_hop = 0;
        let first = self.clean + 1;
        for k in first..self.hops.len() {
            let from = k.saturating_sub(8).max(first);
            let to = (k + 9).min(self.hops.len());
            let mut around: Vec<f64> = (from..to)
                .filter(|&j| j.abs_diff(k) > 1)
                .map(|j| self.hops[j])
                .collect();
            if around.is_empty() {
                continue;
            }
            let mid = around.len() / 2;
            let (_, median, _) = around.select_nth_unstable_by(mid, f64::total_cmp);
            let limit = (self.stands_out * *median)
                .max(LEAST_PART * self.main)
                .max(2.0 * self.before_most);
            // It also stands out of what was just before: the error itself dies away.
            let just_before = self.hops[k - 2].min(self.hops[k - 3]);
            if self.hops[k] <= limit.max(3.0 * just_before) {
                continue;
            }
            let part = self.hops[k] / self.main;
            if k >= 30 && part > 0.06 {
                pulses += 1;
            }
            if k > LONGEST_MS {
                continue;
            }
            let contact = Contact {
                after: self.peaks[k] * factor,
                level_db: power_db(part),
            };
            match later.last_mut() {
                // One contact may fill several hops.
                Some(same) if k - last_hop <= 3 => {
                    if contact.level_db > same.level_db {
                        *same = contact;
                    }
                }
                _ => later.push(contact),
            }
            last_hop = k;
        }
        (later, pulses)
    }

    fn going_on_db(&self) -> f64 {
        let soon: Vec<f64> = self.hops.iter().copied().take(60).skip(20).collect();
        let mean = soon.iter().sum::<f64>() / soon.len().max(1) as f64;
        let over = (mean - 1.3 * self.before_mean).max(0.0);
        power_db((5.0 * over / self.main.max(f64::MIN_POSITIVE)).max(1e-12))
    }

    /// What was put in during 0 to 5 ms against 5 to 50 ms.
    fn direct_db(&self) -> f64 {
        let sum = |from: usize, to: usize| -> f64 {
            let to = to.min(self.hops.len());
            let from = from.min(to);
            let noise = self.before_mean * (to - from) as f64;
            (self.hops[from..to].iter().sum::<f64>() - noise).max(0.0)
        };
        let early = sum(0, 5);
        let late = sum(5, 50);
        power_db(early.max(f64::MIN_POSITIVE) / late.max(1e-12 * early).max(f64::MIN_POSITIVE))
    }
}
