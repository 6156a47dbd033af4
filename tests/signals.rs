//! Bands and decays from outside: through a whole take, and against decay times of real
//! rooms that others have published.

use std::f64::consts::PI;
use std::io::Write;
use std::path::PathBuf;

use fourtap::ring::band_decay::{band_decays, decays_in};
use fourtap::ring::take::TapTake;
use fourtap::ring::tap::{BandDecay, NoDecay};
use fourtap::signal::clip::Clip;
use fourtap::signal::decay::{Decay, LineRange, Noise, plain_levels_db};
use fourtap::signal::octave::{BandPass, BandWidth};
use fourtap::units::{LN_1000, SampleRate};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

fn take(quiet: &[f64], decay: &[f64], rate_hz: u32) -> TapTake {
    let strike = quiet.len();
    let samples = [quiet, decay].concat();
    let end = samples.len();
    TapTake {
        clip: Clip::new(samples, SampleRate::new(rate_hz).unwrap()),
        time_s: 0.0,
        strike,
        quiet: 0..strike.saturating_sub(strike.min(200)),
        decay: strike..end,
        microphone: 0,
        flaws: Vec::new(),
        level_db: 40.0,
        tonal_share: 1.0,
    }
}

// T30 in s (octave middle in Hz, T30) of two room responses, as published in the tests of the package acoustics 0.2.6,
// which brings the recordings.
const ROOMS: [(&str, &[(f64, f64)]); 2] = [
    (
        "ir_sportscentre_omni.wav",
        &[
            (250.0, 8.472),
            (500.0, 6.795),
            (1000.0, 6.518),
            (2000.0, 4.797),
            (4000.0, 4.089),
        ],
    ),
    (
        "living_room_1.wav",
        &[
            (250.0, 0.303),
            (500.0, 0.259),
            (1000.0, 0.227),
            (2000.0, 0.211),
            (4000.0, 0.204),
            (8000.0, 0.181),
        ],
    ),
];

/// Tones (Hz, T60 in s, amplitude) from a strike on.
fn tones(list: &[(f64, f64, f64)], seconds: f64, rate_hz: u32) -> Vec<f64> {
    let n = (seconds * f64::from(rate_hz)) as usize;
    (0..n)
        .map(|i| {
            let t = i as f64 / f64::from(rate_hz);
            list.iter()
                .map(|(f, t60, a)| a * (-LN_1000 / t60 * t).exp() * (2.0 * PI * f * t).sin())
                .sum()
        })
        .collect()
}

fn noise(n: usize, std: f64, seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..n)
        .map(|_| std * Distribution::<f64>::sample(&StandardNormal, &mut rng))
        .collect()
}

fn add(x: &mut [f64], y: &[f64]) {
    for (x, y) in x.iter_mut().zip(y) {
        *x += y;
    }
}

fn band_with(bands: &[BandDecay], freq_hz: f64) -> &BandDecay {
    bands
        .iter()
        .find(|b| b.band_hz.0 <= freq_hz && freq_hz < b.band_hz.1)
        .unwrap()
}

// What is skipped is said past the test harness, which would hide it.
fn real_sound(name: &str) -> Option<(Vec<f64>, u32)> {
    let folder = std::env::var_os("FOURTAP_REAL_SOUNDS")
        .map_or_else(|| PathBuf::from("target/real-sounds"), PathBuf::from);
    let path = folder.join("acoustics-0.2.6/tests/data").join(name);
    if !path.exists() {
        let _ = writeln!(
            std::io::stderr(),
            "skipped: {} is not there (.ci/get-real-sounds fetches it)",
            path.display()
        );
        return None;
    }
    let mut reader = hound::WavReader::open(&path).unwrap();
    let spec = reader.spec();
    let samples: Vec<f64> = match spec.sample_format {
        hound::SampleFormat::Float => reader
            .samples::<f32>()
            .map(|s| f64::from(s.unwrap()))
            .collect(),
        hound::SampleFormat::Int => {
            let full = 2_f64.powi(i32::from(spec.bits_per_sample) - 1);
            reader
                .samples::<i32>()
                .map(|s| f64::from(s.unwrap()) / full)
                .collect()
        }
    };
    let channels = usize::from(spec.channels);
    Some((
        samples.into_iter().step_by(channels).collect(),
        spec.sample_rate,
    ))
}

/// Decay time of a plain, uncompensated integral between -5 dB and `to_db`: what a measurement
/// without noise treatment gives.
fn plain_time(band: &[f64], rate: SampleRate, to_db: f64) -> f64 {
    let levels = plain_levels_db(band);
    let from = levels.iter().position(|l| *l <= -5.0).unwrap();
    let to = levels.iter().position(|l| *l <= to_db).unwrap();
    let n = (to - from) as f64;
    let mean_x = (n - 1.0) / 2.0;
    let mean_y = levels[from..to].iter().sum::<f64>() / n;
    let (mut xy, mut xx) = (0.0, 0.0);
    for (i, level) in levels[from..to].iter().enumerate() {
        xy += (i as f64 - mean_x) * (level - mean_y);
        xx += (i as f64 - mean_x).powi(2);
    }
    -60.0 / (xy / xx) / rate.hz()
}

/// Forwards: turned round, run backwards, turned round, at rest before the first sample.
fn forwards(filter: &BandPass, samples: &[f64], rate: SampleRate) -> Vec<f64> {
    let rest = samples.len();
    let turned: Vec<f64> = samples
        .iter()
        .rev()
        .copied()
        .chain(std::iter::repeat_n(0.0, rest))
        .collect();
    let mut out = filter.run_backwards(&turned, rate);
    out.truncate(rest);
    out.reverse();
    out
}

// Two things are shown. The filter, the integral and the line give the published figures when
// nothing is compensated (they were made so: within 1 %). The compensated figure is within 5 %
// where the noise, 55 dB down or more, bends a plain T30 by less than about 1.3 %; at 250 Hz in the
// sports centre (noise 50 dB below the loudest 2 ms, 45 dB below the mean start) a plain T30 is
// a third too long, and the compensated one agrees with the T20 that noise hardly touches.
#[test]
fn published_decay_times_of_two_rooms_are_met() {
    for (name, published) in ROOMS {
        let Some((samples, rate_hz)) = real_sound(name) else {
            continue;
        };
        let rate = SampleRate::new(rate_hz).unwrap();
        for (middle_hz, t30) in published {
            let half = 2_f64.sqrt();
            let filter = BandPass::new(middle_hz / half, middle_hz * half, rate).unwrap();
            let band = forwards(&filter, &samples, rate);
            let plain = plain_time(&band, rate, -35.0);
            assert!(
                (plain / t30 - 1.0).abs() < 0.01,
                "{name} {middle_hz} Hz: {plain} {t30}"
            );
            let decay = Decay::of(&band, rate, 1.0 / filter.width_hz(), Noise::Unknown).unwrap();
            let told = decay.line(LineRange::T30).unwrap().ring_time_s;
            let (truth, tolerance) = if decay.range_db() > 55.0 {
                (*t30, 0.05)
            } else {
                (plain_time(&band, rate, -25.0), 0.02)
            };
            assert!(
                (told / truth - 1.0).abs() < tolerance,
                "{name} {middle_hz} Hz: {told} {truth}"
            );
        }
    }
}

// The same through a whole take and filtered backwards. The living room's early drop is the
// direct sound alone (the published line misses the curve by 1 to 2 dB rms), which two
// filters show differently: there only the later part counts, and that is no published figure.
#[test]
fn bands_of_a_take_meet_the_published_times_of_a_hall() {
    let (name, published) = ROOMS[0];
    let Some((samples, rate_hz)) = real_sound(name) else {
        return;
    };
    let peak = samples.iter().fold(0.0, |m: f64, s| m.max(s.abs()));
    let strike = samples.iter().position(|s| s.abs() > 0.1 * peak).unwrap();
    let bands = band_decays(&take(&samples[..strike], &samples[strike..], rate_hz));
    for (middle_hz, t30) in &published[1..] {
        let told = band_with(&bands, *middle_hz).ring_time_s.unwrap();
        assert!(
            (told / t30 - 1.0).abs() < 0.05,
            "{middle_hz} Hz: {told} {t30}"
        );
    }
}

// Six-pole third-octave filter run backwards over a damped sine at the middle of the band that starts with
// the record: (B T60, T20/T60, T30/T60) from scipy 1.17.1 (butter, sosfilt on the turned signal,
// polyfit on the plain integral). Where the integral also takes in what rings out before
// the start, 1.45 and 1.27 come at B T60 = 1, and 1.04 and 1.02 at 2: hence the bound at 2.
#[test]
fn the_filter_bound_is_where_it_was_computed() {
    let rate = SampleRate::new(48_000).unwrap();
    let (low, high) = (
        1_000.0 / 2_f64.powf(1.0 / 6.0),
        1_000.0 * 2_f64.powf(1.0 / 6.0),
    );
    let filter = BandPass::new(low, high, rate).unwrap();
    for (product, t20, t30, tolerance) in [
        (1.0, 1.0321, 1.0028, 0.004),
        (2.0, 1.0069, 1.0016, 0.001),
        (4.0, 1.0014, 1.0003, 0.001),
        (16.0, 1.000, 1.000, 0.001),
    ] {
        let t60 = product / filter.width_hz();
        let x = tones(&[(1_000.0, t60, 1.0)], 4.0 * t60 + 0.02, 48_000);
        let band = filter.run_backwards(&x, rate);
        let decay = Decay::of(&band, rate, 1e-3, Noise::Measured(0.0)).unwrap();
        for (range, ratio) in [(LineRange::T20, t20), (LineRange::T30, t30)] {
            let told = decay.line(range).unwrap().ring_time_s / t60;
            assert!(
                (told - ratio).abs() < tolerance,
                "{product} {range:?}: {told} {ratio}"
            );
        }
    }
}

#[test]
fn one_tone_per_octave_in_noise_gives_its_decay_time() {
    let list = [
        (260.0, 0.7, 0.3),
        (530.0, 0.6, 0.3),
        (1_100.0, 0.5, 0.3),
        (2_050.0, 0.4, 0.3),
        (3_900.0, 0.3, 0.3),
        (8_300.0, 0.25, 0.3),
    ];
    for rate_hz in [44_100, 48_000, 192_000] {
        let n = rate_hz as usize;
        let mut decay = tones(&list, 1.6, rate_hz);
        add(&mut decay, &noise(2 * n, 3e-4, 5));
        let take = take(&noise(n / 2, 3e-4, 6), &decay, rate_hz);
        for bands in [band_decays(&take), decays_in(&take, BandWidth::ThirdOctave)] {
            for (f, t60, _) in list {
                let band = band_with(&bands, f);
                let told = band.ring_time_s.unwrap();
                assert!(
                    (told / t60 - 1.0).abs() < 0.03,
                    "{rate_hz} {f} Hz: {told} {t60}"
                );
                assert!(band.fitted_s.0 < band.fitted_s.1 && band.curve.len() > 20);
                assert!(band.curve.len() <= 200);
            }
        }
    }
}

#[test]
fn noise_and_short_thuds_give_no_decay_time() {
    for seed in 0..10 {
        let take = take(
            &noise(20_000, 0.01, seed),
            &noise(48_000, 0.01, 100 + seed),
            48_000,
        );
        for band in band_decays(&take) {
            assert!(
                matches!(band.ring_time_s, Err(NoDecay::Range { .. })),
                "{band:?}"
            );
        }
    }
    let thud = tones(&[(250.0, 0.006, 1.0)], 1.0, 48_000);
    let bands = band_decays(&take(&[], &thud, 48_000));
    let bound = band_with(&bands, 250.0);
    assert!(
        matches!(bound.ring_time_s, Err(NoDecay::FilterBound { .. })),
        "{:?}",
        bound.ring_time_s
    );
}

// Two equal tones started together: a line would be wrong by 8 to 37 %.
#[test]
fn slow_beats_are_refused_and_quick_ones_pass() {
    for (t60, f) in [(1.0, 1_000.0), (0.3, 2_100.0)] {
        for df_t60 in [0.0, 0.5, 1.0, 2.0, 3.0, 5.0, 30.0] {
            let other = f + df_t60 / t60;
            let mut x: Vec<f64> = (0..96_000)
                .map(|i| {
                    let t = f64::from(i) / 48_000.0;
                    let fall = (-LN_1000 / t60 * t).exp();
                    0.2 * fall * ((2.0 * PI * f * t).cos() + (2.0 * PI * other * t).cos())
                })
                .collect();
            add(&mut x, &noise(96_000, 5e-5, 9));
            let bands = band_decays(&take(&noise(20_000, 5e-5, 8), &x, 48_000));
            let told = &band_with(&bands, f).ring_time_s;
            if (0.5..=5.0).contains(&df_t60) {
                assert!(
                    matches!(told, Err(NoDecay::Beating { .. })),
                    "{f} {df_t60}: {told:?}"
                );
            } else {
                let told = told.unwrap();
                assert!((told / t60 - 1.0).abs() < 0.02, "{f} {df_t60}: {told}");
            }
        }
    }
}

// Dying noise, as of a room: its own roughness must not pass for beats. 20 records, six octaves.
#[test]
fn rough_decays_are_not_taken_for_beats() {
    let (mut told, mut refused) = (Vec::new(), 0);
    for seed in 0..20 {
        let mut x: Vec<f64> = noise(38_400, 0.3, 50 + seed)
            .iter()
            .enumerate()
            .map(|(i, v)| v * (-LN_1000 / 0.5 * i as f64 / 48_000.0).exp())
            .collect();
        add(&mut x, &noise(38_400, 3e-4, 90 + seed));
        for band in band_decays(&take(&noise(20_000, 3e-4, seed), &x, 48_000)) {
            match band.ring_time_s {
                Ok(t60) => told.push(t60 / 0.5),
                Err(_) => refused += 1,
            }
        }
    }
    let mean = told.iter().sum::<f64>() / told.len() as f64;
    let worst = told.iter().fold(0.0, |m: f64, t| m.max((t - 1.0).abs()));
    assert!(refused <= 10, "{refused} of 120 refused");
    assert!((mean - 1.0).abs() < 0.01 && worst < 0.2, "{mean} {worst}");
}

// A thud 20 dB over the tone at the strike and gone in 30 ms: the tone's decay shows below it.
#[test]
fn a_ring_under_a_thud_is_measured_below_it() {
    let mut x = tones(&[(1_000.0, 0.03, 1.0), (1_150.0, 0.8, 0.1)], 1.5, 48_000);
    add(&mut x, &noise(72_000, 2e-5, 4));
    let bands = band_decays(&take(&noise(20_000, 2e-5, 3), &x, 48_000));
    let band = band_with(&bands, 1_000.0);
    assert!(
        (band.ring_time_s.unwrap() / 0.8 - 1.0).abs() < 0.03,
        "{:?}",
        band.ring_time_s
    );
}

// The tap before still rings in the quiet, 40 dB over the noise: it must not count as noise.
#[test]
fn an_earlier_ring_in_the_quiet_is_not_taken_for_noise() {
    let ring = tones(&[(2_000.0, 0.6, 0.1)], 1.2, 48_000);
    let mut quiet = ring[9_600..38_400].to_vec();
    add(&mut quiet, &noise(28_800, 1e-4, 2));
    let mut decay = tones(&[(2_000.0, 0.6, 0.3)], 1.2, 48_000);
    add(&mut decay, &noise(57_600, 1e-4, 1));
    let bands = band_decays(&take(&quiet, &decay, 48_000));
    let told = band_with(&bands, 2_000.0).ring_time_s.unwrap();
    assert!((told / 0.6 - 1.0).abs() < 0.02, "{told}");
}

#[test]
fn odd_takes_give_reasons_and_no_panic() {
    for rate_hz in [8_000, 44_100, 192_000] {
        for (quiet, decay) in [(0, 0), (0, 1), (5, 3), (3_000, 40), (0, 500)] {
            for level in [0.0, 1.0, 1e300] {
                let bands = band_decays(&take(
                    &noise(quiet, level, 1),
                    &noise(decay, level, 2),
                    rate_hz,
                ));
                assert!(!bands.is_empty());
                assert!(bands.iter().all(|b| b.ring_time_s.is_err()), "{bands:?}");
                assert!(
                    bands.iter().all(|b| b.over_noise_db.is_finite()),
                    "{bands:?}"
                );
            }
        }
        let mut wrong = take(&[0.1; 100], &[0.1; 100], rate_hz);
        wrong.decay = 5_000..9_000;
        wrong.quiet = 7..2_000_000;
        assert!(band_decays(&wrong).iter().all(|b| b.ring_time_s.is_err()));
    }
}
