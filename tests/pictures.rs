//! The pictures: what stands in them, that they can be drawn from anything, and samples in
//! `target/pictures` to look at.

mod text;

use std::f64::consts::PI;
use std::path::PathBuf;

use fourtap::reading::Reading;
use fourtap::report::picture::*;
use fourtap::report::png::svg_to_png;
use fourtap::ring::mode::Refusal;
use fourtap::units::SampleRate;

const RATE_HZ: f64 = 48_000.0;
/// A made-up vitrified wheel of 200 mm: frequency in Hz, amplitude, T60 in seconds.
const MODES: [(f64, f64, f64); 11] = [
    (1_182.0, 0.020, 1.10),
    (2_060.0, 0.110, 0.97),
    (2_093.0, 0.090, 0.94),
    (3_420.0, 0.060, 0.71),
    (4_735.0, 0.085, 0.66),
    (4_741.0, 0.030, 0.64),
    (6_610.0, 0.020, 0.42),
    (8_240.0, 0.025, 0.38),
    (9_870.0, 0.012, 0.30),
    (11_900.0, 0.008, 0.22),
    (14_300.0, 0.004, 0.15),
];

/// Evenly spread numbers in -1 to 1, the same every time.
fn noise(n: usize) -> impl Iterator<Item = f64> {
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    std::iter::repeat_with(move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    })
    .take(n)
}

/// A tap after `before_s` of noise; `shorter` divides all decay times.
fn tap(before_s: f64, length_s: f64, shorter: f64) -> Vec<f64> {
    let n = (length_s * RATE_HZ) as usize;
    noise(n)
        .enumerate()
        .map(|(i, hiss)| {
            let t = i as f64 / RATE_HZ - before_s;
            let ring: f64 = MODES
                .iter()
                .map(|(f, a, t60)| {
                    a * (-6.907_755 * shorter * t / t60).exp() * (2.0 * PI * f * t).sin()
                })
                .sum();
            4e-4 * hiss + if t < 0.0 { 0.0 } else { ring }
        })
        .collect()
}

fn buckets(samples: &[f64], per: usize) -> Vec<(f64, f64, f64)> {
    samples
        .chunks(per)
        .enumerate()
        .map(|(i, c)| {
            let lo = c.iter().copied().fold(f64::INFINITY, f64::min);
            let hi = c.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            ((i * per) as f64 / RATE_HZ, lo, hi)
        })
        .collect()
}

fn spectrum_of(samples: &[f64]) -> Vec<(f64, f64)> {
    let fft = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(samples.len());
    let mut windowed: Vec<f64> = samples
        .iter()
        .enumerate()
        .map(|(i, s)| s * (PI * i as f64 / samples.len() as f64).sin().powi(2))
        .collect();
    let mut bins = fft.make_output_vec();
    fft.process(&mut windowed, &mut bins).unwrap();
    let n = samples.len() as f64;
    bins.iter()
        .enumerate()
        .map(|(k, b)| (k as f64 * RATE_HZ / n, 4.0 * b.norm() / n))
        .collect()
}

fn keep(name: &str, svg: &str) {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/pictures");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(format!("{name}.svg")), svg).unwrap();
    std::fs::write(
        folder.join(format!("{name}.png")),
        svg_to_png(svg, 1.0).unwrap(),
    )
    .unwrap();
}

/// What must hold for every picture; returns it for further checks.
fn sound_svg(svg: Result<String, PictureError>) -> String {
    let svg = svg.unwrap();
    assert!(svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"900\""));
    assert!(svg.contains("<title>") && svg.contains("<desc>"));
    assert!(svg.contains("a clear ring does not show that a wheel is free of defects"));
    let (before, after) = svg.split_once("base64,").unwrap_or((&svg, ""));
    let text = before.to_owned() + after.split_once('"').map_or("", |(_, rest)| rest);
    for bad in ["NaN", "inf", "-2147483648", "2147483647"] {
        assert!(!text.contains(bad), "{bad} in the picture");
    }
    let png = svg_to_png(&svg, 0.5).unwrap();
    let reader = png::Decoder::new(std::io::Cursor::new(&png))
        .read_info()
        .unwrap();
    assert_eq!(reader.info().width, 450);
    let height: f64 = svg
        .split("height=\"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap()
        .parse()
        .unwrap();
    assert_eq!(reader.info().height, (0.5 * height).round() as u32);
    svg
}

/// The texts set in a picture, in order.
fn texts(svg: &str) -> Vec<String> {
    svg.split("<text")
        .skip(1)
        .map(|t| {
            t.split_once('>')
                .unwrap()
                .1
                .split("</text>")
                .next()
                .unwrap()
                .trim()
                .to_owned()
        })
        .collect()
}

fn four_taps() -> Vec<TapMark> {
    [
        (0.62, Reading::ClearRing),
        (2.71, Reading::DullThud),
        (4.60, Reading::Unclear),
        (6.85, Reading::ClearRing),
    ]
    .iter()
    .enumerate()
    .map(|(i, (time_s, reading))| TapMark {
        time_s: *time_s,
        number: i + 1,
        reading: Some(*reading),
    })
    .collect()
}

fn four_tap_recording() -> Vec<f64> {
    let mut all = tap(0.62, 2.1, 1.0);
    all.extend(tap(0.61, 1.9, 7.0));
    all.extend(tap(0.60, 2.25, 1.3));
    all.extend(tap(0.60, 2.0, 1.0));
    all
}

#[test]
fn a_recording_shows_each_tap_with_its_words() {
    let samples = four_tap_recording();
    let taps = four_taps();
    let svg = sound_svg(waveform_picture(&Waveform {
        subject: "Wheel W-104, sounding of 12 May 2026, taps.wav",
        buckets: &buckets(&samples, 64),
        taps: &taps,
    }));
    keep("waveform", &svg);
    let texts = texts(&svg);
    for label in ["1 clear ring", "2 dull thud", "3 unclear", "4 clear ring"] {
        assert!(texts.iter().any(|t| t == label), "{label}: {texts:?}");
    }
    assert!(svg.len() < 150_000, "{}", svg.len());
}

#[test]
fn many_taps_keep_number_or_shape() {
    let samples = four_tap_recording();
    let many = |n: usize| -> String {
        let taps: Vec<TapMark> = (0..n)
            .map(|i| TapMark {
                time_s: 0.2 + 7.9 * i as f64 / n as f64,
                number: i + 1,
                reading: [Some(Reading::ClearRing), Some(Reading::Unclear), None][i % 3],
            })
            .collect();
        sound_svg(waveform_picture(&Waveform {
            subject: "a folder of taps",
            buckets: &buckets(&samples, 480),
            taps: &taps,
        }))
    };
    let twenty = many(20);
    keep("waveform-20", &twenty);
    let words = |svg: &str| texts(svg).iter().filter(|t| t.starts_with("20")).count();
    assert_eq!(words(&twenty), 1);
    keep("waveform-60", &many(60));
    assert!(many(2000).len() < 1_500_000);
}

fn modes(held: ModeHeld) -> Vec<ModeMark> {
    MODES
        .iter()
        .map(|(f, a, t)| ModeMark {
            freq_hz: *f,
            amplitude: *a,
            ring_time_s: Some(*t),
            label: (*f < 4000.0).then_some((2, 0)),
            held,
        })
        .collect()
}

fn baseline() -> Vec<BaselineMark> {
    MODES
        .iter()
        .map(|(f, _, _)| BaselineMark {
            freq_hz: f * 0.998,
            limits_hz: (f * 0.985, f * 1.011),
            found: true,
        })
        .collect()
}

#[test]
fn a_spectrum_names_its_modes_beside_the_baseline() {
    let mut modes = modes(ModeHeld::Within);
    modes[3].held = ModeHeld::Outside;
    modes[3].freq_hz = 3_290.0;
    let mut baseline = baseline();
    baseline[3].found = false;
    let refused = [
        RefusedMark {
            freq_hz: 100.0,
            why: Refusal::Steady,
        },
        RefusedMark {
            freq_hz: 5_150.0,
            why: Refusal::Loose,
        },
        RefusedMark {
            freq_hz: 5_260.0,
            why: Refusal::Room,
        },
        RefusedMark {
            freq_hz: 12_800.0,
            why: Refusal::Weak,
        },
    ];
    let lines = spectrum_of(&tap(0.0, 1.0, 1.0));
    let svg = sound_svg(spectrum_picture(&Spectrum {
        subject: "Wheel W-104, tap 2 at 90°, against its own baseline of 4 soundings",
        lines: &lines,
        modes: &modes,
        baseline: &baseline,
        refused: &refused,
    }));
    keep("spectrum", &svg);
    let texts = texts(&svg);
    for mode in &modes {
        let f = mode.freq_hz as u32;
        let label = format!(
            "{}{:03} Hz",
            if f >= 1000 {
                format!("{}\u{202f}", f / 1000)
            } else {
                String::new()
            },
            f % 1000
        );
        assert!(texts.contains(&label), "{label}: {texts:?}");
    }
    assert!(texts.iter().any(|t| t == "steady") && texts.iter().any(|t| t == "weak"));
    // One block of paper and one of orange for the mode outside, in plot and row, and an
    // orange frame for the baseline's mode that was not found.
    assert!(svg.matches("#C45300").count() >= 3);
    assert!(svg.len() < 120_000, "{}", svg.len());
}

#[test]
fn crowded_modes_name_the_strongest_and_say_so() {
    let modes: Vec<ModeMark> = (0..40)
        .map(|i| ModeMark {
            freq_hz: 400.0 + 37.0 * f64::from(i),
            amplitude: 0.001 * f64::from(1 + (i * 7) % 40),
            ring_time_s: Some(1.5),
            label: None,
            held: ModeHeld::NotCompared,
        })
        .collect();
    let svg = sound_svg(spectrum_picture(&Spectrum {
        subject: "Wheel W-7, 500 mm",
        lines: &spectrum_of(&tap(0.0, 0.5, 1.0)),
        modes: &modes,
        baseline: &[],
        refused: &[],
    }));
    keep("spectrum-crowded", &svg);
    let texts = texts(&svg);
    let named = texts.iter().filter(|t| t.ends_with(" Hz")).count();
    assert!((8..20).contains(&named), "{named}");
    assert!(texts.contains(&format!("the {named} strongest of 40 modes are named")));
}

#[test]
fn a_spectrum_over_time_has_its_picture_scale_and_modes() {
    let samples = tap(0.05, 1.0, 1.0);
    let freqs: Vec<f64> = MODES.iter().map(|m| m.0).collect();
    let input = TimeSpectrum {
        subject: "Wheel W-104, tap 1 at 0°",
        samples: &samples,
        rate: SampleRate::new(48_000).unwrap(),
        from_s: -0.05,
        modes_hz: &freqs,
    };
    let svg = sound_svg(time_spectrum_picture(&input));
    keep("time-spectrum", &svg);
    assert_eq!(svg.matches("data:image/png;base64,").count(), 1);
    assert!(texts(&svg).iter().any(|t| t == "level in dB, loudest = 0"));
    assert_eq!(
        texts(&svg).iter().filter(|t| t.ends_with(" Hz")).count(),
        MODES.len()
    );
    assert!(svg.len() < 300_000, "{}", svg.len());
    let dead = tap(0.05, 1.0, 9.0);
    let dead = TimeSpectrum {
        samples: &dead,
        modes_hz: &[],
        ..input
    };
    keep(
        "time-spectrum-dead",
        &sound_svg(time_spectrum_picture(&dead)),
    );
    assert_eq!(svg, time_spectrum_picture(&input).unwrap());
}

fn decay_curve(t60: f64, floor_db: f64) -> Vec<(f64, f64)> {
    noise(400)
        .enumerate()
        .map(|(i, wobble)| {
            let t = i as f64 * 0.003;
            let level = 10.0 * (10f64.powf(-6.0 * t / t60) + 10f64.powf(floor_db / 10.0)).log10();
            (t, level + 0.7 * wobble)
        })
        .collect()
}

#[test]
fn decays_name_their_time_or_why_there_is_none() {
    let times = [1.10, 0.95, 0.71, 0.42, 0.30, 0.0];
    let curves: Vec<_> = times
        .iter()
        .map(|t| decay_curve(f64::max(*t, 0.03), -52.0))
        .collect();
    let edges = [
        710.0, 1_420.0, 2_840.0, 5_680.0, 8_000.0, 11_360.0, 16_000.0,
    ];
    let bands: Vec<DecayBand<'_>> = times
        .iter()
        .enumerate()
        .map(|(i, t60)| DecayBand {
            band_hz: (edges[i], edges[i + 1]),
            curve: &curves[i],
            fit: if *t60 > 0.0 {
                Ok(DecayFit {
                    fitted_s: (5.0 * t60 / 60.0, 35.0 * t60 / 60.0),
                    fitted_db: (-5.0, -35.0),
                    ring_time_s: *t60,
                    ring_time_std_s: Some(0.013),
                })
            } else {
                Err("only 9 dB above the noise, 20 dB are needed".to_owned())
            },
        })
        .collect();
    let svg = sound_svg(decay_picture(&Decay {
        subject: "Wheel W-104, tap 1 at 0°",
        bands: &bands,
    }));
    keep("decay", &svg);
    let words = texts(&svg);
    for label in [
        "T60 1.10 ± 0.01 s",
        "T60 0.42 ± 0.01 s",
        "no T60",
        "only 9 dB above the noise, 20",
        "dB are needed",
    ] {
        assert!(words.iter().any(|t| t == label), "{label}: {words:?}");
    }
    let one = sound_svg(decay_picture(&Decay {
        subject: "Wheel W-104, tap 1 at 0°",
        bands: &bands[..1],
    }));
    keep("decay-one", &one);
    let twenty = vec![bands[2].clone(); 20];
    let svg = sound_svg(decay_picture(&Decay {
        subject: "many bands",
        bands: &twenty,
    }));
    keep("decay-many", &svg);
    assert!(texts(&svg).iter().any(|t| t == "12 of 20 bands are drawn"));
    assert!(svg.len() < 300_000, "{}", svg.len());
}

fn face_taps(spots: &[Option<f64>]) -> Vec<FaceTap> {
    let kinds = [
        (Some(Reading::ClearRing), Some(0.97)),
        (Some(Reading::ClearRing), Some(0.91)),
        (Some(Reading::DullThud), Some(0.11)),
        (Some(Reading::Unclear), None),
        (Some(Reading::ClearRing), Some(1.02)),
        (Some(Reading::ClearRing), Some(0.88)),
        (None, None),
        (Some(Reading::ClearRing), Some(0.95)),
    ];
    spots
        .iter()
        .enumerate()
        .map(|(i, spot_deg)| FaceTap {
            number: i + 1,
            spot_deg: *spot_deg,
            reading: kinds[i % 8].0,
            ring_time_s: kinds[i % 8].1,
        })
        .collect()
}

#[test]
fn the_face_shows_each_tap_as_shape_and_word() {
    let subject = "Wheel W-104, 200 x 20 x 32 mm, sounding of 12 May 2026";
    let draw = |spots: &[Option<f64>], hole| {
        sound_svg(face_picture(&Face {
            subject,
            hole_share: hole,
            taps: &face_taps(spots),
        }))
    };
    let quarter = draw(
        &[Some(0.0), Some(90.0), Some(180.0), Some(270.0)],
        Some(0.16),
    );
    keep("face-quarter", &quarter);
    let words = texts(&quarter);
    for label in [
        "clear ring",
        "dull thud",
        "unclear",
        "0°",
        "90°",
        "180°",
        "270°",
        "0.97 s",
        "0.11 s",
        "mark on the wheel: 0°",
    ] {
        assert!(words.iter().any(|t| t == label), "{label}: {words:?}");
    }
    let eight: Vec<_> = (0..8).map(|i| Some(45.0 * f64::from(i))).collect();
    keep("face-eight", &draw(&eight, Some(0.4)));
    let spread = draw(&[Some(0.0), Some(112.5), Some(225.0), Some(337.5)], None);
    keep("face-spread", &spread);
    assert!(texts(&spread).iter().any(|t| t == "112.5°"));
    let twice = draw(
        &[
            Some(45.0),
            Some(315.0),
            Some(45.0),
            None,
            Some(90.0),
            Some(0.0),
        ],
        Some(0.2),
    );
    keep("face-twice", &twice);
    assert!(texts(&twice).iter().any(|t| t == "not noted"));
    let unknown = draw(&[None, None, None, None], Some(0.16));
    keep("face-unknown", &unknown);
    assert!(texts(&unknown).iter().any(|t| t == "no tap spot was noted"));
    assert!(quarter.len() < 60_000, "{}", quarter.len());
}

#[test]
fn a_longer_ring_draws_a_longer_trail() {
    let width = |time: f64| {
        let taps = [(1, 0.0, 1.0), (2, 180.0, time)].map(|(number, deg, t)| FaceTap {
            number,
            spot_deg: Some(deg),
            reading: Some(Reading::ClearRing),
            ring_time_s: Some(t),
        });
        let svg = face_picture(&Face {
            subject: "",
            hole_share: None,
            taps: &taps,
        })
        .unwrap();
        // Corners of the second trail: two per step of two degrees.
        let polygons: Vec<usize> = svg
            .split("<polygon")
            .skip(1)
            .map(|p| p.split("/>").next().unwrap().matches(',').count())
            .filter(|n| *n > 8)
            .collect();
        polygons[1]
    };
    assert!(width(0.2) < width(0.4) && width(0.4) < width(0.9));
}

#[test]
fn anything_can_be_drawn() {
    let odd = [
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        1e308,
        -1e308,
        0.0,
        -0.0,
        1e-308,
        1e12,
        1.0,
    ];
    let name = "a <wheel> & \"its\" 'name' \u{1}\u{fffe} 車輪 ".repeat(30);
    let pairs: Vec<(f64, f64)> = odd
        .iter()
        .flat_map(|a| odd.iter().map(|b| (*a, *b)))
        .collect();
    for subset in [
        &pairs[..0],
        &pairs[..1],
        &pairs[55..56],
        &pairs[..],
        &[(0.0, 1.0)][..],
    ] {
        let buckets: Vec<_> = subset.iter().map(|p| (p.0, p.1, p.1)).collect();
        let taps: Vec<_> = subset
            .iter()
            .map(|p| TapMark {
                time_s: p.0,
                number: usize::MAX,
                reading: None,
            })
            .collect();
        sound_svg(waveform_picture(&Waveform {
            subject: &name,
            buckets: &buckets,
            taps: &taps,
        }));
        let modes: Vec<_> = subset
            .iter()
            .map(|p| ModeMark {
                freq_hz: p.0,
                amplitude: p.1,
                ring_time_s: Some(p.1),
                label: None,
                held: ModeHeld::Outside,
            })
            .collect();
        let base: Vec<_> = subset
            .iter()
            .map(|p| BaselineMark {
                freq_hz: p.0,
                limits_hz: (p.1, p.0),
                found: false,
            })
            .collect();
        let refused: Vec<_> = subset
            .iter()
            .map(|p| RefusedMark {
                freq_hz: p.1,
                why: Refusal::Cancel,
            })
            .collect();
        sound_svg(spectrum_picture(&Spectrum {
            subject: &name,
            lines: subset,
            modes: &modes,
            baseline: &base,
            refused: &refused,
        }));
        let samples: Vec<f64> = subset.iter().map(|p| p.1).collect();
        let freqs: Vec<f64> = subset.iter().map(|p| p.0).collect();
        for (rate, from_s) in [(8_000, f64::NAN), (192_000, 1e11)] {
            let rate = SampleRate::new(rate).unwrap();
            sound_svg(time_spectrum_picture(&TimeSpectrum {
                subject: &name,
                samples: &samples,
                rate,
                from_s,
                modes_hz: &freqs,
            }));
        }
        let bands: Vec<_> = subset
            .iter()
            .take(12)
            .map(|p| DecayBand {
                band_hz: *p,
                curve: subset,
                fit: Ok(DecayFit {
                    fitted_s: *p,
                    fitted_db: (p.1, p.0),
                    ring_time_s: p.1,
                    ring_time_std_s: Some(p.0),
                }),
            })
            .collect();
        sound_svg(decay_picture(&Decay {
            subject: &name,
            bands: &bands,
        }));
        let faces: Vec<_> = subset
            .iter()
            .map(|p| FaceTap {
                number: 0,
                spot_deg: Some(p.0),
                reading: None,
                ring_time_s: Some(p.1),
            })
            .collect();
        sound_svg(face_picture(&Face {
            subject: &name,
            hole_share: subset.first().map(|p| p.0),
            taps: &faces,
        }));
    }
}
