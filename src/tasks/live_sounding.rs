//! A sounding at the microphone: sound and the ear's words go in, what happens comes out. No
//! terminal, device, file or clock here, so that every face runs the same, and tests do too.
//!
//! The ear comes first: the reading of a tap leaves this module only after the ear's word for it.
//! A flawed tap is asked for again. What was struck again is not forgotten: a thud, heard or
//! read, stays among the taps and counts.

use crate::audio::Chunk;
use crate::reading::turn_plan::TurnPlan;
use crate::reading::{Heard, Reading};
use crate::record::sounding::FileRecord;
use crate::report::text::{change_for, flaw_words};
use crate::ring::listen::{Listened, Listener, is_stray};
use crate::ring::take::TapTake;
use crate::tasks::gain_watch::GainWatch;
use crate::tasks::read_soundings::{
    ReadSettings, ReadSounding, Struck, advice, bare, flaw_record, judged, read_take, room_record,
    solved_together, why_none,
};
use crate::units::SampleRate;

/// A spot that is flawed so many times is taken as it is, and reads as unclear.
const MOST_TRIES: usize = 3;
/// Flaws that lie in the strike or the capture, which another tap may not have.
const ANOTHER_TAP_HELPS: [&str; 8] = [
    "bounce", "clipped", "soft", "overlap", "gap", "cut off", "no quiet", "short",
];

/// When the ear is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum EarAsked {
    /// After each tap.
    #[default]
    EachTap,
    /// After the last one.
    Afterwards,
}

/// What happens in a sounding.
#[derive(Debug, Clone, PartialEq)]
pub enum LiveEvent {
    /// A tap was heard.
    Heard {
        /// Its spot in the turn plan, counted from 0.
        spot: usize,
    },
    /// The reading of a tap, to be shown now.
    Read {
        /// Its spot in the turn plan, counted from 0.
        spot: usize,
        /// What the ear said.
        heard: Option<Heard>,
        /// The tool's reading.
        reading: Reading,
        /// The first reason for it.
        reason: String,
        /// Decay time T60 of the tap in seconds.
        ring_time_s: Option<f64>,
    },
    /// A spot is to be struck again.
    Again {
        /// The spot in the turn plan, counted from 0.
        spot: usize,
        /// Why, and what to change.
        why: String,
    },
    /// The input changes its level by itself (told once a part), or the room's echo limits what can be
    /// heard (told once).
    InputDoubt {
        /// What shows it, and what to do.
        why: String,
    },
    /// A sound was not taken for a tap of this sounding.
    PassedOver {
        /// Why.
        why: String,
    },
}

/// A tap of the sounding.
#[derive(Debug)]
struct LiveTap {
    struck: Struck,
    spot: usize,
    /// Part of the sounding it came with.
    part: usize,
    heard: Option<Heard>,
    /// True once the spot is to be struck again; such a tap counts only as a thud.
    is_replaced: bool,
    is_shown: bool,
}

impl LiveTap {
    fn is_thud(&self) -> bool {
        self.heard == Some(Heard::Thud) || self.struck.judgement.reading == Reading::DullThud
    }
}

/// The stretch from one device or file.
#[derive(Debug)]
struct Part {
    name: String,
    listener: Option<Listener>,
    /// None once it was told what it found.
    gain: Option<GainWatch>,
    listened: Option<Listened>,
}

/// A sounding that is being taken.
#[derive(Debug)]
pub struct LiveSounding {
    settings: ReadSettings,
    ear: EarAsked,
    spots_deg: Vec<f64>,
    parts: Vec<Part>,
    taps: Vec<LiveTap>,
    /// Tries that were flawed, by spot.
    tries: Vec<usize>,
    notes: Vec<String>,
    /// True once it was told what the room does.
    room_told: bool,
    is_over: bool,
}

impl LiveSounding {
    /// A sounding without a tap; `settings.heard` and `settings.spots_deg` are not used.
    pub fn new(settings: ReadSettings, ear: EarAsked) -> Self {
        let spots_deg = settings.turn_plan.spots_deg().to_vec();
        Self {
            tries: vec![0; spots_deg.len()],
            room_told: false,
            notes: settings.notes.clone(),
            settings,
            ear,
            spots_deg,
            parts: Vec::new(),
            taps: Vec::new(),
            is_over: false,
        }
    }

    /// The turn plan.
    pub fn turn_plan(&self) -> TurnPlan {
        self.settings.turn_plan
    }

    /// Temperature of the wheel in degrees Celsius, where it is known.
    pub fn temp_c(&self) -> Option<f64> {
        self.settings.temp_c
    }

    /// When the ear is asked.
    pub fn ear_asked(&self) -> EarAsked {
        self.ear
    }

    /// Sound comes from here on from another device or file, with this name in the record.
    /// What was open of the one before is closed.
    pub fn begin_part(&mut self, name: &str, rate: SampleRate) -> Vec<LiveEvent> {
        let events = self.end_part();
        self.parts.push(Part {
            name: name.to_owned(),
            listener: Some(Listener::new(rate)),
            gain: Some(GainWatch::new(rate)),
            listened: None,
        });
        events
    }

    /// Listens to more sound.
    pub fn hear(&mut self, chunk: &Chunk) -> Vec<LiveEvent> {
        let listener = self.parts.last_mut().and_then(|p| p.listener.as_mut());
        let takes = listener.map(|l| l.push(&chunk.samples, chunk.lost_before));
        let mut events = self.arrive(takes.unwrap_or_default());
        events.extend(self.gain_doubt(chunk));
        events
    }

    fn gain_doubt(&mut self, chunk: &Chunk) -> Option<LiveEvent> {
        let part = self.parts.last_mut()?;
        let found = part.gain.as_mut()?.hear(&chunk.samples)?;
        part.gain = None;
        let why = found.sentence();
        self.note(why.clone());
        Some(LiveEvent::InputDoubt { why })
    }

    /// No more sound comes from this device or file: taps that were still open are closed.
    pub fn end_part(&mut self) -> Vec<LiveEvent> {
        let Some(part) = self.parts.last_mut() else {
            return Vec::new();
        };
        let Some(listener) = part.listener.take() else {
            return Vec::new();
        };
        let (takes, listened) = listener.finish();
        part.listened = Some(listened);
        self.arrive(takes)
    }

    /// No more taps come: what the ear has not said yet is asked now.
    pub fn end(&mut self) -> Vec<LiveEvent> {
        let events = self.end_part();
        self.is_over = true;
        events
    }

    /// Adds a sentence to the warnings of the record.
    pub fn note(&mut self, sentence: String) {
        self.notes.push(sentence);
    }

    /// True when a tap is there that counts.
    pub fn has_taps(&self) -> bool {
        self.taps.iter().any(|t| !t.is_replaced || t.is_thud())
    }

    /// The spot to strike next, counted from 0; none when all are struck.
    pub fn next_spot(&self) -> Option<usize> {
        (0..self.spots_deg.len()).find(|s| self.at_spot(*s).is_none())
    }

    /// Angle of a spot from the wheel's mark in degrees, clockwise.
    pub fn spot_deg(&self, spot: usize) -> f64 {
        self.spots_deg.get(spot).copied().unwrap_or(f64::NAN)
    }

    /// The spot whose tap waits for the ear's word.
    pub fn asking(&self) -> Option<usize> {
        if self.ear == EarAsked::Afterwards && !self.is_over && self.next_spot().is_some() {
            return None;
        }
        let waiting = |t: &&LiveTap| !t.is_replaced && t.heard.is_none();
        self.taps.iter().find(waiting).map(|t| t.spot)
    }

    /// What the ear said of the tap at a spot, and its reading if it may be shown.
    pub fn at(&self, spot: usize) -> Option<(Option<Heard>, Option<Reading>)> {
        let tap = &self.taps[self.at_spot(spot)?];
        let reading = tap.is_shown.then_some(tap.struck.judgement.reading);
        Some((tap.heard, reading))
    }

    /// The first reason for the reading of the tap at a spot and its decay time T60 in seconds; none
    /// before the reading may be shown.
    pub fn why_at(&self, spot: usize) -> Option<(&str, Option<f64>)> {
        let tap = self.taps.get(self.at_spot(spot)?).filter(|t| t.is_shown)?;
        let reason = tap.struck.judgement.reasons.first();
        let ring_time_s = tap.struck.tap.ring_time_s.map(|t| t.0);
        Some((reason.map_or("", String::as_str), ring_time_s))
    }

    /// True when every spot is struck and the ear has spoken of each tap.
    pub fn is_complete(&self) -> bool {
        self.next_spot().is_none() && self.asking().is_none()
    }

    /// The ear's word for the tap that [`Self::asking`] names; nothing when none waits.
    pub fn answer(&mut self, heard: Heard) -> Vec<LiveEvent> {
        let Some(k) = self.asking().and_then(|s| self.at_spot(s)) else {
            return Vec::new();
        };
        self.taps[k].heard = Some(heard);
        if self.ear == EarAsked::Afterwards {
            if self.asking().is_some() {
                return Vec::new();
            }
            return (0..self.taps.len()).filter_map(|k| self.show(k)).collect();
        }
        if heard != Heard::Thud
            && !self.is_over
            && let Some(again) = self.flawed(k)
        {
            return vec![again];
        }
        let mut events: Vec<LiveEvent> = self.show(k).into_iter().collect();
        events.extend(self.room_doubt(k));
        events
    }

    /// What the room does to the figures and what helps, from the first tap that shows it on, while it
    /// can be helped; told once. The record of the whole sounding says it anew.
    fn room_doubt(&mut self, k: usize) -> Option<LiveEvent> {
        if self.room_told {
            return None;
        }
        let why = advice(&room_record(self.taps[k].struck.tap.echo?))?;
        self.room_told = true;
        Some(LiveEvent::InputDoubt { why })
    }

    /// Strikes a spot again. A tap that was heard or reads as a thud stays and counts.
    pub fn redo(&mut self, spot: usize) -> Vec<LiveEvent> {
        let Some(k) = self.at_spot(spot) else {
            return Vec::new();
        };
        self.taps[k].is_replaced = true;
        let time_s = self.taps[k].struck.tap.time_s;
        let word = self.taps[k].heard.map_or("not asked", Heard::word);
        self.note(format!(
            "the tap at {time_s:.2} s was struck again by wish; the ear's word for it: {word}"
        ));
        vec![LiveEvent::Again {
            spot,
            why: "as you wish; a thud that was heard or measured there stays and counts".to_owned(),
        }]
    }

    /// The last tap was none of this wheel: a knock elsewhere. Only before the ear's word.
    pub fn no_tap(&mut self) -> Vec<LiveEvent> {
        let waiting = |t: &LiveTap| !t.is_replaced && t.heard.is_none();
        let Some(k) = self.taps.iter().rposition(waiting) else {
            return vec![LiveEvent::PassedOver {
                why: "no tap waits for the ear's word, so none is taken away".to_owned(),
            }];
        };
        let tap = self.taps.remove(k);
        let time_s = tap.struck.tap.time_s;
        self.note(format!(
            "the sound at {time_s:.2} s was no tap, by the word of the person, before its reading was shown"
        ));
        vec![LiveEvent::Again {
            spot: tap.spot,
            why: "that sound is not counted".to_owned(),
        }]
    }

    /// The last spot that was struck.
    pub fn last_spot(&self) -> Option<usize> {
        let last = self.taps.iter().rev().find(|t| !t.is_replaced);
        last.map(|t| t.spot)
    }

    /// The names of the parts, in order.
    pub fn parts(&self) -> impl Iterator<Item = &str> {
        self.parts.iter().map(|p| p.name.as_str())
    }

    /// The sounding with all that is there. `files` describes the parts in their order; see
    /// [`Self::parts`].
    pub fn finish(mut self, mut files: Vec<FileRecord>) -> ReadSounding {
        let _ = self.end_part();
        for file in &mut files {
            let part = self.parts.iter().find(|p| p.name == file.name);
            file.automatic_gain = part.is_some_and(|p| p.gain.is_none());
        }
        let mut warnings = std::mem::take(&mut self.notes);
        if self.taps.is_empty() {
            let heard = self.parts.iter().filter_map(|p| p.listened.as_ref());
            warnings.extend(heard.map(why_none));
        }
        let mut taps: Vec<LiveTap> = self.taps;
        taps.retain(|t| !t.is_replaced || t.is_thud());
        // As the judgement wants them: those with the ear's word first, in the turn plan's order.
        taps.sort_by_key(|t| (t.heard.is_none(), t.is_replaced, t.spot));
        let settings = ReadSettings {
            heard: taps.iter().filter_map(|t| t.heard).collect(),
            spots_deg: Vec::new(),
            ..self.settings
        };
        let order: Vec<(usize, usize)> = taps.iter().map(|t| (t.part, t.spot)).collect();
        let struck: Vec<Struck> = taps.into_iter().map(|t| t.struck).collect();
        let (together, _) = solved_together(&struck);
        let mut read = judged(files, warnings, &struck, &together, &settings);
        let mut records: Vec<_> = order.into_iter().zip(read.record.taps).collect();
        for ((_, spot), tap) in &mut records {
            tap.spot_deg = self.spots_deg.get(*spot).copied();
        }
        records.sort_by(|a, b| {
            let by_part = a.0.0.cmp(&b.0.0);
            by_part.then(a.1.time_s.total_cmp(&b.1.time_s))
        });
        read.record.taps = records.into_iter().map(|(_, tap)| tap).collect();
        read
    }

    fn at_spot(&self, spot: usize) -> Option<usize> {
        self.taps
            .iter()
            .position(|t| t.spot == spot && !t.is_replaced)
    }

    fn arrive(&mut self, takes: Vec<TapTake>) -> Vec<LiveEvent> {
        let mut events = Vec::new();
        for take in takes {
            self.arrive_one(take, &mut events);
        }
        events
    }

    fn arrive_one(&mut self, take: TapTake, events: &mut Vec<LiveEvent>) {
        let time_s = take.time_s;
        let before: Vec<TapTake> = self.taps.iter().map(|t| bare(&t.struck.take)).collect();
        let passed = if is_stray(&take, &before) {
            Some(format!(
                "a far softer sound at {time_s:.2} s was not taken for a tap"
            ))
        } else if self.is_over || self.next_spot().is_none() {
            Some(format!(
                "a tap at {time_s:.2} s came after all spots were struck and was passed over"
            ))
        } else {
            None
        };
        if let Some(why) = passed {
            self.note(why.clone());
            events.push(LiveEvent::PassedOver { why });
            return;
        }
        let (Some(spot), Some(part)) = (self.next_spot(), self.parts.len().checked_sub(1)) else {
            return;
        };
        let struck = read_take(&self.settings, &self.parts[part].name, take);
        self.taps.push(LiveTap {
            struck,
            spot,
            part,
            heard: None,
            is_replaced: false,
            is_shown: false,
        });
        events.push(LiveEvent::Heard { spot });
        // Asked afterwards, the ear has nothing to say that a flaw could spoil.
        if self.ear == EarAsked::Afterwards {
            events.extend(self.flawed(self.taps.len() - 1));
        }
    }

    /// Asks for a spot again when another tap may read better.
    fn flawed(&mut self, k: usize) -> Option<LiveEvent> {
        let tap = &self.taps[k];
        let spot = tap.spot;
        if tap.struck.judgement.reading != Reading::Unclear || self.tries[spot] + 1 >= MOST_TRIES {
            return None;
        }
        let flaws = tap.struck.tap.flaws.iter().map(flaw_record);
        let flaw = flaws
            .into_iter()
            .find(|f| ANOTHER_TAP_HELPS.contains(&f.kind.as_str()))?;
        self.tries[spot] += 1;
        let said = flaw_words(&flaw);
        let time_s = tap.struck.tap.time_s;
        self.taps[k].is_replaced = true;
        self.note(format!(
            "the tap at {time_s:.2} s was asked for again: {said}"
        ));
        let change = change_for(&flaw.kind).map_or(String::new(), |c| format!("; {c}"));
        Some(LiveEvent::Again {
            spot,
            why: format!("{said}{change}"),
        })
    }

    fn show(&mut self, k: usize) -> Option<LiveEvent> {
        let tap = &mut self.taps[k];
        if tap.is_replaced || tap.is_shown {
            return None;
        }
        tap.is_shown = true;
        Some(LiveEvent::Read {
            spot: tap.spot,
            heard: tap.heard,
            reading: tap.struck.judgement.reading,
            reason: tap
                .struck
                .judgement
                .reasons
                .first()
                .cloned()
                .unwrap_or_default(),
            ring_time_s: tap.struck.tap.ring_time_s.map(|t| t.0),
        })
    }
}
