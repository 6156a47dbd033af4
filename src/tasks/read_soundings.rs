//! Reads recordings into soundings.

use crate::audio::wav_header::SIZE_LEFT_OPEN;
use crate::audio::{AudioError, Input, Recording, Source};
use crate::reading::baseline::{Baseline, Sounded};
use crate::reading::compare::{ComparedLine, Comparison, compare, room_widens};
use crate::reading::matching::Line;
use crate::reading::outcome::{outcome_alone, outcome_compared};
use crate::reading::rule::{judge_against, judge_alone, judge_for_baseline};
use crate::reading::turn_plan::TurnPlan;
use crate::reading::{Damping, Footing, Heard, Judgement, Outcome};
use crate::record::sounding::{
    BandRecord, BaselineRef, EvidenceRecord, FORMAT, FileRecord, FlawRecord, MadeBy, ModeRecord,
    RoomRecord, SoundingRecord, TapRecord, VERSION,
};
use crate::ring::estimate::{Echo, Room, loudest, solve_in};
use crate::ring::flaw::Flaw;
use crate::ring::listen::{Listened, Listener, NoTaps, is_stray};
use crate::ring::measure::measure_in;
use crate::ring::mode::{Mode, RefusedLine};
use crate::ring::take::TapTake;
use crate::ring::tap::{NoDecay, Tap};
use crate::signal::clip::Clip;
use crate::signal::overview::Overview;
use crate::tasks::gain_watch::GainWatch;
use crate::tasks::plate_findings::{WheelBody, findings};
use crate::units::{LN_1000, power_db, ring_time_s};

/// Version of the method, raised whenever the same sound may read differently.
pub const METHOD: &str = "1";
/// Most taps whose sound is kept for the joint solution; more are measured one by one only.
const MOST_JOINT: usize = 12;

/// How recordings are read.
#[derive(Debug, Clone, Default)]
pub struct ReadSettings {
    /// Id of the wheel, for the record.
    pub wheel: Option<String>,
    /// Where the taps fall.
    pub turn_plan: TurnPlan,
    /// What the ear heard, tap by tap; empty when it was not asked.
    pub heard: Vec<Heard>,
    /// Spot of the one tap of each recording in degrees from the wheel's mark, where known;
    /// empty to take the spots of the turn plan.
    pub spots_deg: Vec<Option<f64>>,
    /// Baseline of the wheel; without one the physics alone decides.
    pub baseline: Option<BaselineInUse>,
    /// The most that the outcome may be, and why, whatever is heard.
    pub at_best: Option<(Outcome, String)>,
    /// What is to be said of every sounding, in sentences.
    pub notes: Vec<String>,
    /// Temperature of the wheel in degrees Celsius, where it was logged.
    pub temp_c: Option<f64>,
    /// Body of the wheel, where its size is known: labels and elastic values.
    pub body: Option<WheelBody>,
    /// Decay time T60 of the room in seconds, where a clap told it.
    pub room_time_s: Option<f64>,
    /// Kind of bond when a baseline is being taken: the physics alone then does not ask an
    /// organic bond for the quality factor of a clear ring.
    pub for_baseline: Option<Damping>,
}

/// A baseline to hold soundings against.
#[derive(Debug, Clone)]
pub struct BaselineInUse {
    /// The baseline.
    pub baseline: Baseline,
    /// How it is named in the record.
    pub reference: BaselineRef,
}

/// A sounding that was read.
#[derive(Debug, Clone)]
pub struct ReadSounding {
    /// As it is printed.
    pub record: SoundingRecord,
    /// Its outcome.
    pub outcome: Outcome,
    /// The lines of the baseline beside those of the sounding; empty without one.
    pub beside: Vec<ComparedLine>,
}

/// A tap with what it came from.
#[derive(Debug)]
pub struct Struck {
    /// Name of its recording.
    pub file: String,
    /// The take as it was cut; only the first `MOST_JOINT` of a sounding keep their sound.
    pub take: TapTake,
    /// The same tap as a second microphone heard it, where there is one that adds something.
    pub second: Option<TapTake>,
    /// What was measured.
    pub tap: Tap,
    /// How it was judged.
    pub judgement: Judgement,
}

/// What was seen on the way to a sounding, for pictures.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// The sounding.
    pub record: &'a SoundingRecord,
    /// Its taps, as many as `record.taps`.
    pub struck: &'a [Struck],
    /// The modes of all taps solved together.
    pub modes: &'a [Mode],
    /// The lines that were fitted with them and not accepted.
    pub refused: &'a [RefusedLine],
    /// A picture of each of `record.files`.
    pub overviews: &'a [Overview],
    /// The lines of the baseline beside those of the sounding; empty without one.
    pub beside: &'a [ComparedLine],
}

/// Spots closer than this are one: a quarter of the smallest turn of a plan (45 degrees).
const SAME_SPOT_DEG: f64 = 11.25;

/// All taps solved together.
#[derive(Default)]
pub(super) struct Together {
    modes: Vec<Mode>,
    room_misfit: Option<f64>,
    room: Option<RoomRecord>,
}

/// Reads the recordings of one sounding, in the order of their taps.
///
/// # Errors
/// [`AudioError`] when a recording cannot be opened. What is whole of a damaged one is read.
pub fn read_sounding(
    inputs: &[Input],
    settings: &ReadSettings,
) -> Result<ReadSounding, AudioError> {
    read_and_show(inputs, settings, &mut |_| {})
}

/// As [`read_sounding`], and shows what was seen before it is dropped.
///
/// # Errors
/// As [`read_sounding`].
pub fn read_and_show(
    inputs: &[Input],
    settings: &ReadSettings,
    show: &mut dyn FnMut(&Seen<'_>),
) -> Result<ReadSounding, AudioError> {
    let (mut files, mut overviews) = (Vec::new(), Vec::new());
    let mut warnings = settings.notes.clone();
    let mut struck: Vec<Struck> = Vec::new();
    let mut damaged: Vec<String> = Vec::new();
    for input in inputs {
        let recording = Recording::open(input)?;
        let (file, overview, is_whole) = listen(&recording, settings, &mut struck, &mut warnings)?;
        if !is_whole {
            damaged.push(file.name.clone());
        }
        files.push(file);
        overviews.push(overview);
    }
    let mut settings = settings.clone();
    if let Some(name) = damaged.first() {
        let why = format!("{name} is damaged or cut off, so that nothing is cleared on it");
        settings.at_best = Some((Outcome::SoundItAgain, why));
    }
    let settings = &settings;
    let (together, refused) = solved_together(&struck);
    let read = judged(files, warnings, &struck, &together, settings);
    show(&Seen {
        record: &read.record,
        struck: &struck,
        modes: &together.modes,
        refused: &refused,
        overviews: &overviews,
        beside: &read.beside,
    });
    Ok(read)
}

/// All taps that still have their sound, solved together, and the lines that were refused.
pub(super) fn solved_together(struck: &[Struck]) -> (Together, Vec<RefusedLine>) {
    let heard: Vec<&Struck> = struck.iter().filter(|s| !s.take.clip.is_empty()).collect();
    if heard.is_empty() {
        return (Together::default(), Vec::new());
    }
    let views: Vec<&TapTake> = heard.iter().map(|s| &s.take).collect();
    let room = match loudest(&views) {
        Some(place) => Room::Known(heard[place].tap.echo),
        None => Room::Unknown,
    };
    let taps = views.len();
    let seconds = heard.iter().filter_map(|s| s.second.as_ref());
    let views: Vec<&TapTake> = views.into_iter().chain(seconds).collect();
    let mut solved = solve_in(&views, room);
    // The levels tap by tap are those of the first microphone.
    let refused = solved.refused.iter_mut().map(|r| &mut r.line);
    for mode in solved.modes.iter_mut().chain(refused) {
        mode.tap_amplitudes.truncate(taps);
    }
    let together = Together {
        room_misfit: Some(solved.room_misfit),
        room: solved.echo.map(room_record),
        modes: solved.modes,
    };
    (together, solved.refused)
}

/// Adds the taps of one recording to `struck`; returns how it is described in the record, a
/// picture of it, and whether it is whole: nothing damaged, cut off or changed meanwhile.
///
/// Each tap is measured as soon as it is complete, so that a long recording needs no more
/// memory than a short one.
fn listen(
    recording: &Recording,
    settings: &ReadSettings,
    struck: &mut Vec<Struck>,
    warnings: &mut Vec<String>,
) -> Result<(FileRecord, Overview, bool), AudioError> {
    let name = &recording.name;
    warnings.extend(recording.damage.iter().map(|d| format!("{name}: {d}")));
    let channel = best_channel(recording, warnings)?;
    let mut player = recording.play(channel)?;
    let mut listener = Listener::new(recording.rate);
    let mut gain = GainWatch::new(recording.rate);
    let mut suspected = None;
    let mut is_whole = true;
    let first = struck.len();
    loop {
        match player.next_chunk() {
            Ok(Some(chunk)) => {
                suspected = suspected.or(gain.hear(&chunk.samples));
                for take in listener.push(&chunk.samples, chunk.lost_before) {
                    add(struck, settings, name, take);
                }
            }
            Ok(None) => break,
            // What was heard before the fault stays.
            Err(error) => {
                warnings.push(error.to_string());
                is_whole = false;
                break;
            }
        }
    }
    let (rest, listened) = listener.finish();
    for take in rest {
        add(struck, settings, name, take);
    }
    drop_strays(struck, first, warnings);
    let second = (recording.channels == 2).then(|| 1 - channel);
    let second_channel = match second {
        Some(other) if hear_again(recording, other, &mut struck[first..]) => {
            warnings.push(format!(
                "{name}: channel {} was heard as a second microphone",
                other + 1
            ));
            Some(other + 1)
        }
        _ => None,
    };
    let late = player.damage();
    is_whole &= late.iter().all(|d| d.starts_with(SIZE_LEFT_OPEN));
    if recording.has_changed() {
        is_whole = false;
        warnings.push(format!(
            "{name}: the file changed while it was read; read it again once it is finished"
        ));
    }
    let new = late.iter().filter(|d| !recording.damage.contains(d));
    warnings.extend(new.map(|d| format!("{name}: {d}")));
    if recording.lossy {
        warnings.push(format!(
            "{name}: {} is a lossy coding and blurs decays; record to WAV or FLAC where you can",
            recording.kind
        ));
    }
    if let Some(gain) = &suspected {
        warnings.push(format!("{name}: {}", gain.sentence()));
    }
    if struck.len() == first {
        warnings.push(format!("{name}: {}", why_none(&listened)));
    }
    let file = FileRecord {
        name: name.clone(),
        blake3: recording.blake3.clone(),
        kind: recording.kind.clone(),
        lossy: recording.lossy,
        rate_hz: recording.rate.get(),
        channels: recording.channels,
        channel: channel + 1,
        second_channel,
        length_s: listened.frames as f64 / recording.rate.hz(),
        automatic_gain: suspected.is_some(),
    };
    Ok((file, listened.overview, is_whole))
}

/// Two hearings of one strike lie within this time: microphones 3 m apart.
const SAME_STRIKE_S: f64 = 0.01;
/// A second channel whose quiet follows the first's more than this is a copy of it, or stands so near
/// that it hears the same noise: it would be believed twice.
const MOST_ALIKE: f64 = 0.5;
/// Times over which the quiet of two channels is held against each other.
const LAG_S: f64 = 0.0006;
/// A second hearing this much softer than the first is no help.
const MOST_SOFTER_DB: f64 = 15.0;

/// Gives the taps what another channel heard of them; false when that adds nothing.
fn hear_again(recording: &Recording, channel: u32, struck: &mut [Struck]) -> bool {
    let Ok(mut player) = recording.play(channel) else {
        return false;
    };
    let mut listener = Listener::new(recording.rate);
    let mut found = false;
    let mut match_up = |takes: Vec<TapTake>| {
        for take in takes {
            let near = struck.iter_mut().find(|s| {
                s.second.is_none()
                    && !s.take.clip.is_empty()
                    && (s.tap.time_s - take.time_s).abs() < SAME_STRIKE_S
            });
            let Some(own) = near else { continue };
            let helps = take.flaws.is_empty()
                && take.level_db > own.take.level_db - MOST_SOFTER_DB
                && likeness(&own.take, &take) < MOST_ALIKE;
            if helps {
                found = true;
                own.second = Some(TapTake {
                    microphone: 1,
                    ..take
                });
            }
        }
    };
    // What cannot be read of it is told of the channel that is read.
    while let Ok(Some(chunk)) = player.next_chunk() {
        match_up(listener.push(&chunk.samples, chunk.lost_before));
    }
    match_up(listener.finish().0);
    found
}

/// Largest correlation of the quiet before a tap in two channels over small lags, 0 to 1; 1 where
/// there is no quiet to tell.
fn likeness(a: &TapTake, b: &TapTake) -> f64 {
    let rate = a.clip.rate();
    let (x, y) = (
        a.clip.slice(a.quiet.start, a.quiet.end),
        b.clip.slice(b.quiet.start, b.quiet.end),
    );
    // Both end as long before the strike, which lies within a few samples.
    let lag = rate.samples(LAG_S).max(1);
    let len = x.len().min(y.len());
    if len < 20 * lag {
        return 1.0;
    }
    let (x, y) = (&x[x.len() - len..], &y[y.len() - len..]);
    let inner = &x[lag..len - lag];
    let energy = |v: &[f64]| v.iter().map(|v| v * v).sum::<f64>();
    let own = energy(inner);
    (0..=2 * lag)
        .map(|shift| {
            let other = &y[shift..shift + inner.len()];
            let both: f64 = inner.iter().zip(other).map(|(a, b)| a * b).sum();
            both.abs() / (own * energy(other)).sqrt().max(1e-300)
        })
        .fold(0.0, f64::max)
        .min(1.0)
}

/// The channel to read, counted from 0; a choice among several is told.
pub(super) fn best_channel(
    recording: &Recording,
    warnings: &mut Vec<String>,
) -> Result<u32, AudioError> {
    if recording.channels < 2 {
        return Ok(0);
    }
    let survey = recording.survey()?;
    warnings.push(format!(
        "{}: channel {} of {} was read: {}",
        recording.name,
        survey.best + 1,
        recording.channels,
        survey.why
    ));
    Ok(survey.best)
}

/// Measures and judges a take and adds it.
fn add(struck: &mut Vec<Struck>, settings: &ReadSettings, file: &str, take: TapTake) {
    let with_sound = struck.iter().filter(|s| !s.take.clip.is_empty()).count();
    let mut read = read_take(settings, file, take);
    if with_sound >= MOST_JOINT {
        read.take.clip = Clip::new(Vec::new(), read.take.clip.rate());
    }
    struck.push(read);
}

/// Measures and judges a take.
pub(super) fn read_take(settings: &ReadSettings, file: &str, take: TapTake) -> Struck {
    let room = settings
        .room_time_s
        .map_or(Room::Unknown, |t| Room::Decay(LN_1000 / t));
    let tap = measure_in(&take, room);
    let judgement = match (&settings.baseline, settings.for_baseline) {
        (Some(b), _) => judge_against(&tap, &b.baseline),
        (None, Some(damping)) => judge_for_baseline(&tap, damping),
        (None, None) => judge_alone(&tap),
    };
    Struck {
        file: file.to_owned(),
        take,
        second: None,
        tap,
        judgement,
    }
}

/// Takes off, from `first` on, what is more likely a bang elsewhere than a tap.
fn drop_strays(struck: &mut Vec<Struck>, first: usize, warnings: &mut Vec<String>) {
    // Only levels and shares are compared, so copies without sound will do.
    let bare: Vec<TapTake> = struck[first..].iter().map(|s| bare(&s.take)).collect();
    for k in (0..bare.len()).rev() {
        if is_stray(&bare[k], &bare) {
            let stray = struck.remove(first + k);
            warnings.push(format!(
                "{}: a far softer sound at {:.2} s was not taken for a tap",
                stray.file, stray.tap.time_s
            ));
        }
    }
}

/// A take without its samples.
pub(super) fn bare(take: &TapTake) -> TapTake {
    TapTake {
        clip: Clip::new(Vec::new(), take.clip.rate()),
        time_s: take.time_s,
        strike: take.strike,
        quiet: take.quiet.clone(),
        decay: take.decay.clone(),
        microphone: take.microphone,
        flaws: take.flaws.clone(),
        level_db: take.level_db,
        tonal_share: take.tonal_share,
    }
}

pub(super) fn why_none(listened: &Listened) -> String {
    match &listened.why_none {
        Some(NoTaps::Empty) => "no sound in it at all".to_owned(),
        Some(NoTaps::AllZero) => {
            "every sample is zero: the microphone had no permission, or was muted; allow it and record again".to_owned()
        }
        Some(NoTaps::Silence { level_db, .. }) => format!("no taps, only a background of {level_db:.0} dB: move the microphone closer or check the input"),
        Some(NoTaps::Steady { level_db, .. }) => format!("no taps, only a steady sound of {level_db:.0} dB: a machine, hum or noise"),
        Some(NoTaps::NotTaps { events, .. }) => format!("no taps; {events} sounds were heard that are not taps, such as speech"),
        None => "no taps".to_owned(),
    }
}

/// The comparison of a sounding; none without a baseline or without taps.
fn compared(
    struck: &[Struck],
    together: &Together,
    settings: &ReadSettings,
    warnings: &mut Vec<String>,
) -> Option<Comparison> {
    let in_use = settings.baseline.as_ref()?;
    if struck.is_empty() {
        return None;
    }
    let sounded = Sounded {
        name: String::new(),
        lines: together.modes.iter().map(Line::from).collect(),
        room_misfit: together.room_misfit.unwrap_or(0.0),
        tap_ring_times_s: struck
            .iter()
            .filter_map(|s| Some(s.tap.ring_time_s?.0))
            .collect(),
        temp_c: settings.temp_c,
    };
    if room_widens(&in_use.baseline, sounded.room_misfit) {
        warnings.push(
            "the room's echo widens the limits of the comparison, small changes do not show: bring the microphone closer, soft things behind it".to_owned(),
        );
    }
    match compare(&in_use.baseline, &sounded) {
        Ok(c) => {
            warnings.extend(c.hints.iter().map(|h| format!("a hint, no finding: {h}")));
            Some(c)
        }
        Err(why) => {
            warnings.push(format!("nothing was compared: {why}"));
            None
        }
    }
}

/// The sounding of taps that were measured; without spots in the settings they are those of the
/// turn plan in its order, if their number is right.
pub(super) fn judged(
    files: Vec<FileRecord>,
    mut warnings: Vec<String>,
    struck: &[Struck],
    together: &Together,
    settings: &ReadSettings,
) -> ReadSounding {
    let spots = settings.turn_plan.spots_deg();
    let heard: Vec<Option<Heard>> = (0..struck.len().max(settings.heard.len()))
        .map(|k| settings.heard.get(k).copied())
        .collect();
    let readings: Vec<_> = struck.iter().map(|s| s.judgement.reading).collect();
    let comparison = compared(struck, together, settings, &mut warnings);
    let (mut outcome, mut summary) = match &comparison {
        Some(c) => outcome_compared(&readings, &heard, spots.len(), c),
        None => outcome_alone(&readings, &heard, spots.len()),
    };
    let against = settings.baseline.as_ref().filter(|_| comparison.is_some());
    if let (Some(c), Some(b)) = (&comparison, against) {
        warnings.extend(what_it_cannot_show(c, &b.baseline));
    }
    warnings.extend(microphone_trouble(struck));
    if let Some((most, why)) = &settings.at_best
        && outcome > *most
    {
        outcome = *most;
        summary = why.clone();
    }
    if files.iter().any(|f| f.automatic_gain) && outcome > Outcome::SoundItAgain {
        outcome = Outcome::SoundItAgain;
        summary = "automatic gain is suspected, so that ring times cannot be trusted".to_owned();
    }
    warnings.extend(together.room.and_then(|r| advice(&r)));
    if settings.heard.is_empty() {
        warnings.push("no ear's word stands beside these readings".to_owned());
    } else if settings.heard.len() != struck.len() {
        warnings.push(format!(
            "{} words were given for what the ear heard, and {} taps were found",
            settings.heard.len(),
            struck.len()
        ));
        if outcome > Outcome::SoundItAgain {
            outcome = Outcome::SoundItAgain;
            summary = "the ear's words and the taps do not match in number".to_owned();
        }
    }
    let places = if settings.spots_deg.is_empty() {
        let full = struck.len() == spots.len();
        (0..struck.len()).map(|k| full.then(|| spots[k])).collect()
    } else {
        given_spots(&files, struck, &settings.spots_deg, &mut warnings)
    };
    if struck_twice(&places) && outcome > Outcome::SoundItAgain {
        outcome = Outcome::SoundItAgain;
        summary = "a spot was struck twice, so that another was left out".to_owned();
    }
    let with_sound = struck.iter().zip(&places);
    let solved: Vec<Option<f64>> = with_sound
        .filter(|(s, _)| !s.take.clip.is_empty())
        .map(|(_, place)| *place)
        .collect();
    let body = settings.body.as_ref();
    let found = findings(&together.modes, body, settings.turn_plan, &solved);
    let mut modes: Vec<ModeRecord> = together.modes.iter().map(mode_record).collect();
    found.mark(&mut modes);
    let taps = struck
        .iter()
        .enumerate()
        .map(|(k, s)| tap_record(s, places[k], heard.get(k).copied().flatten()))
        .collect();
    let record = SoundingRecord {
        format: FORMAT.to_owned(),
        version: VERSION,
        by: None,
        ready: Vec::new(),
        files,
        wheel: settings.wheel.clone(),
        outcome: outcome.words().to_owned(),
        summary,
        footing: match against {
            Some(b) => b.baseline.footing,
            None => Footing::PhysicsOnly,
        }
        .words()
        .to_owned(),
        baseline: against.map(|b| b.reference.clone()),
        turn_plan: settings.turn_plan.name().to_owned(),
        temp_c: settings.temp_c,
        room_misfit: together.room_misfit,
        room: together.room,
        taps,
        modes,
        pairs: found.pairs,
        unseen_orders: found.unseen_orders,
        stiffness: found.stiffness,
        hints: found.hints,
        evidence: comparison.as_ref().map_or(Vec::new(), |c| {
            c.evidence.iter().map(evidence_record).collect()
        }),
        warnings,
        made_by: made_by(),
    };
    ReadSounding {
        record,
        outcome,
        beside: comparison.map_or(Vec::new(), |c| c.lines),
    }
}

/// What the number of soundings or wheels behind a footing leaves open, in a sentence.
fn what_it_cannot_show(comparison: &Comparison, baseline: &Baseline) -> Option<String> {
    let least = baseline
        .smallest_shown()
        .ok()
        .filter(|_| comparison.matches)?;
    let n = baseline.soundings;
    let one = n == 1;
    let behind = match (baseline.footing, one) {
        (Footing::OwnBaseline, true) => {
            "one earlier sounding of this wheel stands behind this, so that its scatter is assumed"
                .to_owned()
        }
        (Footing::OwnBaseline, false) => {
            format!("{n} earlier soundings of this wheel stand behind this")
        }
        _ => format!(
            "{n} other wheels stand behind this, none of them this one: what differs between sound wheels hides small changes"
        ),
    };
    Some(format!(
        "{behind}; a single tone that is less than {:.2} % lower does not show",
        100.0 * least
    ))
}

/// A hint where it is rather the microphone than the wheel that disturbs; none otherwise.
fn microphone_trouble(struck: &[Struck]) -> Option<String> {
    let bad = |s: &&Struck| {
        s.tap
            .flaws
            .iter()
            .any(|f| matches!(f, Flaw::Clipped { .. } | Flaw::Gap { .. }))
    };
    let count = struck.iter().filter(bad).count();
    (count >= 2 && 2 * count >= struck.len()).then(|| {
        format!(
            "a hint, no finding: {count} of {} taps are clipped or have gaps: trouble of the microphone or its input rather than of the wheel",
            struck.len()
        )
    })
}

/// A direct sound that stands less above the echo is worth a word, in dB (ours).
const NEAR_ENOUGH_DB: f64 = 20.0;

/// An echo as it stands in a record.
pub(super) fn room_record(echo: Echo) -> RoomRecord {
    RoomRecord {
        direct_over_echo_db: -power_db(echo.share),
        echo_ring_time_s: ring_time_s(echo.decay_per_s),
    }
}

/// What the room does to the figures and what helps; none where the microphone is near enough.
pub(super) fn advice(room: &RoomRecord) -> Option<String> {
    let direct_db = room.direct_over_echo_db;
    if direct_db >= NEAR_ENOUGH_DB {
        return None;
    }
    // The direct sound falls with the distance, the echo hardly does: 6 dB for each half.
    let share = 10f64.powf((direct_db - NEAR_ENOUGH_DB) / 20.0);
    // Errors of decays in the trials of docs/method.md are near the root of the echo's share.
    let error = 100.0 * 10f64.powf(-direct_db / 20.0);
    Some(format!(
        "the room's echo is only {direct_db:.0} dB below the wheel's own sound, so that ring times are sure to about {error:.0} % only: bring the microphone to {:.0} % of its distance, away from walls, with something soft behind it",
        100.0 * share
    ))
}

/// The spot of each tap from those of the recordings: of one that holds a single tap.
fn given_spots(
    files: &[FileRecord],
    struck: &[Struck],
    of_files: &[Option<f64>],
    warnings: &mut Vec<String>,
) -> Vec<Option<f64>> {
    let mut places = vec![None; struck.len()];
    for (file, spot) in files.iter().zip(of_files) {
        let in_file: Vec<usize> = (0..struck.len())
            .filter(|k| struck[*k].file == file.name)
            .collect();
        match in_file.as_slice() {
            [] => {}
            [one] => places[*one] = *spot,
            many if spot.is_some() => warnings.push(format!(
                "{}: its spot is not used, as it holds {} taps",
                file.name,
                many.len()
            )),
            _ => {}
        }
    }
    places
}

fn struck_twice(places: &[Option<f64>]) -> bool {
    let known: Vec<f64> = places.iter().copied().flatten().collect();
    known.iter().enumerate().any(|(k, a)| {
        known[k + 1..].iter().any(|b| {
            let turn = (a - b).rem_euclid(360.0);
            turn.min(360.0 - turn) < SAME_SPOT_DEG
        })
    })
}

/// This program and its method.
pub fn made_by() -> MadeBy {
    MadeBy {
        program: "fourtap".to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        method: METHOD.to_owned(),
    }
}

fn tap_record(s: &Struck, spot_deg: Option<f64>, heard: Option<Heard>) -> TapRecord {
    TapRecord {
        time_s: s.tap.time_s,
        file: s.file.clone(),
        spot_deg,
        heard: heard.map(|h| h.word().to_owned()),
        reading: s.judgement.reading.words().to_owned(),
        reasons: s.judgement.reasons.clone(),
        ring_time_s: s.tap.ring_time_s.map(|t| t.0),
        ring_time_std_s: s.tap.ring_time_s.map(|t| t.1),
        ring_fraction: s.tap.ring_fraction,
        over_noise_db: s.tap.over_noise_db,
        peak_db: s.tap.peak_db,
        flaws: s.tap.flaws.iter().map(flaw_record).collect(),
        modes: s.tap.modes.iter().map(mode_record).collect(),
        bands: s.tap.bands.iter().map(band_record).collect(),
        evidence: s.judgement.evidence.iter().map(evidence_record).collect(),
    }
}

/// A flaw as it stands in records.
pub(super) fn flaw_record(flaw: &Flaw) -> FlawRecord {
    let figures = flaw.figures().into_iter();
    FlawRecord {
        kind: flaw.kind().to_owned(),
        figures: figures.map(|(n, v)| (n.to_owned(), v)).collect(),
    }
}

pub(super) fn band_record(b: &crate::ring::tap::BandDecay) -> BandRecord {
    BandRecord {
        from_hz: b.band_hz.0,
        to_hz: b.band_hz.1,
        ring_time_s: b.ring_time_s.ok(),
        why_none: b.ring_time_s.err().map(|why| match why {
            NoDecay::Range {
                range_db,
                needed_db,
            } => format!("{range_db:.0} dB stand over the noise, {needed_db:.0} dB are needed"),
            NoDecay::FilterBound { .. } => "as short as the filter's own decay".to_owned(),
            NoDecay::Neighbour { freq_hz } => {
                format!("the tone at {freq_hz:.0} Hz of another band shows through the filter")
            }
            NoDecay::Beating { rms_db } => {
                format!("bent by {rms_db:.1} dB: tones beat or die at different rates")
            }
        }),
        fitted_db: b.fitted_db,
    }
}

fn mode_record(m: &Mode) -> ModeRecord {
    ModeRecord {
        freq_hz: m.freq_hz,
        freq_std_hz: m.freq_std_hz,
        ring_time_s: m.ring_time_s(),
        ring_time_std_s: m.ring_time_std_s(),
        level_db: m.level_db(),
        level_std_db: 20.0 / std::f64::consts::LN_10 * m.phase_std_rad,
        phase_rad: m.phase_rad,
        q: m.q(),
        energy_db: m.energy_db,
        fitted_s: m.fitted_s,
        label: None,
        pair: None,
        resolution_hz: Some(m.resolution_hz()),
    }
}

pub(super) fn evidence_record(e: &crate::reading::Evidence) -> EvidenceRecord {
    EvidenceRecord {
        figure: e.figure.to_owned(),
        value: e.value,
        unit: e.unit.to_owned(),
        limit: e.limit,
        limit_kind: if e.limit_is_upper {
            "at most"
        } else {
            "at least"
        }
        .to_owned(),
        limit_from: e.limit_from.clone(),
        against: e.against.clone(),
        speaks_for: e.speaks_for.map(|r| r.words().to_owned()),
    }
}
