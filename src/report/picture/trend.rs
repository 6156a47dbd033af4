//! A wheel through its soundings: tones, ring time and split, one above the other.

use crate::reading::Reading;
use crate::report::picture::axes::{Plot, range};
use crate::report::picture::canvas::{Canvas, Drawn, Frame, MARGIN_PX, TOP_PX, compose, pen};
use crate::report::picture::labels::spread;
use crate::report::picture::{PictureError, WIDTH_PX, style};

/// What the picture of a trend shows.
#[derive(Debug, Clone, Copy)]
pub struct Trend<'a> {
    /// Of what, for the line under the title.
    pub subject: &'a str,
    /// The tones that are followed, by their frequency in Hz in the first sounding.
    pub tones_hz: &'a [f64],
    /// The soundings, oldest first; the last 40 are drawn.
    pub soundings: &'a [TrendPoint],
    /// What happened to the wheel.
    pub events: &'a [TrendEvent],
}

/// A sounding of a trend.
#[derive(Debug, Clone, PartialEq)]
pub struct TrendPoint {
    /// Its number in the store.
    pub number: u64,
    /// Its day, `2026-01-31`.
    pub day: String,
    /// Shape of its outcome; none where it rings but nothing was compared.
    pub reading: Option<Reading>,
    /// For each followed tone its change against the first sounding in percent, where found.
    pub tones_percent: Vec<Option<f64>>,
    /// Ring time in seconds.
    pub ring_time_s: Option<f64>,
    /// Distance of the two tones of the lowest pair in percent, where two were told apart.
    pub split_percent: Option<f64>,
}

/// Something that happened to the wheel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TrendEvent {
    /// How many of the soundings were kept before it.
    pub after: usize,
    /// In few words.
    pub words: String,
    /// True for what speaks against using the wheel.
    pub is_against: bool,
}

/// Most soundings that are drawn.
const MOST_POINTS: usize = 40;
const HEIGHT_PX: f64 = 700.0;
/// Right of the plots, for the names of the tones.
const NAMES_PX: f64 = 76.0;

/// Change of the strongest tones, ring time, and split of the lowest pair from sounding to
/// sounding, with each sounding's outcome as a shape on top and what happened between them.
///
/// Soundings stand at equal distances, whatever time lies between; their days stand below.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn trend_picture(input: &Trend<'_>) -> Result<String, PictureError> {
    let frame = Frame {
        title: "Trend",
        subject: input.subject,
        description: describe(input),
        height_px: HEIGHT_PX,
    };
    let left_out = input.soundings.len().saturating_sub(MOST_POINTS);
    let drawn = &input.soundings[left_out..];
    compose(&frame, "", |canvas| {
        let plots = plots(input, drawn);
        let x = |k: usize| plots[0].x_px(k as f64);
        if drawn.is_empty() {
            return plots[1].empty(canvas, "no sounding is kept");
        }
        outcomes(canvas, drawn, &x)?;
        for plot in &plots {
            plot.y_axis(canvas, 30.0, 11.0)?;
        }
        events(canvas, input.events, left_out, &plots, &x)?;
        tones(canvas, input.tones_hz, drawn, &plots[0])?;
        let ring: Vec<_> = drawn.iter().map(|s| s.ring_time_s).collect();
        curve(canvas, &plots[1], &ring)?;
        let split: Vec<_> = drawn.iter().map(|s| s.split_percent).collect();
        curve(canvas, &plots[2], &split)?;
        if split.iter().all(Option::is_none) {
            plots[2].empty(canvas, "no pair was told apart")?;
        }
        days(canvas, drawn, &plots[2], &x)
    })
}

/// The three plots, with the range of what they show.
fn plots(input: &Trend<'_>, drawn: &[TrendPoint]) -> [Plot; 3] {
    let left = MARGIN_PX + 48.0;
    let right = f64::from(WIDTH_PX) - MARGIN_PX - NAMES_PX;
    let last = (drawn.len().max(1) - 1) as f64;
    let x = (-0.5, last + 0.5);
    let plot = |top: f64, bottom: f64, y: (f64, f64)| Plot {
        left,
        top,
        right,
        bottom,
        x,
        y,
    };
    let tones = drawn.iter().flat_map(|s| &s.tones_percent).flatten();
    let (low, high) = range(tones.copied()).unwrap_or((0.0, 0.0));
    let is_any = !input.tones_hz.is_empty();
    // Half a percent at least, so that nothing is made large that is not.
    let spare = 0.08 * (high - low);
    let tones = if is_any {
        ((low - spare).min(-0.25), (high + spare).max(0.25))
    } else {
        (-1.0, 1.0)
    };
    let top = |values: Vec<f64>, least: f64| {
        let high = range(values.into_iter()).map_or(least, |r| r.1);
        (0.0, (1.12 * high).max(least))
    };
    let ring = top(drawn.iter().filter_map(|s| s.ring_time_s).collect(), 0.1);
    let split = top(drawn.iter().filter_map(|s| s.split_percent).collect(), 0.2);
    [
        plot(TOP_PX + 72.0, 330.0, tones),
        plot(372.0, 486.0, ring),
        plot(528.0, 610.0, split),
    ]
}

fn describe(input: &Trend<'_>) -> String {
    let many = input.soundings.len();
    let mut words = format!("{many} soundings.");
    let pair = input.soundings.first().zip(input.soundings.last());
    if let Some((first, last)) = pair {
        words.push_str(&format!(
            " From sounding {} on {} to sounding {} on {}:",
            first.number, first.day, last.number, last.day
        ));
        for (tone, change) in input.tones_hz.iter().zip(&last.tones_percent) {
            let tone = style::hertz(*tone);
            match change {
                Some(c) => words.push_str(&format!(" {tone} {} %,", style::number(*c, 2))),
                None => words.push_str(&format!(" {tone} not found,")),
            }
        }
        if let (Some(a), Some(b)) = (first.ring_time_s, last.ring_time_s) {
            let (a, b) = (style::seconds(a), style::seconds(b));
            words.push_str(&format!(" ring time {a} to {b},"));
        }
        words.push_str(" temperature not taken out.");
    }
    for event in input.events {
        words.push_str(&format!(
            " After {} soundings: {}.",
            event.after, event.words
        ));
    }
    words
}

/// The shapes of the outcomes, and what they mean.
fn outcomes(canvas: &Canvas<'_>, drawn: &[TrendPoint], x: &impl Fn(usize) -> f64) -> Drawn {
    let words = pen(11.5, style::GREY);
    let mut at = MARGIN_PX;
    let key = [
        (Some(Reading::ClearRing), "rings clear"),
        (None, "rings, not compared"),
        (Some(Reading::Unclear), "sound it again"),
        (Some(Reading::DullThud), "sounds dead"),
    ];
    for (reading, name) in key {
        canvas.reading((at + 6.0, TOP_PX + 6.0), 5.0, reading)?;
        canvas.text((at + 17.0, TOP_PX + 6.0), name, words)?;
        at += 17.0 + canvas.width(name, words) + 20.0;
    }
    let radius = if drawn.len() > 20 { 5.0 } else { 7.5 };
    for (k, sounding) in drawn.iter().enumerate() {
        canvas.reading((x(k), TOP_PX + 34.0), radius, sounding.reading)?;
    }
    Ok(())
}

/// Dashes through all plots between two soundings, with words at their foot.
fn events(
    canvas: &Canvas<'_>,
    events: &[TrendEvent],
    left_out: usize,
    plots: &[Plot; 3],
    x: &impl Fn(usize) -> f64,
) -> Drawn {
    let half = 0.5 * (x(1) - x(0));
    let half = if half > 0.0 {
        half
    } else {
        0.5 * (plots[0].right - plots[0].left)
    };
    let mut free = f64::NEG_INFINITY;
    let mut lane = 0.0;
    for event in events.iter().filter(|e| e.after >= left_out) {
        let k = event.after - left_out;
        // Halfway between the sounding before it and the one after it.
        let at = if k == 0 { x(0) - half } else { x(k - 1) + half };
        let at = at.clamp(plots[0].left + 1.0, plots[0].right - 1.0);
        let colour = if event.is_against {
            style::ORANGE
        } else {
            style::GREY
        };
        let words = pen(11.0, colour).bold();
        canvas.dashes((at, plots[0].top), (at, plots[2].bottom), colour, 1.2)?;
        let wide = canvas.width(&event.words, words);
        let left = (at + 4.0).min(plots[0].right - wide);
        // Words that would run into those before stand one lane lower.
        lane = if left < free { lane + 13.0 } else { 0.0 };
        free = left + wide + 6.0;
        if lane < 40.0 {
            let y = plots[0].top + 8.0 + lane;
            let low = (left + wide + 2.0, y + 6.5);
            canvas.block((left - 2.0, y - 6.5), low, style::PAPER)?;
            canvas.text((left, y), &event.words, words)?;
        }
    }
    Ok(())
}

fn tones(canvas: &Canvas<'_>, tones_hz: &[f64], drawn: &[TrendPoint], plot: &Plot) -> Drawn {
    let name = pen(12.0, style::INK).bold();
    canvas.text((plot.left, plot.top - 10.0), "tones, change in %", name)?;
    let zero = plot.y_px(0.0);
    canvas.line(&[(plot.left, zero), (plot.right, zero)], style::STONE, 1.0)?;
    if tones_hz.is_empty() {
        return plot.empty(canvas, "no tone was found");
    }
    let mut ends = Vec::new();
    for (i, tone) in tones_hz.iter().enumerate() {
        let values: Vec<_> = drawn
            .iter()
            .map(|s| s.tones_percent.get(i).copied().flatten())
            .collect();
        curve_only(canvas, plot, &values)?;
        let last = values.iter().rev().find_map(|v| *v);
        ends.push((last.map_or(zero, |v| plot.y_px(v)), *tone));
    }
    // Names stand beside the ends of their curves, moved apart where these are close.
    ends.sort_by(|a, b| a.0.total_cmp(&b.0));
    let wanted: Vec<(f64, f64)> = ends.iter().map(|e| (e.0, 14.0)).collect();
    let places = spread(&wanted, 1.0, plot.top, plot.bottom);
    for ((y, tone), at) in ends.iter().zip(places) {
        let from = (plot.right + 2.0, *y);
        canvas.line(&[from, (plot.right + 10.0, at)], style::STONE, 1.0)?;
        let words = style::hertz(*tone);
        canvas.text((plot.right + 13.0, at), &words, pen(11.5, style::INK))?;
    }
    Ok(())
}

/// A curve with its points named nowhere: a plot has one.
fn curve(canvas: &Canvas<'_>, plot: &Plot, values: &[Option<f64>]) -> Drawn {
    curve_only(canvas, plot, values)?;
    canvas.line(
        &[(plot.left, plot.bottom), (plot.right, plot.bottom)],
        style::GREY,
        1.0,
    )
}

/// Points, joined where nothing is missing between them.
fn curve_only(canvas: &Canvas<'_>, plot: &Plot, values: &[Option<f64>]) -> Drawn {
    let mut before: Option<(f64, f64)> = None;
    for (k, value) in values.iter().enumerate() {
        let here = value
            .filter(|v| style::drawable(*v))
            .map(|v| (plot.x_px(k as f64), plot.y_px(v)));
        if let (Some(a), Some(b)) = (before, here) {
            canvas.line(&[a, b], style::BLUE, 1.8)?;
        }
        if let Some(at) = here {
            canvas.disc(at, 3.0, style::BLUE)?;
        }
        before = here;
    }
    Ok(())
}

/// Numbers and days below the lowest plot, as many as there is room for, and its name and that
/// of the middle one.
fn days(
    canvas: &Canvas<'_>,
    drawn: &[TrendPoint],
    plot: &Plot,
    x: &impl Fn(usize) -> f64,
) -> Drawn {
    let name = pen(12.0, style::INK).bold();
    canvas.text((plot.left, 362.0), "ring time T60 in s", name)?;
    let words = "split of the lowest pair in %";
    canvas.text((plot.left, plot.top - 10.0), words, name)?;
    let day = pen(11.0, style::GREY).centre();
    let apart = (x(1) - x(0)).max(1.0);
    let every = (78.0 / apart).ceil().max(1.0) as usize;
    for (k, sounding) in drawn.iter().enumerate().filter(|(k, _)| k % every == 0) {
        let at = x(k);
        canvas.line(
            &[(at, plot.bottom), (at, plot.bottom + 4.0)],
            style::GREY,
            1.0,
        )?;
        let number = sounding.number.to_string();
        canvas.text((at, plot.bottom + 14.0), &number, day)?;
        canvas.text((at, plot.bottom + 28.0), &sounding.day, day)?;
    }
    let axis = pen(11.5, style::INK).right();
    let right = f64::from(WIDTH_PX) - MARGIN_PX;
    canvas.text(
        (right, plot.bottom + 44.0),
        "number of the sounding, and its day; temperature is not taken out",
        axis,
    )
}
