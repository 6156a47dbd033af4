//! What kind of sound a rise began: struck, or driven on and on.

use crate::ring::listen::contacts::Contacts;
use crate::ring::listen::heard::{Heard, NotATap};
use crate::ring::listen::shape::Shape;

use crate::units::power_db;

/// What kind of sound a rise began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Nature {
    /// Put in at once; what follows is its ring or the noise that was there anyway.
    Struck,
    /// Noise that goes on from quiet, as a cymbal or a bang in a live room.
    Noise,
    /// Barely over the noise, so that what is put in cannot be told from it.
    Masked,
    /// Put in again and again.
    Driven,
}

/// Tells them apart by what is put in before, at and after the strike.
pub(super) fn nature(contacts: &Contacts, clipped: bool) -> Nature {
    if contacts.pulses >= 4 {
        return Nature::Driven;
    }
    let Some(innovation) = contacts.innovation else {
        return Nature::Struck; // too short to tell
    };
    let as_before =
        |p: f64, most: f64| p > 0.6 * innovation.floor() && p < most * innovation.floor();
    let before_db = power_db(innovation.floor());
    let going_on_db = innovation.going_on_db();
    let voiced = innovation.pitch > 0.5;
    // More tones than the short predictor can follow, but the long one does.
    let many_tones = before_db < -6.0 && contacts.going_on_db < -13.0 && innovation.pitch < 0.42;
    // What is cut off anew in each period looks like pulses.
    let cut_tops = clipped && before_db < -15.0 && innovation.later < 0.4 * innovation.soon;
    if before_db < -6.0
        && going_on_db < -8.0
        && (!voiced || innovation.soon.max(innovation.later) < 0.05)
    {
        Nature::Struck
    } else if before_db < -12.0 && innovation.pitch < 0.35 {
        Nature::Noise
    } else if many_tones || cut_tops {
        Nature::Struck
    } else if before_db >= -15.0
        && as_before(innovation.soon, 3.2)
        && as_before(innovation.later, 2.8)
        && innovation.pitch < 0.4
    {
        Nature::Masked
    } else {
        Nature::Driven
    }
}

/// Nothing is put in any more after a strike.
pub(super) fn check_innovation(
    heard: &Heard<'_>,
    contacts: &Contacts,
    hop: u64,
    nature: Nature,
    at_start: bool,
) -> Result<(), NotATap> {
    let driven = match nature {
        Nature::Struck | Nature::Noise => false,
        Nature::Driven => true,
        // Only over a noise that is steady can so little be told.
        Nature::Masked => {
            at_start || !is_steady(heard, hop) || !lasts(heard, hop, contacts.follows > 0.3)
        }
    };
    if driven {
        return Err(NotATap::Driven {
            going_on_db: contacts.innovation.map_or(0.0, |i| i.going_on_db()),
            pulses: contacts.pulses,
        });
    }
    Ok(())
}

/// True when a band stays over what it was for 20 ms, by 6 dB for tones, by 9 dB for noise.
fn lasts(heard: &Heard<'_>, hop: u64, tonal: bool) -> bool {
    let needed = if tonal { 4.0 } else { 8.0 };
    let before = heard
        .levels
        .mean(hop.saturating_sub(27), hop.saturating_sub(2));
    let now = heard.levels.mean(hop, hop + 20);
    let (Some(before), Some(now)) = (before, now) else {
        return false;
    };
    (1..heard.lanes()).any(|l| now[l] > needed * before[l])
}

/// True when the level of the 120 ms before stays within 4 dB in the bands that rise.
fn is_steady(heard: &Heard<'_>, hop: u64) -> bool {
    let near = heard
        .levels
        .mean(hop.saturating_sub(42), hop.saturating_sub(2));
    let far = heard
        .levels
        .mean(hop.saturating_sub(120), hop.saturating_sub(42));
    let now = heard.levels.mean(hop, hop + 10);
    let (Some(near), Some(far), Some(now)) = (near, far, now) else {
        return false;
    };
    (1..heard.lanes())
        .filter(|&l| now[l] > 5.0 * near[l])
        .all(|l| near[l] < 2.5 * far[l] && far[l] < 2.5 * near[l])
}

/// A short noise shortly after a louder swell that no strike began is part of a voice.
pub(super) fn check_company(shape: &Shape<'_>, heard: &Heard<'_>, hop: u64) -> Result<(), NotATap> {
    let (own, _) = shape.most(hop, hop + 8, 10);
    let mut from = hop.saturating_sub(400);
    // Where a struck ring dies away, only what grows beyond it is a swell.
    let mut ring = 0.0;
    if let Some(last) = heard.last_strike {
        from = from.max(last);
        ring = shape.most(from, from + 60, 20).0;
        from += 60;
    }
    let to = hop.saturating_sub(40);
    if from >= to {
        return Ok(());
    }
    let swell = (from..to)
        .step_by(10)
        .map(|h| shape.power(h, 20))
        .fold(0.0, f64::max);
    if swell > 0.5 * own && swell > 2.0 * ring {
        return Err(NotATap::InSpeech {
            below_db: power_db(own / swell),
        });
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::listen::innovation::Innovation;
    use crate::ring::listen::tests::{Scene, levels};
    use crate::signal::filter::LANES;

    /// What is put in: before, soon and later relative to the strike, and its pitch.
    fn put_in(before: f64, soon: f64, later: f64, pitch: f64) -> Contacts {
        Contacts {
            later: Vec::new(),
            pulses: 0,
            follows: 0.0,
            direct_db: 0.0,
            going_on_db: 0.0,
            innovation: Some(Innovation {
                before: Some(before),
                soon,
                later,
                pitch,
            }),
        }
    }

    fn told(before: f64, soon: f64, later: f64, pitch: f64) -> Nature {
        nature(&put_in(before, soon, later, pitch), false)
    }

    #[test]
    fn four_pulses_are_a_voice_and_what_is_too_short_is_a_strike() {
        let mut contacts = put_in(1e-4, 0.01, 0.01, 0.0);
        contacts.pulses = 3;
        assert_eq!(nature(&contacts, false), Nature::Struck);
        contacts.pulses = 4;
        assert_eq!(nature(&contacts, false), Nature::Driven);
        contacts.pulses = 0;
        contacts.innovation = None;
        assert_eq!(nature(&contacts, false), Nature::Struck);
    }

    // -6 dB are 0.251, -8 dB are 0.158.
    #[test]
    fn a_strike_has_nothing_put_in_before_and_after() {
        assert_eq!(told(0.0, 0.157, 0.0, 0.36), Nature::Struck);
        assert_eq!(told(0.0, 0.160, 0.0, 0.36), Nature::Driven);
        assert_eq!(told(0.0, 0.0, 0.105, 0.36), Nature::Struck);
        assert_eq!(told(0.0, 0.0, 0.107, 0.36), Nature::Driven);
        // With 0.25 before, 0.4 is 0.075 over 1.3 times that.
        assert_eq!(told(0.250, 0.4, 0.0, 0.36), Nature::Struck);
        assert_eq!(told(0.252, 0.4, 0.0, 0.36), Nature::Driven);
    }

    #[test]
    fn a_strike_with_a_pitch_must_leave_less_than_a_twentieth() {
        assert_eq!(told(0.0, 0.10, 0.0, 0.49), Nature::Struck);
        assert_eq!(told(0.0, 0.10, 0.0, 0.51), Nature::Driven);
        assert_eq!(told(0.0, 0.049, 0.0, 0.51), Nature::Struck);
        assert_eq!(told(0.0, 0.0, 0.049, 0.51), Nature::Struck);
        assert_eq!(told(0.0, 0.051, 0.0, 0.51), Nature::Driven);
        assert_eq!(told(0.0, 0.0, 0.051, 0.51), Nature::Driven);
    }

    // -12 dB are 0.0631.
    #[test]
    fn noise_that_goes_on_from_quiet_has_no_pitch() {
        assert_eq!(told(0.0630, 0.5, 0.5, 0.34), Nature::Noise);
        assert_eq!(told(0.0632, 0.5, 0.5, 0.34), Nature::Driven);
        assert_eq!(told(0.0630, 0.5, 0.5, 0.36), Nature::Driven);
    }

    #[test]
    fn many_tones_are_told_by_the_long_past() {
        let told = |before: f64, going_on_db: f64, pitch: f64| {
            let mut contacts = put_in(before, 0.9, 0.9, pitch);
            contacts.going_on_db = going_on_db;
            nature(&contacts, false)
        };
        assert_eq!(told(0.250, -13.1, 0.41), Nature::Struck);
        assert_eq!(told(0.252, -13.1, 0.41), Nature::Driven);
        assert_eq!(told(0.250, -12.9, 0.41), Nature::Driven);
        assert_eq!(told(0.250, -13.1, 0.43), Nature::Driven);
    }

    // -15 dB are 0.0316.
    #[test]
    fn tops_cut_off_in_each_period_look_like_pulses_that_stop() {
        let told = |before: f64, later: f64, clipped: bool| {
            nature(&put_in(before, 0.5, later, 0.8), clipped)
        };
        assert_eq!(told(0.0315, 0.199, true), Nature::Struck);
        assert_eq!(told(0.0315, 0.199, false), Nature::Driven);
        assert_eq!(told(0.0318, 0.199, true), Nature::Driven);
        assert_eq!(told(0.0315, 0.201, true), Nature::Driven);
    }

    // With 0.5 before, what goes on is as before from 0.3 to 1.6 soon and to 1.4 later.
    #[test]
    fn what_goes_on_as_it_was_before_is_masked() {
        for (soon, later, pitch, masked) in [
            (0.5, 0.5, 0.0, true),
            (0.301, 0.5, 0.0, true),
            (0.299, 0.5, 0.0, false),
            (1.599, 0.5, 0.0, true),
            (1.601, 0.5, 0.0, false),
            (0.5, 0.301, 0.0, true),
            (0.5, 0.299, 0.0, false),
            (0.5, 1.399, 0.0, true),
            (0.5, 1.401, 0.0, false),
            (0.5, 0.5, 0.399, true),
            (0.5, 0.5, 0.401, false),
        ] {
            let is = told(0.5, soon, later, pitch);
            let wanted = if masked {
                Nature::Masked
            } else {
                Nature::Driven
            };
            assert_eq!(is, wanted, "{soon} {later} {pitch}");
        }
        // What goes on as before at -15 dB is so soft that it is a strike anyway.
        assert_eq!(told(0.0317, 0.0601, 0.0601, 0.45), Nature::Struck);
        let quiet = |before: f64| nature(&put_in(before, 2.0 * before, 2.0 * before, 0.36), false);
        assert_eq!(quiet(0.8), Nature::Masked);
    }

    #[test]
    fn what_is_driven_is_refused_with_what_goes_on() {
        let scene = Scene::new(levels(&[(200, [1.0; 3])]));
        let mut contacts = put_in(0.0, 0.1, 0.0, 0.9);
        contacts.pulses = 7;
        let check = |nature| check_innovation(&scene.heard(), &contacts, 100, nature, false);
        assert_eq!(check(Nature::Struck), Ok(()));
        assert_eq!(check(Nature::Noise), Ok(()));
        let refused = check(Nature::Driven).unwrap_err();
        let right = matches!(refused, NotATap::Driven { going_on_db, pulses: 7 }
            if (going_on_db + 10.0).abs() < 1e-9);
        assert!(right, "{refused:?}");
    }

    /// A rise of the second band at hop 150 out of what the parts tell.
    fn masked(parts: &[(usize, f64)], follows: f64, at_start: bool) -> bool {
        let parts: Vec<(usize, [f64; 3])> = parts
            .iter()
            .map(|&(n, p)| (n, [9e-3, 1e-3 * p, 1e-3]))
            .collect();
        let scene = Scene::new(levels(&parts));
        let mut contacts = put_in(0.5, 0.5, 0.5, 0.0);
        contacts.follows = follows;
        check_innovation(&scene.heard(), &contacts, 150, Nature::Masked, at_start).is_ok()
    }

    #[test]
    fn a_masked_strike_stays_for_20_ms_by_6_db_for_tones_and_9_for_noise() {
        for (level, follows, taken) in [
            (4.05, 0.31, true),
            (3.95, 0.31, false),
            (8.05, 0.3, true),
            (7.95, 0.3, false),
        ] {
            let parts = [(150, 1.0), (50, level)];
            assert_eq!(masked(&parts, follows, false), taken, "{level} {follows}");
            assert!(!masked(&parts, follows, true), "never at the start");
        }
        // The mean of 20 hops, and no more; 2 hops before the rise do not count, 27 do.
        assert!(masked(&[(150, 1.0), (20, 4.05), (50, 0.0)], 0.31, false));
        assert!(!masked(&[(150, 1.0), (19, 4.05), (50, 1.0)], 0.31, false));
        assert!(masked(&[(148, 1.0), (22, 4.05), (50, 0.0)], 0.31, false));
        assert!(!masked(&[(147, 1.0), (23, 4.05), (50, 0.0)], 0.31, false));
        assert!(masked(
            &[(122, 1.9), (1, 1.9), (27, 1.0), (30, 4.05)],
            0.31,
            false
        ));
        assert!(!masked(
            &[(122, 1.0), (2, 1.9), (26, 1.0), (30, 4.05)],
            0.31,
            false
        ));
    }

    #[test]
    fn only_bands_from_300_hz_on_make_a_masked_strike() {
        let check = |now: [f64; 3]| {
            let scene = Scene::new(levels(&[(150, [1.0; 3]), (50, now)]));
            lasts(&scene.heard(), 150, true)
        };
        assert!(check([1.0, 5.0, 1.0]) && check([1.0, 1.0, 5.0]));
        assert!(!check([5.0, 1.0, 1.0]));
    }

    #[test]
    fn the_noise_must_be_steady_within_4_db_for_120_ms() {
        // The near 40 ms end 2 ms before, the far 78 ms before that.
        for (far, near, steady) in [
            (1.0, 2.45, true),
            (1.0, 2.55, false),
            (2.45, 1.0, true),
            (2.55, 1.0, false),
        ] {
            let parts = [(108, far), (40, near), (52, 30.0)];
            assert_eq!(masked(&parts, 0.0, false), steady, "{far} {near}");
        }
        // Hop 29 is too early to count, hop 30 is not: 200 over 78 hops are 2.56 more.
        let early = |many: usize, after: usize| {
            masked(
                &[(many, 1.0), (1, 200.0), (after, 1.0), (50, 30.0)],
                0.0,
                false,
            )
        };
        assert!(early(29, 120));
        assert!(!early(30, 119));
        // Hop 107 is the last of the far ones, 108 the first of the near, 148 after them.
        assert!(!early(107, 42));
        let pulse = |at: usize, size: f64| {
            let parts: Vec<(usize, [f64; 3])> = vec![
                (at, [0.0, 1e-3, 1e-3]),
                (1, [0.0, 1e-3 * size, 1e-3]),
                (149 - at, [0.0, 1e-3, 1e-3]),
                (50, [0.0, 0.03, 1e-3]),
            ];
            is_steady(&Scene::new(levels(&parts)).heard(), 150)
        };
        // 70 makes the near mean 2.7 and the far one 1.9.
        assert!(pulse(107, 70.0));
        assert!(!pulse(108, 70.0));
        assert!(!pulse(147, 70.0));
        assert!(pulse(148, 70.0));
    }

    #[test]
    fn only_bands_that_rise_by_7_db_in_10_ms_need_be_steady() {
        let steady = |now: f64, hops: usize| {
            let scene = Scene::new(levels(&[
                (108, [0.0, 9e-3, 1e-3]),
                (42, [0.0, 1e-3, 1e-3]),
                (hops, [0.0, 1e-3 * now, 1e-3]),
                (50, [0.0, 1e-3, 1e-3]),
            ]));
            is_steady(&scene.heard(), 150)
        };
        assert!(steady(4.9, 10));
        assert!(!steady(5.1, 10));
        assert!(steady(5.4, 9));
        // The lowest band need not be.
        let scene = Scene::new(levels(&[
            (108, [9.0, 1.0, 1.0]),
            (42, [1.0, 1.0, 1.0]),
            (50, [99.0, 30.0, 1.0]),
        ]));
        assert!(is_steady(&scene.heard(), 150));
        // Where nothing is known of what was before, nothing is steady.
        assert!(!is_steady(&scene.heard(), 42));
        assert!(is_steady(&scene.heard(), 151) && !is_steady(&scene.heard(), 200));
        assert!(!lasts(&scene.heard(), 0, true) && !lasts(&scene.heard(), 200, true));
    }

    /// A noise at hop 600 after these levels, which are relative to its own.
    fn company(parts: &[(usize, f64)], last_strike: Option<u64>) -> Result<(), NotATap> {
        let mut all: Vec<(usize, [f64; 3])> = parts
            .iter()
            .map(|&(n, p)| (n, [0.0, 0.01 * p, 0.0]))
            .collect();
        all.push((40, [0.0, 0.01, 0.0]));
        let mut scene = Scene::new(levels(&all));
        scene.last_strike = last_strike;
        let shape = Shape {
            levels: &scene.levels,
            background: [0.0; LANES],
            use_lane: [true; LANES],
        };
        check_company(&shape, &scene.heard(), 600)
    }

    #[test]
    fn a_swell_half_as_strong_in_the_400_ms_before_makes_it_speech() {
        let swell =
            |from: usize, power: f64| company(&[(from, 0.0), (30, power), (570 - from, 0.0)], None);
        assert_eq!(swell(400, 0.49), Ok(()));
        let refused = swell(400, 2.0).unwrap_err();
        let right = matches!(refused, NotATap::InSpeech { below_db }
            if (below_db + 3.0103).abs() < 1e-4);
        assert!(right, "{refused:?}");
        assert!(swell(400, 0.51).is_err());
        // Looked at from 200 to 560 in steps of 10, 20 hops each.
        assert_eq!(swell(170, 0.9), Ok(()));
        assert!(swell(200, 0.51).is_err());
        assert_eq!(company(&[(200, 0.51), (400, 0.0)], None), Ok(()));
        assert!(company(&[(220, 0.51), (380, 0.0)], None).is_err());
        // The last begins at 550: what comes from 570 on is not seen.
        assert!(swell(550, 0.51).is_err());
        assert_eq!(swell(570, 0.99), Ok(()));
        assert!(company(&[(560, 0.0), (40, 1.1)], None).is_err());
    }

    #[test]
    fn in_a_ring_only_what_grows_beyond_it_is_a_swell() {
        // A strike at 300 with a ring of 0.8, then a swell from 450 on.
        let after = |swell: f64, last: u64| {
            company(
                &[(300, 0.0), (60, 0.8), (90, 0.3), (30, swell), (120, 0.0)],
                Some(last),
            )
        };
        assert_eq!(after(1.55, 300), Ok(()));
        assert!(after(1.65, 300).is_err());
        // The ring itself is none, however early the strike.
        assert_eq!(after(0.3, 300), Ok(()));
        // The first 60 hops after the strike are its ring, later ones are not.
        assert_eq!(
            company(&[(350, 0.0), (20, 9.0), (230, 0.0)], Some(300)),
            Ok(())
        );
        let late = company(
            &[(300, 0.0), (60, 1.0), (40, 0.3), (20, 9.0), (180, 0.0)],
            Some(300),
        );
        assert!(late.is_err());
        // What was before the strike is not looked at.
        let before = [(260, 0.0), (30, 9.0), (10, 0.0), (60, 1.0), (240, 0.0)];
        assert_eq!(company(&before, Some(300)), Ok(()));
        // A strike less than 100 hops ago leaves nothing to look at.
        assert_eq!(company(&[(500, 0.0), (100, 5.0)], Some(500)), Ok(()));
        // One long ago is not looked at.
        assert!(
            company(
                &[(100, 0.0), (60, 9.0), (240, 0.0), (30, 2.0), (170, 0.0)],
                Some(100)
            )
            .is_err()
        );
    }
}
