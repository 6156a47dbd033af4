//! The sounds of the class: made-up taps of an invented wheel, sound and damaged, by subject.
//!
//! The demonstration shows them all; each is one tap. Everything is computed from the model in
//! [`crate::ring::synth`]; nothing is a recording of a wheel.

use std::f64::consts::PI;

use crate::ring::synth::{
    BondLoss, Bounce, CrackFrom, Damage, Holding, Imperfection, Noise, Radiation, Scene, Source,
    Strike, WheelModel,
};
use crate::tasks::make_demo::harrow_lane::{hl1, tool_room};
use crate::units::{RateOutOfRange, SampleRate};

/// Sample rate of the class's sounds in Hz.
const RATE_HZ: u32 = 48_000;
/// Quiet before the tap in seconds.
pub(super) const QUIET_S: f64 = 0.15;
/// Length after the tap in seconds.
const TAIL_S: f64 = 1.35;
/// Cracks of the series, as shares of the web.
const CRACKS: [f64; 8] = [0.0, 0.08, 0.15, 0.3, 0.5, 0.7, 0.85, 1.0];

/// What a specimen shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subject {
    /// A sound wheel beside a damaged one.
    SideBySide,
    /// A crack that grows from none to through.
    Growing,
    /// What the bond does.
    Bond,
    /// What moisture does.
    Damp,
    /// What holding does.
    Holding,
    /// What the place of the tap does.
    Place,
    /// What handle and hand do.
    Tap,
    /// What noise and room do.
    Noise,
}

/// One made-up tap.
#[derive(Debug, Clone, PartialEq)]
pub struct Specimen {
    /// A short name that no other has, fit for a file.
    pub key: String,
    /// What it shows.
    pub subject: Subject,
    /// Its name for people.
    pub name: String,
    /// What was done, in one or two sentences.
    pub about: String,
    /// The recording to be made.
    pub scene: Scene,
}

/// All specimens, in the order of the page.
///
/// # Errors
/// [`RateOutOfRange`]: a fault of the program.
pub fn specimens() -> Result<Vec<Specimen>, RateOutOfRange> {
    let rate = SampleRate::new(RATE_HZ)?;
    let mut all = Vec::new();
    for (subject, key, name, about, scene) in [
        side_by_side(rate),
        bonds(rate),
        damp(rate),
        holding(rate),
        places(rate),
        taps(rate),
        noises(rate),
    ]
    .into_iter()
    .flatten()
    {
        all.push(Specimen {
            key: key.to_owned(),
            subject,
            name: name.to_owned(),
            about: about.to_owned(),
            scene,
        });
    }
    all.extend(CRACKS.into_iter().map(|severity| growing(rate, severity)));
    all.sort_by_key(|s| s.subject);
    Ok(all)
}

/// One tap of a wheel in the invented tool room.
pub(super) fn one_tap(rate: SampleRate, wheel: WheelModel, strike: Strike, seed: u64) -> Scene {
    Scene {
        quiet_s: QUIET_S,
        tail_s: TAIL_S,
        peak_db: -8.0,
        distance_m: 0.2,
        room: Some(tool_room()),
        noise: vec![
            Noise::White { rms_db: -82.0 },
            Noise::Pink { rms_db: -74.0 },
        ],
        seed,
        ..Scene::plain(rate, Source::Wheel(wheel), vec![strike])
    }
}

/// A crack from the rim at 100 degrees from the wheel's mark.
pub(super) fn crack(severity: f64) -> Damage {
    Damage::Crack {
        severity,
        angle_rad: f64::to_radians(100.0),
        from: CrackFrom::Rim,
    }
}

/// A tap at the first place of the rule's turns, microphone 20 degrees from the top.
pub(super) fn usual_tap() -> Strike {
    Strike {
        mic_rad: f64::to_radians(20.0),
        ..Strike::at(f64::to_radians(-45.0))
    }
}

/// Subject, key, name, what was done, scene.
type Row = (Subject, &'static str, &'static str, &'static str, Scene);

fn growing(rate: SampleRate, severity: f64) -> Specimen {
    let percent = (100.0 * severity).round();
    let (name, about) = if severity == 0.0 {
        ("No crack".to_owned(), "HL-1 as new.".to_owned())
    } else if severity >= 1.0 {
        (
            "Crack through".to_owned(),
            "HL-1 cracked from the rim to the bore; the wheel is taken to come apart.".to_owned(),
        )
    } else {
        (
            format!("Crack through {percent} % of the web"),
            format!(
                "HL-1 with a radial crack from the rim through {percent} % of the way to the bore, through the whole thickness."
            ),
        )
    };
    let wheel = if severity == 0.0 {
        hl1()
    } else {
        hl1().with(crack(severity))
    };
    Specimen {
        key: format!("crack-{percent:03}"),
        subject: Subject::Growing,
        name,
        about,
        scene: one_tap(rate, wheel, usual_tap(), 21),
    }
}

fn side_by_side(rate: SampleRate) -> Vec<Row> {
    let of = |wheel| one_tap(rate, wheel, usual_tap(), 20);
    use Subject::SideBySide as S;
    vec![
        (
            S,
            "sound",
            "A sound wheel",
            "HL-1 as new: a clear ring that dies away slowly.",
            of(hl1()),
        ),
        (
            S,
            "cracked",
            "The same wheel, cracked",
            "HL-1 with a crack through 95 % of the web: a dead thud.",
            of(hl1().with(crack(0.95))),
        ),
    ]
}

fn bonds(rate: SampleRate) -> Vec<Row> {
    let of = |loss, youngs_pa, density_kg_m3| {
        let mut wheel = hl1();
        wheel.loss = loss;
        wheel.material.youngs_pa = youngs_pa;
        wheel.material.density_kg_m3 = density_kg_m3;
        one_tap(rate, wheel, usual_tap(), 22)
    };
    use Subject::Bond as S;
    vec![
        (
            S,
            "bond-vitrified",
            "Vitrified bond",
            "Hard and glassy: rings long.",
            of(BondLoss::VITRIFIED, 45e9, 2300.0),
        ),
        (
            S,
            "bond-silicate",
            "Silicate bond",
            "Rings shorter.",
            of(BondLoss::SILICATE, 30e9, 2200.0),
        ),
        (
            S,
            "bond-resinoid",
            "Resinoid bond",
            "Sound, and still damped: an organic bond does not ring like a vitrified one.",
            of(BondLoss::RESINOID, 25e9, 2500.0),
        ),
        (
            S,
            "bond-shellac",
            "Shellac bond",
            "Sound, and hardly rings.",
            of(BondLoss::SHELLAC, 15e9, 2300.0),
        ),
        (
            S,
            "bond-rubber",
            "Rubber bond",
            "Sound, and thuds: the ring test cannot tell such a wheel from a cracked one.",
            of(BondLoss::RUBBER, 8e9, 2200.0),
        ),
    ]
}

fn damp(rate: SampleRate) -> Vec<Row> {
    let of = |water_share| {
        let wheel = hl1().with(Damage::Damp { water_share });
        one_tap(rate, wheel, usual_tap(), 23)
    };
    use Subject::Damp as S;
    vec![
        (
            S,
            "damp-a-little",
            "A little damp",
            "HL-1 with 1 % of its mass of coolant in its pores: lower and shorter. Dry a wheel before it is sounded.",
            of(0.01),
        ),
        (
            S,
            "damp-wet",
            "Wet",
            "HL-1 with 6 % of its mass of coolant: it thuds, and nobody can tell whether it is cracked.",
            of(0.06),
        ),
    ]
}

fn holding(rate: SampleRate) -> Vec<Row> {
    let of = |holding| {
        let wheel = WheelModel { holding, ..hl1() };
        one_tap(rate, wheel, usual_tap(), 24)
    };
    let floor = Holding::OnFloor { angle_rad: PI };
    let grip = Holding::Gripped { angle_rad: 0.0 };
    use Subject::Holding as S;
    vec![
        (
            S,
            "held-hung",
            "Hung on a finger or pin through the bore",
            "As free as it gets.",
            of(Holding::Hung),
        ),
        (
            S,
            "held-floor",
            "Standing on a clean hard floor",
            "As heavy wheels are sounded: a little shorter.",
            of(floor),
        ),
        (
            S,
            "held-rim",
            "Held by the rim",
            "A hand on the rim damps the ring of a sound wheel: hold it at the bore only.",
            of(grip),
        ),
        (
            S,
            "held-flat",
            "Lying flat on the bench",
            "The bench takes the ring away: a sound wheel thuds.",
            of(Holding::Flat),
        ),
    ]
}

/// A perfectly even wheel on the floor: the modes' place then follows the floor alone.
fn places(rate: SampleRate) -> Vec<Row> {
    let of = |deg: f64| {
        let wheel = WheelModel {
            holding: Holding::OnFloor { angle_rad: 0.0 },
            imperfection: Imperfection::none(),
            ..hl1()
        };
        // The floor is at angle 0 here, so the top is at 180 degrees.
        let spot = PI + f64::to_radians(deg);
        one_tap(rate, wheel, Strike::at(spot), 25)
    };
    use Subject::Place as S;
    vec![
        (
            S,
            "tap-at-45",
            "Tapped 45 degrees off the vertical line",
            "A perfectly even HL-1 standing on the floor. The lowest tone that this tap strikes has a node at the floor and rings.",
            of(45.0),
        ),
        (
            S,
            "tap-on-vertical",
            "Tapped on the vertical line",
            "The same wheel, tapped straight above the floor: it strikes the tone that the floor damps most, and rings shorter though nothing is wrong with it.",
            of(0.0),
        ),
    ]
}

fn taps(rate: SampleRate) -> Vec<Row> {
    let of = |strike| one_tap(rate, hl1(), strike, 26);
    let with = |contact_s| Strike {
        contact_s,
        ..usual_tap()
    };
    let twice = Strike {
        bounce: Some(Bounce {
            after_s: 0.031,
            level_db: -6.0,
        }),
        ..usual_tap()
    };
    let afar = Scene {
        radiation: Radiation::Face {
            off_axis_rad: f64::to_radians(50.0),
        },
        distance_m: 1.0,
        ..of(usual_tap())
    };
    use Subject::Tap as S;
    vec![
        (
            S,
            "handle-plastic",
            "Hard plastic handle",
            "0.3 ms of contact: bright.",
            of(with(0.3e-3)),
        ),
        (
            S,
            "handle-wood",
            "Wooden handle",
            "0.4 ms of contact.",
            of(with(0.4e-3)),
        ),
        (
            S,
            "handle-soft",
            "Soft mallet",
            "1.5 ms of contact: hardly any of the high tones is struck.",
            of(with(1.5e-3)),
        ),
        (
            S,
            "tap-bounced",
            "The handle bounces",
            "A second contact 31 ms after the first: to be tapped again.",
            of(twice),
        ),
        (
            S,
            "heard-from-afar",
            "Heard from a metre away",
            "The sound of the whole face in front of the wheel, and more of the room in it.",
            afar,
        ),
    ]
}

fn noises(rate: SampleRate) -> Vec<Row> {
    let shop = |wheel| Scene {
        noise: vec![
            Noise::Pink { rms_db: -42.0 },
            Noise::Hum {
                mains_hz: 50.0,
                harmonics: 24,
                rms_db: -40.0,
            },
            Noise::Tone {
                freq_hz: 1475.0,
                rms_db: -48.0,
            },
        ],
        ..one_tap(rate, wheel, usual_tap(), 27)
    };
    let mut live = one_tap(rate, hl1(), usual_tap(), 28);
    if let Some(room) = &mut live.room {
        room.t60_s = 1.2;
        room.direct_over_tail_db = 6.0;
    }
    use Subject::Noise as S;
    vec![
        (
            S,
            "noise-shop",
            "A sound wheel in shop noise",
            "Rumble, 50 Hz hum and a machine's tone at 1475 Hz, which does not die away.",
            shop(hl1()),
        ),
        (
            S,
            "noise-shop-cracked",
            "A cracked wheel in the same noise",
            "HL-1 cracked through 95 % of the web: a steady tone is not a ring.",
            shop(hl1().with(crack(0.95))),
        ),
        (
            S,
            "noise-live-room",
            "A sound wheel in a live room",
            "1.2 s of echo: the room rings along, also with a thud.",
            live,
        ),
    ]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn every_subject_has_specimens_of_its_own_key() {
        let all = specimens().unwrap();
        let keys: BTreeSet<&str> = all.iter().map(|s| s.key.as_str()).collect();
        assert_eq!(keys.len(), all.len());
        let subjects: BTreeSet<Subject> = all.iter().map(|s| s.subject).collect();
        assert_eq!(subjects.len(), 8);
        assert!(all.iter().all(|s| s.scene.strikes.len() == 1));
    }
}
