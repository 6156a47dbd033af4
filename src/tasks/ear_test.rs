//! The blind ear test: made-up taps in random order at equal loudness; a person says ring, thud
//! or unsure; a staircase chooses the next damage. Plays nothing itself and knows no terminal:
//! [`EarTest::sound`] gives what is to be played, [`EarTest::answer`] takes the word.

use std::f64::consts::PI;

use rand::seq::SliceRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::reading::Heard;
use crate::reading::rule::judge_alone;
use crate::reading::staircase::Staircase;
use crate::reading::turn_plan::TurnPlan;
use crate::record::ear_test::{EarTestRecord, EarTrial, FORMAT, VERSION};
use crate::ring::measure::measure;
use crate::ring::synth::{CrackFrom, Damage, Imperfection, Scene, SceneError, Strike};
use crate::signal::a_weighting::loudest_fast;
use crate::signal::clip::Clip;
use crate::store::records::Kept;
use crate::store::{Store, StoreError};
use crate::tasks::make_demo::harrow_lane::hl1;
use crate::tasks::make_demo::wav_bytes;
use crate::tasks::read_soundings::made_by;
use crate::tasks::specimens::one_tap;
use crate::tasks::teach_demo::only_tap;
use crate::units::SampleRate;

/// Cracks of the staircase as shares of the web, from the easiest on.
pub const LADDER: [f64; 12] = [
    1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.22, 0.15, 0.1, 0.07,
];
/// Sounds in a round that can tell a threshold.
pub const USUAL_TRIALS: u32 = 40;
/// Most sounds in a round.
pub const MOST_TRIALS: u32 = 400;
/// Largest A-weighted level with the time weighting "fast" of every sound, in dB re full scale:
/// low enough that no thud is cut off.
const LOUDNESS_DB: f64 = -34.0;
/// Largest sample, whatever the loudness.
const PEAK: f64 = 0.95;
/// How the damage is chosen.
const PROCEDURE: &str = "half of the sounds are of damaged wheels, in random order; the crack of the next damaged wheel by a transformed staircase, two down and one up (Levitt 1971), which settles at 70.7 % hits";

/// One round of one trainee.
#[derive(Debug)]
pub struct EarTest {
    trainee: String,
    round: u32,
    seed: u64,
    rate: SampleRate,
    damaged: Vec<bool>,
    stairs: Staircase,
    trials: Vec<EarTrial>,
    current: Option<Current>,
}

/// The sound that waits for an answer.
#[derive(Debug)]
struct Current {
    clip: Clip,
    crack: f64,
    tool: String,
    plays: u32,
}

/// Why a test cannot go on.
#[derive(Debug, thiserror::Error)]
pub enum EarError {
    /// No name.
    #[error("a trainee without a name: give --trainee NAME")]
    NoName,
    /// Too few or too many sounds.
    #[error("a round of {0} sounds: give --trials from 4 to {MOST_TRIALS}")]
    Trials(u32),
    /// The sound could not be computed: a fault of the program.
    #[error(transparent)]
    Scene(#[from] SceneError),
    /// The sound could not be put into WAV form: a fault of the program.
    #[error(transparent)]
    Wav(#[from] hound::Error),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl EarTest {
    /// A new round; `round` counts from 1. The same seed gives the same order and, for the same
    /// answers, the same sounds.
    ///
    /// # Errors
    /// [`EarError::NoName`] and [`EarError::Trials`].
    pub fn new(
        trainee: &str,
        round: u32,
        seed: u64,
        trials: u32,
        rate: SampleRate,
    ) -> Result<Self, EarError> {
        let trainee = trainee.trim();
        if trainee.is_empty() {
            return Err(EarError::NoName);
        }
        if !(4..=MOST_TRIALS).contains(&trials) {
            return Err(EarError::Trials(trials));
        }
        let mut damaged: Vec<bool> = (0..trials).map(|k| k % 2 == 0).collect();
        damaged.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
        Ok(Self {
            trainee: trainee.to_owned(),
            round,
            seed,
            rate,
            damaged,
            stairs: Staircase::new(LADDER.len(), 0),
            trials: Vec::new(),
            current: None,
        })
    }

    /// Who listens.
    pub fn trainee(&self) -> &str {
        &self.trainee
    }

    /// Number of the sound that is asked about, counted from 1, and of how many.
    pub fn place(&self) -> (usize, usize) {
        let all = self.damaged.len();
        ((self.trials.len() + 1).min(all), all)
    }

    /// True when every sound was answered.
    pub fn is_over(&self) -> bool {
        self.trials.len() >= self.damaged.len()
    }

    /// The sound that is asked about, made when it is first wanted; none at the end. It is up to
    /// the caller to play it, and to say so by [`EarTest::played`].
    ///
    /// # Errors
    /// [`EarError::Scene`].
    pub fn sound(&mut self) -> Result<Option<&Clip>, EarError> {
        if self.is_over() {
            return Ok(None);
        }
        if self.current.is_none() {
            let number = self.trials.len();
            let damaged = self.damaged[number];
            let crack = if damaged {
                LADDER[self.stairs.level()]
            } else {
                0.0
            };
            let clip = equal_loudness(
                &scene(self.rate, crack, self.seed, number as u64)
                    .play()?
                    .clip,
            );
            let judged = only_tap(&clip).map(|take| judge_alone(&measure(&take)));
            self.current = Some(Current {
                tool: judged.map_or("unclear", |j| j.reading.words()).to_owned(),
                clip,
                crack,
                plays: 0,
            });
        }
        Ok(self.current.as_ref().map(|c| &c.clip))
    }

    /// The same as a WAV file that says in its header that it is made up (and nothing of what it
    /// is).
    ///
    /// # Errors
    /// [`EarError`].
    pub fn wav(&mut self) -> Result<Option<Vec<u8>>, EarError> {
        match self.sound()? {
            Some(clip) => Ok(Some(wav_bytes(clip, 16, "A sound of an ear test.")?)),
            None => Ok(None),
        }
    }

    /// Counts a playing of the present sound.
    pub fn played(&mut self) {
        if let Some(current) = &mut self.current {
            current.plays += 1;
        }
    }

    /// True when the present sound was played, so that it can be answered.
    pub fn was_played(&self) -> bool {
        self.current.as_ref().is_some_and(|c| c.plays > 0)
    }

    /// Takes the answer to the present sound and goes on to the next; nothing without a sound that
    /// was played. Says nothing of right and wrong: the test stays blind to its end.
    pub fn answer(&mut self, said: Heard) {
        let Some(current) = self.current.take_if(|c| c.plays > 0) else {
            return;
        };
        let damaged = current.crack > 0.0;
        if damaged {
            self.stairs.heard(said == Heard::Thud);
        }
        self.trials.push(EarTrial {
            damaged,
            crack: current.crack,
            said: said.word().to_owned(),
            plays: current.plays,
            tool: current.tool,
        });
    }

    /// The round as far as it went.
    pub fn record(&self) -> EarTestRecord {
        EarTestRecord {
            format: FORMAT.to_owned(),
            version: VERSION,
            trainee: self.trainee.clone(),
            round: self.round,
            sounds: "made-up sound".to_owned(),
            seed: self.seed,
            procedure: PROCEDURE.to_owned(),
            complete: self.is_over(),
            trials: self.trials.clone(),
            threshold: self.stairs.threshold().map(crack_at),
            made_by: made_by(),
        }
    }
}

/// Keeps a round in the store; one without an answer is not kept.
///
/// # Errors
/// [`StoreError`].
pub fn keep_ear_test(
    store: &mut Store,
    record: &EarTestRecord,
    at: &str,
) -> Result<Option<Kept<EarTestRecord>>, StoreError> {
    if record.trials.is_empty() {
        return Ok(None);
    }
    store.keep(record, at).map(Some)
}

/// The rounds kept of a trainee (names without regard to case), or of all, oldest first.
///
/// # Errors
/// [`StoreError`].
pub fn kept_ear_tests(
    store: &Store,
    trainee: Option<&str>,
) -> Result<Vec<Kept<EarTestRecord>>, StoreError> {
    let wanted = trainee.map(|name| name.trim().to_lowercase());
    let mut all: Vec<Kept<EarTestRecord>> = store.all_kept(None)?;
    all.retain(|k| {
        wanted
            .as_ref()
            .is_none_or(|name| k.record.trainee.to_lowercase() == *name)
    });
    Ok(all)
}

/// Crack at a level between two of the ladder, by its logarithm.
fn crack_at(level: f64) -> f64 {
    let below = (level.max(0.0) as usize).min(LADDER.len() - 1);
    let above = (below + 1).min(LADDER.len() - 1);
    let share = (level - below as f64).clamp(0.0, 1.0);
    (LADDER[below].ln() * (1.0 - share) + LADDER[above].ln() * share).exp()
}

/// A tap of a wheel that nobody has heard before: stiffness, imperfections, spot and contact by
/// chance, so that pitch gives nothing away. Without noise, whose level would tell thuds.
fn scene(rate: SampleRate, crack: f64, seed: u64, number: u64) -> Scene {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(1 + number);
    let mut wheel = hl1();
    wheel.material.youngs_pa *= rng.random_range(0.75..1.3);
    wheel.imperfection = Imperfection::usual(rng.random());
    let angle_rad = rng.random_range(0.0..2.0 * PI);
    if crack > 0.0 {
        wheel = wheel.with(Damage::Crack {
            severity: crack,
            angle_rad,
            from: CrackFrom::Rim,
        });
    }
    let spots = TurnPlan::Rule.spots_deg();
    let spot_rad = spots[rng.random_range(0..spots.len())].to_radians();
    let strike = Strike {
        mic_rad: spot_rad + f64::to_radians(20.0),
        contact_s: rng.random_range(0.35e-3..0.5e-3),
        ..Strike::at(spot_rad)
    };
    let mut scene = one_tap(rate, wheel, strike, 0);
    scene.noise.clear();
    scene
}

/// The clip at the loudness of the test.
fn equal_loudness(clip: &Clip) -> Clip {
    let loud = loudest_fast(clip).max(1e-12);
    let gain = (10f64.powf(LOUDNESS_DB / 20.0) / loud).min(PEAK / clip.peak().max(1e-12));
    Clip::new(
        clip.samples().iter().map(|s| gain * s).collect(),
        clip.rate(),
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::units::amplitude_db;

    fn rate() -> SampleRate {
        SampleRate::new(48_000).unwrap()
    }

    #[test]
    fn all_cracks_are_equally_loud_and_none_is_cut_off() {
        for (k, crack) in LADDER.into_iter().chain([0.0]).enumerate() {
            let made = scene(rate(), crack, 9, k as u64).play().unwrap().clip;
            let clip = equal_loudness(&made);
            let db = amplitude_db(loudest_fast(&clip));
            assert!((db - LOUDNESS_DB).abs() < 0.05, "{crack}: {db}");
            assert!(clip.peak() < PEAK - 1e-9, "{crack}: {}", clip.peak());
        }
    }

    /// A listener who hears cracks of 0.25 and more and never errs otherwise.
    #[test]
    fn a_made_up_listener_gets_the_score_and_threshold_that_are_its_own() {
        let mut test = EarTest::new(" Ann ", 1, 3, 60, rate()).unwrap();
        while !test.is_over() {
            test.answer(Heard::Thud); // not yet played: counts for nothing
            test.sound().unwrap().unwrap();
            test.played();
            let crack = test.current.as_ref().unwrap().crack;
            test.answer(if crack > 0.25 {
                Heard::Thud
            } else {
                Heard::Ring
            });
        }
        let record = test.record();
        assert_eq!((record.trials.len(), record.trainee.as_str()), (60, "Ann"));
        let counts = record.counts();
        assert_eq!((counts.damaged(), counts.sound()), (30, 30));
        assert_eq!(counts.false_alarms, 0);
        assert!(counts.misses > 2 && counts.hits > 10, "{counts:?}");
        let threshold = record.threshold.unwrap();
        assert!((0.22..=0.3).contains(&threshold), "{threshold}");
        assert!(record.complete && test.sound().unwrap().is_none());
    }

    #[test]
    fn names_and_lengths_are_checked_and_the_seed_decides_the_order() {
        assert!(matches!(
            EarTest::new("  ", 1, 0, 20, rate()),
            Err(EarError::NoName)
        ));
        assert!(matches!(
            EarTest::new("A", 1, 0, 3, rate()),
            Err(EarError::Trials(3))
        ));
        let order = |seed| EarTest::new("A", 1, seed, 40, rate()).unwrap().damaged;
        assert_eq!(order(1), order(1));
        assert_ne!(order(1), order(2));
    }
}
