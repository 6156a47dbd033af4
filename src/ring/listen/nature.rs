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
