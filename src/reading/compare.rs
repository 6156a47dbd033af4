//! A sounding against a baseline: figures, each with its limit, joined by "worst wins".
//!
//! A figure within its limit speaks for a clear ring, beyond it for unclear, beyond twice the
//! limit for a dull thud. Figures that a sound wheel can show as well when it is another wheel,
//! damp or warm (the common shift, tones not found) never speak for more than unclear.

use crate::reading::baseline::{
    Assumed, BaseLine, Baseline, FEWEST_LINES, LEAST_SHARED, STRONG_DB, Sounded, counts,
    joined as pairs_joined, median,
};
use crate::reading::limits::Limits;
use crate::reading::matching::{
    CERTAIN_DB, Found, Line, MOVED_BELOW_DB, Matching, Place, ROOM, common_shift,
    match_lines_within,
};
use crate::reading::tolerance::NoLimit;
use crate::reading::{Damping, Evidence, Footing, Reading};
use crate::ring::tap::Tap;

/// Room misfit above which decay figures are shown and do not decide.
const LIVE_ROOM: f64 = 0.03;
/// A tone or split that has changed by less is within what sound wheels do over the years, and
/// never speaks for a dull thud.
const DULL_CHANGE: f64 = 3e-3;
/// The same beside other wheels: sound wheels of a lot may differ by as much.
const DULL_DIFFERENCE: f64 = 2e-2;
/// Share of the weight of the baseline's regular lines that may be missing.
const MOST_MISSING: f64 = 0.35;
/// Taps of a sounding among which the share of a tap's figures is split, two figures each.
const TAP_FIGURES: f64 = 8.0;
/// Taps that a mean over the spots needs.
const FEWEST_SPOTS: usize = 3;

/// What came of a comparison.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// What the sounding as a whole reads as.
    pub reading: Reading,
    /// Sentences with figures, most important first; empty when nothing has changed.
    pub changes: Vec<String>,
    /// What such changes usually mean: hints, no findings.
    pub hints: Vec<String>,
    /// The figures.
    pub evidence: Vec<Evidence>,
    /// One sentence on how long it rings beside how long it rang; none without ring times.
    pub ring_words: Option<String>,
    /// False when too little matches to be compared at all.
    pub matches: bool,
    /// The regular lines of the baseline, each beside what the sounding has of it; empty when
    /// too little matches.
    pub lines: Vec<ComparedLine>,
}

/// A line of the baseline beside that of the sounding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ComparedLine {
    /// Where the baseline has it in Hz, all lines shifted as the sounding's are.
    pub freq_hz: f64,
    /// Between these frequencies in Hz a lone line is within its limit.
    pub limits_hz: (f64, f64),
    /// Frequency of the sounding's line in Hz; none where it has none there.
    pub found_hz: Option<f64>,
}

impl ComparedLine {
    /// True when the sounding's line lies within the limits.
    pub fn is_within(&self) -> bool {
        self.found_hz
            .is_some_and(|f| f >= self.limits_hz.0 && f <= self.limits_hz.1)
    }
}

/// A figure with its limit in units of which `ratio` is 1 at the limit.
struct Figure {
    name: &'static str,
    value: f64,
    unit: &'static str,
    limit: f64,
    is_upper: bool,
    ratio: f64,
    /// The most it may speak for.
    most: Option<Reading>,
    sentence: String,
    local: bool,
    /// True for a tone that is higher than it was.
    risen: bool,
}

impl Figure {
    fn speaks(&self) -> Option<Reading> {
        let most = self.most?;
        // A ratio that is no number decides nothing.
        let alone = if self.ratio <= 1.0 {
            Reading::ClearRing
        } else if self.ratio > 2.0 {
            Reading::DullThud
        } else {
            Reading::Unclear
        };
        Some(alone.min(most))
    }

    fn evidence(&self, from: &str, against: &str) -> Evidence {
        Evidence {
            figure: self.name,
            value: self.value,
            unit: self.unit,
            limit: Some(self.limit),
            limit_is_upper: self.is_upper,
            limit_from: from.to_owned(),
            against: Some(against.to_owned()),
            speaks_for: self.speaks(),
        }
    }
}

/// A test line at its place with everything needed to weigh it.
struct Pair<'a> {
    base: &'a BaseLine,
    line: &'a Line,
    found: Found,
    /// Residual over its standard deviation.
    z: f64,
    sigma: f64,
}

/// What all figures are taken from.
struct Case<'a> {
    baseline: &'a Baseline,
    lines: &'a [Line],
    limits: Limits,
    room: f64,
    matching: Matching,
    pairs: Vec<Pair<'a>>,
}

impl Baseline {
    /// What it is called in the figures.
    pub fn words(&self) -> String {
        let many = if self.soundings == 1 { "" } else { "s" };
        let what = if self.is_own() { "sounding" } else { "wheel" };
        format!("{}, {} {what}{many}", self.footing.words(), self.soundings)
    }

    /// True for that of the wheel itself.
    pub fn is_own(&self) -> bool {
        self.footing == Footing::OwnBaseline
    }

    /// What is assumed beside it.
    pub fn assumed(&self) -> Assumed {
        Assumed::on(self.footing, self.damping)
    }

    /// The limits that it gives.
    ///
    /// # Errors
    /// [`NoLimit`] for a baseline without soundings.
    pub fn limits(&self) -> Result<Limits, NoLimit> {
        Limits::with_prior(self.soundings, self.assumed().prior)
    }

    /// Smallest lowering of a single tone, relative, that is beyond its limit for the tone in
    /// the middle of all: less does not show.
    ///
    /// # Errors
    /// [`NoLimit`] for a baseline without soundings.
    pub fn smallest_shown(&self) -> Result<f64, NoLimit> {
        let mut spreads: Vec<f64> = self
            .lines
            .iter()
            .filter(|l| l.place.regular)
            .map(|l| l.spread)
            .collect();
        let factor = self.limits()?.farthest(spreads.len().max(1))?;
        Ok(factor * median(&mut spreads).unwrap_or(self.assumed().tone))
    }

    /// The regular lines with their limits and nothing beside them, for a picture.
    ///
    /// # Errors
    /// [`NoLimit`] for a baseline without soundings.
    pub fn bands(&self) -> Result<Vec<ComparedLine>, NoLimit> {
        let regular: Vec<&BaseLine> = self.lines.iter().filter(|l| l.place.regular).collect();
        let reach = self.limits()?.farthest(regular.len().max(1))?;
        Ok(regular
            .iter()
            .map(|l| ComparedLine {
                freq_hz: l.place.ln_freq.exp(),
                limits_hz: (
                    (l.place.ln_freq - reach * l.spread).exp(),
                    (l.place.ln_freq + reach * l.spread).exp(),
                ),
                found_hz: None,
            })
            .collect())
    }

    fn places(&self) -> Vec<Place> {
        self.lines.iter().map(|l| l.place).collect()
    }
}

/// Compares a sounding with the baseline of its wheel.
///
/// # Errors
/// [`NoLimit`] for a baseline without soundings, which [`crate::reading::baseline::build`]
/// does not make.
pub fn compare(baseline: &Baseline, test: &Sounded) -> Result<Comparison, NoLimit> {
    let mut lines = test.usable();
    lines.retain(|l| l.energy_db >= STRONG_DB);
    if !baseline.is_own() {
        lines = pairs_joined(&lines);
    }
    let places = baseline.places();
    let assumed = baseline.assumed();
    let limits = baseline.limits()?;
    let room = test.room_misfit.max(baseline.room_misfit);
    let Some(shift) = common_shift(&lines, &places, assumed.search) else {
        return Ok(no_match(baseline, test, &limits, 0, 0.0, None));
    };
    let matching = match_lines_within(assumed.near, &lines, &places, shift.shift, room);
    let at_place = matching
        .found
        .iter()
        .filter(|f| !f.moved && places[f.place].regular)
        .count();
    let shared = shared_weight(&matching, &places);
    if shift.at_limit || at_place < FEWEST_LINES || shared < LEAST_SHARED {
        return Ok(no_match(
            baseline,
            test,
            &limits,
            at_place,
            shared,
            Some(shift.shift),
        ));
    }
    let pairs = pairs(baseline, &lines, &matching, room);
    let case = Case {
        baseline,
        lines: &lines,
        limits,
        room,
        matching,
        pairs,
    };
    let beside = compared_lines(&case, shift.shift)?;
    let mut figures = vec![common_shift_figure(
        &case,
        shift.shift,
        test.temp_c,
        &assumed,
    )?];
    figures.extend(tone_figures(&case)?);
    figures.extend(split_figures(&case, &assumed)?);
    figures.extend(damping_figures(&case)?);
    figures.push(missing_figure(&case));
    figures.extend(moved_away_figure(&case));
    figures.extend(ring_time_figure(baseline, test, &limits, room)?);
    figures.extend(spot_figure(baseline, test, &limits, room)?);
    Ok(Comparison {
        lines: beside,
        ..joined(baseline, test, figures, &limits)
    })
}

/// Each regular line of the baseline beside the sounding's; the limits are those of the
/// farthest of all lines.
fn compared_lines(case: &Case<'_>, shift: f64) -> Result<Vec<ComparedLine>, NoLimit> {
    let reach = case.limits.farthest(case.pairs.len().max(1))?;
    let regular = case.baseline.lines.iter().filter(|line| line.place.regular);
    Ok(regular
        .map(|base| {
            let pair = case.pairs.iter().find(|p| std::ptr::eq(p.base, base));
            let sigma = pair.map_or(base.spread, |p| p.sigma);
            let ln_freq = base.place.ln_freq + shift;
            ComparedLine {
                freq_hz: ln_freq.exp(),
                limits_hz: (
                    (ln_freq - reach * sigma).exp(),
                    (ln_freq + reach * sigma).exp(),
                ),
                found_hz: pair.map(|p| p.line.ln_freq().exp()),
            }
        })
        .collect())
}

/// Share of the weight of regular places at which a line, or that of their pair partner, is.
fn shared_weight(matching: &Matching, places: &[Place]) -> f64 {
    let mut there = vec![false; places.len()];
    for f in matching.found.iter().filter(|f| !f.moved) {
        there[f.place] = true;
    }
    let is_there = |j: usize| there[j] || places[j].partner.is_some_and(|k| there[k]);
    share(places, |j| places[j].regular, is_there)
}

fn share(places: &[Place], asked: impl Fn(usize) -> bool, has: impl Fn(usize) -> bool) -> f64 {
    let (mut all, mut part) = (0.0, 0.0);
    for j in (0..places.len()).filter(|&j| asked(j)) {
        all += places[j].weight;
        if has(j) {
            part += places[j].weight;
        }
    }
    if all > 0.0 { part / all } else { 0.0 }
}

fn pairs<'a>(
    baseline: &'a Baseline,
    lines: &'a [Line],
    matching: &Matching,
    room: f64,
) -> Vec<Pair<'a>> {
    let has_line = |place: usize| matching.found.iter().any(|f| f.place == place);
    matching
        .found
        .iter()
        .filter(|f| baseline.lines[f.place].place.regular)
        .map(|f| {
            let (base, line) = (&baseline.lines[f.place], &lines[f.line]);
            let whole = base.place.partner.is_some_and(has_line);
            // A pair seen as one line lies between its branches, where depends on the taps.
            let hidden = if whole {
                0.0
            } else {
                0.25 * line.resolution().max(base.resolution)
            };
            let sigma = base.spread.hypot(line.ln_freq_std(room)).hypot(hidden);
            Pair {
                base,
                line,
                found: *f,
                z: f.residual / sigma,
                sigma,
            }
        })
        .collect()
}

fn common_shift_figure(
    case: &Case<'_>,
    shift: f64,
    temp_c: Option<f64>,
    assumed: &Assumed,
) -> Result<Figure, NoLimit> {
    let (warmth, sigma) = match (temp_c, case.baseline.temp_c) {
        (Some(now), Some(then)) => (
            assumed.tone_per_k * (now - then),
            case.baseline.shift_spread_at_temp,
        ),
        _ => (0.0, case.baseline.shift_spread),
    };
    let own = shift - warmth;
    let limit = (case.limits.lone(2.0)? * sigma).min(assumed.search);
    let way = if own < 0.0 { "lower" } else { "higher" };
    Ok(Figure {
        name: "common shift of all tones",
        value: percent(own).abs(),
        unit: "%",
        limit: percent(limit),
        is_upper: true,
        ratio: own.abs() / limit,
        most: Some(Reading::Unclear),
        sentence: format!(
            "all its tones are {:.2} % {way} together",
            percent(own).abs()
        ),
        local: false,
        risen: own > 0.0,
    })
}

fn tone_figures(case: &Case<'_>) -> Result<Vec<Figure>, NoLimit> {
    let m = case.pairs.len();
    let mut by_z: Vec<&Pair<'_>> = case.pairs.iter().collect();
    by_z.sort_by(|a, b| a.z.total_cmp(&b.z));
    let rms = (by_z.iter().map(|p| p.z * p.z).sum::<f64>() / m.max(1) as f64).sqrt();
    let limit = case.limits.rms(m)?;
    let farthest = by_z.iter().max_by(|a, b| a.z.abs().total_cmp(&b.z.abs()));
    let mut out = vec![Figure {
        name: "scatter of single tones",
        value: rms,
        unit: "",
        limit,
        is_upper: true,
        ratio: rms / limit,
        most: farthest.map(|p| most_of(case.baseline, p.found.residual)),
        sentence: farthest.map_or(String::new(), |p| tone_words(case, p)),
        local: true,
        risen: farthest.is_some_and(|p| p.found.residual > 0.0),
    }];
    let ranks = [
        ("lowest single tone", case.limits.farthest(m)?),
        ("second lowest single tone", case.limits.second(m)?),
    ];
    for ((name, factor), pair) in ranks.into_iter().zip(by_z) {
        let limit = factor * pair.sigma;
        out.push(Figure {
            name,
            value: percent(-pair.found.residual),
            unit: "%",
            limit: percent(limit),
            is_upper: true,
            ratio: -pair.z / factor,
            most: Some(most_of(case.baseline, pair.found.residual)),
            sentence: tone_words(case, pair),
            local: true,
            risen: false,
        });
    }
    Ok(out)
}

/// The most that a relative change of one tone or split may speak for.
fn most_of(baseline: &Baseline, change: f64) -> Reading {
    let least = if baseline.is_own() {
        DULL_CHANGE
    } else {
        DULL_DIFFERENCE
    };
    if change.abs() < least {
        Reading::Unclear
    } else {
        Reading::DullThud
    }
}

fn tone_words(case: &Case<'_>, pair: &Pair<'_>) -> String {
    let first = case.baseline.lines.iter().find(|l| l.place.regular);
    let is_first = first.is_some_and(|l| std::ptr::eq(l, pair.base));
    let which = if is_first {
        "its lowest tone".to_owned()
    } else {
        format!("its tone at {} Hz", hz(pair.base.place.ln_freq.exp()))
    };
    let way = if pair.found.residual < 0.0 {
        "lower"
    } else {
        "higher"
    };
    format!(
        "{which} is {:.2} % {way} beside the others",
        percent(pair.found.residual).abs()
    )
}

/// Growth of one pair.
struct Growth {
    now: f64,
    before: Option<f64>,
    growth: f64,
    limit: f64,
    freq_hz: f64,
}

fn split_figures(case: &Case<'_>, assumed: &Assumed) -> Result<Vec<Figure>, NoLimit> {
    let at = |place: usize| case.pairs.iter().find(|p| p.found.place == place);
    let known: Vec<(&Pair<'_>, &Pair<'_>)> = case
        .pairs
        .iter()
        .filter_map(|low| {
            let high = at(low.base.place.partner.filter(|k| *k > low.found.place)?)?;
            Some((low, high))
        })
        .collect();
    // Beside other wheels a pair is one line with its distance, which differs from wheel to wheel.
    let joined: Vec<&Pair<'_>> = case.pairs.iter().filter(|p| p.line.split > 0.0).collect();
    let m = known.len() + joined.len() + case.matching.new_partners.len();
    if m == 0 {
        return Ok(Vec::new());
    }
    let (factor, as_is) = (case.limits.farthest(m)?, case.limits.farthest_as_is(m)?);
    let mut growths: Vec<Growth> = Vec::new();
    for (low, high) in known {
        let before = high.base.place.ln_freq - low.base.place.ln_freq;
        let now = high.line.ln_freq() - low.line.ln_freq();
        let std = low
            .line
            .ln_freq_std(case.room)
            .hypot(high.line.ln_freq_std(case.room));
        growths.push(Growth {
            now,
            before: Some(before),
            growth: now - before,
            limit: factor * low.base.split_spread.hypot(std),
            freq_hz: low.base.place.ln_freq.exp(),
        });
    }
    for pair in joined {
        growths.push(Growth {
            now: pair.line.split,
            before: Some(pair.base.natural_split),
            growth: pair.line.split,
            limit: factor * pair.base.natural_split,
            freq_hz: pair.base.place.ln_freq.exp(),
        });
    }
    for new in &case.matching.new_partners {
        let base = &case.baseline.lines[new.place];
        growths.push(Growth {
            now: new.split,
            before: None,
            growth: new.split - base.resolution,
            limit: as_is
                * if case.baseline.is_own() {
                    assumed.hidden_split
                } else {
                    base.natural_split
                },
            freq_hz: base.place.ln_freq.exp(),
        });
    }
    let ratio = |g: &Growth| g.growth / g.limit;
    let Some(worst) = growths.iter().max_by(|a, b| ratio(a).total_cmp(&ratio(b))) else {
        return Ok(Vec::new());
    };
    // In a live room a second line may be the echo's.
    // Beside other wheels it may be a tone of this wheel that the others hardly have.
    let foreign = worst.before.is_none() && !case.baseline.is_own();
    let most = Some(if case.room > LIVE_ROOM || foreign {
        Reading::Unclear
    } else {
        most_of(case.baseline, worst.growth)
    });
    let rss = growths
        .iter()
        .map(|g| ratio(g).max(0.0).powi(2))
        .sum::<f64>()
        .sqrt()
        * factor;
    let limit = case.limits.root_sum(m)?;
    let before = match worst.before {
        Some(b) if case.baseline.is_own() => format!("{:.2} % before", percent(b)),
        Some(b) => format!("about {:.2} % in the others", percent(b)),
        None if !case.baseline.is_own() => "one line in the others".to_owned(),
        None => "seen as one line before".to_owned(),
    };
    let sentence = format!(
        "the pair at {} Hz has split by {:.2} % ({before})",
        hz(worst.freq_hz),
        percent(worst.now)
    );
    Ok(vec![
        Figure {
            name: "largest growth of a split",
            value: percent(worst.growth),
            unit: "%",
            limit: percent(worst.limit),
            is_upper: true,
            ratio: ratio(worst),
            most,
            sentence: sentence.clone(),
            local: true,
            risen: false,
        },
        Figure {
            name: "growth of splits together",
            value: rss,
            unit: "",
            limit,
            is_upper: true,
            ratio: rss / limit,
            most,
            sentence,
            local: true,
            risen: false,
        },
    ])
}

/// Change of ln decay of a line with its standard deviation.
fn damped(base: &BaseLine, line: &Line, room: f64) -> (f64, f64) {
    let change = line.decay_per_s.ln() - base.ln_decay;
    (change, base.decay_spread.hypot(line.ln_decay_std(room)))
}

/// Median of changes and its standard deviation: that of all together, and that of a median.
fn median_change(changes: &[(f64, f64)], common: f64) -> Option<(f64, f64)> {
    let mut values: Vec<f64> = changes.iter().map(|c| c.0).collect();
    let m = values.len() as f64;
    let middle = median(&mut values)?;
    let variance = changes.iter().map(|c| c.1 * c.1).sum::<f64>() / m;
    // The variance of a median of m normal values is pi/(2 m) times theirs.
    Some((
        middle,
        common.hypot((std::f64::consts::FRAC_PI_2 * variance / m).sqrt()),
    ))
}

fn damping_figures(case: &Case<'_>) -> Result<Vec<Figure>, NoLimit> {
    let changes: Vec<(&Pair<'_>, (f64, f64))> = case
        .pairs
        .iter()
        .filter(|p| counts(p.line))
        .map(|p| (p, damped(p.base, p.line, case.room)))
        .collect();
    let values: Vec<(f64, f64)> = changes.iter().map(|c| c.1).collect();
    let Some((middle, sigma)) = median_change(&values, case.baseline.decay_spread) else {
        return Ok(Vec::new());
    };
    let most = (case.room <= LIVE_ROOM).then_some(Reading::DullThud);
    let limit = case.limits.lone(1.0)? * sigma;
    let mut out = vec![Figure {
        name: "damping of all tones",
        value: percent(middle.exp_m1()),
        unit: "%",
        limit: percent(limit.exp_m1()),
        is_upper: true,
        ratio: middle / limit,
        most,
        sentence: format!("all its tones die away {:.1} times as fast", middle.exp()),
        local: false,
        risen: false,
    }];
    let mut single: Vec<(f64, &Pair<'_>, f64, f64)> = changes
        .iter()
        .map(|(p, (d, s))| ((d - middle) / s, *p, d - middle, *s))
        .collect();
    single.sort_by(|a, b| b.0.total_cmp(&a.0));
    if let Some((z, pair, change, sigma)) = single.get(1) {
        let factor = case.limits.second(single.len())?;
        out.push(Figure {
            name: "second largest damping of a tone",
            value: percent(change.exp_m1()),
            unit: "%",
            limit: percent((factor * sigma).exp_m1()),
            is_upper: true,
            ratio: z / factor,
            most,
            sentence: format!(
                "single tones die away faster than the others, that at {} Hz {:.1} times as fast",
                hz(pair.base.place.ln_freq.exp()),
                change.exp()
            ),
            local: true,
            risen: false,
        });
    }
    Ok(out)
}

fn missing_figure(case: &Case<'_>) -> Figure {
    let places = case.baseline.places();
    let always = |j: usize| places[j].regular && places[j].always;
    let gone = |j: usize| case.matching.missing.contains(&j);
    let value = share(&places, always, gone);
    let lost = case.matching.missing.len();
    let unexplained = case.matching.unexplained.iter();
    let new = unexplained.filter(|&&i| counts(&case.lines[i])).count();
    Figure {
        name: "weight of tones not found",
        value: percent(value),
        unit: "%",
        limit: percent(MOST_MISSING),
        is_upper: true,
        ratio: value / MOST_MISSING,
        most: Some(Reading::Unclear),
        sentence: format!(
            "{lost} of its {} tones {} not there any more ({new} {} new)",
            places.iter().filter(|p| p.regular).count(),
            if lost == 1 { "is" } else { "are" },
            if new == 1 { "line is" } else { "lines are" },
        ),
        local: false,
        risen: false,
    }
}

/// A strong tone that was always there and is not now, while a strong one is new that was looked for
/// at no place: it may be the same, moved farther than tones are followed, or the wheel another. None
/// without both.
fn moved_away_figure(case: &Case<'_>) -> Option<Figure> {
    let lines = &case.baseline.lines;
    let lost = case.matching.missing.iter().map(|&j| &lines[j].place);
    let lost = lost
        .filter(|p| p.always && p.energy_db >= CERTAIN_DB)
        .max_by(|a, b| a.energy_db.total_cmp(&b.energy_db))?;
    let new = case.matching.unexplained.iter().map(|&i| &case.lines[i]);
    let new = new.max_by(|a, b| a.energy_db.total_cmp(&b.energy_db))?;
    let least = CERTAIN_DB.max(lost.energy_db - MOVED_BELOW_DB);
    Some(Figure {
        name: "strongest new tone, one being lost",
        value: new.energy_db,
        unit: "dB",
        limit: least,
        is_upper: true,
        ratio: new.energy_db / least,
        most: Some(Reading::Unclear),
        sentence: format!(
            "the tone at {} Hz is not there any more, and one at {} Hz is new",
            hz(lost.ln_freq.exp()),
            hz(new.freq_hz)
        ),
        local: false,
        risen: false,
    })
}

fn ring_time_figure(
    baseline: &Baseline,
    test: &Sounded,
    limits: &Limits,
    room: f64,
) -> Result<Option<Figure>, NoLimit> {
    let (Some(times), Some(now)) = (&baseline.ring_times, test.ln_ring_time()) else {
        return Ok(None);
    };
    let reach = limits.lone(1.0)? * times.spread;
    Ok(Some(Figure {
        name: "ring time",
        value: now.exp(),
        unit: "s",
        limit: (times.ln_mean - reach).exp(),
        is_upper: false,
        ratio: (times.ln_mean - now) / reach,
        most: (room <= LIVE_ROOM).then_some(Reading::DullThud),
        sentence: ring_words(baseline, now).unwrap_or_default(),
        local: false,
        risen: false,
    }))
}

/// The tap that rings shortest against the mean of all: what is wrong at one place of the rim only. A
/// hand that touched the wheel does it too, so that it speaks for `unclear` at most.
fn spot_figure(
    baseline: &Baseline,
    test: &Sounded,
    limits: &Limits,
    room: f64,
) -> Result<Option<Figure>, NoLimit> {
    let logs: Vec<f64> = test
        .tap_ring_times_s
        .iter()
        .filter(|t| **t > 0.0)
        .map(|t| t.ln())
        .collect();
    let (Some(times), true) = (&baseline.ring_times, logs.len() >= FEWEST_SPOTS) else {
        return Ok(None);
    };
    let many = logs.len() as f64;
    let mean = logs.iter().sum::<f64>() / many;
    let shortest = logs.iter().copied().fold(f64::INFINITY, f64::min);
    let below = mean - shortest;
    // The distance of one of n values from their mean scatters by sqrt(1 - 1/n) of their own scatter.
    let sigma = times.tap_spread * (1.0 - 1.0 / many).sqrt();
    let dof = times.tap_dof.min(limits.dof());
    let reach = limits.lone_with(dof, many)? * sigma;
    Ok(Some(Figure {
        name: "shortest ring of a spot, below the mean of all",
        value: percent(-(-below).exp_m1()),
        unit: "%",
        limit: percent(-(-reach).exp_m1()),
        is_upper: true,
        ratio: below / reach,
        most: (room <= LIVE_ROOM).then_some(Reading::Unclear),
        sentence: format!(
            "at one tap spot it rings {:.0} % shorter than at all on average: touched there, or damage near it",
            percent(-(-below).exp_m1())
        ),
        local: false,
        risen: false,
    }))
}

fn ring_words(baseline: &Baseline, ln_now: f64) -> Option<String> {
    let times = baseline.ring_times.as_ref()?;
    let who = match baseline.footing {
        Footing::OwnBaseline => "this wheel",
        Footing::SpecificationBaseline => "wheels of its specification",
        _ => "the other wheels",
    };
    Some(format!(
        "rings {:.2} s where {who} rang {:.2} to {:.2} s",
        ln_now.exp(),
        times.range_s.0,
        times.range_s.1
    ))
}

fn joined(
    baseline: &Baseline,
    test: &Sounded,
    mut figures: Vec<Figure>,
    limits: &Limits,
) -> Comparison {
    let against = baseline.words();
    let from = limits.from_words(&against);
    let evidence: Vec<Evidence> = figures
        .iter()
        .map(|f| f.evidence(&from, &against))
        .collect();
    let worst = figures.iter().filter_map(Figure::speaks).max();
    figures.retain(|f| f.speaks().is_some_and(|r| r > Reading::ClearRing));
    // What speaks for more first; of equal ones, what is farther beyond its limit.
    figures.sort_by(|a, b| {
        let key = |f: &Figure| (f.speaks(), f.ratio);
        let ((ra, xa), (rb, xb)) = (key(a), key(b));
        rb.cmp(&ra).then(xb.total_cmp(&xa))
    });
    let mut changes: Vec<String> = Vec::new();
    for f in &figures {
        if !f.sentence.is_empty() && !changes.contains(&f.sentence) {
            changes.push(f.sentence.clone());
        }
    }
    Comparison {
        reading: worst.unwrap_or(Reading::Unclear),
        hints: hints(&figures, baseline),
        changes,
        evidence,
        ring_words: test
            .ln_ring_time()
            .and_then(|now| ring_words(baseline, now)),
        matches: true,
        lines: Vec::new(),
    }
}

fn hints(beyond: &[Figure], baseline: &Baseline) -> Vec<String> {
    let mut out = Vec::new();
    let has = |name: &str| beyond.iter().any(|f| f.name == name);
    let shorter = has("damping of all tones") || has("ring time");
    // Mass lost at the rim raises tones and damps none; a crack lowers them.
    let risen = beyond.iter().any(|f| f.local && f.risen)
        && !has("lowest single tone")
        && !shorter
        && !has("second largest damping of a tone");
    if risen {
        out.push(
            "a single tone is higher and nothing rings shorter: as a chipped edge does it; look at the rim, a chipped wheel is not mounted either".to_owned(),
        );
    } else if beyond.iter().any(|f| f.local) {
        out.push(
            "single tones or pairs have changed beside the others: as a crack does it; a chipped \
             edge or something stuck to the rim does it too"
                .to_owned(),
        );
    } else if has("common shift of all tones") {
        if !baseline.is_own() {
            out.push(
                "all tones differ alike from those of the other wheels: another size than entered, another grade or lot, damp, or worn"
                    .to_owned(),
            );
            return out;
        }
        let bond = match baseline.damping {
            Damping::Low => "damp, another temperature, worn or dressed since",
            Damping::High => "another temperature, damp, worn or dressed since",
        };
        out.push(format!(
            "all tones have moved alike, none by itself: {bond}, or another wheel"
        ));
    }
    if shorter {
        out.push(
            "it rings shorter: held or touched, damp, lying on something, or damaged".to_owned(),
        );
    }
    out
}

/// Too little in common to be compared.
fn no_match(
    baseline: &Baseline,
    test: &Sounded,
    limits: &Limits,
    at_place: usize,
    shared: f64,
    shift: Option<f64>,
) -> Comparison {
    let against = baseline.words();
    let regular = baseline.lines.iter().filter(|l| l.place.regular).count();
    let mut figures = vec![Figure {
        name: "weight of tones found",
        value: percent(shared),
        unit: "%",
        limit: percent(LEAST_SHARED),
        is_upper: false,
        // Never clear, even where it is the common shift that lies at the end of the search.
        ratio: (1.0 - shared) / (1.0 - LEAST_SHARED) + 1e-9,
        most: Some(Reading::Unclear),
        sentence: String::new(),
        local: false,
        risen: false,
    }];
    figures[0].ratio = figures[0].ratio.max(1.001);
    let room = test.room_misfit.max(baseline.room_misfit);
    if let Ok(Some(figure)) = ring_time_figure(baseline, test, limits, room) {
        figures.push(figure);
    }
    let from = "our own setting (docs/method.md)".to_owned();
    let mut evidence = vec![figures[0].evidence(&from, &against)];
    evidence.extend(
        figures[1..]
            .iter()
            .map(|f| f.evidence(&limits.from_words(&against), &against)),
    );
    let moved = shift.map_or(String::new(), |s| {
        format!(", best with all {:+.2} %", percent(s))
    });
    // That it is far too short a ring as well makes it a damaged one, whichever wheel it is.
    let reading = figures
        .iter()
        .filter_map(Figure::speaks)
        .max()
        .unwrap_or(Reading::Unclear);
    Comparison {
        reading: reading.max(Reading::Unclear),
        changes: vec![if baseline.is_own() {
            format!(
                "not this wheel, or badly damaged: {at_place} of its {regular} tones are where they were{moved}"
            )
        } else {
            format!(
                "not a wheel like the others, or badly damaged: {at_place} of {regular} tones are where those of the others are{moved}"
            )
        }],
        hints: vec![if baseline.is_own() {
            "look whether it is the wheel of this id; if it is, do not mount it".to_owned()
        } else {
            "look whether its size and marking are those that were entered; if they are, do not mount it".to_owned()
        }],
        evidence,
        ring_words: test
            .ln_ring_time()
            .and_then(|now| ring_words(baseline, now)),
        matches: false,
        lines: Vec::new(),
    }
}

/// Ring time and damping of one tap against the baseline: figures, and the sentences of those
/// beyond their limit, worst first.
///
/// # Errors
/// [`NoLimit`] as [`compare`].
pub fn compare_tap(
    baseline: &Baseline,
    tap: &Tap,
) -> Result<(Vec<Evidence>, Vec<String>), NoLimit> {
    let limits = baseline.limits()?;
    let room = tap.room_misfit.max(baseline.room_misfit);
    let most = (room <= LIVE_ROOM).then_some(Reading::DullThud);
    let mut figures = Vec::new();
    if let (Some(times), Some((now, _))) = (&baseline.ring_times, tap.ring_time_s) {
        let sigma = times.spread.hypot(times.tap_spread);
        // Of the two parts that with fewer degrees of freedom sets the factor.
        let dof = times.tap_dof.min(limits.dof());
        let reach = limits.lone_with(dof, TAP_FIGURES)? * sigma;
        figures.push(Figure {
            name: "ring time of the tap",
            value: now,
            unit: "s",
            limit: (times.ln_mean - reach).exp(),
            is_upper: false,
            ratio: (times.ln_mean - now.ln()) / reach,
            most,
            sentence: ring_words(baseline, now.ln()).unwrap_or_default(),
            local: false,
            risen: false,
        });
    }
    let mut lines: Vec<Line> = tap
        .modes
        .iter()
        .map(Line::from)
        .filter(|l| l.is_usable() && counts(l))
        .collect();
    if !baseline.is_own() {
        lines.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
        lines = pairs_joined(&lines);
    }
    let places = baseline.places();
    let assumed = baseline.assumed();
    if let Some(shift) = common_shift(&lines, &places, assumed.search) {
        let changes: Vec<(f64, f64)> =
            match_lines_within(assumed.near, &lines, &places, shift.shift, room)
                .found
                .iter()
                .filter(|f| !f.moved && places[f.place].regular)
                .map(|f| damped(&baseline.lines[f.place], &lines[f.line], room))
                .collect();
        if let Some((middle, sigma)) =
            median_change(&changes, baseline.decay_spread).filter(|_| changes.len() >= FEWEST_LINES)
        {
            let limit = limits.lone(TAP_FIGURES)? * sigma;
            figures.push(Figure {
                name: "damping of the tap",
                value: percent(middle.exp_m1()),
                unit: "%",
                limit: percent(limit.exp_m1()),
                is_upper: true,
                ratio: middle / limit,
                most,
                sentence: format!(
                    "its tones die away {:.1} times as fast as they did",
                    middle.exp()
                ),
                local: false,
                risen: false,
            });
        }
    }
    let against = baseline.words();
    let from = limits.from_words(&against);
    let evidence = figures
        .iter()
        .map(|f| f.evidence(&from, &against))
        .collect();
    figures.retain(|f| f.speaks().is_some_and(|r| r > Reading::ClearRing));
    figures.sort_by(|a, b| b.ratio.total_cmp(&a.ratio));
    Ok((evidence, figures.into_iter().map(|f| f.sentence).collect()))
}

/// True when a room's echo widens the limits of a comparison.
pub fn room_widens(baseline: &Baseline, room_misfit: f64) -> bool {
    baseline.room_misfit.max(room_misfit) > ROOM
}

fn percent(x: f64) -> f64 {
    100.0 * x
}

/// Frequency in Hz with a blank before the thousands.
fn hz(freq_hz: f64) -> String {
    let whole = freq_hz.round() as u64;
    if whole < 1000 {
        whole.to_string()
    } else {
        format!("{} {:03}", whole / 1000, whole % 1000)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
