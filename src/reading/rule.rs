//! From a tap to a reading with its evidence, by the physics alone.

use crate::reading::baseline::Baseline;
use crate::reading::compare::compare_tap;
use crate::reading::{Damping, Evidence, Judgement, Reading};
use crate::ring::flaw::Flaw;
use crate::ring::tap::Tap;

/// A tap must stand this far over the noise to be read, in dB.
const LEAST_OVER_NOISE_DB: f64 = 15.0;
/// From this ring fraction on a tap rings.
const RINGS: f64 = 0.75;
/// Below this ring fraction it is dead.
const DEAD: f64 = 0.40;
/// Energy over noise density from which a mode counts, in dB.
const STRONG_DB: f64 = 20.0;
/// Energy-weighted quality factor from which a tap rings clear with nothing to compare with.
const CLEAR_Q: f64 = 200.0;
/// Where these limits come from.
const FROM: &str = "physics alone, our own setting (docs/method.md)";

/// Reads one tap with nothing to compare it with.
///
/// `clear ring` here means that damped tones explain the sound, at least two of them and with
/// little damping; it does not mean that the wheel is sound.
pub fn judge_alone(tap: &Tap) -> Judgement {
    judge(tap, true)
}

/// How the reason begins when a tap rings and only its quality factor keeps it from being clear:
/// what a sound organic bond gives as long as nothing stands behind it.
pub const DAMPED: &str = "its tones are damped";

/// Reads one tap of a wheel whose baseline is being taken: as [`judge_alone`], but an organic
/// bond, which damps, need not reach the quality factor of a clear ring.
pub fn judge_for_baseline(tap: &Tap, damping: Damping) -> Judgement {
    judge(tap, damping == Damping::Low)
}

/// Reads one tap against the wheel's baseline: it must ring by the physics, and ring time and
/// damping must be within the baseline's limits, which stand in for the quality factor.
pub fn judge_against(tap: &Tap, baseline: &Baseline) -> Judgement {
    let mut out = judge(tap, false);
    // What cannot be read by itself cannot be compared either.
    if out.reading != Reading::ClearRing {
        return out;
    }
    match compare_tap(baseline, tap) {
        Ok((evidence, changes)) => {
            let worst = evidence.iter().filter_map(|e| e.speaks_for).max();
            out.reading = worst.unwrap_or(out.reading).max(out.reading);
            if !changes.is_empty() {
                out.reasons = changes;
            }
            out.evidence.extend(evidence);
        }
        Err(why) => {
            out.reading = Reading::Unclear;
            out.reasons = vec![format!("its baseline gives no limits: {why}")];
        }
    }
    out
}

fn judge(tap: &Tap, needs_quality: bool) -> Judgement {
    let strong: Vec<_> = tap
        .modes
        .iter()
        .filter(|m| m.energy_db >= STRONG_DB)
        .collect();
    let total: f64 = strong.iter().map(|m| m.energy()).sum();
    let q = if total > 0.0 {
        strong.iter().map(|m| m.energy() * m.q()).sum::<f64>() / total
    } else {
        0.0
    };
    let fraction = tap.ring_fraction;
    let mut evidence = Vec::new();
    if let Some(r) = fraction {
        let speaks = if r >= RINGS {
            Reading::ClearRing
        } else if r < DEAD {
            Reading::DullThud
        } else {
            Reading::Unclear
        };
        evidence.push(figure("ring fraction", r, "", RINGS, speaks));
    }
    let count = strong.len() as f64;
    evidence.push(figure(
        "tones that ring",
        count,
        "",
        2.0,
        if count >= 2.0 {
            Reading::ClearRing
        } else {
            Reading::Unclear
        },
    ));
    let mut quality = figure(
        "quality factor",
        q,
        "",
        CLEAR_Q,
        if q >= CLEAR_Q {
            Reading::ClearRing
        } else {
            Reading::Unclear
        },
    );
    if !needs_quality {
        (quality.limit, quality.speaks_for) = (None, None);
    }
    evidence.push(quality);
    let (reading, reasons) = match (unreadable(tap), fraction) {
        (Some(why), _) => (Reading::Unclear, vec![why]),
        (None, None) => (
            Reading::Unclear,
            vec!["too little sound after the strike to tell a ring from a thud".to_owned()],
        ),
        (None, Some(r)) if r < DEAD && !room_bound(tap) => (
            Reading::DullThud,
            vec![format!(
                "only {:.0} % of the sound after the strike is tones that die away; a ring has {:.0} % or more",
                r * 100.0,
                RINGS * 100.0
            )],
        ),
        (None, Some(r)) if r < RINGS => (
            Reading::Unclear,
            vec![format!(
                "{:.0} % of the sound after the strike is tones that die away; a ring has {:.0} % or more{}",
                r * 100.0,
                RINGS * 100.0,
                if room_bound(tap) {
                    ", and the room's echo may hide them: bring the microphone closer"
                } else {
                    ""
                }
            )],
        ),
        (None, Some(_)) if strong.len() < 2 => (
            Reading::Unclear,
            vec!["fewer than two tones ring".to_owned()],
        ),
        (None, Some(_)) if needs_quality && q < CLEAR_Q => (
            Reading::Unclear,
            vec![format!(
                "{DAMPED} (quality factor {q:.0}, a clear ring has {CLEAR_Q:.0} or more): an organic bond, a held or damp wheel, or damage"
            )],
        ),
        (None, Some(_)) => (Reading::ClearRing, vec![ring_words(tap, strong.len())]),
    };
    Judgement {
        reading,
        reasons,
        evidence,
    }
}

fn ring_words(tap: &Tap, tones: usize) -> String {
    match tap.ring_time_s {
        Some((t, _)) => format!("rings {t:.2} s with {tones} tones"),
        None => format!("rings with {tones} tones"),
    }
}

fn room_bound(tap: &Tap) -> bool {
    tap.flaws
        .iter()
        .any(|f| matches!(f, Flaw::LiveRoom { .. } | Flaw::Far { .. }))
}

/// Why a tap cannot be read at all.
fn unreadable(tap: &Tap) -> Option<String> {
    for flaw in &tap.flaws {
        match flaw {
            Flaw::Short { clean_ms } => {
                return Some(format!(
                    "only {clean_ms:.0} ms of clean decay are left, 40 ms are needed"
                ));
            }
            Flaw::Soft {
                over_noise_db,
                needed_db,
            } => {
                return Some(format!(
                    "too soft: {over_noise_db:.0} dB over the noise, {needed_db:.0} dB are needed; tap a little harder or bring the microphone closer"
                ));
            }
            Flaw::Gap { lost_ms, .. } => {
                return Some(format!(
                    "{lost_ms:.0} ms of sound were lost inside this tap"
                ));
            }
            Flaw::Far { direct_db } => {
                return Some(format!(
                    "built up as from across the room (direct sound {direct_db:.0} dB): not a tap beside the microphone"
                ));
            }
            // Bells and cymbals have so many: tones that explain the sound are a ring all the same.
            Flaw::Crowded { lines } if tap.ring_fraction.is_none_or(|r| r < RINGS) => {
                return Some(format!(
                    "more than {lines} lines: not the sound of one wheel, or a very live room"
                ));
            }
            _ => {}
        }
    }
    (tap.over_noise_db < LEAST_OVER_NOISE_DB).then(|| {
        format!(
            "too soft: {:.0} dB over the noise, {LEAST_OVER_NOISE_DB:.0} dB are needed",
            tap.over_noise_db
        )
    })
}

fn figure(
    name: &'static str,
    value: f64,
    unit: &'static str,
    limit: f64,
    speaks: Reading,
) -> Evidence {
    Evidence {
        figure: name,
        value,
        unit,
        limit: Some(limit),
        limit_is_upper: false,
        limit_from: FROM.to_owned(),
        against: None,
        speaks_for: Some(speaks),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::baseline::{Sounded, build};
    use crate::reading::matching::Line;
    use crate::ring::mode::Mode;

    fn mode(energy_db: f64, q: f64) -> Mode {
        Mode {
            decay_per_s: std::f64::consts::PI * 1000.0 / q,
            decay_std_per_s: 0.01,
            phase_std_rad: 0.1,
            energy_db,
            ..Mode::made_up(1000.0)
        }
    }

    fn tap(fraction: Option<f64>, modes: Vec<Mode>, flaws: Vec<Flaw>) -> Tap {
        Tap {
            time_s: 1.0,
            over_noise_db: 40.0,
            peak_db: -6.0,
            ring_time_s: None,
            ring_fraction: fraction,
            room_misfit: 0.0,
            echo: None,
            modes,
            refused: Vec::new(),
            bands: Vec::new(),
            flaws,
        }
    }

    fn ringing() -> Vec<Mode> {
        vec![mode(40.0, 900.0), mode(30.0, 900.0)]
    }

    fn reading(tap: &Tap) -> (Reading, String) {
        let out = judge_alone(tap);
        assert_eq!(out.reasons.len(), 1);
        (out.reading, out.reasons[0].clone())
    }

    #[test]
    fn limits_belong_to_the_better_side() {
        use Reading::{ClearRing, DullThud, Unclear};
        let of = |r: f64| reading(&tap(Some(r), ringing(), Vec::new())).0;
        assert_eq!([of(0.75), of(0.749)], [ClearRing, Unclear]);
        assert_eq!([of(0.40), of(0.399)], [Unclear, DullThud]);
        let damped = |q: f64| {
            let modes = vec![mode(40.0, q), mode(30.0, q)];
            tap(Some(0.9), modes, Vec::new())
        };
        // Two of one energy hit the limit itself.
        let even = vec![mode(40.0, 200.0), mode(40.0, 200.0)];
        assert_eq!(even[0].q(), CLEAR_Q);
        let at_limit = judge_alone(&tap(Some(0.9), even, Vec::new()));
        assert_eq!(at_limit.reading, ClearRing);
        let quality = at_limit
            .evidence
            .iter()
            .find(|e| e.figure == "quality factor");
        assert_eq!(quality.and_then(|e| e.speaks_for), Some(ClearRing));
        // A hair beside it.
        assert_eq!(reading(&damped(200.001)).0, ClearRing);
        let (unclear, why) = reading(&damped(199.999));
        assert!(unclear == Unclear && why.starts_with(DAMPED), "{why}");
        // An organic bond need not reach it while its baseline is taken, others must.
        let taken = |damping| judge_for_baseline(&damped(50.0), damping).reading;
        assert_eq!(taken(Damping::High), ClearRing);
        assert_eq!(taken(Damping::Low), Unclear);
    }

    /// A wheel of five tones that rings 1 s, and taps of it that ring shorter.
    #[test]
    fn against_a_baseline_a_ring_must_be_as_long_as_it_was() {
        let freqs_hz = [1000.0, 1700.0, 2300.0, 3100.0, 4100.0];
        let modes = || -> Vec<Mode> {
            let of = |f: &f64| Mode {
                decay_per_s: 6.9,
                decay_std_per_s: 0.01,
                phase_std_rad: 0.1,
                energy_db: 50.0,
                ..Mode::made_up(*f)
            };
            freqs_hz.iter().map(of).collect()
        };
        let wheel = Sounded {
            name: "made up".to_owned(),
            lines: modes().iter().map(Line::from).collect(),
            tap_ring_times_s: vec![1.0; 4],
            ..Sounded::default()
        };
        let Ok(baseline) = build(&[wheel], Damping::Low) else {
            unreachable!("a plain wheel has a baseline");
        };
        let read = |fraction: f64, ring_time_s: f64| {
            let tap = Tap {
                ring_time_s: Some((ring_time_s, 0.01)),
                ..tap(Some(fraction), modes(), Vec::new())
            };
            let alone = judge_alone(&tap).evidence.len();
            let out = judge_against(&tap, &baseline);
            (
                out.reading,
                out.reasons[0].clone(),
                out.evidence.len() > alone,
            )
        };
        let (clear, why, compared) = read(0.9, 1.0);
        assert!(clear == Reading::ClearRing && compared, "{why}");
        assert!(why.starts_with("rings 1.00 s with 5 tones"), "{why}");
        let (dull, why, compared) = read(0.9, 0.01);
        assert!(dull == Reading::DullThud && compared, "{why}");
        assert!(
            why.starts_with("rings 0.01 s where this wheel rang"),
            "{why}"
        );
        // What does not ring is not compared.
        let (dull, why, compared) = read(0.1, 1.0);
        assert!(dull == Reading::DullThud && !compared, "{why}");
    }

    #[test]
    fn two_tones_20_db_over_the_noise_ring() {
        let of = |second: f64| {
            let modes = vec![mode(40.0, 900.0), mode(second, 900.0)];
            reading(&tap(Some(0.9), modes, Vec::new()))
        };
        assert_eq!(of(20.0).0, Reading::ClearRing);
        let (unclear, why) = of(19.9);
        assert!(unclear == Reading::Unclear && why.contains("fewer than two"));
        assert_eq!(
            reading(&tap(Some(0.9), Vec::new(), Vec::new())).0,
            Reading::Unclear
        );
    }

    #[test]
    fn the_quality_is_the_mean_by_energy() {
        // Energies |C|^2/(4 delta) are as the quality factors at one frequency: 300 and 100.
        let modes = vec![mode(40.0, 300.0), mode(40.0, 100.0)];
        let out = judge_alone(&tap(Some(0.9), modes, Vec::new()));
        let none = judge_alone(&tap(Some(0.9), Vec::new(), Vec::new()));
        let quality = none.evidence.iter().find(|e| e.figure == "quality factor");
        assert_eq!(quality.map(|e| e.value), Some(0.0));
        let quality = out.evidence.iter().find(|e| e.figure == "quality factor");
        let value = quality.map_or(0.0, |e| e.value);
        assert!((value - 250.0).abs() < 1e-9, "{value}");
        assert_eq!(quality.and_then(|e| e.speaks_for), Some(Reading::ClearRing));
    }

    #[test]
    fn what_cannot_be_read_says_why() {
        let flaws = [
            (Flaw::Short { clean_ms: 30.0 }, "30 ms of clean decay"),
            (
                Flaw::Soft {
                    over_noise_db: 9.0,
                    needed_db: 15.0,
                },
                "too soft: 9 dB",
            ),
            (
                Flaw::Gap {
                    at_ms: 3.0,
                    lost_ms: 12.0,
                },
                "12 ms of sound were lost",
            ),
            (Flaw::Far { direct_db: -5.0 }, "across the room"),
        ];
        for (flaw, words) in flaws {
            for fraction in [0.9, 0.1] {
                let (unclear, why) = reading(&tap(Some(fraction), ringing(), vec![flaw.clone()]));
                assert!(
                    unclear == Reading::Unclear && why.contains(words),
                    "{flaw:?}: {why}"
                );
            }
        }
        let crowded = |r: Option<f64>| {
            let flaws = vec![Flaw::Crowded { lines: 48 }];
            reading(&tap(r, ringing(), flaws))
        };
        assert_eq!(crowded(Some(0.75)).0, Reading::ClearRing);
        assert!(crowded(Some(0.2)).1.contains("more than 48 lines"));
        assert!(crowded(None).1.contains("more than 48 lines"));
        let (unclear, why) = reading(&tap(None, ringing(), Vec::new()));
        assert!(unclear == Reading::Unclear && why.contains("too little sound"));
        let mut soft = tap(Some(0.9), ringing(), Vec::new());
        soft.over_noise_db = 14.9;
        assert!(reading(&soft).1.contains("too soft"));
        soft.over_noise_db = 15.0;
        assert_eq!(reading(&soft).0, Reading::ClearRing);
    }

    #[test]
    fn an_echo_may_hide_tones_but_makes_no_thud() {
        let live = || vec![Flaw::LiveRoom { misfit_db: -10.0 }];
        for fraction in [0.2, 0.6] {
            let (unclear, why) = reading(&tap(Some(fraction), ringing(), live()));
            assert!(unclear == Reading::Unclear && why.contains("echo may hide"));
        }
        let (_, why) = reading(&tap(Some(0.6), ringing(), Vec::new()));
        assert!(why.contains("60 %") && !why.contains("echo"), "{why}");
        let (dull, why) = reading(&tap(Some(0.2), ringing(), Vec::new()));
        assert!(dull == Reading::DullThud && why.contains("20 %"), "{why}");
    }

    #[test]
    fn each_figure_speaks_for_its_own_side() {
        let speaks = |tap: &Tap| -> Vec<Option<Reading>> {
            judge_alone(tap)
                .evidence
                .iter()
                .map(|e| e.speaks_for)
                .collect()
        };
        use Reading::{ClearRing, DullThud, Unclear};
        let all = |r, modes| speaks(&tap(Some(r), modes, Vec::new()));
        assert_eq!(all(0.75, ringing()), [Some(ClearRing); 3]);
        assert_eq!(all(0.40, ringing())[0], Some(Unclear));
        assert_eq!(
            reading(&tap(Some(0.9), ringing(), Vec::new())).1,
            "rings with 2 tones"
        );
        assert_eq!(
            all(0.5, vec![mode(40.0, 900.0)]),
            [Some(Unclear), Some(Unclear), Some(ClearRing)]
        );
        assert_eq!(
            all(0.1, Vec::new()),
            [Some(DullThud), Some(Unclear), Some(Unclear)]
        );
        let organic = judge_for_baseline(&tap(Some(0.9), ringing(), Vec::new()), Damping::High);
        assert_eq!(organic.evidence[2].limit, None);
        assert_eq!(organic.evidence[2].speaks_for, None);
    }
}
