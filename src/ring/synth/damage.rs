//! What damage and the way of holding do to the modes of a made-up wheel.
//!
//! None of this is measured on wheels. It is first-order mechanics with stated assumptions, so
//! that made-up damage behaves like damage in kind: which member of a pair falls, how that goes
//! with the size of a crack and with the mode, what rings shorter.

use crate::ring::plate::{PlateMode, ThinMode};

/// Something that happened to a wheel. Angles are on the wheel, from its own mark, in radians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Damage {
    /// A radial crack through the whole thickness.
    Crack {
        /// Length over the width of the web (rim to bore), 0 to 1. Above 0.7 the wheel is also
        /// taken to come apart: all its modes lose ring.
        severity: f64,
        /// Where.
        angle_rad: f64,
        /// From which edge.
        from: CrackFrom,
    },
    /// A piece broken out of the rim: mass missing there, stiffness hardly touched.
    Chip {
        /// Missing mass over the mass of the wheel, 0 to 0.05.
        mass_share: f64,
        /// Where.
        angle_rad: f64,
    },
    /// Something stuck to the rim, such as putty.
    Putty {
        /// Added mass over the mass of the wheel, 0 to 0.05.
        mass_share: f64,
        /// Where.
        angle_rad: f64,
    },
    /// Coolant or moisture in the pores: heavier and more damped all over.
    Damp {
        /// Mass of the liquid over the mass of the wheel, 0 to 0.1.
        water_share: f64,
    },
    /// A body that has lost its bond (broken in pieces, burnt, layers parted): hardly rings.
    Dead,
}

/// The edge at which a crack starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CrackFrom {
    /// The periphery.
    Rim,
    /// The bore.
    Bore,
}

/// How the wheel is held while it is tapped. Angles are on the wheel, in radians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Holding {
    /// On a finger or a pin through the bore: as free as it gets.
    Hung,
    /// Standing on a hard floor.
    OnFloor {
        /// Where the rim touches the floor.
        angle_rad: f64,
    },
    /// A hand on the rim.
    Gripped {
        /// Where.
        angle_rad: f64,
    },
    /// Lying flat on a bench.
    Flat,
}

/// Change of a mode, for the two members of its pair relative to a direction: `cos` has its
/// antinode there, `sin` its node. For n = 0 only `cos` counts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Effect {
    /// The direction in radians.
    pub angle_rad: f64,
    /// Change of ln f.
    pub shift: [f64; 2],
    /// Added loss factor.
    pub loss: [f64; 2],
}

/// Loss factor of a crack's own strain energy (rubbing faces); assumed.
const CRACK_LOSS: f64 = 0.3;
/// Share of the crack's effect that the member with its node at the crack feels through the
/// twisting moment; assumed.
const NODE_SHARE: f64 = 0.06;

impl Damage {
    pub(super) fn effect(&self, mode: &PlateMode, bore_ratio: f64, poisson: f64) -> Effect {
        match *self {
            Self::Crack {
                severity,
                angle_rad,
                from,
            } => crack(
                severity.clamp(0.0, 1.0),
                angle_rad,
                from,
                mode,
                bore_ratio,
                poisson,
            ),
            Self::Chip {
                mass_share,
                angle_rad,
            } => rim_mass(-mass_share, angle_rad, &mode.shape),
            Self::Putty {
                mass_share,
                angle_rad,
            } => rim_mass(mass_share, angle_rad, &mode.shape),
            Self::Damp { water_share } => {
                let water = water_share.clamp(0.0, 0.1);
                Effect {
                    shift: [-0.5 * (1.0 + water).ln(); 2],
                    loss: [0.25 * water; 2],
                    ..Effect::default()
                }
            }
            Self::Dead => Effect {
                shift: [-0.1; 2],
                loss: [0.25; 2],
                ..Effect::default()
            },
        }
    }
}

/// Mass on (or off) the rim: `d ln f = -W^2 eps / (2 modal mass share)` for the member with its
/// antinode there, nothing for the other.
fn rim_mass(mass_share: f64, angle_rad: f64, shape: &ThinMode) -> Effect {
    let eps = mass_share.clamp(-0.05, 0.05);
    Effect {
        angle_rad,
        shift: [-0.5 * eps / shape.mass_share(), 0.0],
        loss: [0.0; 2],
    }
}

/// A crack takes no bending moment across its faces, so the plate folds there by
/// `4 M l / (D (1 - nu) (3 + nu))`, l the half-ellipse of its opening (a through crack in a thin
/// plate under bending, from memory; edge correction left out). The work of that fold over the
/// strain energy of the mode is `g`; the frequency goes as `(1 + g)^-1/2`, and the share
/// `g / (1 + g)` of the energy sits at rubbing faces.
fn crack(
    severity: f64,
    angle_rad: f64,
    from: CrackFrom,
    mode: &PlateMode,
    bore_ratio: f64,
    poisson: f64,
) -> Effect {
    let length = severity * (1.0 - bore_ratio);
    let steps = 64;
    let mut work = 0.0;
    for k in 0..steps {
        let x = length * (f64::from(k) + 0.5) / f64::from(steps);
        let r = match from {
            CrackFrom::Rim => 1.0 - x,
            CrackFrom::Bore => bore_ratio + x,
        };
        let opening = (length * length - x * x).max(0.0).sqrt();
        work += mode.shape.hoop_moment(r.max(1e-6)).powi(2) * opening;
    }
    work *= length / f64::from(steps) * 4.0 / ((1.0 - poisson) * (3.0 + poisson));
    let circle = std::f64::consts::PI * if mode.n == 0 { 2.0 } else { 1.0 };
    let energy = mode.shape.lambda_squared.powi(2) * mode.shape.radial_mass() * circle;
    let apart = 0.2 * ((severity - 0.7).max(0.0) / 0.3).powi(2);
    let of = |g: f64| (-0.5 * g.ln_1p(), CRACK_LOSS * g / (1.0 + g) + apart);
    let (cos, sin) = (of(work / energy), of(NODE_SHARE * work / energy));
    Effect {
        angle_rad,
        shift: [cos.0, sin.0],
        loss: [cos.1, sin.1],
    }
}

impl Holding {
    /// Losses only: a support that also stiffens is not modelled.
    pub(super) fn effect(&self) -> Effect {
        let (angle_rad, loss) = match *self {
            Self::Hung => (0.0, [0.0; 2]),
            Self::OnFloor { angle_rad } => (angle_rad, [4e-3, 2e-4]),
            Self::Gripped { angle_rad } => (angle_rad, [0.03, 3e-3]),
            Self::Flat => (0.0, [0.08; 2]),
        };
        Effect {
            angle_rad,
            shift: [0.0; 2],
            loss,
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::plate::{Material, Plate};

    const BORE: f64 = 0.16;
    const POISSON: f64 = 0.2;

    fn modes() -> Vec<PlateMode> {
        let material = Material {
            youngs_pa: 45e9,
            density_kg_m3: 2300.0,
            poisson: POISSON,
        };
        let plate = Plate::new(0.2, 0.02, 0.032, material).unwrap();
        plate.modes(3, 1, 20e3)
    }

    fn cracked(severity: f64, from: CrackFrom, mode: &PlateMode) -> Effect {
        let damage = Damage::Crack {
            severity,
            angle_rad: 0.3,
            from,
        };
        damage.effect(mode, BORE, POISSON)
    }

    // Along a short crack the bending moment is that at its edge, and the half-ellipse of its
    // opening has the area pi l^2 / 4. A three hundredth of the web, by which the moment hardly changes.
    #[test]
    fn a_short_crack_lowers_a_mode_by_the_moment_at_its_edge() {
        for mode in modes() {
            for (from, edge) in [(CrackFrom::Rim, 1.0), (CrackFrom::Bore, BORE)] {
                let length = (1.0 - BORE) / 300.0;
                let moment = mode.shape.hoop_moment(edge);
                let circle = if mode.n == 0 { 2.0 } else { 1.0 };
                let energy = mode.shape.lambda_squared.powi(2) * mode.shape.radial_mass() * circle;
                let fold = moment * moment * length * length
                    / ((1.0 - POISSON) * (3.0 + POISSON) * energy);
                let shift = cracked(1.0 / 300.0, from, &mode).shift[0];
                assert!(
                    (shift / (-0.5 * fold) - 1.0).abs() < 0.05,
                    "{} {} {from:?}",
                    mode.n,
                    mode.s
                );
            }
        }
    }

    // The work of the fold by a fine midpoint sum; at its end the opening goes as a root, which 64
    // steps sum to within 64^-1.5, 0.2 %.
    #[test]
    fn a_long_crack_is_counted_along_its_length() {
        for mode in modes() {
            for from in [CrackFrom::Rim, CrackFrom::Bore] {
                let length = 0.4 * (1.0 - BORE);
                let steps = 4000;
                let step = length / f64::from(steps);
                let work: f64 = (0..steps)
                    .map(|k| (f64::from(k) + 0.5) * step)
                    .map(|x| {
                        let r = if from == CrackFrom::Rim {
                            1.0 - x
                        } else {
                            BORE + x
                        };
                        let opening = (length * length - x * x).sqrt();
                        mode.shape.hoop_moment(r).powi(2) * opening * step
                    })
                    .sum();
                let circle = if mode.n == 0 { 2.0 } else { 1.0 } * std::f64::consts::PI;
                let energy = mode.shape.lambda_squared.powi(2) * mode.shape.radial_mass() * circle;
                let g = 4.0 * work / ((1.0 - POISSON) * (3.0 + POISSON) * energy);
                let shift = cracked(0.4, from, &mode).shift[0];
                let off = shift / (-0.5 * g.ln_1p()) - 1.0;
                assert!(off.abs() < 3e-3, "{} {} {from:?} {off}", mode.n, mode.s);
            }
        }
    }

    // With g the share of the fold: ln f falls by ln(1 + g) / 2, a share g / (1 + g) of the energy
    // rubs with a loss of 0.3, and the other member feels 6 % of g.
    #[test]
    fn shift_loss_and_the_other_member_belong_together() {
        for mode in modes() {
            let half = cracked(0.5, CrackFrom::Rim, &mode);
            let g = |k: usize| (-2.0 * half.shift[k]).exp_m1();
            for k in 0..2 {
                let rubs = 0.3 * (1.0 - (2.0 * half.shift[k]).exp());
                assert!((half.loss[k] - rubs).abs() < 1e-12);
            }
            assert!((g(1) / g(0) - 0.06).abs() < 1e-9);
            // Longer than 0.7 of the web the wheel comes apart: up to 0.2 more in all.
            for (severity, apart) in [(0.7, 0.0), (0.85, 0.05), (1.0, 0.2), (3.0, 0.2)] {
                let long = cracked(severity, CrackFrom::Rim, &mode);
                let rubs = 0.3 * (1.0 - (2.0 * long.shift[1]).exp());
                assert!((long.loss[1] - rubs - apart).abs() < 1e-12, "{severity}");
            }
        }
    }

    #[test]
    fn water_adds_its_mass_and_no_more_than_a_tenth() {
        let mode = &modes()[0];
        for (share, counts) in [(0.0, 0.0), (0.04, 0.04), (0.3, 0.1), (-1.0, 0.0)] {
            let damp = Damage::Damp { water_share: share }.effect(mode, BORE, POISSON);
            // The frequency goes as one over the root of the mass.
            let shift = (1.0 / (1.0_f64 + counts).sqrt()).ln();
            assert!((damp.shift[0] - shift).abs() < 1e-12 && damp.shift[0] == damp.shift[1]);
            assert!((damp.loss[0] - 0.25 * counts).abs() < 1e-12);
        }
    }
}
