//! A made-up wheel: its plate, its bond's losses, its imperfections, its damage.

use std::sync::{Arc, Mutex, PoisonError};

use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use super::damage::{Damage, Effect, Holding};
use super::noise::seeded;
use crate::ring::plate::{Material, Plate, PlateError, PlateMode, ThinMode};

/// Highest orders that a made-up wheel is given.
const N_MAX: usize = 12;
const S_MAX: usize = 2;

/// Inner losses of a bond: loss factor `(1/q) (f / 1 kHz)^exponent`, and how its stiffness goes
/// with temperature. The values below are assumptions of the right order, not measurements.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BondLoss {
    /// Quality factor at 1 kHz.
    pub q_at_1khz: f64,
    /// How the loss factor rises with frequency.
    pub exponent: f64,
    /// Relative change of the tones per kelvin.
    pub tone_per_k: f64,
}

impl BondLoss {
    /// Vitrified bond.
    pub const VITRIFIED: Self = Self {
        q_at_1khz: 1000.0,
        exponent: 0.1,
        tone_per_k: -0.6e-4,
    };
    /// Silicate bond.
    pub const SILICATE: Self = Self {
        q_at_1khz: 350.0,
        exponent: 0.1,
        tone_per_k: -1e-4,
    };
    /// Resinoid bond.
    pub const RESINOID: Self = Self {
        q_at_1khz: 45.0,
        exponent: 0.1,
        tone_per_k: -6.5e-4,
    };
    /// Shellac bond.
    pub const SHELLAC: Self = Self {
        q_at_1khz: 25.0,
        exponent: 0.1,
        tone_per_k: -1e-3,
    };
    /// Rubber bond.
    pub const RUBBER: Self = Self {
        q_at_1khz: 12.0,
        exponent: 0.2,
        tone_per_k: -2e-3,
    };
}

/// How far a wheel is from a perfect, even plate. Part of the wheel: the same seed gives the
/// same wheel on every day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Imperfection {
    /// Seed of everything below.
    pub seed: u64,
    /// Splits of the pairs, relative, spread evenly in their logarithm between these.
    pub split: (f64, f64),
    /// Standard deviation of each mode's relative distance from the ideal plate.
    pub tone_scatter: f64,
    /// Standard deviation of the logarithm of each mode's losses.
    pub loss_scatter: f64,
}

impl Imperfection {
    /// A wheel as wheels are: splits of 1e-4 to 1e-3, tones 0.2 % off the ideal, losses 10 %
    /// (assumed).
    pub fn usual(seed: u64) -> Self {
        Self {
            seed,
            split: (1e-4, 1e-3),
            tone_scatter: 2e-3,
            loss_scatter: 0.1,
        }
    }

    /// A perfect wheel: pairs of equal tones.
    pub fn none() -> Self {
        Self {
            seed: 0,
            split: (0.0, 0.0),
            tone_scatter: 0.0,
            loss_scatter: 0.0,
        }
    }
}

/// Everything that decides how a made-up wheel rings.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelModel {
    /// Outer diameter in m.
    pub diameter_m: f64,
    /// Thickness in m.
    pub thickness_m: f64,
    /// Bore diameter in m, 0 for none.
    pub bore_m: f64,
    /// Elastic values at the reference temperature.
    pub material: Material,
    /// Losses of the bond.
    pub loss: BondLoss,
    /// Its imperfections.
    pub imperfection: Imperfection,
    /// What happened to it.
    pub damage: Vec<Damage>,
    /// How it is held.
    pub holding: Holding,
    /// Kelvin above the reference temperature.
    pub warmer_k: f64,
}

/// Which member of a pair of nearly equal tones.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Branch {
    /// No pair: n = 0.
    Single,
    /// The lower tone of a pair.
    Lower,
    /// The upper tone of a pair.
    Upper,
}

/// A tone that the wheel can sound.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelTone {
    /// Nodal diameters.
    pub n: usize,
    /// Nodal circles.
    pub s: usize,
    /// Which of the pair.
    pub branch: Branch,
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Loss factor, 1/Q.
    pub loss: f64,
    /// Angle of one of its antinodes on the wheel in radians, 0 to pi/n.
    pub antinode_rad: f64,
    /// Modal mass over the mass of the wheel for unit deflection at the rim.
    pub mass_share: f64,
    /// Deflection along the radius.
    pub shape: ThinMode,
}

impl WheelTone {
    /// Amplitude decay rate in 1/s.
    pub fn decay_per_s(&self) -> f64 {
        std::f64::consts::PI * self.freq_hz * self.loss
    }

    /// Deflection at an angle on the wheel relative to the antinode.
    pub fn around(&self, angle_rad: f64) -> f64 {
        (self.n as f64 * (angle_rad - self.antinode_rad)).cos()
    }
}

impl WheelModel {
    /// A sound wheel, held free, at the reference temperature; lengths in m.
    pub fn sound(
        size_m: [f64; 3],
        material: Material,
        loss: BondLoss,
        imperfection: Imperfection,
    ) -> Self {
        Self {
            diameter_m: size_m[0],
            thickness_m: size_m[1],
            bore_m: size_m[2],
            material,
            loss,
            imperfection,
            damage: Vec::new(),
            holding: Holding::Hung,
            warmer_k: 0.0,
        }
    }

    /// The same wheel with one more thing happened to it.
    pub fn with(mut self, damage: Damage) -> Self {
        self.damage.push(damage);
        self
    }

    /// Its plate at the reference temperature.
    ///
    /// # Errors
    /// [`PlateError`] when the measures or the material are out of range.
    pub fn plate(&self) -> Result<Plate, PlateError> {
        Plate::new(
            self.diameter_m,
            self.thickness_m,
            self.bore_m,
            self.material,
        )
    }

    /// Its tones below `below_hz` by rising frequency: flexural modes of up to 12 nodal
    /// diameters and 2 nodal circles, pairs as two tones.
    ///
    /// # Errors
    /// [`PlateError`] when the measures or the material are out of range.
    pub fn tones(&self, below_hz: f64) -> Result<Vec<WheelTone>, PlateError> {
        let plate = self.plate()?;
        // Cracks and warmth lower the tones: look a little higher than asked.
        let mut out: Vec<WheelTone> = plate_modes(&plate, 1.5 * below_hz)
            .iter()
            .flat_map(|mode| self.pair(mode, &plate))
            .filter(|tone| tone.freq_hz < below_hz)
            .collect();
        out.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
        Ok(out)
    }

    fn pair(&self, mode: &PlateMode, plate: &Plate) -> Vec<WheelTone> {
        let own = Own::of(&self.imperfection, mode.n, mode.s);
        let warmth = 1.0 + self.loss.tone_per_k * self.warmer_k;
        let centre_hz = mode.freq_hz * (1.0 + own.tone) * warmth.max(0.1);
        let base_loss = self.loss.loss_factor(centre_hz) * own.loss.exp();
        let mut effects: Vec<Effect> = self
            .damage
            .iter()
            .map(|d| d.effect(mode, plate.bore_ratio(), self.material.poisson))
            .collect();
        effects.push(self.holding.effect());
        effects.push(Effect {
            angle_rad: own.angle_rad,
            shift: [-0.5 * own.split, 0.5 * own.split],
            loss: [0.0; 2],
        });
        let mass_share = mode.shape.mass_share();
        let tone = |branch, shift: f64, loss: f64, antinode_rad| WheelTone {
            n: mode.n,
            s: mode.s,
            branch,
            freq_hz: centre_hz * shift.exp(),
            loss: base_loss + loss,
            antinode_rad,
            mass_share,
            shape: mode.shape.clone(),
        };
        if mode.n == 0 {
            let last = effects.len() - 1; // a split means nothing here
            let shift = effects[..last].iter().map(|e| e.shift[0]).sum();
            let loss = effects[..last].iter().map(|e| e.loss[0]).sum();
            return vec![tone(Branch::Single, shift, loss, 0.0)];
        }
        let [lower, upper] = members(&effects, mode.n as f64);
        vec![
            tone(Branch::Lower, lower.shift, lower.loss, lower.antinode_rad),
            tone(Branch::Upper, upper.shift, upper.loss, upper.antinode_rad),
        ]
    }
}

/// Modes of plates by plate and highest frequency.
type Solved = Vec<((Plate, f64), Arc<Vec<PlateMode>>)>;

/// Modes of a plate. Some of them take seconds, and many made-up wheels are of one plate: the
/// last few plates are remembered, which changes no figure.
fn plate_modes(plate: &Plate, below_hz: f64) -> Arc<Vec<PlateMode>> {
    const REMEMBERED: usize = 32;
    static SOLVED: Mutex<Solved> = Mutex::new(Vec::new());
    let key = (*plate, below_hz);
    let lock = || SOLVED.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some((_, modes)) = lock().iter().find(|(k, _)| *k == key) {
        return Arc::clone(modes);
    }
    let modes = Arc::new(plate.modes(N_MAX, S_MAX, below_hz));
    let mut solved = lock();
    if solved.len() >= REMEMBERED {
        solved.remove(0);
    }
    solved.push((key, Arc::clone(&modes)));
    modes
}

impl BondLoss {
    /// Loss factor at a frequency.
    pub fn loss_factor(&self, freq_hz: f64) -> f64 {
        (freq_hz / 1000.0).powf(self.exponent) / self.q_at_1khz
    }
}

/// One member of a pair after all effects.
struct Member {
    shift: f64,
    loss: f64,
    antinode_rad: f64,
}

/// Degenerate perturbation of a pair in the frame `cos n theta`, `sin n theta`: each effect adds
/// a symmetric matrix; the members are its eigenvectors. Losses are read off along them, which
/// holds while they are small beside the split or follow the same direction.
fn members(effects: &[Effect], n: f64) -> [Member; 2] {
    let (mean, c, s) = doubled(effects, n, |e| e.shift);
    let (mean_loss, loss_c, loss_s) = doubled(effects, n, |e| e.loss);
    let size = c.hypot(s);
    // Doubled angle of the upper member; any will do for a perfect pair.
    let up = if size > 0.0 { s.atan2(c) } else { 0.0 };
    let member = |sign: f64| {
        let doubled_angle = up
            + if sign < 0.0 {
                std::f64::consts::PI
            } else {
                0.0
            };
        let along = loss_c * doubled_angle.cos() + loss_s * doubled_angle.sin();
        let period = std::f64::consts::PI / n;
        Member {
            shift: mean + sign * size,
            loss: (mean_loss + along).max(0.0),
            antinode_rad: (0.5 * doubled_angle / n).rem_euclid(period),
        }
    };
    [member(-1.0), member(1.0)]
}

/// Mean and the two parts that turn with twice the angle of summed pair matrices.
fn doubled(effects: &[Effect], n: f64, of: impl Fn(&Effect) -> [f64; 2]) -> (f64, f64, f64) {
    effects.iter().fold((0.0, 0.0, 0.0), |(mean, c, s), e| {
        let [cos, sin] = of(e);
        let half = 0.5 * (cos - sin);
        let angle = 2.0 * n * e.angle_rad;
        (
            mean + 0.5 * (cos + sin),
            c + half * angle.cos(),
            s + half * angle.sin(),
        )
    })
}

/// What one mode of one wheel has of its own.
struct Own {
    tone: f64,
    loss: f64,
    split: f64,
    angle_rad: f64,
}

impl Own {
    fn of(imperfection: &Imperfection, n: usize, s: usize) -> Self {
        let mut rng = seeded(imperfection.seed, 1000 + (n * 16 + s) as u64);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let tone = imperfection.tone_scatter * normal().clamp(-4.0, 4.0);
        let loss = imperfection.loss_scatter * normal().clamp(-4.0, 4.0);
        let (low, high) = imperfection.split;
        let place: f64 = rng.random();
        let split = if low > 0.0 && high >= low {
            low * (high / low).powf(place)
        } else {
            0.0
        };
        let angle_rad = rng.random::<f64>() * std::f64::consts::PI / n.max(1) as f64;
        Self {
            tone,
            loss,
            split,
            angle_rad,
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Of one effect the upper member has the larger shift with its loss, whatever the angle.
    #[test]
    fn members_lie_along_a_lone_effect() {
        for angle_rad in [0.0, 0.2, 0.7, 1.0] {
            for (shift, loss) in [([-0.02, -0.01], [0.1, 0.03]), ([0.01, -0.03], [0.02, 0.2])] {
                let effect = Effect {
                    angle_rad,
                    shift,
                    loss,
                };
                let [low, high] = members(&[effect], 3.0);
                let (up, down) = if shift[0] > shift[1] { (0, 1) } else { (1, 0) };
                for (member, k) in [(&high, up), (&low, down)] {
                    assert!((member.shift - shift[k]).abs() < 1e-12);
                    assert!(
                        (member.loss - loss[k]).abs() < 1e-12,
                        "{angle_rad} {}",
                        member.loss
                    );
                }
                // The first of the two has its antinode at the effect.
                let first = if up == 0 { &high } else { &low };
                let period = std::f64::consts::PI / 3.0;
                let off = (first.antinode_rad - angle_rad).rem_euclid(period);
                assert!(off.min(period - off) < 1e-9, "{angle_rad} {off}");
            }
        }
    }

    /// 2000 wheels: deviations are known to 1.6 %, four of those; clamped at four deviations they
    /// are a ten-thousandth smaller.
    #[test]
    fn what_a_mode_has_of_its_own_is_spread_as_stated() {
        let all: Vec<Own> = (0..2000)
            .map(|seed| {
                let imperfection = Imperfection {
                    tone_scatter: 0.01,
                    loss_scatter: 0.2,
                    ..Imperfection::usual(seed)
                };
                Own::of(&imperfection, 3, 0)
            })
            .collect();
        let rms = |of: &dyn Fn(&Own) -> f64| {
            (all.iter().map(|o| of(o).powi(2)).sum::<f64>() / 2000.0).sqrt()
        };
        assert!((rms(&|o| o.tone) / 0.01 - 1.0).abs() < 0.065);
        assert!((rms(&|o| o.loss) / 0.2 - 1.0).abs() < 0.065);
        assert!(
            all.iter()
                .all(|o| o.tone.abs() <= 0.04 && o.loss.abs() <= 0.8)
        );
        let third = std::f64::consts::PI / 3.0;
        let mean = all.iter().map(|o| o.angle_rad).sum::<f64>() / 2000.0;
        // An even spread's deviation over the root of their number, four of them.
        assert!(
            (mean / third - 0.5).abs() < 4.0 * 0.289 / 2000f64.sqrt(),
            "{mean}"
        );
        assert!(all.iter().all(|o| (0.0..third).contains(&o.angle_rad)));
    }

    #[test]
    fn modes_that_are_remembered_are_those_of_the_plate_asked_for() {
        let material = Material {
            youngs_pa: 45e9,
            density_kg_m3: 2300.0,
            poisson: 0.2,
        };
        let of = |diameter_m: f64| {
            let plate = Plate::new(diameter_m, 0.02, 0.032, material).unwrap();
            plate_modes(&plate, 9000.0)[0].freq_hz
        };
        let (large, small) = (of(0.2), of(0.15));
        assert!(small > 1.3 * large, "{small} {large}");
        assert_eq!((of(0.2), of(0.15)), (large, small));
    }
}
