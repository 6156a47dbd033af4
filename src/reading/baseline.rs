//! What a wheel showed in earlier soundings: its lines, their scatter, its ring time.

use crate::reading::limits::{PRIOR_SOUNDINGS, PRIOR_WHEELS, shrunk};
use crate::reading::matching::{CommonShift, Line, Place, common_shift, match_lines_within};
use crate::reading::{Damping, Footing};

/// Fewest lines of a sounding that can be compared.
pub const FEWEST_LINES: usize = 3;
/// A line counts in a baseline from this energy over the noise density, in dB.
pub const STRONG_DB: f64 = 20.0;
/// Loosest decay of a line that counts: standard deviation over value.
const LOOSEST: f64 = 0.15;
/// Fewest wheels of a specification or lot that another can be held against.
pub const FEWEST_WHEELS: usize = 3;
/// Least share of the lines' weight that two soundings of one wheel have in common.
pub const LEAST_SHARED: f64 = 0.5;
/// Two lines this much nearer than the baseline's others are taken for a pair.
const WIDE_PAIR: f64 = 0.006;

/// What is assumed of wheels of a kind of bond until enough soundings are there: standard
/// deviations from sounding to sounding, as natural logarithms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Assumed {
    /// Of all tones together, the temperature not known.
    pub shift: f64,
    /// The same with the temperature taken off.
    pub shift_at_temp: f64,
    /// Of each tone by itself.
    pub tone: f64,
    /// Of the relative distance of a pair.
    pub split: f64,
    /// Natural relative distance of a pair that was seen as one line.
    pub hidden_split: f64,
    /// Of all decay rates together, and of each by itself.
    pub decay: f64,
    /// Of the ring time of a sounding.
    pub ring_time: f64,
    /// Of the ring time of a tap around that of its sounding.
    pub tap_ring_time: f64,
    /// Relative change of the tones per kelvin.
    pub tone_per_k: f64,
    /// Largest common shift that is looked for.
    pub search: f64,
    /// Farthest that a line may lie from its place, the common shift taken off.
    pub near: f64,
    /// How many soundings, or wheels, these assumptions count for.
    pub prior: f64,
}

impl Assumed {
    /// The assumptions for a kind of bond.
    pub fn of(damping: Damping) -> Self {
        match damping {
            Damping::Low => Self {
                shift: 1e-3,
                shift_at_temp: 4e-4,
                tone: 1.5e-4,
                split: 2e-4,
                hidden_split: 1.5e-3,
                decay: 0.12,
                ring_time: 0.15,
                tap_ring_time: 0.3,
                tone_per_k: -0.6e-4,
                search: 0.03,
                near: 0.004,
                prior: PRIOR_SOUNDINGS,
            },
            Damping::High => Self {
                shift: 8e-3,
                shift_at_temp: 2.5e-3,
                tone: 5e-4,
                split: 5e-4,
                hidden_split: 3e-3,
                decay: 0.12,
                ring_time: 0.15,
                tap_ring_time: 0.3,
                tone_per_k: -6.5e-4,
                search: 0.06,
                near: 0.004,
                prior: PRIOR_SOUNDINGS,
            },
        }
    }

    /// The assumptions for a footing: for other wheels of a specification or lot than that of
    /// the sounding, how far wheels differ from each other.
    pub fn on(footing: Footing, damping: Damping) -> Self {
        let own = Self::of(damping);
        if footing == Footing::OwnBaseline {
            return own;
        }
        let shift = match damping {
            Damping::Low => 1.5e-2,
            Damping::High => 2e-2,
        };
        let tone = 3e-3;
        Self {
            shift,
            shift_at_temp: shift,
            tone,
            // Of two different tones that lie near each other.
            split: std::f64::consts::SQRT_2 * tone,
            decay: 0.2,
            ring_time: 0.25,
            search: 0.08,
            near: 0.012,
            prior: PRIOR_WHEELS,
            ..own
        }
    }
}

/// One sounding, as far as a baseline needs it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sounded {
    /// What to call it in messages: the name of its recording.
    pub name: String,
    /// The lines of all taps solved together.
    pub lines: Vec<Line>,
    /// Share of the strong lines' power that damped tones do not explain; 0 when not known.
    pub room_misfit: f64,
    /// Ring time of each tap in seconds.
    pub tap_ring_times_s: Vec<f64>,
    /// Temperature of the wheel in degrees Celsius, where it was logged.
    pub temp_c: Option<f64>,
}

impl Sounded {
    /// Lines that can be used, by rising frequency.
    pub fn usable(&self) -> Vec<Line> {
        let mut lines: Vec<Line> = self
            .lines
            .iter()
            .filter(|l| l.is_usable())
            .copied()
            .collect();
        lines.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
        lines
    }

    /// Usable lines that are strong and sharp enough to conclude from.
    pub fn counting(&self) -> Vec<Line> {
        let mut lines = self.usable();
        lines.retain(counts);
        lines
    }

    /// With each pair joined to one line: wheels of one specification share their tones, but
    /// each has its own pairs.
    pub fn joined(&self) -> Self {
        Self {
            lines: joined(&self.usable()),
            ..self.clone()
        }
    }

    /// Mean of the logarithm of the taps' ring times in seconds.
    pub fn ln_ring_time(&self) -> Option<f64> {
        mean(&ln_positive(&self.tap_ring_times_s))
    }
}

/// Lines by rising frequency with neighbours joined that are within 0.6 % and far nearer to each
/// other than to the next: a pair.
pub fn joined(lines: &[Line]) -> Vec<Line> {
    let gap = |k: usize| match (lines.get(k), lines.get(k + 1)) {
        (Some(a), Some(b)) => b.ln_freq() - a.ln_freq(),
        _ => f64::INFINITY,
    };
    let mut out = Vec::new();
    let mut k = 0;
    while k < lines.len() {
        let before = k.checked_sub(1).map_or(f64::INFINITY, gap);
        if gap(k) <= WIDE_PAIR && before.min(gap(k + 1)) > 2.0 * gap(k) {
            out.push(one_of(&lines[k], &lines[k + 1]));
            k += 2;
        } else {
            out.push(lines[k]);
            k += 1;
        }
    }
    out
}

/// A pair as one line: its centre, with the energy of both and the decay weighted by it.
fn one_of(a: &Line, b: &Line) -> Line {
    let energy = |l: &Line| 10f64.powf(0.1 * l.energy_db.min(200.0));
    let (p, q) = (energy(a), energy(b));
    let share = p / (p + q);
    Line {
        freq_hz: 0.5 * (a.freq_hz + b.freq_hz),
        freq_std_hz: 0.5 * a.freq_std_hz.hypot(b.freq_std_hz),
        decay_per_s: share * a.decay_per_s + (1.0 - share) * b.decay_per_s,
        decay_std_per_s: (share * a.decay_std_per_s).hypot((1.0 - share) * b.decay_std_per_s),
        energy_db: 10.0 * (p + q).log10(),
        split: b.ln_freq() - a.ln_freq(),
    }
}

/// True for a line that is strong and sharp enough to conclude from.
pub fn counts(l: &Line) -> bool {
    l.energy_db >= STRONG_DB && l.decay_std_per_s <= LOOSEST * l.decay_per_s
}

/// A line of a baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BaseLine {
    /// Where it is expected.
    pub place: Place,
    /// Standard deviation of ln f from sounding to sounding, shrunk.
    pub spread: f64,
    /// The same as seen, not shrunk; none from one sounding.
    pub seen_spread: Option<f64>,
    /// Mean of the logarithm of the decay rate in 1/s.
    pub ln_decay: f64,
    /// Standard deviation of the same, shrunk.
    pub decay_spread: f64,
    /// The same as seen, not shrunk; none from one sounding.
    pub seen_decay_spread: Option<f64>,
    /// Number of soundings that showed it.
    pub seen: u32,
    /// Relative distance at which a second line would have been told apart.
    pub resolution: f64,
    /// Standard deviation of the relative distance of its pair, shrunk.
    pub split_spread: f64,
    /// Root mean square of the relative distances of the wheels' pairs here, shrunk: of a
    /// specification or lot only.
    pub natural_split: f64,
}

/// Ring times of a baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RingTimes {
    /// Mean of the logarithm in seconds.
    pub ln_mean: f64,
    /// Standard deviation of a sounding's, shrunk.
    pub spread: f64,
    /// Standard deviation of a sounding's as seen; none from one.
    pub seen_spread: Option<f64>,
    /// Standard deviation of a tap's around its sounding's, shrunk.
    pub tap_spread: f64,
    /// Degrees of freedom of the same.
    pub tap_dof: f64,
    /// Shortest and longest of a tap in seconds.
    pub range_s: (f64, f64),
}

/// A baseline ready to be compared with.
#[derive(Debug, Clone, PartialEq)]
pub struct Baseline {
    /// Its lines by rising frequency.
    pub lines: Vec<BaseLine>,
    /// What a reading against it stands on.
    pub footing: Footing,
    /// Number of soundings; of a specification or lot, of wheels with one each.
    pub soundings: u32,
    /// Kind of bond.
    pub damping: Damping,
    /// Mean temperature in degrees Celsius, where every sounding has one.
    pub temp_c: Option<f64>,
    /// Standard deviation of the common shift, shrunk, temperature not known.
    pub shift_spread: f64,
    /// The same with the temperature taken off.
    pub shift_spread_at_temp: f64,
    /// Standard deviation of all decay rates together, shrunk.
    pub decay_spread: f64,
    /// Ring times; none without any.
    pub ring_times: Option<RingTimes>,
    /// Largest room misfit of its soundings.
    pub room_misfit: f64,
}

/// Why soundings make no baseline.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Unfit {
    /// None given.
    #[error("a baseline needs one sounding at least")]
    NoSounding,
    /// Too few wheels of a specification or lot.
    #[error(
        "{found} wheels, {FEWEST_WHEELS} at least are needed to know how wheels differ from each other"
    )]
    TooFewWheels {
        /// How many there are.
        found: usize,
    },
    /// Hardly a line in one of them.
    #[error(
        "{name}: {found} tones that can be compared, {needed} are needed: sound the wheel again closer to the microphone, or leave this sounding out"
    )]
    TooFewModes {
        /// The sounding.
        name: String,
        /// What it has.
        found: usize,
        /// What is needed.
        needed: usize,
    },
    /// One of them is of another wheel, or something happened between them.
    #[error(
        "{name} does not go with {other}: {shared_percent:.0} % of the tones in common (at least {least_percent:.0} % are needed), all tones {shift_percent:+.2} % (up to {most_shift_percent:.2} %), each for itself {apart_percent:.3} % (up to {most_apart_percent:.3} %); another wheel, or one of the two is damaged, damp or held: leave it out, or sound the wheel again"
    )]
    Mixed {
        /// The sounding that is out of line with most others.
        name: String,
        /// One that it does not go with.
        other: String,
        /// Share of the weight in common.
        shared_percent: f64,
        /// Its limit.
        least_percent: f64,
        /// Common shift.
        shift_percent: f64,
        /// Its limit.
        most_shift_percent: f64,
        /// Median distance of the single tones.
        apart_percent: f64,
        /// Its limit.
        most_apart_percent: f64,
    },
}

/// Places of one sounding's lines.
fn places_of(lines: &[Line]) -> Vec<Place> {
    let place = |l: &Line| Place {
        ln_freq: l.ln_freq(),
        weight: l.weight(),
        energy_db: l.energy_db,
        partner: None,
        regular: true,
        always: true,
    };
    lines.iter().map(place).collect()
}

/// How two soundings agree.
struct Agreement {
    shared: f64,
    shift: f64,
    apart: f64,
}

impl Agreement {
    fn between(a: &Sounded, b: &Sounded, assumed: &Assumed) -> Self {
        let (test, own) = (a.counting(), b.counting());
        let places = places_of(&own);
        let none = Self {
            shared: 0.0,
            shift: 0.0,
            apart: 0.0,
        };
        let Some(CommonShift { shift, .. }) = common_shift(&test, &places, assumed.search) else {
            return none;
        };
        let room = a.room_misfit.max(b.room_misfit);
        let matching = match_lines_within(assumed.near, &test, &places, shift, room);
        let mut apart: Vec<f64> = Vec::new();
        let mut weight = 0.0;
        for found in matching.found.iter().filter(|f| !f.moved) {
            apart.push(found.residual.abs());
            weight += places[found.place].weight + test[found.line].weight();
        }
        let all: f64 = places.iter().map(|p| p.weight).sum::<f64>()
            + test.iter().map(Line::weight).sum::<f64>();
        let warmth = match (a.temp_c, b.temp_c) {
            (Some(x), Some(y)) => assumed.tone_per_k * (x - y),
            _ => 0.0,
        };
        Self {
            shared: if apart.len() < FEWEST_LINES {
                0.0
            } else {
                weight / all
            },
            shift: shift - warmth,
            apart: median(&mut apart).unwrap_or(0.0),
        }
    }

    fn holds(&self, assumed: &Assumed) -> bool {
        self.shared >= LEAST_SHARED
            && self.shift.abs() <= most_shift(assumed)
            && self.apart <= most_apart(assumed)
    }
}

/// Two soundings differ by sqrt(2) standard deviations; six of those are no scatter.
fn most_shift(assumed: &Assumed) -> f64 {
    6.0 * std::f64::consts::SQRT_2 * assumed.shift
}

fn most_apart(assumed: &Assumed) -> f64 {
    4.0 * std::f64::consts::SQRT_2 * assumed.tone
}

/// Builds a baseline of the soundings of one wheel.
///
/// # Errors
/// [`Unfit`] for a sounding with too few lines, or one that does not go with the others.
pub fn build(soundings: &[Sounded], damping: Damping) -> Result<Baseline, Unfit> {
    build_on(Footing::OwnBaseline, soundings, damping)
}

/// Builds what a wheel is held against that has no baseline of its own: one sounding each of
/// [`FEWEST_WHEELS`] or more other wheels of its specification or lot.
///
/// # Errors
/// [`Unfit`] for too few wheels, for a sounding with too few lines, or one that does not go
/// with the others.
pub fn build_group(
    footing: Footing,
    wheels: &[Sounded],
    damping: Damping,
) -> Result<Baseline, Unfit> {
    if wheels.len() < FEWEST_WHEELS {
        return Err(Unfit::TooFewWheels {
            found: wheels.len(),
        });
    }
    let joined: Vec<Sounded> = wheels.iter().map(Sounded::joined).collect();
    build_on(footing, &joined, damping)
}

fn build_on(footing: Footing, soundings: &[Sounded], damping: Damping) -> Result<Baseline, Unfit> {
    if soundings.is_empty() {
        return Err(Unfit::NoSounding);
    }
    for s in soundings {
        let found = s.counting().len();
        if found < FEWEST_LINES {
            return Err(Unfit::TooFewModes {
                name: s.name.clone(),
                found,
                needed: FEWEST_LINES,
            });
        }
    }
    let assumed = Assumed::on(footing, damping);
    check_alike(soundings, &assumed)?;
    Ok(built(footing, soundings, damping, &assumed))
}

fn check_alike(soundings: &[Sounded], assumed: &Assumed) -> Result<(), Unfit> {
    let mut at_odds = vec![0_usize; soundings.len()];
    let mut pairs = Vec::new();
    for i in 0..soundings.len() {
        for j in 0..i {
            let a = Agreement::between(&soundings[i], &soundings[j], assumed);
            if !a.holds(assumed) {
                at_odds[i] += 1;
                at_odds[j] += 1;
                pairs.push((i, j, a));
            }
        }
    }
    // The one that is at odds with most; of two alone the later.
    let worst = (0..soundings.len())
        .max_by_key(|&i| at_odds[i])
        .unwrap_or(0);
    let Some((i, j, a)) = pairs
        .into_iter()
        .find(|(i, j, _)| *i == worst || *j == worst)
    else {
        return Ok(());
    };
    let other = if i == worst { j } else { i };
    Err(Unfit::Mixed {
        name: soundings[worst].name.clone(),
        other: soundings[other].name.clone(),
        shared_percent: 100.0 * a.shared,
        least_percent: 100.0 * LEAST_SHARED,
        shift_percent: 100.0 * a.shift,
        most_shift_percent: 100.0 * most_shift(assumed),
        apart_percent: 100.0 * a.apart,
        most_apart_percent: 100.0 * most_apart(assumed),
    })
}

/// A line of one of the soundings, its sounding's shift taken off.
#[derive(Clone, Copy)]
struct Pooled {
    x: f64,
    sounding: usize,
    line: Line,
}

fn built(footing: Footing, soundings: &[Sounded], damping: Damping, assumed: &Assumed) -> Baseline {
    let room = soundings.iter().map(|s| s.room_misfit).fold(0.0, f64::max);
    let lines: Vec<Vec<Line>> = soundings.iter().map(Sounded::usable).collect();
    let shifts = aligned(soundings, &lines, assumed);
    let mut pooled: Vec<Pooled> = Vec::new();
    for (k, own) in lines.iter().enumerate() {
        pooled.extend(own.iter().map(|l| Pooled {
            x: l.ln_freq() - shifts[k],
            sounding: k,
            line: *l,
        }));
    }
    pooled.sort_by(|a, b| a.x.total_cmp(&b.x));
    let raw = groups(&pooled, assumed, room)
        .into_iter()
        .flat_map(|g| raw_lines(&g, soundings.len()))
        .collect();
    let n = soundings.len() as f64;
    let temps: Option<Vec<f64>> = soundings.iter().map(|s| s.temp_c).collect();
    let temp_c = temps.as_deref().and_then(mean);
    let warmth = |k: usize| match (&temps, temp_c) {
        (Some(t), Some(mean)) => assumed.tone_per_k * (t[k] - mean),
        _ => 0.0,
    };
    let at_temp: Vec<f64> = shifts
        .iter()
        .enumerate()
        .map(|(k, s)| s - warmth(k))
        .collect();
    let spread_of = |values: &[f64]| spread(values).unwrap_or(0.0);
    let raw = with_partners(raw);
    let decays = session_decays(&raw, soundings.len());
    let pool = |values: fn(&Raw) -> &[(usize, f64)]| pooled_spread(&raw, values);
    let tone = shrunk(assumed.tone, pool(|r| &r.x), n - 1.0, assumed.prior);
    let decay = shrunk(assumed.decay, pool(|r| &r.ln_decay), n - 1.0, assumed.prior);
    let split = shrunk(assumed.split, pool(|r| &r.split), n - 1.0, assumed.prior);
    let (tones, prior) = ([tone, decay, split], assumed.prior);
    Baseline {
        lines: raw
            .iter()
            .enumerate()
            .map(|(k, r)| {
                let mut line = r.line(tones, assumed);
                line.place.partner = r.partner.and_then(|by| k.checked_add_signed(by));
                line
            })
            .collect(),
        footing,
        soundings: soundings.len() as u32,
        damping,
        temp_c,
        shift_spread: shrunk(assumed.shift, spread_of(&shifts), n - 1.0, prior),
        shift_spread_at_temp: shrunk(assumed.shift_at_temp, spread_of(&at_temp), n - 1.0, prior),
        decay_spread: shrunk(assumed.decay, spread_of(&decays), n - 1.0, prior),
        ring_times: ring_times(soundings, assumed),
        room_misfit: room,
    }
}

/// Shift of each sounding, mean zero: first against the one with most lines, then against the
/// mean of what matches there.
fn aligned(soundings: &[Sounded], lines: &[Vec<Line>], assumed: &Assumed) -> Vec<f64> {
    let most = (0..lines.len())
        .max_by_key(|&k| lines[k].len())
        .unwrap_or(0);
    let places = places_of(&soundings[most].counting());
    let mut shifts: Vec<f64> = lines
        .iter()
        .map(|l| common_shift(l, &places, assumed.search).map_or(0.0, |s| s.shift))
        .collect();
    let middle = mean(&shifts).unwrap_or(0.0);
    shifts.iter_mut().for_each(|s| *s -= middle);
    shifts
}

/// Lines of all soundings that lie together, by single linkage.
fn groups(pooled: &[Pooled], assumed: &Assumed, room: f64) -> Vec<Vec<Pooled>> {
    let mut out: Vec<Vec<Pooled>> = Vec::new();
    for p in pooled {
        let gap = |q: &Pooled| {
            let std = p.line.ln_freq_std(room).hypot(q.line.ln_freq_std(room));
            (2.7 * assumed.tone).max(3.0 * std)
        };
        match out.last_mut() {
            Some(group) if group.last().is_some_and(|q| p.x - q.x <= gap(q)) => group.push(*p),
            _ => out.push(vec![*p]),
        }
    }
    out
}

/// A line of the baseline with the values of its soundings, before any shrinking.
struct Raw {
    /// ln f by sounding.
    x: Vec<(usize, f64)>,
    ln_decay: Vec<(usize, f64)>,
    /// Relative distance of its pair by sounding; only at the lower line of a pair.
    split: Vec<(usize, f64)>,
    /// Relative distances of the pairs that were joined to its lines.
    own_splits: Vec<f64>,
    weight: f64,
    energy_db: f64,
    resolution: f64,
    regular: bool,
    always: bool,
    /// Offset of the partner's number.
    partner: Option<isize>,
}

/// One line, or two where at least half of the soundings that saw the group saw two.
fn raw_lines(group: &[Pooled], soundings: usize) -> Vec<Raw> {
    let by_sounding: Vec<(usize, Vec<Pooled>)> = (0..soundings)
        .map(|k| {
            (
                k,
                group.iter().filter(|p| p.sounding == k).copied().collect(),
            )
        })
        .filter(|(_, lines): &(usize, Vec<Pooled>)| !lines.is_empty())
        .collect();
    let double = by_sounding.iter().filter(|(_, l)| l.len() > 1).count();
    if double * 2 < by_sounding.len() || double == 0 {
        let strongest = |l: &[Pooled]| {
            l.iter()
                .copied()
                .max_by(|a, b| a.line.energy_db.total_cmp(&b.line.energy_db))
        };
        let one = by_sounding
            .iter()
            .filter_map(|(_, l)| strongest(l))
            .collect();
        return vec![raw(one, by_sounding.len(), soundings)];
    }
    let both: Vec<_> = by_sounding.iter().filter(|(_, l)| l.len() > 1).collect();
    // Pooled lines are sorted, so first and last are lowest and highest.
    let low: Vec<Pooled> = both
        .iter()
        .filter_map(|(_, l)| l.first().copied())
        .collect();
    let high: Vec<Pooled> = both.iter().filter_map(|(_, l)| l.last().copied()).collect();
    let splits = low.iter().zip(&high).map(|(a, b)| (a.sounding, b.x - a.x));
    let splits: Vec<(usize, f64)> = splits.collect();
    let mut lower = raw(low, by_sounding.len(), soundings);
    let mut upper = raw(high, by_sounding.len(), soundings);
    lower.split = splits;
    lower.partner = Some(1);
    upper.partner = Some(-1);
    vec![lower, upper]
}

fn raw(values: Vec<Pooled>, seen: usize, soundings: usize) -> Raw {
    let strong = values.iter().filter(|p| counts(&p.line)).count();
    let of = |f: fn(&Pooled) -> f64| -> Vec<(usize, f64)> {
        values.iter().map(|p| (p.sounding, f(p))).collect()
    };
    let mut weights: Vec<f64> = values.iter().map(|p| p.line.weight()).collect();
    let mut energies: Vec<f64> = values.iter().map(|p| p.line.energy_db).collect();
    Raw {
        x: of(|p| p.x),
        ln_decay: of(|p| p.line.decay_per_s.ln()),
        split: Vec::new(),
        own_splits: values
            .iter()
            .map(|p| p.line.split)
            .filter(|s| *s > 0.0)
            .collect(),
        weight: median(&mut weights).unwrap_or(0.0),
        energy_db: median(&mut energies).unwrap_or(0.0),
        resolution: values
            .iter()
            .map(|p| p.line.resolution())
            .fold(f64::INFINITY, f64::min),
        always: seen == soundings,
        regular: strong > 0 && strong * 2 >= values.len() && seen >= 2.min(soundings),
        partner: None,
    }
}

impl Raw {
    fn mean_x(&self) -> f64 {
        mean_of(&self.x)
    }

    /// `spreads` are those of tones, decays and splits over all lines.
    fn line(&self, spreads: [f64; 3], assumed: &Assumed) -> BaseLine {
        let ([tone, decay, split], prior) = (spreads, assumed.prior);
        let squares: f64 = self.own_splits.iter().map(|s| s * s).sum();
        let natural = self.own_splits.len() as f64;
        let own = |v: &[(usize, f64)]| spread(&v.iter().map(|p| p.1).collect::<Vec<_>>());
        let dof = self.x.len() as f64 - 1.0;
        let (x, d) = (own(&self.x), own(&self.ln_decay));
        let splits = self.split.len().saturating_sub(1) as f64;
        BaseLine {
            place: Place {
                ln_freq: self.mean_x(),
                weight: self.weight,
                energy_db: self.energy_db,
                partner: None,
                regular: self.regular,
                always: self.always,
            },
            spread: shrunk(tone, x.unwrap_or(0.0), dof, prior),
            seen_spread: x,
            ln_decay: mean_of(&self.ln_decay),
            decay_spread: shrunk(decay, d.unwrap_or(0.0), dof, prior),
            seen_decay_spread: d,
            seen: self.x.len() as u32,
            resolution: self.resolution,
            split_spread: shrunk(split, own(&self.split).unwrap_or(0.0), splits, prior),
            natural_split: shrunk(
                assumed.hidden_split,
                (squares / natural.max(1.0)).sqrt(),
                natural,
                prior,
            ),
        }
    }
}

fn mean_of(values: &[(usize, f64)]) -> f64 {
    values.iter().map(|v| v.1).sum::<f64>() / values.len().max(1) as f64
}

/// Joins lone neighbours that are far nearer to each other than to any other line to a pair.
fn with_partners(mut raw: Vec<Raw>) -> Vec<Raw> {
    raw.sort_by(|a, b| a.mean_x().total_cmp(&b.mean_x()));
    let x: Vec<f64> = raw.iter().map(Raw::mean_x).collect();
    let gap = |k: usize| x.get(k + 1).map_or(f64::INFINITY, |next| next - x[k]);
    for k in 0..raw.len().saturating_sub(1) {
        let lone = raw[k].partner.is_none() && raw[k + 1].partner.is_none();
        let before = if k == 0 { f64::INFINITY } else { gap(k - 1) };
        let near = gap(k) <= WIDE_PAIR && before.min(gap(k + 1)) > 2.0 * gap(k);
        if lone && near && raw[k].regular && raw[k + 1].regular {
            let other = &raw[k + 1].x;
            let both = raw[k].x.iter().filter_map(|(s, a)| {
                let b = other.iter().find(|o| o.0 == *s)?.1;
                Some((*s, b - a))
            });
            let splits: Vec<(usize, f64)> = both.collect();
            raw[k].split = splits;
            raw[k].partner = Some(1);
            raw[k + 1].partner = Some(-1);
        }
    }
    raw
}

/// Mean distance of each sounding's decay rates from the mean, as logarithms.
fn session_decays(raw: &[Raw], soundings: usize) -> Vec<f64> {
    (0..soundings)
        .filter_map(|k| {
            let mut off: Vec<f64> = raw
                .iter()
                .filter(|r| r.regular)
                .filter_map(|r| {
                    let own = r.ln_decay.iter().find(|v| v.0 == k)?.1;
                    Some(own - mean_of(&r.ln_decay))
                })
                .collect();
            median(&mut off)
        })
        .collect()
}

/// Standard deviation around the means of all regular lines together.
fn pooled_spread(raw: &[Raw], values: fn(&Raw) -> &[(usize, f64)]) -> f64 {
    let (mut sum, mut dof) = (0.0, 0.0);
    for r in raw.iter().filter(|r| r.regular) {
        let own = values(r);
        let middle = mean_of(own);
        sum += own.iter().map(|v| (v.1 - middle).powi(2)).sum::<f64>();
        dof += own.len().saturating_sub(1) as f64;
    }
    if dof > 0.0 { (sum / dof).sqrt() } else { 0.0 }
}

fn ring_times(soundings: &[Sounded], assumed: &Assumed) -> Option<RingTimes> {
    let means: Vec<f64> = soundings.iter().filter_map(Sounded::ln_ring_time).collect();
    let ln_mean = mean(&means)?;
    let (mut sum, mut dof) = (0.0, 0.0);
    let mut range_s = (f64::INFINITY, 0.0_f64);
    for s in soundings {
        let own = ln_positive(&s.tap_ring_times_s);
        let Some(middle) = mean(&own) else { continue };
        sum += own.iter().map(|v| (v - middle).powi(2)).sum::<f64>();
        dof += own.len() as f64 - 1.0;
        for v in own {
            range_s = (range_s.0.min(v.exp()), range_s.1.max(v.exp()));
        }
    }
    let own = if dof > 0.0 { (sum / dof).sqrt() } else { 0.0 };
    let seen_spread = spread(&means);
    let between = means.len() as f64 - 1.0;
    Some(RingTimes {
        ln_mean,
        spread: shrunk(
            assumed.ring_time,
            seen_spread.unwrap_or(0.0),
            between,
            assumed.prior,
        ),
        seen_spread,
        tap_spread: shrunk(assumed.tap_ring_time, own, dof, assumed.prior),
        tap_dof: assumed.prior + dof,
        range_s,
    })
}

fn ln_positive(values: &[f64]) -> Vec<f64> {
    let usable = values.iter().filter(|v| v.is_finite() && **v > 0.0);
    usable.map(|v| v.ln()).collect()
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Standard deviation; none of fewer than two values.
fn spread(values: &[f64]) -> Option<f64> {
    let middle = mean(values)?;
    let sum: f64 = values.iter().map(|v| (v - middle).powi(2)).sum();
    (values.len() > 1).then(|| (sum / (values.len() as f64 - 1.0)).sqrt())
}

/// Median; none without values.
pub(crate) fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 {
        values.get(half).copied()
    } else {
        Some(0.5 * (values.get(half)? + values.get(half.checked_sub(1)?)?))
    }
}

#[cfg(test)]
mod tests;
