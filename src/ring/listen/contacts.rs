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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::listen::tests::{rate, signs};

    /// Errors of 0.01 a hop after a strike of 100, with these hops set to other values.
    fn errors(many: usize, set: &[(usize, f64)]) -> Errors {
        let mut hops = vec![0.01; many];
        for &(k, energy) in set {
            hops[k] = energy;
        }
        Errors {
            hops,
            stands_out: 6.0,
            clean: 4,
            peaks: (0..many).map(|k| 10 * k + 3).collect(),
            main: 100.0,
            before_most: 0.0,
            before_mean: 0.0,
            follows: 0.0,
        }
    }

    /// Hops of the contacts, and the number of pulses.
    fn found(errors: &Errors) -> (Vec<usize>, usize) {
        let (later, pulses) = errors.contacts(1);
        (later.iter().map(|c| c.after / 10).collect(), pulses)
    }

    #[test]
    fn a_second_contact_is_told_with_its_time_and_level() {
        let (later, pulses) = errors(60, &[(20, 10.0)]).contacts(4);
        assert_eq!(pulses, 0);
        assert_eq!(later.len(), 1);
        assert_eq!(later[0].after, 4 * 203);
        assert!((later[0].level_db + 10.0).abs() < 1e-9);
    }

    #[test]
    fn a_contact_is_at_least_a_five_hundredth_of_the_strike() {
        assert_eq!(found(&errors(60, &[(20, 0.201)])).0, [20]);
        assert!(found(&errors(60, &[(20, 0.199)])).0.is_empty());
    }

    #[test]
    fn a_contact_is_twice_the_most_of_what_was_before() {
        for (energy, some) in [(2.01, true), (1.99, false)] {
            let mut errors = errors(60, &[(20, energy)]);
            errors.before_most = 1.0;
            assert_eq!(!found(&errors).0.is_empty(), some, "{energy}");
        }
    }

    #[test]
    fn a_contact_is_three_times_the_softer_of_two_hops_shortly_before() {
        for set in [[(17, 1.0), (18, 5.0)], [(17, 5.0), (18, 1.0)]] {
            for (energy, some) in [(3.01, true), (2.99, false)] {
                // They stand out themselves: with the contact they make one.
                let errors = errors(60, &[set[0], set[1], (20, energy)]);
                let loudest = found(&errors).0;
                assert_eq!(loudest.len(), 1, "{energy}");
                // Without what is beside it, the limit is what is left.
                let mut alone = errors;
                alone.stands_out = 0.0;
                alone.main = 1e-3;
                alone.clean = 18;
                assert_eq!(found(&alone).0.contains(&20), some, "{energy}");
            }
        }
    }

    // From 8 hops before to 8 after, without the hop itself and its neighbours, are 14; their median
    // is the upper of the middle two.
    #[test]
    fn a_contact_stands_out_of_the_median_of_the_hops_around() {
        let around = |before: std::ops::Range<usize>, after: std::ops::Range<usize>| {
            let mut set: Vec<(usize, f64)> = before.chain(after).map(|k| (k, 1.0)).collect();
            set.push((40, 5.0));
            found(&errors(90, &set)).0.contains(&40)
        };
        // Seven of the fourteen are 1.0: 5 is less than 6 times the median.
        assert!(!around(32..39, 0..0));
        assert!(!around(0..0, 42..49));
        assert!(!around(36..39, 42..46));
        // Six of them, and what is farther or nearer does not count.
        assert!(around(33..39, 0..0));
        assert!(around(0..0, 42..48));
        assert!(around(24..38, 0..0), "24 to 31 are too far");
        assert!(around(0..0, 43..60), "49 and on are too far");
        assert!(around(34..40, 41..43), "39 and 41 are too near");
    }

    #[test]
    fn hops_within_three_are_one_contact_with_the_time_of_the_loudest() {
        for (set, told) in [
            (vec![(20, 1.0), (21, 2.0)], vec![21]),
            (vec![(20, 2.0), (21, 1.0)], vec![20]),
            (vec![(20, 1.0), (23, 2.0)], vec![23]),
            (vec![(20, 1.0), (24, 2.0)], vec![20, 24]),
            (vec![(20, 1.0), (23, 2.0), (26, 1.5)], vec![23]),
            (vec![(20, 1.0), (21, 1.0)], vec![20]),
        ] {
            assert_eq!(found(&errors(60, &set)).0, told, "{set:?}");
        }
    }

    #[test]
    fn contacts_begin_when_the_past_is_clean_and_end_at_120_ms() {
        for (k, told) in [(4, false), (5, true), (120, true), (121, false)] {
            let (later, _) = found(&errors(150, &[(k, 10.0)]));
            assert_eq!(!later.is_empty(), told, "{k}");
        }
        // The last hop counts too, and one that has no others beside it does not.
        assert_eq!(found(&errors(60, &[(59, 10.0)])).0, [59]);
        assert!(found(&errors(6, &[(5, 10.0)])).0.is_empty());
        assert!(found(&errors(7, &[(5, 10.0)])).0.is_empty());
        assert_eq!(found(&errors(8, &[(5, 10.0)])).0, [5]);
    }

    #[test]
    fn pulses_are_strong_and_come_after_30_ms() {
        for (set, pulses) in [
            (vec![(29, 50.0)], 0),
            (vec![(30, 50.0)], 1),
            (vec![(30, 6.01)], 1),
            (vec![(30, 5.99)], 0),
            // Those after 120 ms too: a voice goes on.
            (vec![(40, 50.0), (60, 50.0), (140, 50.0)], 3),
        ] {
            assert_eq!(found(&errors(190, &set)).1, pulses, "{set:?}");
        }
    }

    #[test]
    fn what_goes_on_is_the_mean_from_20_to_60_ms_without_what_was_before() {
        let going_on = |many: usize, before_mean: f64| {
            let mut errors = errors(many, &[]);
            for (k, hop) in errors.hops.iter_mut().enumerate() {
                *hop = if (20..60).contains(&k) { 0.1 } else { 1e3 };
            }
            errors.before_mean = before_mean;
            errors.going_on_db()
        };
        // The strike's 100 lie in 5 hops, so that a hop of 0.1 is 0.005 of it.
        for (many, before, part) in [
            (100, 0.0, 0.005),
            (100, 0.05, 0.001_75),
            (25, 0.0, 0.005),
            (100, 1.0, 1e-12),
            (20, 0.0, 1e-12),
        ] {
            let db = going_on(many, before);
            assert!((db - power_db(part)).abs() < 1e-9, "{many} {before}: {db}");
        }
    }

    #[test]
    fn the_direct_part_is_the_first_5_ms_against_the_next_45() {
        let direct = |many: usize, before_mean: f64, late: f64| {
            let mut errors = errors(many, &[]);
            for (k, hop) in errors.hops.iter_mut().enumerate() {
                *hop = match k {
                    0..5 => 2.0,
                    5..50 => late / 45.0,
                    _ => 1e3,
                };
            }
            errors.before_mean = before_mean;
            errors.direct_db()
        };
        for (many, before, late, ratio) in [
            (100, 0.0, 1.0, 10.0),
            (100, 0.01, 1.0, 9.95 / 0.55),
            (50, 0.0, 4.0, 2.5),
            (20, 0.0, 9.0, 10.0 / 3.0),
            (100, 0.0, 0.0, 1e12),
            (5, 0.0, 0.0, 1e12),
        ] {
            let db = direct(many, before, late);
            assert!((db - power_db(ratio)).abs() < 1e-9, "{many} {late}: {db}");
        }
    }

    /// A resonance that is driven by `drive`: what is put in is known, all else follows from two
    /// samples. T60 is about 0.7 s at 8 kHz.
    fn driven(drive: &[f64]) -> Vec<f64> {
        let (r, w) = (0.998_8f64, 0.8f64);
        let mut x: Vec<f64> = Vec::with_capacity(drive.len());
        for (n, u) in drive.iter().enumerate() {
            let past = |k: usize| n.checked_sub(k).map_or(0.0, |m| x[m]);
            let next = 2.0 * r * w.cos() * past(1) - r * r * past(2) + u;
            x.push(next);
        }
        x
    }

    // What is put in is found again up to what a predictor of 48 samples loses by learning from
    // noise: about 48/1200 of its power, and more by chance. 15 % is three times that.
    #[test]
    fn the_error_of_prediction_is_what_was_put_in() {
        let (strike, hop) = (400, 8);
        let mut drive: Vec<f64> = signs(2_000, 1).iter().map(|s| 1e-3 * s).collect();
        drive[strike - 161] = 0.2; // too early
        drive[strike - 160] = 0.1; // just early enough: 20 ms
        drive[strike - 17] = 0.05; // the last that was before
        drive[strike - 16] = 0.3; // from 2 ms on it may be the strike itself
        drive[strike - 9] = 0.3; // but its energy is counted from 1 ms on
        drive[strike - 8] = 0.5;
        drive[strike] = 1.0;
        drive[strike + 31] = 0.4;
        drive[strike + 32] = 0.2;
        drive[strike + 163] = 0.05;
        let errors = Errors::of(&driven(&drive), strike, hop).unwrap();
        let near = |value: f64, truth: f64| {
            assert!((value / truth - 1.0).abs() < 0.15, "{value} {truth}");
        };
        near(errors.main, 0.25 + 1.0 + 0.16);
        near(errors.before_most, 0.01);
        near(errors.before_mean, (0.01 + 0.0025) / 18.0 + 8e-6);
        assert_eq!(errors.hops.len(), 200);
        near(errors.hops[0], 1.0);
        near(errors.hops[3], 0.16);
        near(errors.hops[4], 0.04);
        near(errors.hops[20], 0.0025);
        assert_eq!(errors.peaks[3], 31);
        assert_eq!(errors.peaks[4], 32);
        assert_eq!(errors.peaks[20], 163);
        // 6 and 60 more for each sample of a hop; 48 samples are 6 hops, and one more is clean.
        assert!((errors.stands_out - 13.5).abs() < 1e-12);
        assert_eq!(errors.clean, 7);
        assert!(errors.follows > 0.99, "{}", errors.follows);
    }

    // 3.3 ms are 158 samples at 48 to a hop, and 160 at most at 96.
    #[test]
    fn the_past_is_3_3_ms_but_a_quarter_of_what_sounds_at_most() {
        let clean = |after: usize, hop: usize| {
            Errors::of(&signs(100 + after, 2), 100, hop).map(|e| (e.clean, e.stands_out))
        };
        assert_eq!(clean(1_000, 48).unwrap(), (4, 7.25));
        assert_eq!(clean(4_000, 8).unwrap().0, 7);
        // From 4 hops on a quarter: (224 - 32) / 4 is 48 samples, one less is 47.
        assert_eq!(clean(224, 8).unwrap().0, 7);
        assert_eq!(clean(223, 8).unwrap().0, 6);
        assert_eq!(clean(160, 8).unwrap().0, 5);
        assert_eq!(clean(35, 8), None);
        assert_eq!(clean(0, 8), None);
        // 160 samples of past at 20 to a hop would be 8 hops; 3.3 ms of it are 66 samples.
        assert_eq!(clean(2_000, 20).unwrap().0, 4);
        assert_eq!(clean(2_000, 12).unwrap().0, 5);
    }

    // x[n] = 0.8 x[n-1] + u[n] has the power 1/(1 - 0.64), of which 0.64 follows; the powers of
    // 2160 samples are known to some hundredths.
    #[test]
    fn the_share_that_follows_is_that_of_the_past() {
        let share = |part: f64| {
            let mut x = vec![0.0; 500];
            for u in signs(9_600, 4) {
                x.push(part * x.last().unwrap() + u);
            }
            // What is before 5 ms and after 50 ms does not count. (The first 4 ms teach nothing.)
            for (v, s) in x[500..500 + 4 * 48].iter_mut().zip(signs(192, 9)) {
                *v = 4.0 * s;
            }
            for v in &mut x[500 + 50 * 48 + 1..] {
                *v *= 0.1;
            }
            Errors::of(&x, 500, 48).unwrap().follows
        };
        assert!((share(0.8) - 0.64).abs() < 0.1, "{}", share(0.8));
        assert!(share(0.0) < 0.2, "{}", share(0.0));
    }

    // The same with a past that is farther away: 158 samples of it are known at 48 to a hop, and
    // 160 at most.
    #[test]
    fn what_is_farther_back_than_3_3_ms_foretells_nothing() {
        let share = |lag: usize, hop: usize| {
            let mut x = vec![0.0; 500];
            for u in signs(9_600, 10) {
                x.push(0.8 * x[x.len() - lag] + u);
            }
            Errors::of(&x, 500, hop).unwrap().follows
        };
        assert!(share(150, 48) > 0.5, "{}", share(150, 48));
        assert!(share(159, 48) < 0.25, "{}", share(159, 48));
        assert!(share(159, 60) > 0.5, "{}", share(159, 60));
        assert!(share(170, 60) < 0.25, "{}", share(170, 60));
    }

    #[test]
    fn at_high_rates_40_ms_before_the_strike_are_known_too() {
        // 0.3 put in 15 ms before the strike are 0.09 in 18 hops against 1 in 5.
        let contacts = struck(96_000, &[(-0.015, 0.3), (0.0, 1.0)]);
        let before = contacts.innovation.unwrap().before.unwrap();
        assert!((before / 0.025 - 1.0).abs() < 0.15, "{before}");
    }

    fn struck(rate_hz: u32, set: &[(f64, f64)]) -> Contacts {
        let n = rate_hz as usize / 2;
        let place = |s: f64| (s * f64::from(rate_hz)).round() as usize;
        let mut drive: Vec<f64> = signs(n, 6).iter().map(|s| 1e-4 * s).collect();
        for &(at_s, gain) in set {
            drive[place(0.1 + at_s)] += gain;
        }
        let rate = SampleRate::new(rate_hz).unwrap();
        examine(rate, &driven(&drive), place(0.1), n)
    }

    // The step of the places is a sample of what is examined: two or four of the recording.
    #[test]
    fn contacts_are_placed_in_samples_of_the_recording_at_every_rate() {
        for (hz, step) in [(8_000, 1), (48_000, 1), (96_000, 2), (192_000, 4)] {
            let contacts = struck(hz, &[(0.0, 1.0), (0.040, 0.3)]);
            let wanted = (0.040 * f64::from(hz)) as usize;
            assert_eq!(contacts.later.len(), 1, "{hz}: {contacts:?}");
            let contact = contacts.later[0];
            assert!(contact.after.abs_diff(wanted) <= step, "{hz}: {contact:?}");
            // 0.3 in amplitude is -10.46 dB; the decimating filter may share a pulse among hops.
            assert!((contact.level_db + 10.46).abs() < 1.5, "{hz}: {contact:?}");
            assert_eq!(contacts.pulses, 1);
            assert!(contacts.direct_db > 8.0, "{hz}: {contacts:?}");
            assert!(contacts.innovation.is_some());
        }
    }

    #[test]
    fn a_fifth_of_a_second_is_examined_and_the_rest_is_not() {
        let pulses = |at_s: f64| struck(8_000, &[(0.0, 1.0), (at_s, 0.5)]).pulses;
        assert_eq!(pulses(0.190), 1);
        assert_eq!(pulses(0.201), 0);
    }

    #[test]
    fn the_40_ms_before_the_strike_are_enough_to_know_what_was_before() {
        // The strike is put in at the first sample that is handed over, or 30 ms after it.
        let drive: Vec<f64> = signs(2_400, 7)
            .iter()
            .enumerate()
            .map(|(i, s)| s * if i == 240 { 1.0 } else { 0.01 })
            .collect();
        let x = driven(&drive);
        let whole = examine(rate(), &x, 240, 1_800);
        let bare = examine(rate(), &x[240..], 0, 1_560);
        assert!(whole.innovation.unwrap().before.is_some());
        assert_eq!(bare.innovation.unwrap().before, None);
        assert!((whole.follows - bare.follows).abs() < 0.02);
    }

    #[test]
    fn nothing_to_examine_leaves_all_unknown() {
        let x = signs(1_000, 8);
        for (strike, until) in [(500, 500), (500, 400), (1_000, 2_000), (500, 510)] {
            let contacts = examine(rate(), &x, strike, until);
            assert_eq!(contacts, Contacts::unknown(), "{strike} {until}");
        }
        let unknown = Contacts::unknown();
        assert!(unknown.later.is_empty() && unknown.direct_db == f64::INFINITY);
    }
}
