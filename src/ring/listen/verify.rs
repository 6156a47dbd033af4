//! Is a sudden rise of level a tap?
//!
//! A tap puts its energy in at once and then only loses it. Voices put energy in again and
//! again, machines build up slowly or go on at one level, clicks leave nothing behind.

use crate::ring::listen::clipping;
use crate::ring::listen::contacts::{self, Contacts};
use crate::ring::listen::heard::{Heard, NotATap};
use crate::ring::listen::nature::{self, Nature};
use crate::ring::listen::shape::Shape;
use crate::ring::listen::strike;
use crate::signal::envelope::Levels;
use crate::signal::filter::LANES;
use crate::units::power_db;

/// Hops (ms) after a rise that are looked at before it is called a tap.
pub(super) const LOOK_AHEAD: u64 = 260;
/// The same at the start of a recording, where nothing is known of what was before.
pub(super) const LOOK_AHEAD_AT_START: u64 = 700;
/// Further rises so soon after a strike belong to it.
pub(super) const DEAD_HOPS: u64 = 120;

/// A strike that was confirmed.
#[derive(Debug, Clone)]
pub(super) struct Strike {
    /// Absolute frame.
    pub(super) at: u64,
    /// Hop of the rise.
    pub(super) hop: u64,
    /// Level per band before it; none at the start of a recording.
    pub(super) background: Option<Levels>,
    /// Mean power over the first 20 ms, all bands.
    pub(super) power: f64,
    /// Second contacts and how the sound follows from its own past.
    pub(super) contacts: Contacts,
}

/// Tells whether the rise at `hop` is a tap. `at_start`: there is nothing before it.
pub(super) fn judge(heard: &Heard<'_>, hop: u64, at_start: bool) -> Result<Strike, NotATap> {
    let background = background(heard, hop, at_start);
    let known = background.unwrap_or([0.0; LANES]);
    let risen = risen_lanes(heard, hop, &known);
    let only_low = !risen[1..].iter().any(|&r| r);
    let shape = Shape {
        levels: heard.levels,
        background: known,
        use_lane: risen,
    };
    let hop = foot(&shape, hop);
    if !at_start {
        check_rise(&shape, hop, only_low)?;
        check_strength(heard, hop, &known, only_low)?;
    }
    check_persistence(&shape, hop, only_low)?;
    let everything = Shape {
        levels: heard.levels,
        background: known,
        use_lane: std::array::from_fn(|l| l < heard.lanes()),
    };
    let impacts: Vec<u64> = heard
        .later_rises
        .iter()
        .copied()
        .filter(|&h| everything.is_quick(h, 8))
        .collect();
    let whole = window(heard, &impacts, hop, at_start);
    let (at, clear) = place(heard, hop, at_start.then_some(whole), only_low);
    check_resumption(&everything, heard, at)?;
    // What sounds after a dropout tells nothing of the shape.
    let until = heard
        .breaks
        .iter()
        .find(|b| b.start > at)
        .map_or(whole, |b| whole.min(heard.hop(b.start)));
    let (contacts, nature) = examine(heard, at, hop, until, whole);
    // A second contact can make it louder; it is no part of the rise.
    let among = contacts.later.first().map_or(50, |second| {
        (heard.hop(at + second.after as u64).saturating_sub(hop + 3)).clamp(17, 50)
    });
    let quick = everything.is_quick_among(hop, 16, among);
    if !at_start && !only_low && nature != Nature::Noise && !quick {
        return Err(NotATap::SlowRise { rise_ms: 16.0 });
    }
    let start = match (at_start, clear) {
        (false, _) => Start::Earlier,
        (true, true) => Start::Clear,
        (true, false) => Start::Unclear,
    };
    check_later(&everything, &impacts, hop, whole, nature, start)?;
    if start == Start::Unclear {
        check_unclear(&shape, &contacts, hop, until)?;
    } else {
        check_decay(&shape, &contacts, hop, until, at_start)?;
    }
    nature::check_innovation(heard, &contacts, hop, nature, at_start)?;
    nature::check_company(&everything, heard, hop)?;
    let power = everything.power(hop, 20);
    Ok(Strike {
        at,
        hop,
        background,
        power,
        contacts,
    })
}

/// The hop up to which a rise at `hop` is looked at: until the next impact at most.
fn window(heard: &Heard<'_>, impacts: &[u64], hop: u64, at_start: bool) -> u64 {
    let end = heard.levels.end();
    let ahead = if at_start {
        LOOK_AHEAD_AT_START
    } else {
        LOOK_AHEAD
    };
    let next = impacts
        .iter()
        .copied()
        .find(|&h| h >= hop + DEAD_HOPS)
        .map_or(end, |h| h.saturating_sub(6));
    end.min(hop + ahead).min(next.max(hop + 20))
}

/// What was put in after the strike at the frame `at`, up to the hop `until`, and what kind of
/// sound that makes it. `whole` is the hop up to which it would be without a dropout.
fn examine(heard: &Heard<'_>, at: u64, hop: u64, until: u64, whole: u64) -> (Contacts, Nature) {
    let index = |frame: u64| frame.saturating_sub(heard.samples_from) as usize;
    let look = |until: u64| {
        let end = index(heard.frame(until));
        contacts::examine(heard.rate, heard.samples, index(at), end)
    };
    let contacts = look(until);
    let to = (index(at) + heard.rate.samples(0.060)).min(heard.samples.len());
    let start = &heard.samples[index(at).min(to)..to];
    let clipped = clipping::find(start, heard.step).is_some();
    let mut nature = nature::nature(&contacts, clipped);
    if until < whole && until < hop + 60 && nature::nature(&look(whole), clipped) == Nature::Driven
    {
        // A voice may pause so soon. What is left of a tap would be too short in any case.
        nature = Nature::Driven;
    }
    (contacts, nature)
}

/// Where nothing shows a beginning only what is left after the filters' own start counts, and
/// it must fall by itself.
fn check_unclear(
    shape: &Shape<'_>,
    contacts: &Contacts,
    hop: u64,
    until: u64,
) -> Result<(), NotATap> {
    let late = Shape {
        use_lane: std::array::from_fn(|l| l > 0 && shape.use_lane[l]),
        ..*shape
    };
    let first = late.power(hop + 12, 30);
    let left_db = power_db(late.power(until.saturating_sub(60), 60) / first);
    let swells = late.swells(hop + 12, until.saturating_sub(30));
    if until < hop + 110 || swells || left_db.is_nan() || left_db > -2.5 {
        return Err(NotATap::NoDecay { left_db });
    }
    check_decay(&late, contacts, hop + 12, until, true)
}

/// The hop at which the rise really begins: the search sees it some hops ahead.
fn foot(shape: &Shape<'_>, hop: u64) -> u64 {
    let (most, _) = shape.most(hop, hop + 12, 1);
    (hop..hop + 12)
        .find(|&h| shape.power(h, 1) >= 0.03 * most)
        .unwrap_or(hop)
}

/// Level before the rise: of 25 ms ending 2 ms before it.
fn background(heard: &Heard<'_>, hop: u64, at_start: bool) -> Option<Levels> {
    if at_start {
        return heard.before_gap;
    }
    heard
        .levels
        .mean(hop.saturating_sub(27), hop.saturating_sub(2))
}

fn risen_lanes(heard: &Heard<'_>, hop: u64, background: &Levels) -> [bool; LANES] {
    std::array::from_fn(|l| {
        l < heard.lanes()
            && (hop..hop + 10).any(|h| {
                heard
                    .levels
                    .mean(h, h + 3)
                    .is_some_and(|m| m[l] > 5.0 * background[l] && m[l] > 0.0)
            })
    })
}

/// What comes after a dropout and is not much louder than before it is no strike.
fn check_resumption(shape: &Shape<'_>, heard: &Heard<'_>, at: u64) -> Result<(), NotATap> {
    let near = heard.rate.samples(0.004) as u64;
    let Some(lost) = heard
        .breaks
        .iter()
        .find(|b| at + near >= b.end && b.end + near >= at)
    else {
        return Ok(());
    };
    let before = heard.hop(lost.start);
    let after = heard.hop(lost.end);
    if shape.power(after + 1, 10) < 4.0 * shape.power(before.saturating_sub(20), 20) {
        return Err(NotATap::Resumes {
            lost_ms: (lost.end - lost.start) as f64 / heard.rate.hz() * 1e3,
        });
    }
    Ok(())
}

/// A tap is as loud as it gets within some ms; low tones need the time of a cycle.
fn check_rise(shape: &Shape<'_>, hop: u64, only_low: bool) -> Result<(), NotATap> {
    let (most, _) = shape.most(hop, hop + 50, 3);
    let half = (hop..hop + 50)
        .find(|&h| shape.power(h, 3) >= 0.4 * most)
        .unwrap_or(hop);
    let allowed = if only_low { 16 } else { 10 };
    if half - hop > allowed {
        return Err(NotATap::SlowRise {
            rise_ms: (half - hop) as f64,
        });
    }
    Ok(())
}

/// Enough over the noise for longer than chance makes it.
fn check_strength(
    heard: &Heard<'_>,
    hop: u64,
    background: &Levels,
    only_low: bool,
) -> Result<(), NotATap> {
    let over = |hops: u64| -> f64 {
        let Some(m) = heard.levels.mean(hop, hop + hops) else {
            return f64::INFINITY;
        };
        (0..heard.lanes())
            .filter(|&l| m[l] > 0.0)
            .map(|l| m[l] / background[l].max(1e-30 * m[l]))
            .fold(0.0, f64::max)
    };
    let enough = if only_low {
        over(30) >= 12.0
    } else {
        over(10) >= 4.5 || over(4) >= 8.0
    };
    if enough {
        return Ok(());
    }
    Err(NotATap::TooSoft {
        over_noise_db: power_db(over(10)),
    })
}

/// Samples in which the filter of a band that ends at 0.45 of the rate forgets a click: the slower
/// poles of its low pass lie at 0.89 (bilinear transform), so that 1e-4 of the power is left.
const FORGETTING: usize = 40;

/// Even the shortest thud is there after 5 ms; the band filters' own ringing is not.
fn check_persistence(shape: &Shape<'_>, hop: u64, only_low: bool) -> Result<(), NotATap> {
    // Bands from 1 kHz on ring for less than a millisecond themselves (at low rates the highest
    // rings longer), lower ones for several.
    let wait = FORGETTING.div_ceil(shape.levels.hop_len()).max(3) as u64;
    let lanes = |from: usize| Shape {
        use_lane: std::array::from_fn(|l| l >= from && shape.use_lane[l]),
        ..*shape
    };
    let whole = shape.most(hop, hop + 6, 3).0;
    let crisp = lanes(2);
    let (most, _) = crisp.most(hop, hop + 6, 3);
    if most > 0.03 * whole {
        let left = crisp.power(hop + wait, 3);
        if left > 0.0003 * most {
            return Ok(());
        }
        return Err(NotATap::Click {
            left_db: power_db(left / most),
        });
    }
    let high = lanes(usize::from(!only_low));
    let (most, _) = high.most(hop, hop + 6, 3);
    let left = high.power(hop + 6, 5);
    if left < 0.0025 * most {
        return Err(NotATap::Click {
            left_db: power_db(left / most),
        });
    }
    Ok(())
}

/// Where a recording begins, seen from a rise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Start {
    /// Long before it.
    Earlier,
    /// Just before it, and the rise can be seen.
    Clear,
    /// With it: nothing shows whether it had sounded before.
    Unclear,
}

/// After the start nothing gets louder, save by a second contact.
fn check_later(
    shape: &Shape<'_>,
    impacts: &[u64],
    hop: u64,
    until: u64,
    nature: Nature,
    start: Start,
) -> Result<(), NotATap> {
    let again = impacts.iter().any(|&h| h > hop + 4 && h < hop + DEAD_HOPS);
    let limit = match nature {
        _ if again && start != Start::Unclear => 8.0,
        Nature::Noise if start == Start::Clear => 12.0,
        Nature::Noise if start == Start::Earlier => 4.0,
        _ => 2.0,
    };
    let mut high = Shape { ..*shape };
    high.use_lane[0] = false;
    let mut low = Shape { ..*shape };
    low.use_lane = std::array::from_fn(|l| l == 0);
    // The lowest band takes some cycles to get loud; softer bands do not matter.
    for (part, slack) in [(&high, 0), (&low, 16)] {
        let (first, _) = part.most(hop, hop + 4 + slack, 10);
        let from = hop + 12 + slack;
        let (later, _) = part.most(from, until.saturating_sub(10).max(from), 10);
        let (loudest, _) = shape.most(hop, hop + 20, 10);
        if later > limit * first && later > 0.5 * loudest {
            return Err(NotATap::RisesAgain {
                by_db: power_db(later / first),
            });
        }
    }
    Ok(())
}

/// The level falls, and does not stay first and then end.
fn check_decay(
    shape: &Shape<'_>,
    contacts: &Contacts,
    hop: u64,
    until: u64,
    at_start: bool,
) -> Result<(), NotATap> {
    let (start, peak) = shape.most(hop, (hop + 60).min(until), 10);
    let span = until.saturating_sub(peak);
    if start <= 0.0 || span < 40 {
        return Ok(());
    }
    let last = (span / 5).max(10);
    let left = shape.power(until - last, last) / start;
    // The slowest wheel (T60 5 s) loses 2.9 dB in 240 ms. Noise-like sounds fluctuate.
    let tonal = contacts.follows > 0.8;
    let allowed_db = match (tonal, at_start) {
        (true, false) => -0.3 - 1.5 * (span as f64 / 260.0 - 0.5).max(0.0),
        (true, true) => -3.0 * (span as f64 / 500.0).min(1.0),
        (false, false) => -3.0,
        (false, true) => -6.0,
    };
    if power_db(left) > allowed_db {
        return Err(NotATap::NoDecay {
            left_db: power_db(left),
        });
    }
    // A level that stays and then falls for good was switched off. (One that comes back beats.)
    let Some(loud) = (peak..until.saturating_sub(5)).rfind(|&h| shape.power(h, 5) > 0.1 * start)
    else {
        return Ok(());
    };
    if loud + 20 >= until || loud < peak + 30 {
        return Ok(());
    }
    let half_way = shape.power(peak + (loud - peak) / 2, 5) / start;
    let just_before = shape.power(loud - 15, 5) / start;
    let just_after = shape.power(loud + 12, 5) / start;
    if power_db(half_way.min(just_before)) > -2.0 && power_db(just_after) < -15.0 {
        return Err(NotATap::NoDecay {
            left_db: power_db(half_way),
        });
    }
    Ok(())
}

/// Absolute frame of the strike, and whether there is a clear change of power at it.
fn place(heard: &Heard<'_>, hop: u64, start_until: Option<u64>, only_low: bool) -> (u64, bool) {
    let at_start = start_until.is_some();
    let index = |frame: u64| frame.saturating_sub(heard.samples_from) as usize;
    let ms = |n: f64| heard.rate.samples(n * 1e-3) as u64;
    let around = heard.frame(hop);
    let (before, after) = if only_low { (14.0, 6.0) } else { (5.0, 4.5) };
    let from = around.saturating_sub(ms(before)).max(heard.samples_from);
    let after = if at_start { 12.0 } else { after };
    let to = around + ms(after);
    let (quiet_from, quiet_to) = match start_until {
        // Nothing was before: what sounds later is the best guess at it.
        Some(until) => (
            heard.frame((until / 2).max(until.saturating_sub(200))),
            heard.frame(until.saturating_sub(8)),
        ),
        None => (from.saturating_sub(ms(100.0)).max(heard.samples_from), from),
    };
    let found = strike::find(
        heard.samples,
        index(quiet_from).min(heard.samples.len()),
        index(quiet_to).min(heard.samples.len()),
        index(from),
        index(to),
    );
    match found {
        // A start that is no more than the fluctuation of what sounds anyway.
        Some(found) if at_start && (found.ratio < 20.0 || found.gain < 25.0) => {
            (heard.samples_from.max(heard.origin), false)
        }
        Some(found) => (heard.samples_from + found.index as u64, true),
        None => (around, false),
    }
}

#[cfg(test)]
mod tests;
