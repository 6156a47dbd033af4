//! Is what comes in fit for a sounding? Looked at before the first tap.

use crate::audio::Chunk;
use crate::signal::filter::{BandBank, LANES};
use crate::units::{SampleRate, amplitude_db, power_db};

/// How long is listened, in seconds.
const LENGTH_S: f64 = 1.2;
/// How long zeros are borne at the start, in seconds: some devices wake up slowly.
const WAKING_S: f64 = 3.0;
/// Length of a block in seconds.
const BLOCK_S: f64 = 0.01;
/// The band that wheels ring in, as the readings use it, in Hz.
const BAND_HZ: (f64, f64) = (300.0, 12_000.0);
/// Ours: with the noise above this, in dB of full scale, less than 45 dB are left below full
/// scale, and a decay needs some 35 dB of them.
const NOISY_DB: f64 = -45.0;
/// Ours: below the noise of a 16-bit converter there is hardly a microphone behind it.
const MUTE_DB: f64 = -100.0;
/// Samples from here on count as clipped.
const RAIL: f64 = 0.999;
/// So many of them are no chance.
const CLIPPED: u32 = 3;
/// Share of blocks that are exactly zero beside others that are not, from which something
/// switches the sound off in between.
const GATED: f64 = 0.1;

/// Something about the input that stands in the way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFault {
    /// What is wrong, and what to do about it.
    pub sentence: String,
    /// True when no sounding can be taken like this.
    pub is_fatal: bool,
}

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// Level of the quiet between sounds in the band of wheels, in dB of full scale; none when
    /// all was zero.
    pub noise_db: Option<f64>,
    /// Largest sample in dB of full scale; none when all was zero.
    pub peak_db: Option<f64>,
    /// What stands in the way, worst first.
    pub faults: Vec<InputFault>,
}

/// Listens to the first sound of an input.
#[derive(Debug)]
pub struct InputCheck {
    rate: SampleRate,
    bank: BandBank,
    block: usize,
    in_block: usize,
    energy: [f64; LANES],
    zero: bool,
    /// Mean power in the band, and whether all samples were zero, of each block.
    blocks: Vec<(f64, bool)>,
    frames: usize,
    peak: f64,
    rail: u32,
}

impl InputCheck {
    /// Nothing was heard yet.
    pub fn new(rate: SampleRate) -> Self {
        let top = BAND_HZ.1.min(0.45 * rate.hz());
        Self {
            rate,
            bank: BandBank::new(&[(BAND_HZ.0.min(0.5 * top), top)], rate.hz()),
            block: rate.samples(BLOCK_S).max(1),
            in_block: 0,
            energy: [0.0; LANES],
            zero: true,
            blocks: Vec::new(),
            frames: 0,
            peak: 0.0,
            rail: 0,
        }
    }

    /// Listens to more; gives what was found once enough was heard.
    pub fn hear(&mut self, chunk: &Chunk) -> Option<Checked> {
        let mut rest = chunk.samples.as_slice();
        while !rest.is_empty() {
            let (now, later) = rest.split_at(rest.len().min(self.block - self.in_block));
            rest = later;
            self.bank.add_energy(now, &mut self.energy);
            for x in now {
                self.peak = self.peak.max(x.abs());
                self.rail += u32::from(x.abs() >= RAIL);
                self.zero &= *x == 0.0;
            }
            self.in_block += now.len();
            if self.in_block == self.block {
                self.blocks
                    .push((self.energy[0] / self.block as f64, self.zero));
                (self.in_block, self.energy, self.zero) = (0, [0.0; LANES], true);
            }
        }
        self.frames += chunk.samples.len();
        let awake = self.blocks.iter().filter(|b| !b.1).count();
        let enough = awake as f64 * BLOCK_S >= 0.5 && self.rate.seconds(self.frames) >= LENGTH_S;
        (enough || self.rate.seconds(self.frames) >= WAKING_S).then(|| self.found())
    }

    fn found(&self) -> Checked {
        if self.peak == 0.0 {
            return Checked {
                noise_db: None,
                peak_db: None,
                faults: vec![InputFault {
                    sentence: format!(
                        "only zeros come in, so the microphone is not heard: {}",
                        why_zeros()
                    ),
                    is_fatal: true,
                }],
            };
        }
        // Taps may already fall; the quietest tenth of what is not zero lies between them.
        let mut levels: Vec<f64> = self.blocks.iter().filter(|b| !b.1).map(|b| b.0).collect();
        levels.sort_by(f64::total_cmp);
        let noise_db = power_db(levels.get(levels.len() / 10).copied().unwrap_or(0.0));
        // What is zero before the first sound is the device waking up.
        let awake = self.blocks.iter().skip_while(|b| b.1);
        let zeros = awake.filter(|b| b.1).count() as f64;
        let mut faults = Vec::new();
        let mut warn = |sentence: String| {
            faults.push(InputFault {
                sentence,
                is_fatal: false,
            });
        };
        if self.rail >= CLIPPED {
            warn("the input is too loud and clips: turn the microphone's level down".to_owned());
        }
        if noise_db > NOISY_DB {
            warn(format!(
                "it is loud here ({noise_db:.0} dB of full scale where wheels ring): bring the microphone closer to the wheel and turn its level down, or wait for quiet"
            ));
        }
        if noise_db < MUTE_DB {
            warn(format!(
                "hardly any sound comes in ({noise_db:.0} dB of full scale): is it the right microphone, is its switch on, is its level up?"
            ));
        }
        if zeros >= GATED * self.blocks.len() as f64 {
            warn(
                "the sound is switched off between noises: noise suppression cuts rings short, switch it off in the sound settings of this machine".to_owned(),
            );
        }
        Checked {
            noise_db: Some(noise_db),
            peak_db: Some(amplitude_db(self.peak)),
            faults,
        }
    }
}

/// The likely causes of digital silence on this system (from memory).
fn why_zeros() -> &'static str {
    if cfg!(target_os = "macos") {
        "allow the terminal to use it in System Settings, Privacy & Security, Microphone, and start the terminal anew"
    } else if cfg!(target_os = "windows") {
        "allow desktop apps to use it in Settings, Privacy, Microphone, and see that it is not muted there"
    } else {
        "it is muted (see the input in the sound settings or in alsamixer), its switch is off, or nothing is in the socket"
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn checked(mut sample: impl FnMut(usize) -> f64) -> Checked {
        let rate = SampleRate::new(48_000).unwrap();
        let mut check = InputCheck::new(rate);
        let mut at = 0;
        loop {
            let samples: Vec<f64> = (at..at + 333).map(&mut sample).collect();
            at += 333;
            let chunk = Chunk {
                samples,
                lost_before: 0,
            };
            if let Some(found) = check.hear(&chunk) {
                return found;
            }
        }
    }

    fn sine(level_db: f64) -> impl Fn(usize) -> f64 {
        let amplitude = std::f64::consts::SQRT_2 * 10f64.powf(level_db / 20.0);
        move |i| amplitude * (std::f64::consts::TAU * 2_000.0 * i as f64 / 48_000.0).sin()
    }

    fn only_fault(found: &Checked) -> &InputFault {
        assert_eq!(found.faults.len(), 1, "{:?}", found.faults);
        &found.faults[0]
    }

    #[test]
    fn a_fit_input_has_no_faults_and_its_level_is_right() {
        let found = checked(sine(-60.0));
        assert!(found.faults.is_empty(), "{:?}", found.faults);
        // A sine in the band passes the filter within its ripple; its start rings for some blocks.
        let noise_db = found.noise_db.unwrap();
        assert!((noise_db + 60.0).abs() < 0.5, "{noise_db}");
        assert!((found.peak_db.unwrap() + 57.0).abs() < 0.1);
    }

    #[test]
    fn zeros_are_fatal_and_all_else_is_told() {
        let zeros = checked(|_| 0.0);
        assert!(only_fault(&zeros).is_fatal);
        assert!(only_fault(&zeros).sentence.contains("only zeros"));
        let loud = checked(sine(-30.0));
        assert!(!only_fault(&loud).is_fatal);
        assert!(only_fault(&loud).sentence.contains("loud here (-30 dB"));
        let mute = checked(sine(-110.0));
        assert!(only_fault(&mute).sentence.contains("hardly any sound"));
        let quiet = sine(-60.0);
        let clips = checked(|i| if i % 9_000 < 2 { 1.0 } else { quiet(i) });
        assert!(only_fault(&clips).sentence.contains("clips"));
        // A device that wakes up slowly is neither muted nor gated.
        let waking = checked(|i| if i < 60_000 { 0.0 } else { quiet(i) });
        assert!(waking.faults.is_empty(), "{:?}", waking.faults);
        let gated = checked(|i| if (i / 9_600) % 2 == 0 { quiet(i) } else { 0.0 });
        assert!(only_fault(&gated).sentence.contains("noise suppression"));
    }
}
