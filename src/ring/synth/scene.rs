//! A made-up recording: something is struck, somewhere, with something else sounding.

use rustfft::num_complex::Complex64;

use super::noise::{Noise, seeded};
use super::other::OtherSound;
use super::radiation::Radiation;
use super::room::{Room, convolve};
use super::tap_pulse::TapPulse;
use super::tones::{add_driven, first_sample};
use super::wheel::{Branch, WheelModel, WheelTone};
use crate::ring::plate::PlateError;
use crate::signal::clip::Clip;
use crate::units::SampleRate;

/// Tones above this share of the rate are left out, as a recorder's filter would.
const BAND_SHARE: f64 = 0.45;
/// Longest recording that is made: keeps the memory for a room at 192 kHz within some 0.6 GB.
const LONGEST_S: f64 = 60.0;
/// Distance at which level and room are stated.
const REFERENCE_M: f64 = 0.25;

/// One tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Strike {
    /// Angle of the tap spot on the wheel in radians.
    pub spot_rad: f64,
    /// Angle on the wheel of the place next to the microphone in radians.
    pub mic_rad: f64,
    /// Distance of the tap spot from the rim in m.
    pub inset_m: f64,
    /// Strength relative to the others.
    pub strength: f64,
    /// Length of the contact in seconds (0.3e-3 hard handle to 2e-3 soft mallet).
    pub contact_s: f64,
    /// A second contact.
    pub bounce: Option<Bounce>,
}

/// A second contact of the handle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounce {
    /// Seconds after the first.
    pub after_s: f64,
    /// Strength relative to the first in dB.
    pub level_db: f64,
}

impl Strike {
    /// A usual tap with a wooden handle an inch in from the rim, microphone beside the spot.
    pub fn at(spot_rad: f64) -> Self {
        Self {
            spot_rad,
            mic_rad: spot_rad,
            inset_m: 0.0254,
            strength: 1.0,
            contact_s: 0.4e-3,
            bounce: None,
        }
    }
}

/// Strikes at spots on a wheel that is turned each time so that the spot comes to the same place
/// under the same microphone, which stands `mic_offset_rad` round the rim from it.
pub fn turned_under_mic(spots_rad: &[f64], mic_offset_rad: f64) -> Vec<Strike> {
    spots_rad
        .iter()
        .map(|&spot| Strike {
            mic_rad: spot + mic_offset_rad,
            ..Strike::at(spot)
        })
        .collect()
}

/// What is struck.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// A wheel.
    Wheel(WheelModel),
    /// Something else; only time and strength of the strikes matter.
    Other(OtherSound),
}

/// A recording to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// Sample rate.
    pub rate: SampleRate,
    /// What is struck.
    pub source: Source,
    /// The strikes in order.
    pub strikes: Vec<Strike>,
    /// Time of the first strike in seconds.
    pub quiet_s: f64,
    /// Time from strike to strike in seconds.
    pub spacing_s: f64,
    /// Time from the last strike to the end in seconds.
    pub tail_s: f64,
    /// Largest sample of the direct sound in dB re full scale.
    pub peak_db: f64,
    /// Samples beyond this magnitude are cut off, as by a recorder set too high.
    pub clip_at: Option<f64>,
    /// Distance of the microphone in m: nearer is less room.
    pub distance_m: f64,
    /// What the microphone hears of the wheel.
    pub radiation: Radiation,
    /// The room; none in the open.
    pub room: Option<Room>,
    /// What else sounds.
    pub noise: Vec<Noise>,
    /// Seed of noise and of other sounds.
    pub seed: u64,
}

impl Scene {
    /// Strikes one second apart, 0.5 s of quiet before, peak 6 dB below full scale, nothing else
    /// sounding.
    pub fn plain(rate: SampleRate, source: Source, strikes: Vec<Strike>) -> Self {
        Self {
            rate,
            source,
            strikes,
            quiet_s: 0.5,
            spacing_s: 1.0,
            tail_s: 1.0,
            peak_db: -6.0,
            clip_at: None,
            distance_m: REFERENCE_M,
            radiation: Radiation::NearRim,
            room: None,
            noise: Vec::new(),
            seed: 0,
        }
    }
}

/// A tone of a made-up wheel as it sounds in the recording.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueMode {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Amplitude decay rate in 1/s.
    pub decay_per_s: f64,
    /// Amplitude per strike, referred back to the moment of the strike, in full scale. Of the
    /// first contact and of the direct sound only.
    pub amplitudes: Vec<f64>,
    /// Phase per strike in radians, in the same sense.
    pub phases_rad: Vec<f64>,
    /// Nodal diameters.
    pub n: usize,
    /// Nodal circles.
    pub s: usize,
    /// Which of its pair.
    pub branch: Branch,
    /// Angle of an antinode on the wheel in radians.
    pub antinode_rad: f64,
}

/// A made-up recording and what is true about it.
///
/// Without room, noise, bounce and clipping the samples from the end of a contact on are exactly
/// the sum over modes and earlier strikes of
/// `amplitude exp(-decay t) cos(2 pi f t + phase)`, t from the strike.
#[derive(Debug, Clone, PartialEq)]
pub struct MadeTake {
    /// The recording.
    pub clip: Clip,
    /// Moments of first touch in seconds from the start.
    pub strikes_s: Vec<f64>,
    /// The tones by rising frequency; empty when what is struck is no wheel.
    pub truth: Vec<TrueMode>,
}

impl MadeTake {
    /// One clip per strike, from `before_s` before it to `after_s` after it or to the end.
    pub fn clip_per_tap(&self, before_s: f64, after_s: f64) -> Vec<Clip> {
        let rate = self.clip.rate();
        self.strikes_s
            .iter()
            .map(|t| {
                let from = rate.samples(t - before_s);
                let to = rate.samples(t + after_s);
                Clip::new(self.clip.slice(from, to).to_vec(), rate)
            })
            .collect()
    }
}

/// Why a scene cannot be played.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SceneError {
    /// The wheel cannot be computed.
    #[error(transparent)]
    Plate(#[from] PlateError),
    /// Longer than a minute, or times that are no numbers.
    #[error("a made-up recording of {seconds} s is not between 0 and {LONGEST_S} s")]
    Length {
        /// The length asked for.
        seconds: f64,
    },
    /// A figure that must be finite (and positive where it is a distance or strength) is not.
    #[error("{what} of {value} cannot be used")]
    Figure {
        /// Which.
        what: &'static str,
        /// What was given.
        value: f64,
    },
}

impl Scene {
    /// Makes the recording.
    ///
    /// # Errors
    /// [`SceneError`] when the wheel, the length or a figure is out of range.
    pub fn play(&self) -> Result<MadeTake, SceneError> {
        let length = self.checked_length()?;
        let strikes_s: Vec<f64> = (0..self.strikes.len())
            .map(|k| self.quiet_s + self.spacing_s * k as f64)
            .collect();
        let mut dry = vec![0.0; length];
        let tones = match &self.source {
            Source::Wheel(wheel) => wheel.tones(BAND_SHARE * self.rate.hz())?,
            Source::Other(_) => Vec::new(),
        };
        for (k, (strike, &time_s)) in self.strikes.iter().zip(&strikes_s).enumerate() {
            self.add_strike(&mut dry, k, strike, time_s, &tones);
        }
        let peak = dry.iter().fold(0.0, |m: f64, s| m.max(s.abs()));
        let gain = if peak > 0.0 {
            10f64.powf(self.peak_db / 20.0) / peak
        } else {
            0.0
        };
        dry.iter_mut().for_each(|s| *s *= gain);
        let samples = self.surround(dry);
        let truth = tones.iter().map(|tone| self.truth(tone, gain)).collect();
        Ok(MadeTake {
            clip: Clip::new(samples, self.rate),
            strikes_s,
            truth,
        })
    }

    fn checked_length(&self) -> Result<usize, SceneError> {
        let gaps = self.strikes.len().saturating_sub(1) as f64;
        let seconds = self.quiet_s + self.spacing_s * gaps + self.tail_s;
        let times = [self.quiet_s, self.spacing_s, self.tail_s];
        if !(seconds <= LONGEST_S && times.iter().all(|t| *t >= 0.0)) {
            return Err(SceneError::Length { seconds });
        }
        match self
            .figures()
            .into_iter()
            .find(|(_, v, least)| !(v.is_finite() && v >= least))
        {
            Some((what, value, _)) => Err(SceneError::Figure { what, value }),
            None => Ok(self.rate.samples(seconds)),
        }
    }

    /// What must be finite, and the least that each may be.
    fn figures(&self) -> Vec<(&'static str, f64, f64)> {
        let mut figures = vec![
            ("peak level", self.peak_db, f64::MIN),
            ("microphone distance", self.distance_m, 0.01),
        ];
        if let Source::Wheel(wheel) = &self.source {
            figures.push(("quality factor of a bond", wheel.loss.q_at_1khz, 0.1));
            figures.push(("rise of a bond's losses", wheel.loss.exponent, -2.0));
            figures.push(("warmth of a wheel", wheel.warmer_k, f64::MIN));
        }
        if let Some(room) = &self.room {
            figures.push(("decay time of a room", room.t60_s, 0.0));
            figures.push(("treble share of a room", room.treble_share, 0.0));
            figures.push(("direct sound over a room", room.direct_over_tail_db, -100.0));
        }
        for strike in &self.strikes {
            figures.push(("strength of a tap", strike.strength, 0.0));
            figures.push(("angle of a tap", strike.spot_rad + strike.mic_rad, f64::MIN));
            figures.push(("inset of a tap", strike.inset_m, 0.0));
            figures.push(("contact of a tap", strike.contact_s, 0.0));
            if let Some(bounce) = strike.bounce {
                figures.push(("time of a second contact", bounce.after_s, 0.0));
                figures.push(("level of a second contact", bounce.level_db, f64::MIN));
            }
        }
        figures
    }

    fn add_strike(
        &self,
        dry: &mut [f64],
        index: usize,
        strike: &Strike,
        time_s: f64,
        tones: &[WheelTone],
    ) {
        let mut contacts = vec![(time_s, strike.strength)];
        if let Some(bounce) = strike.bounce {
            let level = 10f64.powf(bounce.level_db / 20.0);
            contacts.push((time_s + bounce.after_s.max(0.0), strike.strength * level));
        }
        for (at_s, strength) in contacts {
            match &self.source {
                Source::Wheel(wheel) => {
                    let pulse = TapPulse::new(strike.contact_s);
                    for tone in tones {
                        let weight = Complex64::new(
                            strength * weight(tone, strike, wheel, self.radiation),
                            0.0,
                        );
                        add_driven(dry, self.rate, at_s, pulse, weight, pole(tone));
                    }
                    add_click(dry, self.rate, at_s, strength, pulse);
                }
                Source::Other(sound) => {
                    let mut rng = seeded(self.seed, 3000 + index as u64);
                    let made = sound.samples(self.rate, &mut rng);
                    let first = first_sample(self.rate, at_s).min(dry.len());
                    for (s, x) in dry[first..].iter_mut().zip(made) {
                        *s += strength * x;
                    }
                }
            }
        }
    }

    /// Room, noise and the recorder's limit.
    fn surround(&self, dry: Vec<f64>) -> Vec<f64> {
        let mut samples = dry;
        if let Some(room) = &self.room {
            let nearness = self.distance_m / REFERENCE_M;
            let tail = convolve(&samples, &room.tail(self.rate));
            for (s, t) in samples.iter_mut().zip(tail) {
                *s += nearness * t;
            }
        }
        for (k, noise) in self.noise.iter().enumerate() {
            let mut rng = seeded(self.seed, 4000 + k as u64);
            noise.add(&mut samples, self.rate, &mut rng);
        }
        if let Some(limit) = self.clip_at {
            let limit = limit.abs();
            samples
                .iter_mut()
                .for_each(|s| *s = s.max(-limit).min(limit));
        }
        samples
    }

    fn truth(&self, tone: &WheelTone, gain: f64) -> TrueMode {
        let complex: Vec<Complex64> = self
            .strikes
            .iter()
            .map(|strike| match &self.source {
                Source::Wheel(wheel) => {
                    let pulse = TapPulse::new(strike.contact_s).spectrum(pole(tone));
                    pulse * (gain * strike.strength * weight(tone, strike, wheel, self.radiation))
                }
                Source::Other(_) => Complex64::new(0.0, 0.0),
            })
            .collect();
        TrueMode {
            freq_hz: tone.freq_hz,
            decay_per_s: tone.decay_per_s(),
            amplitudes: complex.iter().map(|c| c.norm()).collect(),
            phases_rad: complex.iter().map(|c| c.arg()).collect(),
            n: tone.n,
            s: tone.s,
            branch: tone.branch,
            antinode_rad: tone.antinode_rad,
        }
    }
}

/// Adds the click of a contact that begins at `at_s`.
fn add_click(dry: &mut [f64], rate: SampleRate, at_s: f64, strength: f64, pulse: TapPulse) {
    let first = first_sample(rate, at_s);
    for (k, s) in dry.iter_mut().enumerate().skip(first) {
        let t = k as f64 / rate.hz() - at_s;
        if t > pulse.contact_s() {
            break;
        }
        *s += strength * pulse.click(t);
    }
}

fn pole(tone: &WheelTone) -> Complex64 {
    Complex64::new(
        -tone.decay_per_s(),
        2.0 * std::f64::consts::PI * tone.freq_hz,
    )
}

/// How strongly an impulse at the tap spot sounds at the microphone through one tone: velocity
/// of the rim next to the microphone for a wheel of unit mass, times how well such a motion
/// radiates to it.
fn weight(tone: &WheelTone, strike: &Strike, wheel: &WheelModel, radiation: Radiation) -> f64 {
    let radius = 1.0 - strike.inset_m / (0.5 * wheel.diameter_m);
    let radius = radius.max(wheel.bore_m / wheel.diameter_m).max(1e-6);
    let across = tone.shape.deflection(radius) / tone.mass_share;
    let heard = radiation.share(tone, wheel);
    across * tone.around(strike.spot_rad) * tone.around(strike.mic_rad) * heard
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::plate::Material;
    use crate::ring::synth::{BondLoss, Imperfection};

    fn rate() -> SampleRate {
        SampleRate::new(48_000).unwrap()
    }

    fn wheel() -> WheelModel {
        let material = Material {
            youngs_pa: 45e9,
            density_kg_m3: 2300.0,
            poisson: 0.2,
        };
        let imperfection = Imperfection::usual(4);
        WheelModel::sound(
            [0.2, 0.02, 0.032],
            material,
            BondLoss::VITRIFIED,
            imperfection,
        )
    }

    #[test]
    fn the_microphone_turns_with_the_spot() {
        let strikes = turned_under_mic(&[1.0, -0.5], 0.25);
        let mics: Vec<f64> = strikes.iter().map(|s| s.mic_rad).collect();
        assert_eq!(mics, [1.25, -0.25]);
        assert_eq!(strikes[1].spot_rad, -0.5);
    }

    /// A second contact is a second strike: the same samples.
    #[test]
    fn a_bounce_is_a_softer_strike_later() {
        let first = Strike {
            strength: 0.8,
            ..Strike::at(0.4)
        };
        let bounced = Strike {
            bounce: Some(Bounce {
                after_s: 0.05,
                level_db: -12.0,
            }),
            ..first
        };
        let second = Strike {
            strength: 0.8 * 10f64.powf(-0.6),
            ..first
        };
        let one = Scene::plain(rate(), Source::Wheel(wheel()), vec![bounced]);
        let mut two = Scene::plain(rate(), Source::Wheel(wheel()), vec![first, second]);
        two.spacing_s = 0.05;
        two.tail_s = 0.95;
        let (one, two) = (one.play().unwrap(), two.play().unwrap());
        assert_eq!(one.clip.len(), two.clip.len());
        for (a, b) in one.clip.samples().iter().zip(two.clip.samples()) {
            assert!((a - b).abs() < 1e-12);
        }
    }

    #[test]
    fn a_click_is_added_where_the_contact_is() {
        let pulse = TapPulse::new(1e-3);
        let mut dry = vec![0.25; 200];
        add_click(&mut dry, rate(), 0.00101, 2.0, pulse);
        for (k, v) in dry.iter().enumerate() {
            let t = k as f64 / 48_000.0 - 0.00101;
            assert!((v - 0.25 - 2.0 * pulse.click(t)).abs() < 1e-12, "{k}");
        }
        assert!(dry.iter().filter(|v| **v != 0.25).count() > 40);
    }

    /// Twice as far from the wheel its direct sound is as loud (it is set), the room twice.
    #[test]
    fn a_room_is_louder_from_afar() {
        let strikes = vec![Strike::at(0.4)];
        let dry = Scene::plain(rate(), Source::Wheel(wheel()), strikes);
        let room = Room {
            t60_s: 0.3,
            treble_share: 0.5,
            direct_over_tail_db: 15.0,
            seed: 2,
        };
        let wet = |distance_m: f64| -> Vec<f64> {
            let mut scene = dry.clone();
            scene.distance_m = distance_m;
            scene.room = Some(room);
            let plain = dry.play().unwrap();
            let made = scene.play().unwrap();
            let pairs = made.clip.samples().iter().zip(plain.clip.samples());
            pairs.map(|(a, b)| a - b).collect()
        };
        let (near, far) = (wet(0.25), wet(0.5));
        // At the reference distance it is the tail's own level.
        let plain = dry.play().unwrap();
        let tail = convolve(plain.clip.samples(), &room.tail(rate()));
        assert!(near.iter().zip(&tail).all(|(a, b)| (a - b).abs() < 1e-12));
        assert!(near.iter().any(|v| v.abs() > 1e-3));
        for (n, f) in near.iter().zip(&far) {
            assert!((f - 2.0 * n).abs() < 1e-12);
        }
    }

    /// What moves at the spot, what moves at the microphone, over the mass that moves.
    #[test]
    fn a_tone_is_heard_by_what_moves_at_spot_and_microphone() {
        let wheel = wheel();
        let strike = Strike {
            mic_rad: 1.1,
            ..Strike::at(0.3)
        };
        for tone in wheel.tones(9000.0).unwrap() {
            let near = Radiation::NearRim;
            let share = near.share(&tone, &wheel);
            let moves = tone.shape.deflection(1.0 - 0.0254 / 0.1) / tone.mass_share;
            let truth = moves * tone.around(0.3) * tone.around(1.1) * share;
            assert!((weight(&tone, &strike, &wheel, near) - truth).abs() < 1e-12);
            // Beyond the bore there is nothing to strike: its edge, 16 mm from the middle.
            let far = Strike {
                inset_m: 3.0,
                ..strike
            };
            let edge = Strike {
                inset_m: 0.1 - 0.016,
                ..strike
            };
            let (far, edge) = (
                weight(&tone, &far, &wheel, near),
                weight(&tone, &edge, &wheel, near),
            );
            assert!(
                (far - edge).abs() < 1e-9 * (1.0 + edge.abs()),
                "{far} {edge}"
            );
        }
    }

    #[test]
    fn clips_are_cut_around_each_strike() {
        let strikes = vec![Strike::at(0.0), Strike::at(1.0)];
        let made = Scene::plain(rate(), Source::Wheel(wheel()), strikes)
            .play()
            .unwrap();
        let clips = made.clip_per_tap(0.1, 0.3);
        let whole = made.clip.samples();
        assert_eq!(clips.len(), 2);
        assert_eq!(clips[0].samples(), &whole[19_200..38_400]);
        assert_eq!(clips[1].samples(), &whole[67_200..86_400]);
    }
}
