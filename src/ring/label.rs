//! Which mode of the plate is which line: nodal diameters and circles from the pattern of the
//! frequencies, when the size of the wheel is known and its stiffness is not.
//!
//! What is unknown is a common factor (stiffness over density) and Poisson's ratio. For each pair
//! of values the places of the modes are known, and lines are taken for a Poisson process: about
//! so many at each place, scattered around it, and some anywhere. Its likelihood rewards lines at
//! places and charges for every place without a line, so that a dense pattern explains nothing
//! for free. A line has a label only where one mode holds nearly all of the probability over all
//! values of the unknowns: where two candidates fit, it has none.

use super::mode::{Mode, split_hz};
use super::plate::{POISSON_RANGE, PatternMode, PlatePattern};

/// Relative scatter of real wheels' modes around the ideal plate of thick theory: uneven density
/// and thickness (ours; three times what made-up wheels have).
const SCATTER: f64 = 6e-3;
/// Lines that a mode shows on average, some being missed by the tap.
const SEEN: f64 = 0.75;
/// Lines anywhere per unit of ln f: in-plane modes, the hand, the support.
const STRAY: f64 = 0.5;
/// Lowest and highest `sqrt(E/rho)` in m/s: rubber bonds to solid metal.
const SPEED_M_S: (f64, f64) = (700.0, 6500.0);
/// Poisson's ratio of grinding wheels (common practice: about 0.2) with its standard deviation.
pub const POISSON_PRIOR: (f64, f64) = (0.2, 0.05);
/// Two lines so close, relatively, are taken for one pair.
const PAIR: f64 = 0.01;
/// Two lone lines so close and of one label are the pair of a damaged or uneven wheel.
const WIDE_PAIR: f64 = 0.03;
/// Partners of a pair differ by at most this much in energy (dB) and decay (factor).
const PARTNER_DB: f64 = 30.0;
const PARTNER_DECAY: f64 = 3.0;
/// A single mode (no nodal diameter) can hardly show two lines.
const TWO_OF_ONE: f64 = 0.02;
/// Probability that a label needs.
const SURE: f64 = 0.95;
/// How much likelier than lines anywhere the pattern must be, as a logarithm.
const EVIDENCE: f64 = 4.0;
/// Fewest labels that make a pattern.
const FEWEST: usize = 3;
/// Step of the search in the common factor, relative.
const STEP: f64 = 1.5e-3;
/// The lowest mode without nodal diameters moves by 0.7 % with it against the others.
const POISSON_STEP: f64 = 0.01;
/// Places farther from a line than so many standard deviations count as 0.
const REACH: f64 = 4.5;
/// Lowest frequency at which modes are looked for, in Hz.
const LOWEST_HZ: f64 = super::estimate::LOWEST_HZ;

/// Nodal diameters and nodal circles of a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Label {
    /// Nodal diameters.
    pub n: usize,
    /// Nodal circles.
    pub s: usize,
    /// Its probability within the model, at least 0.95.
    pub probability: f64,
}

/// Two lines of one pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Number of the lower line among the modes.
    pub low: usize,
    /// Number of the upper line.
    pub high: usize,
    /// Their distance in Hz.
    pub split_hz: f64,
    /// Standard deviation of the distance in Hz.
    pub split_std_hz: f64,
    /// Label of both, where known.
    pub label: Option<Label>,
}

/// Labels of modes.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Labelled {
    /// Label of each mode, in the order they were given.
    pub labels: Vec<Option<Label>>,
    /// The pairs, by rising frequency.
    pub pairs: Vec<Pair>,
    /// Speed `sqrt(E/rho)` in m/s and Poisson's ratio of the likeliest pattern; none without
    /// labels.
    pub likeliest: Option<(f64, f64)>,
}

/// Lines that belong together: one, or two of a pair.
struct Group {
    lines: Vec<usize>,
    ln_freq: f64,
    sigma: f64,
}

/// Pairs and, with a `pattern`, labels of modes (in any order).
///
/// Without a pattern two lines are taken for a pair when they lie within 1 %, 30 dB and a factor
/// of 3 in decay of each other; with one, both must be of one label with a nodal diameter, where
/// there are labels.
pub fn label_modes(modes: &[Mode], pattern: Option<&PlatePattern>) -> Labelled {
    let groups = groups(modes);
    let mut out = Labelled {
        labels: vec![None; modes.len()],
        ..Labelled::default()
    };
    if let Some(pattern) = pattern {
        let (found, likeliest) = labels_of(&groups, pattern);
        let found = without_rivals(&groups, found, modes);
        if found.iter().flatten().count() >= FEWEST {
            out.likeliest = likeliest;
            for (group, label) in groups.iter().zip(found) {
                for line in &group.lines {
                    out.labels[*line] = label;
                }
            }
        }
    }
    out.pairs = pairs(modes, &groups, &out.labels);
    out
}

fn can_be_partners(a: &Mode, b: &Mode, within: f64) -> bool {
    (a.freq_hz / b.freq_hz).ln().abs() < within
        && (a.energy_db - b.energy_db).abs() < PARTNER_DB
        && (a.decay_per_s / b.decay_per_s).ln().abs() < PARTNER_DECAY.ln()
}

/// The closest neighbours first.
fn groups(modes: &[Mode]) -> Vec<Group> {
    let mut order: Vec<usize> = (0..modes.len())
        .filter(|k| modes[*k].freq_hz > 0.0 && modes[*k].decay_per_s > 0.0)
        .collect();
    order.sort_by(|a, b| modes[*a].freq_hz.total_cmp(&modes[*b].freq_hz));
    let mut gaps: Vec<(f64, usize)> = order
        .windows(2)
        .enumerate()
        .filter(|(_, w)| can_be_partners(&modes[w[0]], &modes[w[1]], PAIR))
        .map(|(i, w)| (modes[w[1]].freq_hz / modes[w[0]].freq_hz, i))
        .collect();
    gaps.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut with_next = vec![false; order.len()];
    for (_, i) in gaps {
        // One whose lower line is taken already is stepped over below.
        with_next[i] = !with_next[i + 1];
    }
    let mut out = Vec::new();
    let mut i = 0;
    while i < order.len() {
        let count = 1 + usize::from(with_next[i]);
        let lines = order[i..i + count].to_vec();
        let ln: Vec<f64> = lines.iter().map(|k| modes[*k].freq_hz.ln()).collect();
        let own = lines
            .iter()
            .map(|k| modes[*k].freq_std_hz / modes[*k].freq_hz)
            .fold(0.0, f64::max);
        out.push(Group {
            ln_freq: ln.iter().sum::<f64>() / count as f64,
            sigma: SCATTER.hypot(own.min(0.05)),
            lines,
        });
        i += count;
    }
    out
}

/// The likelihood of the lines for one common factor and Poisson's ratio.
struct Hypothesis<'a> {
    /// `ln lambda^2` with the mode's number, rising.
    places: &'a [(f64, usize)],
    /// Modes with a pair.
    paired: &'a [bool],
    complete_to: f64,
    /// Lines per unit of ln f beyond `complete_to`.
    beyond: f64,
    ln_hz: f64,
}

impl Hypothesis<'_> {
    /// Places near a group with their share of the density there.
    fn near(&self, group: &Group, mut each: impl FnMut(usize, f64)) -> f64 {
        let x = group.ln_freq - self.ln_hz;
        if x > self.complete_to {
            return STRAY + self.beyond;
        }
        let reach = REACH * group.sigma;
        let first = self.places.partition_point(|p| p.0 < x - reach);
        let mut sum = STRAY;
        for (ln, mode) in &self.places[first..] {
            if *ln > x + reach {
                break;
            }
            let z = (x - ln) / group.sigma;
            let mut density = SEEN * (-0.5 * z * z).exp() / (2.506_628_274_631 * group.sigma);
            if group.lines.len() > 1 && !self.paired[*mode] {
                density *= TWO_OF_ONE;
            }
            each(*mode, density);
            sum += density;
        }
        sum
    }

    fn ln_likelihood(&self, groups: &[Group], band: (f64, f64)) -> f64 {
        let at = |ln: f64| self.places.partition_point(|p| p.0 < ln - self.ln_hz);
        let end = band.1.min(self.complete_to + self.ln_hz);
        let count = at(end).saturating_sub(at(band.0)) as f64;
        let expected = SEEN * count
            + STRAY * (band.1 - band.0)
            + self.beyond * (band.1 - end.max(band.0)).max(0.0);
        groups
            .iter()
            .map(|g| self.near(g, |_, _| {}).ln())
            .sum::<f64>()
            - expected
    }
}

type Found = (Vec<Option<Label>>, Option<(f64, f64)>);

/// Labels by the posterior over the common factor and Poisson's ratio.
fn labels_of(groups: &[Group], pattern: &PlatePattern) -> Found {
    let none = (vec![None; groups.len()], None);
    let modes = pattern.modes();
    let top = groups
        .iter()
        .map(|g| g.ln_freq)
        .fold(f64::NEG_INFINITY, f64::max);
    if groups.len() < FEWEST {
        return none;
    }
    let band = (LOWEST_HZ.ln().min(top - 0.1), top + SCATTER);
    let paired: Vec<bool> = modes.iter().map(|m| m.n > 0).collect();
    let columns: Vec<Column> = poisson_grid().map(|nu| Column::new(pattern, nu)).collect();
    let hypotheses = |c: &Column, k: usize| -> f64 { c.from + STEP * k as f64 };
    let mut logs: Vec<(usize, usize, f64)> = Vec::new();
    for (i, column) in columns.iter().enumerate() {
        for k in 0..column.steps {
            let at = column.hypothesis(&paired, pattern, hypotheses(column, k));
            let log = at.ln_likelihood(groups, band) + column.ln_prior;
            logs.push((i, k, log));
        }
    }
    let best = logs.iter().fold(
        (0, 0, f64::NEG_INFINITY),
        |b, l| {
            if l.2 > b.2 { *l } else { b }
        },
    );
    let weight: f64 = columns.iter().map(Column::weight).sum();
    let total: f64 = logs.iter().map(|l| (l.2 - best.2).exp()).sum();
    if evidence(best.2, (total, weight), groups.len() as f64, band) < EVIDENCE {
        return none;
    }
    let mut share = vec![vec![0.0; modes.len()]; groups.len()];
    for (i, k, log) in logs.iter().filter(|l| l.2 > best.2 - 14.0) {
        let column = &columns[*i];
        let at = column.hypothesis(&paired, pattern, hypotheses(column, *k));
        let own = (log - best.2).exp() / total;
        for (group, of) in groups.iter().zip(&mut share) {
            let sum = at.near(group, |_, _| {});
            at.near(group, |mode, density| of[mode] += own * density / sum);
        }
    }
    let label = |of: &Vec<f64>| {
        let most = (0..of.len()).max_by(|a, b| of[*a].total_cmp(&of[*b]))?;
        (of[most] >= SURE).then(|| Label {
            n: modes[most].n,
            s: modes[most].s,
            probability: of[most].min(1.0),
        })
    };
    let column = &columns[best.0];
    let speed = (hypotheses(column, best.1) - pattern.ln_hz(1.0, column.poisson)).exp();
    (
        share.iter().map(label).collect(),
        Some((speed, column.poisson)),
    )
}

/// How much likelier than lines anywhere, at their own density, a pattern is, as a logarithm:
/// its likelihood is that of the best hypothesis times the mean over the prior of all relative to
/// it, `total` over `weight`.
fn evidence(ln_best: f64, (total, weight): (f64, f64), lines: f64, band: (f64, f64)) -> f64 {
    ln_best + (total / weight).ln() - ln_anywhere(lines, band.1 - band.0)
}

/// Logarithm of the likelihood of so many lines scattered evenly over a `width` in ln f, at the
/// density that suits them best.
fn ln_anywhere(lines: f64, width: f64) -> f64 {
    lines * (lines / width).ln() - lines
}

fn poisson_grid() -> impl Iterator<Item = f64> {
    let (low, high) = POISSON_RANGE;
    let count = ((high - low) / POISSON_STEP).round() as usize;
    (0..=count).map(move |k| low + POISSON_STEP * k as f64)
}

/// All common factors for one Poisson's ratio.
struct Column {
    poisson: f64,
    ln_prior: f64,
    places: Vec<(f64, usize)>,
    from: f64,
    steps: usize,
    beyond: f64,
}

impl Column {
    fn new(pattern: &PlatePattern, poisson: f64) -> Self {
        let of = |m: &PatternMode| m.ln_lambda_squared(poisson);
        let mut places: Vec<(f64, usize)> = pattern
            .modes()
            .iter()
            .enumerate()
            .map(|(k, m)| (of(m), k))
            .collect();
        places.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (from, to) = (
            pattern.ln_hz(SPEED_M_S.0, poisson),
            pattern.ln_hz(SPEED_M_S.1, poisson),
        );
        let last = pattern.complete_to();
        let lately = places.iter().filter(|p| p.0 > last - 0.4 && p.0 <= last);
        let z = (poisson - POISSON_PRIOR.0) / POISSON_PRIOR.1;
        Self {
            poisson,
            ln_prior: -0.5 * z * z,
            beyond: SEEN * lately.count() as f64 / 0.4,
            places,
            from,
            steps: ((to - from) / STEP).ceil() as usize,
        }
    }

    /// Prior of all its common factors together, but for a factor that all columns have.
    fn weight(&self) -> f64 {
        self.ln_prior.exp() * self.steps as f64
    }

    fn hypothesis<'a>(
        &'a self,
        paired: &'a [bool],
        pattern: &PlatePattern,
        ln_hz: f64,
    ) -> Hypothesis<'a> {
        Hypothesis {
            places: &self.places,
            paired,
            complete_to: pattern.complete_to(),
            beyond: self.beyond,
            ln_hz,
        }
    }
}

/// One label belongs to one line or pair: of two groups the far fainter one loses it, of two
/// alike both do, unless they can be the two lines of a wide pair.
fn without_rivals(
    groups: &[Group],
    found: Vec<Option<Label>>,
    modes: &[Mode],
) -> Vec<Option<Label>> {
    let energy = |g: &Group| {
        let of = g.lines.iter().map(|k| modes[*k].energy_db);
        of.fold(f64::NEG_INFINITY, f64::max)
    };
    let mut out = found.clone();
    for i in 0..groups.len() {
        let Some(own) = found[i] else { continue };
        let rivals: Vec<usize> = (0..groups.len())
            .filter(|j| *j != i)
            .filter(|j| found[*j].is_some_and(|l| (l.n, l.s) == (own.n, own.s)))
            .collect();
        let pair = match rivals.as_slice() {
            [one] => {
                own.n > 0
                    && groups[i].lines.len() == 1
                    && groups[*one].lines.len() == 1
                    && can_be_partners(
                        &modes[groups[i].lines[0]],
                        &modes[groups[*one].lines[0]],
                        WIDE_PAIR,
                    )
            }
            _ => false,
        };
        let wins = rivals
            .iter()
            .all(|j| energy(&groups[i]) > energy(&groups[*j]) + 20.0);
        if !pair && !wins {
            out[i] = None;
        }
    }
    out
}

fn pairs(modes: &[Mode], groups: &[Group], labels: &[Option<Label>]) -> Vec<Pair> {
    let mut couples: Vec<(usize, usize)> = groups
        .iter()
        .filter_map(|g| match g.lines.as_slice() {
            [a, b] => Some((*a, *b)),
            _ => None,
        })
        .collect();
    let lone: Vec<usize> = groups
        .iter()
        .filter(|g| g.lines.len() == 1)
        .map(|g| g.lines[0])
        .collect();
    for (i, a) in lone.iter().enumerate() {
        let same = |b: &&usize| match (labels[*a], labels[**b]) {
            (Some(x), Some(y)) => (x.n, x.s) == (y.n, y.s),
            _ => false,
        };
        if let Some(b) = lone[i + 1..].iter().find(same) {
            couples.push((*a, *b));
        }
    }
    let mut out: Vec<Pair> = couples
        .into_iter()
        .filter(|(a, _)| labels[*a].is_none_or(|l| l.n > 0))
        .map(|(a, b)| {
            let (low, high) = if modes[a].freq_hz <= modes[b].freq_hz {
                (a, b)
            } else {
                (b, a)
            };
            let (split_hz, split_std_hz) = split_hz(&modes[low], &modes[high]);
            Pair {
                low,
                high,
                split_hz,
                split_std_hz,
                label: labels[a],
            }
        })
        .collect();
    out.sort_by(|a, b| modes[a.low].freq_hz.total_cmp(&modes[b.low].freq_hz));
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::super::plate::PlateSize;
    use super::*;

    fn mode(freq_hz: f64, energy_db: f64, decay_per_s: f64) -> Mode {
        Mode {
            freq_std_hz: 1e-4 * freq_hz,
            decay_per_s,
            energy_db,
            ..Mode::made_up(freq_hz)
        }
    }

    fn plain(freqs_hz: &[f64]) -> Vec<Mode> {
        freqs_hz.iter().map(|f| mode(*f, 50.0, 10.0)).collect()
    }

    fn grouped(modes: &[Mode]) -> Vec<Vec<usize>> {
        groups(modes).into_iter().map(|g| g.lines).collect()
    }

    #[test]
    fn the_closest_neighbours_are_paired_first() {
        assert_eq!(
            grouped(&plain(&[1000.0, 1005.0, 2000.0])),
            [vec![0, 1], vec![2]]
        );
        // In any order, by rising frequency.
        assert_eq!(
            grouped(&plain(&[2000.0, 1005.0, 1000.0])),
            [vec![2, 1], vec![0]]
        );
        // Of three the closer two, whether they are the lower or the upper.
        assert_eq!(
            grouped(&plain(&[1000.0, 1003.0, 1009.0])),
            [vec![0, 1], vec![2]]
        );
        assert_eq!(
            grouped(&plain(&[1000.0, 1006.0, 1009.0])),
            [vec![0], vec![1, 2]]
        );
        // Four: both outer pairs, or the middle one alone.
        assert_eq!(
            grouped(&plain(&[1000.0, 1002.0, 1008.0, 1010.0])),
            [vec![0, 1], vec![2, 3]]
        );
        assert_eq!(
            grouped(&plain(&[1000.0, 1008.0, 1009.0, 1017.0])),
            [vec![0], vec![1, 2], vec![3]]
        );
        // What has no frequency or does not decay is in none.
        let odd = [
            mode(0.0, 50.0, 1.0),
            mode(900.0, 50.0, 0.0),
            mode(800.0, 50.0, 1.0),
        ];
        assert_eq!(grouped(&odd), [vec![2]]);
    }

    #[test]
    fn partners_are_alike_in_frequency_energy_and_decay() {
        let own = mode(1000.0, 50.0, 10.0);
        let is = |f: f64, e: f64, d: f64| {
            let other = mode(f, e, d);
            let both = [
                can_be_partners(&own, &other, 0.01),
                can_be_partners(&other, &own, 0.01),
            ];
            assert_eq!(both[0], both[1]);
            both[0]
        };
        assert!(is(1009.9, 50.0, 10.0) && !is(1010.1, 50.0, 10.0));
        assert!(is(1000.0, 79.0, 10.0) && !is(1000.0, 81.0, 10.0));
        assert!(is(1000.0, 50.0, 29.0) && !is(1000.0, 50.0, 31.0));
    }

    #[test]
    fn a_group_stands_in_its_middle_and_is_as_unsure_as_its_surest_allows() {
        let mut modes = plain(&[1000.0, 1005.0]);
        modes[1].freq_std_hz = 0.008 * 1005.0;
        let all = groups(&modes);
        let [group] = all.as_slice() else {
            panic!("{}", all.len())
        };
        assert!((group.ln_freq - (1000.0f64 * 1005.0).sqrt().ln()).abs() < 1e-12);
        // 6e-3 of the wheel and 8e-3 of the line: 1e-2.
        assert!((group.sigma - 0.01).abs() < 1e-12);
        modes[1].freq_std_hz = 400.0;
        assert!((groups(&modes)[0].sigma - SCATTER.hypot(0.05)).abs() < 1e-12);
    }

    /// A hypothesis with places at these `ln lambda^2`.
    fn places_at(at: &[f64]) -> Vec<(f64, usize)> {
        at.iter().copied().zip(0..).collect()
    }

    // The mean of a Poisson process over a band is the integral of its density there: what is
    // charged for a band must be what lines in it are credited with.
    #[test]
    fn what_is_charged_is_the_integral_of_what_is_credited() {
        let places = places_at(&[1.0, 1.4, 2.1, 2.9]);
        let hypothesis = Hypothesis {
            places: &places,
            paired: &[true; 4],
            complete_to: 3.0,
            beyond: 2.5,
            ln_hz: 5.0,
        };
        for band in [(5.5, 7.6), (5.5, 8.0), (6.2, 8.8)] {
            let steps = 20_000;
            let step = (band.1 - band.0) / f64::from(steps);
            let credited: f64 = (0..steps)
                .map(|k| {
                    let group = Group {
                        lines: vec![0],
                        ln_freq: band.0 + (f64::from(k) + 0.5) * step,
                        sigma: 0.01,
                    };
                    step * hypothesis.near(&group, |_, _| {})
                })
                .sum();
            let charged = -hypothesis.ln_likelihood(&[], band);
            // Places are cut at 4.5 deviations: 7e-6 of each.
            assert!(
                (charged - credited).abs() < 1e-3,
                "{band:?}: {charged} {credited}"
            );
        }
    }

    #[test]
    fn two_lines_at_a_single_mode_are_fifty_times_less_likely() {
        let places = places_at(&[1.0]);
        let density = |paired: bool, lines: usize| {
            let hypothesis = Hypothesis {
                places: &places,
                paired: &[paired],
                complete_to: 3.0,
                beyond: 0.0,
                ln_hz: 5.0,
            };
            let group = Group {
                lines: vec![0; lines],
                ln_freq: 6.0,
                sigma: 0.01,
            };
            let mut seen = Vec::new();
            let all = hypothesis.near(&group, |mode, density| seen.push((mode, density)));
            assert_eq!(seen[0].0, 0);
            assert!((all - seen[0].1 - STRAY).abs() < 1e-12);
            seen[0].1
        };
        // The peak of a normal density, three quarters of it.
        let peak = 0.75 / (0.01 * std::f64::consts::TAU.sqrt());
        assert!((density(true, 2) / peak - 1.0).abs() < 1e-9);
        assert!((density(false, 1) / peak - 1.0).abs() < 1e-9);
        assert!((density(false, 2) / peak - 0.02).abs() < 1e-9);
    }

    #[test]
    fn lines_anywhere_have_the_likelihood_of_an_even_process() {
        // Density 3 over a width of 2: six lines of ln 3 each, less the six expected.
        assert!((ln_anywhere(6.0, 2.0) - (6.0 * 3f64.ln() - 6.0)).abs() < 1e-12);
        // As likely as they are anywhere, a third of the prior being as likely as the best.
        let anywhere = ln_anywhere(6.0, 2.0);
        let found = evidence(anywhere + 5.0, (4.0, 12.0), 6.0, (6.5, 8.5));
        assert!((found - 5.0 + 3f64.ln()).abs() < 1e-12);
    }

    fn size() -> PlateSize {
        PlateSize {
            diameter_m: 0.2,
            thickness_m: 0.02,
            bore_m: 0.032,
        }
    }

    #[test]
    fn ratios_of_poisson_are_tried_in_hundredths() {
        let all: Vec<f64> = poisson_grid().collect();
        assert_eq!(all[0], POISSON_RANGE.0);
        assert!((all[all.len() - 1] - POISSON_RANGE.1).abs() < 1e-9);
        assert!(all.windows(2).all(|w| (w[1] - w[0] - 0.01).abs() < 1e-9));
    }

    /// One deviation from what is usual costs a half; beyond the last mode that is known as many
    /// are expected as in the last 0.4 before it; all common factors are tried.
    #[test]
    fn a_column_knows_its_prior_and_what_lies_beyond() {
        let pattern = PlatePattern::new(size()).unwrap();
        for (poisson, ln_prior) in [(0.2, 0.0), (0.25, -0.5), (0.1, -2.0)] {
            let column = Column::new(&pattern, poisson);
            assert!((column.ln_prior - ln_prior).abs() < 1e-9);
            let weight = f64::exp(ln_prior) * column.steps as f64;
            assert!((column.weight() / weight - 1.0).abs() < 1e-9);
            let last = pattern.complete_to();
            let lately = pattern.modes().iter().filter(|m| {
                let at = m.ln_lambda_squared(poisson);
                at <= last && at > last - 0.4
            });
            let count = lately.count();
            assert!(count > 2);
            assert!((column.beyond - SEEN * count as f64 / 0.4).abs() < 1e-12);
            let highest = column.from + STEP * column.steps as f64;
            assert!((column.from - pattern.ln_hz(SPEED_M_S.0, poisson)).abs() < 1e-12);
            let over = highest - pattern.ln_hz(SPEED_M_S.1, poisson);
            assert!((0.0..STEP).contains(&over), "{over}");
        }
    }

    /// Every mode with its pair, a hundredth of what a wheel scatters apart: the pairs are no
    /// reason against it, and where a mode has none they are.
    #[test]
    fn pairs_are_labelled_with_modes_that_have_them() {
        let pattern = PlatePattern::new(size()).unwrap();
        let ln_hz = pattern.ln_hz(3800.0, 0.2);
        let mut truth: Vec<(f64, usize, usize)> = pattern
            .modes()
            .iter()
            .map(|m| ((ln_hz + m.ln_lambda_squared(0.2)).exp(), m.n, m.s))
            .collect();
        truth.sort_by(|a, b| a.0.total_cmp(&b.0));
        truth.truncate(7);
        let freqs: Vec<f64> = truth
            .iter()
            .flat_map(|(f, n, _)| {
                if *n > 0 {
                    vec![*f, f * 1.002]
                } else {
                    vec![*f]
                }
            })
            .collect();
        let found = label_modes(&plain(&freqs), Some(&pattern));
        let named = found.labels.iter().flatten().count();
        assert!(named >= 9, "{named} of {}", freqs.len());
        assert!(found.pairs.iter().all(|p| p.label.is_none_or(|l| l.n > 0)));
        assert!(found.pairs.len() >= 5);
    }

    /// As many lines where there is no mode, evenly: no labels.
    #[test]
    fn even_lines_have_no_pattern() {
        let pattern = PlatePattern::new(size()).unwrap();
        for first_hz in [700.0, 1100.0, 2300.0] {
            let freqs: Vec<f64> = (0..7).map(|k| first_hz * 1.21f64.powi(k)).collect();
            let found = label_modes(&plain(&freqs), Some(&pattern));
            assert!(
                found.labels.iter().all(Option::is_none),
                "{:?}",
                found.labels
            );
        }
    }

    // The material is found for any ratio of Poisson, with lines straight from the pattern.
    #[test]
    fn the_likeliest_material_is_the_one_put_in() {
        let size = PlateSize {
            diameter_m: 0.2,
            thickness_m: 0.02,
            bore_m: 0.032,
        };
        let pattern = PlatePattern::new(size).unwrap();
        for (speed, poisson) in [(3800.0, 0.2), (4600.0, 0.26), (1500.0, 0.15)] {
            let ln_hz = pattern.ln_hz(speed, poisson);
            let mut truth: Vec<(f64, usize, usize)> = pattern
                .modes()
                .iter()
                .map(|m| ((ln_hz + m.ln_lambda_squared(poisson)).exp(), m.n, m.s))
                .collect();
            truth.sort_by(|a, b| a.0.total_cmp(&b.0));
            truth.truncate(7);
            let modes = plain(&truth.iter().map(|t| t.0).collect::<Vec<_>>());
            let found = label_modes(&modes, Some(&pattern));
            let (v, nu) = found.likeliest.unwrap();
            // A step of the search in speed, and what a step of nu does to it.
            assert!((v / speed - 1.0).abs() < 0.005, "{v} {speed}");
            assert!((nu - poisson).abs() < 0.025, "{nu} {poisson}");
            // If anything it is drawn to what is usual.
            let drawn = (nu - poisson) * (POISSON_PRIOR.0 - poisson);
            assert!(drawn > -1e-9, "{nu} {poisson}");
            for (label, (_, n, s)) in found.labels.iter().zip(&truth) {
                let right = label.is_none_or(|l| (l.n, l.s) == (*n, *s));
                assert!(right, "{label:?} {n} {s}");
            }
            assert!(
                found.labels.iter().flatten().count() >= 5,
                "{:?}",
                found.labels
            );
        }
    }

    fn label(n: usize, s: usize) -> Option<Label> {
        Some(Label {
            n,
            s,
            probability: 0.99,
        })
    }

    #[test]
    fn one_label_goes_to_one_line_or_to_a_pair() {
        let names = |modes: &[Mode], found: Vec<Option<Label>>| -> Vec<bool> {
            let groups = groups(modes);
            without_rivals(&groups, found, modes)
                .iter()
                .map(Option::is_some)
                .collect()
        };
        let other = || mode(3000.0, 50.0, 10.0);
        // Alike and far apart: neither. Far fainter: the louder keeps it.
        let apart =
            |a_db: f64, b_db: f64| [mode(1000.0, a_db, 10.0), mode(1100.0, b_db, 10.0), other()];
        let twice = vec![label(2, 0), label(2, 0), label(3, 0)];
        assert_eq!(
            names(&apart(50.0, 50.0), twice.clone()),
            [false, false, true]
        );
        assert_eq!(
            names(&apart(50.0, 30.5), twice.clone()),
            [false, false, true]
        );
        assert_eq!(
            names(&apart(50.0, 29.0), twice.clone()),
            [true, false, true]
        );
        assert_eq!(
            names(&apart(29.0, 50.0), twice.clone()),
            [false, true, true]
        );
        // Two lines 2 % apart are a wide pair, of a mode that has pairs; not 4 %.
        let wide = |f: f64| [mode(1000.0, 50.0, 10.0), mode(f, 50.0, 10.0), other()];
        assert_eq!(names(&wide(1020.0), twice.clone()), [true, true, true]);
        assert_eq!(names(&wide(1040.0), twice), [false, false, true]);
        let single = vec![label(0, 1), label(0, 1), label(3, 0)];
        assert_eq!(names(&wide(1020.0), single), [false, false, true]);
        // A pair has both its lines already.
        let three = [
            mode(1000.0, 50.0, 10.0),
            mode(1004.0, 50.0, 10.0),
            mode(1024.0, 50.0, 10.0),
        ];
        assert_eq!(
            names(&three, vec![label(2, 0), label(2, 0)]),
            [false, false]
        );
        // Three of one label are no pair, and the same diameters with other circles no rivals.
        let lines = [
            mode(1000.0, 50.0, 10.0),
            mode(1015.0, 50.0, 10.0),
            mode(1029.0, 50.0, 10.0),
        ];
        assert_eq!(names(&lines, vec![label(2, 0); 3]), [false; 3]);
        assert_eq!(
            names(&lines, vec![label(2, 0), label(2, 1), label(3, 0)]),
            [true; 3]
        );
    }

    #[test]
    fn pairs_are_told_with_their_split_and_label() {
        let modes = plain(&[3000.0, 1004.0, 1000.0, 2040.0, 2000.0, 4000.0]);
        let labels = [
            None,
            label(2, 0),
            label(2, 0),
            label(3, 0),
            label(3, 0),
            label(0, 1),
        ];
        let found = pairs(&modes, &groups(&modes), &labels);
        let told: Vec<(usize, usize, f64)> =
            found.iter().map(|p| (p.low, p.high, p.split_hz)).collect();
        assert_eq!(told.len(), 2);
        assert_eq!((told[0].0, told[0].1), (2, 1));
        assert!((told[0].2 - 4.0).abs() < 1e-9);
        assert_eq!((told[1].0, told[1].1), (4, 3));
        assert!((told[1].2 - 40.0).abs() < 1e-9);
        // Deviations add in squares; two lines 12 widths apart are all but independent.
        let apart = found[1].split_std_hz / 0.204f64.hypot(0.2);
        assert!((1.0..1.02).contains(&apart), "{apart}");
        assert_eq!(found[1].label, label(3, 0));
        // Two close lines of a mode without nodal diameters are no pair of it.
        let both = plain(&[1000.0, 1004.0]);
        assert!(pairs(&both, &groups(&both), &[label(0, 1), label(0, 1)]).is_empty());
        assert_eq!(pairs(&both, &groups(&both), &[None, None]).len(), 1);
    }
}
