//! The set itself: the invented tool room, its wheels and what happens to them.

use super::{MustGive, Plan};
use crate::ring::plate::Material;
use crate::ring::synth::{
    BondLoss, Bounce, CrackFrom, Damage, Imperfection, Noise, OtherSound, Room, Scene, Source,
    Strike, WheelModel, turned_under_mic,
};
use crate::units::{RateOutOfRange, SampleRate};

/// The set in order.
pub(super) fn plans() -> Result<Vec<Plan>, RateOutOfRange> {
    let usual = SampleRate::new(48_000)?;
    let mut plans = days_of_hl1(usual);
    plans.extend(trouble_with_hl1(usual));
    plans.extend(other_wheels(
        usual,
        SampleRate::new(96_000)?,
        SampleRate::new(44_100)?,
    ));
    plans.extend(no_wheels(usual));
    Ok(plans)
}

/// HL-1: 200x20x32, vitrified.
pub(in crate::tasks) fn hl1() -> WheelModel {
    let material = Material {
        youngs_pa: 45e9,
        density_kg_m3: 2300.0,
        poisson: 0.2,
    };
    let size_m = [0.2, 0.02, 0.032];
    WheelModel::sound(
        size_m,
        material,
        BondLoss::VITRIFIED,
        Imperfection::usual(101),
    )
}

/// The tool room: 0.35 s at 1 kHz, direct sound 24 dB over the tail at 0.25 m.
pub(in crate::tasks) fn tool_room() -> Room {
    Room {
        t60_s: 0.35,
        treble_share: 0.6,
        direct_over_tail_db: 24.0,
        seed: 77,
    }
}

/// Taps of the rule's turns: 45 degrees either side of the vertical, the wheel turned by 45
/// degrees, again; the microphone stays in the room at `mic_deg` from the top. Angles on the
/// wheel: -45, 45, -90, 0.
fn rule_turns(mic_deg: f64, strengths: [f64; 4], contact_s: f64) -> Vec<Strike> {
    [(-45.0, 0.0), (45.0, 0.0), (-45.0, 45.0), (45.0, 45.0)]
        .into_iter()
        .zip(strengths)
        .map(|((place_deg, turned_deg), strength)| Strike {
            mic_rad: f64::to_radians(mic_deg - turned_deg),
            strength,
            contact_s,
            ..Strike::at(f64::to_radians(place_deg - turned_deg))
        })
        .collect()
}

/// In the tool room with a little noise, taps 0.9 s apart.
fn scene(rate: SampleRate, model: WheelModel, strikes: Vec<Strike>, seed: u64) -> Scene {
    Scene {
        spacing_s: 0.9,
        tail_s: 0.9,
        peak_db: -8.0,
        distance_m: 0.2,
        room: Some(tool_room()),
        noise: vec![
            Noise::White { rms_db: -82.0 },
            Noise::Pink { rms_db: -74.0 },
        ],
        seed,
        ..Scene::plain(rate, Source::Wheel(model), strikes)
    }
}

fn plan(file: &'static str, about: &'static str, must_give: MustGive, scene: Scene) -> Plan {
    Plan {
        file,
        wheel: Some("HL-1"),
        about,
        must_give,
        bits: 16,
        file_per_tap: false,
        scene,
    }
}

fn days_of_hl1(rate: SampleRate) -> Vec<Plan> {
    let even = [1.0, 0.9, 1.05, 0.95];
    let monday = scene(rate, hl1(), rule_turns(20.0, even, 0.4e-3), 1);
    let warm = WheelModel {
        warmer_k: 4.0,
        ..hl1()
    };
    let tuesday = scene(
        rate,
        warm,
        rule_turns(20.0, [0.7, 1.0, 0.6, 0.9], 0.45e-3),
        2,
    );
    let cold = WheelModel {
        warmer_k: -6.0,
        ..hl1()
    };
    let friday = Scene {
        distance_m: 0.15,
        peak_db: -11.0,
        ..scene(
            rate,
            cold,
            rule_turns(-10.0, [1.0, 0.8, 0.9, 1.1], 0.35e-3),
            3,
        )
    };
    let crack = |severity| Damage::Crack {
        severity,
        angle_rad: f64::to_radians(100.0),
        from: CrackFrom::Rim,
    };
    let fine = scene(
        rate,
        hl1().with(crack(0.15)),
        rule_turns(20.0, even, 0.4e-3),
        4,
    );
    let deep = scene(
        rate,
        hl1().with(crack(0.95)),
        rule_turns(20.0, even, 0.4e-3),
        5,
    );
    use MustGive::{ChangedRing, ClearRing, DullThud};
    vec![
        plan(
            "hl1-monday.wav",
            "HL-1 as new, four taps by the rule's turns.",
            ClearRing,
            monday,
        ),
        plan(
            "hl1-tuesday.wav",
            "HL-1, 4 K warmer, softer and uneven taps.",
            ClearRing,
            tuesday,
        ),
        plan(
            "hl1-friday.wav",
            "HL-1, 6 K colder, microphone nearer and moved.",
            ClearRing,
            friday,
        ),
        plan(
            "hl1-fine-crack.wav",
            "HL-1 with a crack from the rim through 15 % of the web at 100 degrees.",
            ChangedRing,
            fine,
        ),
        plan(
            "hl1-deep-crack.wav",
            "HL-1 with a crack from the rim through 95 % of the web at 100 degrees.",
            DullThud,
            deep,
        ),
    ]
}

fn trouble_with_hl1(rate: SampleRate) -> Vec<Plan> {
    let even = [1.0, 0.9, 1.05, 0.95];
    let taps = || rule_turns(20.0, even, 0.4e-3);
    let mut noisy = scene(rate, hl1(), taps(), 6);
    noisy.noise = vec![
        Noise::Pink { rms_db: -52.0 },
        Noise::Hum {
            mains_hz: 50.0,
            harmonics: 24,
            rms_db: -50.0,
        },
        Noise::Tone {
            freq_hz: 1475.0,
            rms_db: -58.0,
        },
        Noise::Tone {
            freq_hz: 2950.0,
            rms_db: -66.0,
        },
    ];
    let hot = Scene {
        peak_db: 5.0,
        clip_at: Some(1.0),
        ..scene(rate, hl1(), taps(), 7)
    };
    let mut twice = scene(rate, hl1(), taps(), 8);
    for (strike, after_s) in twice.strikes.iter_mut().zip([0.024, 0.031, 0.028, 0.036]) {
        strike.bounce = Some(Bounce {
            after_s,
            level_db: -8.0,
        });
    }
    use MustGive::ClearRing;
    vec![
        plan(
            "hl1-shop-noise.wav",
            "HL-1 with shop noise: rumble, 50 Hz hum with harmonics, machine tones at 1475 and 2950 Hz.",
            ClearRing,
            noisy,
        ),
        plan(
            "hl1-clipped.wav",
            "HL-1, recorder set 5 dB too high.",
            ClearRing,
            hot,
        ),
        plan(
            "hl1-bounced.wav",
            "HL-1, the handle bounces at each tap.",
            ClearRing,
            twice,
        ),
    ]
}

/// Taps and tail closer together, for what does not ring long.
fn short(scene: Scene) -> Scene {
    Scene {
        spacing_s: 0.6,
        tail_s: 0.6,
        ..scene
    }
}

/// HL-2: 125x6x22.23, resinoid.
fn hl2() -> WheelModel {
    let material = Material {
        youngs_pa: 25e9,
        density_kg_m3: 2500.0,
        poisson: 0.25,
    };
    let size_m = [0.125, 0.006, 0.022_23];
    WheelModel::sound(
        size_m,
        material,
        BondLoss::RESINOID,
        Imperfection::usual(102),
    )
}

/// HL-3 and HL-4: 180x13x31.75, soft vitrified.
fn surface_wheel(seed: u64) -> WheelModel {
    let material = Material {
        youngs_pa: 30e9,
        density_kg_m3: 2000.0,
        poisson: 0.2,
    };
    let size_m = [0.18, 0.013, 0.031_75];
    WheelModel::sound(
        size_m,
        material,
        BondLoss::VITRIFIED,
        Imperfection::usual(seed),
    )
}

fn other_wheels(usual: SampleRate, high: SampleRate, disc: SampleRate) -> Vec<Plan> {
    let taps = |contact_s| rule_turns(20.0, [1.0; 4], contact_s);
    let mut fine = short(scene(high, hl2(), taps(0.4e-3), 9));
    for strike in &mut fine.strikes {
        strike.inset_m = 0.015;
    }
    let broken = surface_wheel(103).with(Damage::Dead);
    let dead = short(scene(usual, broken, taps(0.5e-3), 10));
    let spots = [0.0, 90.0, 180.0, 270.0].map(f64::to_radians);
    let quarter = turned_under_mic(&spots, f64::to_radians(15.0));
    // Far enough apart that nothing of the last tap is left in the next file.
    let one_by_one = Scene {
        spacing_s: 4.0,
        ..scene(disc, surface_wheel(104), quarter, 11)
    };
    use MustGive::{ClearRing, DullThud};
    let resinoid = "HL-2, a small sound resinoid wheel: short ring. 24 bit, 96 kHz.";
    let quarters = "HL-4, a sound soft surface wheel, one file per tap by quarter turns. 44.1 kHz.";
    vec![
        Plan {
            wheel: Some("HL-2"),
            bits: 24,
            ..plan("hl2-resinoid.wav", resinoid, ClearRing, fine)
        },
        Plan {
            wheel: Some("HL-3"),
            ..plan(
                "hl3-dead.wav",
                "HL-3, a wheel broken through.",
                DullThud,
                dead,
            )
        },
        Plan {
            wheel: Some("HL-4"),
            file_per_tap: true,
            ..plan("hl4-quarter-turns", quarters, ClearRing, one_by_one)
        },
    ]
}

fn no_wheels(rate: SampleRate) -> Vec<Plan> {
    let hall = Room {
        t60_s: 0.7,
        treble_share: 0.5,
        direct_over_tail_db: 3.0,
        seed: 78,
    };
    let claps = Scene {
        source: Source::Other(OtherSound::Clap),
        room: Some(hall),
        spacing_s: 0.8,
        tail_s: 0.8,
        ..scene(rate, hl1(), vec![Strike::at(0.0); 3], 12)
    };
    vec![Plan {
        wheel: None,
        ..plan(
            "clap-live-room.wav",
            "Three claps in a live room.",
            MustGive::NoRing,
            claps,
        )
    }]
}
