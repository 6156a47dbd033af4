//! Which changes of a wheel's state are allowed, and whether a drop has been answered.
//!
//! A drop stays a question through all later states until a sounding taken after it rings clear,
//! or until somebody, named and with a reason, put the wheel back.

use crate::reading::Outcome;
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::{WheelRecord, WheelState};
use crate::record::wheel_state::WheelStateRecord;
use crate::store::records::Kept;
use crate::store::{Store, StoreError};
use crate::units::time_words;

/// A change of state that is asked for.
#[derive(Debug, Clone, Copy)]
pub struct StateAsked<'a> {
    /// The state to go into.
    pub to: WheelState,
    /// The grinder, for a wheel that is mounted.
    pub grinder: Option<&'a str>,
    /// Who says so.
    pub by: Option<&'a str>,
    /// Why.
    pub note: Option<&'a str>,
    /// When, RFC 3339.
    pub at: &'a str,
    /// What speaks against mounting it, to be kept with the change.
    pub against: &'a [String],
}

/// Why a state cannot be changed.
#[derive(Debug, thiserror::Error)]
pub enum StateError {
    /// It is in that state already.
    #[error("the wheel \"{id}\" is {state} already")]
    Already {
        /// Id as it stands in the store.
        id: String,
        /// The state in words.
        state: &'static str,
    },
    /// There is no way from the one state to the other.
    #[error("the wheel \"{id}\" is {from} and cannot become {to}: {remedy}")]
    NoWay {
        /// Id as it stands in the store.
        id: String,
        /// The state it is in.
        from: &'static str,
        /// The state asked for.
        to: &'static str,
        /// What to do first.
        remedy: String,
    },
    /// A change that somebody must answer for.
    #[error(
        "the wheel \"{id}\" is {from}: it becomes {to} only with a reason and a name (--note TEXT --by NAME)"
    )]
    Unsaid {
        /// Id as it stands in the store.
        id: String,
        /// The state it is in.
        from: &'static str,
        /// The state asked for.
        to: &'static str,
    },
    /// A drop that no sounding has answered.
    #[error(
        "the wheel \"{id}\" was dropped on {at} and no sounding taken since rings clear: inspect it and take one with fourtap sound --wheel {id}; {remedy}"
    )]
    Unanswered {
        /// Id as it stands in the store.
        id: String,
        /// When it was dropped, as people read it.
        at: String,
        /// What else there is.
        remedy: &'static str,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The last time a wheel was dropped.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drop {
    /// When, RFC 3339.
    pub at: String,
    /// What answers it; none while it stands open.
    pub answer: Option<DropAnswer>,
}

/// What answers a drop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DropAnswer {
    /// A sounding taken after it rings clear.
    Sounded {
        /// Number of the sounding.
        number: u64,
        /// When it was kept.
        at: String,
    },
    /// Somebody put it back without one.
    PutBack {
        /// When.
        at: String,
        /// Who.
        by: String,
        /// Why.
        note: String,
    },
}

impl Drop {
    /// The drop and its answer in a sentence.
    pub fn words(&self) -> String {
        let at = &time_words(&self.at);
        match &self.answer {
            None => format!(
                "it was dropped on {at}: inspect it and sound it anew before any use; no sounding taken since rings clear"
            ),
            Some(DropAnswer::Sounded { number, at: then }) => {
                let then = time_words(then);
                format!("dropped on {at}, sounded again on {then} (sounding {number}): rings clear")
            }
            Some(DropAnswer::PutBack { at: then, by, note }) => {
                let then = time_words(then);
                format!("dropped on {at}, put back on {then} by {by}: {note}")
            }
        }
    }
}

/// A sounding that reads dead and that nobody has answered for: no later ring takes it back by
/// itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenDead {
    /// Number of the sounding.
    pub number: u64,
    /// When it was kept, RFC 3339.
    pub at: String,
}

impl OpenDead {
    /// It and what to do in a sentence.
    pub fn words(&self) -> String {
        format!(
            "sounding {} of {} reads \"sounds dead\", and no later ring takes that back by itself: a qualified person decides (set it aside, then back in store with a reason and a name)",
            self.number,
            time_words(&self.at)
        )
    }
}

/// What of its past stands against a wheel.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Standing {
    /// The last time it was dropped, if ever.
    pub drop: Option<Drop>,
    /// The newest sounding that reads dead, unless somebody put the wheel back since.
    pub dead: Option<OpenDead>,
}

/// What of its past stands against a wheel of the store.
///
/// # Errors
/// [`StoreError`] of the database.
pub fn standing(store: &Store, wheel: &WheelRecord) -> Result<Standing, StoreError> {
    let soundings = store.all_kept::<SoundingRecord>(Some(&wheel.id))?;
    let is_dead = |s: &&Kept<SoundingRecord>| s.record.outcome == Outcome::SoundsDead.words();
    let dead = soundings.iter().rfind(is_dead).map(|s| OpenDead {
        number: s.number,
        at: s.at.clone(),
    });
    let events = store.wheel_events(&wheel.id)?;
    let is_put_back = |number: u64| {
        events.iter().any(|e| {
            e.record.is_some_and(|r| r > number)
                && e.state == WheelState::InStore.words()
                && e.by.is_some()
                && e.note.is_some()
        })
    };
    Ok(Standing {
        drop: last_drop(store, wheel)?,
        dead: dead.filter(|d| !is_put_back(d.number)),
    })
}

/// The last time a wheel was dropped and what answers it; none when it never was.
///
/// Only a sounding taken live counts, begun and kept after the drop, of sound that was not kept
/// before; the newest of them must ring clear and none be dead.
///
/// # Errors
/// [`StoreError`] of the database.
pub fn last_drop(store: &Store, wheel: &WheelRecord) -> Result<Option<Drop>, StoreError> {
    let events = store.wheel_events(&wheel.id)?;
    // An edit of a dropped wheel is listed under its state as well, without a record.
    let is_drop = |e: &&crate::store::wheels::WheelEvent| {
        let is_edit = e.record.is_none() && e.note.as_deref().is_some_and(is_edit_note);
        e.state == WheelState::Dropped.words() && !is_edit
    };
    let Some(dropped) = events.iter().rfind(is_drop) else {
        return Ok(None);
    };
    let put_back = events.iter().rev().find(|e| {
        e.record > dropped.record
            && e.record.is_some()
            && e.state == WheelState::InStore.words()
            && e.by.is_some()
            && e.note.is_some()
    });
    let soundings = store.all_kept::<SoundingRecord>(Some(&wheel.id))?;
    // Drops of older stores have no number in the chain: the clock must do.
    let (before, after): (Vec<_>, Vec<_>) = soundings.iter().partition(|s| match dropped.record {
        Some(number) => s.number < number,
        None => s.at <= dropped.at,
    });
    let hashes = |s: &Kept<SoundingRecord>| -> Vec<String> {
        s.record.files.iter().map(|f| f.blake3.clone()).collect()
    };
    let old: Vec<String> = before.iter().flat_map(|s| hashes(s)).collect();
    let new: Vec<&&Kept<SoundingRecord>> = after
        .iter()
        .filter(|s| is_taken_after(&s.record, &dropped.at))
        .filter(|s| hashes(s).iter().all(|h| !old.contains(h)))
        .collect();
    let is = |s: &Kept<SoundingRecord>, outcome: Outcome| s.record.outcome == outcome.words();
    let is_dead = after.iter().any(|s| is(s, Outcome::SoundsDead));
    let clear = new
        .last()
        .filter(|s| !is_dead && is(s, Outcome::RingsClear));
    let answer = match (clear, put_back) {
        (Some(s), _) => Some(DropAnswer::Sounded {
            number: s.number,
            at: s.at.clone(),
        }),
        (None, Some(e)) => Some(DropAnswer::PutBack {
            at: e.at.clone(),
            by: e.by.clone().unwrap_or_default(),
            note: e.note.clone().unwrap_or_default(),
        }),
        (None, None) => None,
    };
    Ok(Some(Drop {
        at: dropped.at.clone(),
        answer,
    }))
}

/// True for what an edit writes into the history.
fn is_edit_note(note: &str) -> bool {
    note.starts_with("edited: ")
}

/// True for a sounding taken live (before one, questions are asked) whose sound began at `at` or
/// later, as far as the names of its takes tell.
fn is_taken_after(record: &SoundingRecord, at: &str) -> bool {
    let digits = |text: &str| -> String { text.chars().filter(char::is_ascii_digit).collect() };
    let at = digits(at);
    let begun = |name: &str| -> Option<String> {
        let stamp = name.rsplit('/').next()?.strip_prefix("sounding-")?;
        let stamp = digits(stamp.split('-').next()?);
        (stamp.len() == 14).then_some(stamp)
    };
    !record.ready.is_empty()
        && record
            .files
            .iter()
            .filter_map(|f| begun(&f.name))
            .all(|stamp| stamp.as_str() >= at.get(..14).unwrap_or(&at))
}

/// Puts a wheel into another state, if that is allowed, and keeps a record of it.
///
/// # Errors
/// [`StateError`] with what to do first.
pub fn change_state(
    store: &mut Store,
    id: &str,
    asked: &StateAsked<'_>,
) -> Result<WheelRecord, StateError> {
    let missing = || StoreError::NoWheel { id: id.to_owned() };
    let wheel = store.wheel(id)?.ok_or_else(missing)?;
    allowed(store, &wheel, asked)?;
    let mut change = WheelStateRecord::new(&wheel.id, wheel.state, asked.to, asked.at);
    if let Some(grinder) = asked.grinder {
        change.grinder = Some(store.grinder(grinder)?.id);
    }
    change.by = asked.by.map(str::to_owned);
    change.note = asked.note.map(str::to_owned);
    change.against = asked.against.to_vec();
    Ok(store.change_wheel_state(&change)?)
}

fn allowed(store: &Store, wheel: &WheelRecord, asked: &StateAsked<'_>) -> Result<(), StateError> {
    use WheelState::{Destroyed, Dropped, InStore, Mounted, Retired, SetAside, TaggedOut};
    let (from, to) = (wheel.state, asked.to);
    let no_way = |remedy: String| {
        Err(StateError::NoWay {
            id: wheel.id.clone(),
            from: from.words(),
            to: to.words(),
            remedy,
        })
    };
    // A wheel falls more than once, and goes from one grinder to another.
    if from == to && !matches!(to, Dropped | Mounted) {
        return Err(StateError::Already {
            id: wheel.id.clone(),
            state: to.words(),
        });
    }
    let is_said = said(asked.by) && said(asked.note);
    match (from, to) {
        (TaggedOut | Retired | Destroyed, InStore | Mounted) => {
            return no_way(format!(
                "if that was wrong, put it aside first with fourtap wheel set-aside {} --note TEXT --by NAME",
                wheel.id
            ));
        }
        (SetAside, Mounted) => {
            return no_way(format!(
                "put it back first with fourtap wheel in-store {} --note TEXT --by NAME",
                wheel.id
            ));
        }
        (TaggedOut | Retired | Destroyed, SetAside | Dropped) | (SetAside, InStore) if !is_said => {
            return Err(StateError::Unsaid {
                id: wheel.id.clone(),
                from: from.words(),
                to: to.words(),
            });
        }
        (Destroyed, TaggedOut | Retired) => {
            return no_way("it is gone for good; nothing is left to mark".to_owned());
        }
        _ => {}
    }
    if !matches!(to, InStore | Mounted) {
        return Ok(());
    }
    let open = last_drop(store, wheel)?.filter(|d| d.answer.is_none());
    match open {
        None => Ok(()),
        // Where nothing can be compared no sounding rings clear: then somebody answers for it.
        Some(_) if to == InStore && is_said => Ok(()),
        Some(drop) => Err(StateError::Unanswered {
            id: wheel.id.clone(),
            at: time_words(&drop.at),
            remedy: if to == InStore {
                "or a qualified person answers for it with --note TEXT --by NAME"
            } else {
                "until then it is not to be mounted"
            },
        }),
    }
}

fn said(words: Option<&str>) -> bool {
    words.is_some_and(|w| !w.trim().is_empty())
}

/// What the state of a wheel says against using it, in a sentence; none when nothing does. The
/// drop is told apart.
pub fn against_use(wheel: &WheelRecord) -> Option<&'static str> {
    match wheel.state {
        WheelState::InStore | WheelState::Mounted | WheelState::Dropped => None,
        WheelState::SetAside => Some("it is set aside"),
        WheelState::TaggedOut => Some("it is tagged out"),
        WheelState::Retired => Some("it is retired"),
        WheelState::Destroyed => Some("it is destroyed"),
    }
}
