//! A recording over time with its taps.

use crate::reading::Reading;
use crate::report::picture::axes::{Plot, range};
use crate::report::picture::canvas::{
    Canvas, Drawn, FOOT_PX, Frame, MARGIN_PX, TOP_PX, compose, pen,
};
use crate::report::picture::{PictureError, WIDTH_PX, labels, style};

/// What the picture of a recording shows.
#[derive(Debug, Clone, Copy)]
pub struct Waveform<'a> {
    /// What was recorded, for the line under the title: wheel, file, day.
    pub subject: &'a str,
    /// Buckets in rising time: time of the bucket in seconds, least and greatest sample in
    /// it as a share of full scale. Any number; more than the picture is wide are merged.
    pub buckets: &'a [(f64, f64, f64)],
    /// The taps.
    pub taps: &'a [TapMark],
}

/// A tap in the picture of a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TapMark {
    /// Time of the strike in seconds on the axis of the buckets.
    pub time_s: f64,
    /// Number of the tap, counted from 1.
    pub number: usize,
    /// Its reading; none for a tap that was heard but not read.
    pub reading: Option<Reading>,
}

const HEIGHT_PX: f64 = 400.0;
const LANE_PX: f64 = 20.0;
const MOST_LANES: usize = 3;
/// How far the line of a tap reaches into the plot from above and below.
const STUB_PX: f64 = 9.0;
/// Most columns that the recording is drawn with: two per px.
const COLUMNS: usize = 1700;

/// A recording over time with its taps, numbered and marked with their readings.
///
/// Full scale is drawn where the recording comes near it. It shows the peaks of each bucket,
/// not samples: nothing can be measured from it.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn waveform_picture(input: &Waveform<'_>) -> Result<String, PictureError> {
    let buckets = merged(input.buckets);
    let taps: Vec<TapMark> = input
        .taps
        .iter()
        .filter(|t| style::drawable(t.time_s))
        .copied()
        .collect();
    let plot = plot(&buckets, &taps);
    let frame = Frame {
        title: "The recording and its taps",
        subject: input.subject,
        description: describe(&plot, &taps),
        height_px: HEIGHT_PX,
    };
    compose(&frame, "", |canvas| {
        let (wording, lanes) = wording(canvas, &plot, &taps);
        let used = lanes.iter().max().map_or(0, |lane| lane + 1);
        let plot = Plot {
            top: TOP_PX + LANE_PX * used as f64 + 8.0,
            ..plot
        };
        plot.y_axis(canvas, 45.0, 11.5)?;
        rails(canvas, &plot)?;
        curve(canvas, &plot, &buckets)?;
        if buckets.is_empty() {
            plot.empty(canvas, "nothing recorded")?;
        }
        marks(canvas, &plot, &taps, wording, &lanes)?;
        plot.x_axis(canvas, 90.0, 11.5)?;
        plot.names(canvas, "time in seconds", "share of full scale")?;
        canvas.legend((plot.left, plot.bottom + 31.0))
    })
}

fn describe(plot: &Plot, taps: &[TapMark]) -> String {
    let mut words = format!(
        "Sound pressure as recorded, from {} to {}, with {} taps.",
        style::seconds(plot.x.0),
        style::seconds(plot.x.1),
        taps.len()
    );
    for tap in taps.iter().take(64) {
        words.push_str(&format!(
            " Tap {} at {}: {}.",
            tap.number,
            style::seconds(tap.time_s),
            style::reading_words(tap.reading)
        ));
    }
    words
}

fn plot(buckets: &[(f64, f64, f64)], taps: &[TapMark]) -> Plot {
    let times = buckets
        .iter()
        .map(|b| b.0)
        .chain(taps.iter().map(|t| t.time_s));
    let (mut from, mut to) = range(times).unwrap_or((0.0, 1.0));
    if to - from < 1e-6 {
        (from, to) = (from - 0.5, to + 0.5);
    }
    let peak = range(buckets.iter().flat_map(|b| [b.1, b.2]))
        .map_or(1.0, |(lo, hi)| f64::max(lo.abs(), hi.abs()));
    // Silence is drawn as a line, not blown up to fill the picture.
    let top = f64::max(1.08 * peak, 1e-3);
    Plot {
        left: MARGIN_PX + 56.0,
        top: TOP_PX,
        right: f64::from(WIDTH_PX) - MARGIN_PX,
        bottom: HEIGHT_PX - FOOT_PX - 42.0,
        x: (from, to),
        y: (-top, top),
    }
}

/// Drawable buckets, neighbours merged to at most [`COLUMNS`].
fn merged(buckets: &[(f64, f64, f64)]) -> Vec<(f64, f64, f64)> {
    let per = buckets.len().div_ceil(COLUMNS).max(1);
    buckets
        .chunks(per)
        .filter_map(|chunk| {
            let good = || {
                chunk
                    .iter()
                    .filter(|b| [b.0, b.1, b.2].into_iter().all(style::drawable))
            };
            let time = good().next()?.0;
            let lo = good().map(|b| b.1).fold(f64::INFINITY, f64::min);
            let hi = good().map(|b| b.2).fold(f64::NEG_INFINITY, f64::max);
            Some((time, lo, hi))
        })
        .collect()
}

/// Full scale, where the recording comes near it.
fn rails(canvas: &Canvas<'_>, plot: &Plot) -> Drawn {
    if plot.y.1 < 0.9 {
        return Ok(());
    }
    for rail in [-1.0, 1.0] {
        if plot.y.1 >= 1.0 {
            let y = plot.y_px(rail);
            canvas.dashes((plot.left, y), (plot.right, y), style::STONE, 1.0)?;
        }
    }
    Ok(())
}

fn curve(canvas: &Canvas<'_>, plot: &Plot, buckets: &[(f64, f64, f64)]) -> Drawn {
    const THIN_PX: f64 = 0.5;
    let (mut upper, mut lower) = (Vec::new(), Vec::new());
    for &(time, lo, hi) in buckets {
        let x = plot.x_px(time);
        // Never thinner than a hairline, or silence would vanish.
        let (top, bottom) = (plot.y_px(f64::max(lo, hi)), plot.y_px(f64::min(lo, hi)));
        let middle = 0.5 * (top + bottom);
        upper.push((x, top.min(middle - THIN_PX)));
        lower.push((x, bottom.max(middle + THIN_PX)));
    }
    if let ([(x, top)], [(_, bottom)]) = (upper.as_slice(), lower.as_slice()) {
        return canvas.line(&[(*x, *top), (*x, *bottom)], style::INK, 1.0);
    }
    upper.extend(lower.into_iter().rev());
    canvas.fill(&upper, style::INK)
}

/// How much is written beside a tap's mark.
#[derive(Clone, Copy)]
enum Wording {
    Full,
    Number,
    Bare,
}

fn tap_label(tap: &TapMark, wording: Wording) -> String {
    match wording {
        Wording::Full => format!("{} {}", tap.number, style::reading_words(tap.reading)),
        Wording::Number => tap.number.to_string(),
        Wording::Bare => String::new(),
    }
}

const SHAPE_PX: f64 = 14.0;

/// Where label and shape go: from the shape to the right, or (false) to the left of it at
/// the edge of the picture.
fn place(canvas: &Canvas<'_>, plot: &Plot, tap: &TapMark, wording: Wording) -> (f64, f64, bool) {
    let x = plot.x_px(tap.time_s);
    let text = canvas.width(&tap_label(tap, wording), pen(12.0, style::INK));
    if x + SHAPE_PX + text <= plot.right + MARGIN_PX - 6.0 {
        (x - 7.0, x + SHAPE_PX - 2.0 + text, true)
    } else {
        (x - SHAPE_PX + 2.0 - text, x + 7.0, false)
    }
}

/// The fullest wording that fits, and the lane of each tap.
fn wording(canvas: &Canvas<'_>, plot: &Plot, taps: &[TapMark]) -> (Wording, Vec<usize>) {
    [Wording::Full, Wording::Number]
        .into_iter()
        .find_map(|wording| {
            let spans: Vec<_> = taps
                .iter()
                .map(|t| place(canvas, plot, t, wording))
                .map(|(from, to, _)| (from, to))
                .collect();
            Some((wording, labels::lanes(&spans, 8.0, MOST_LANES)?))
        })
        .unwrap_or_else(|| (Wording::Bare, vec![0; taps.len()]))
}

fn marks(
    canvas: &Canvas<'_>,
    plot: &Plot,
    taps: &[TapMark],
    wording: Wording,
    lanes: &[usize],
) -> Drawn {
    let words = pen(12.0, style::INK);
    for (tap, lane) in taps.iter().zip(lanes) {
        let x = plot.x_px(tap.time_s);
        let y = plot.top - 14.0 - LANE_PX * *lane as f64;
        let colour = style::reading_colour(tap.reading);
        // Not through the sound: a line would hide the strike of a dead wheel, which is as thin.
        for end in [
            (y, plot.top + STUB_PX),
            (plot.bottom - STUB_PX, plot.bottom),
        ] {
            canvas.line(&[(x, end.0), (x, end.1)], colour, 1.4)?;
        }
        canvas.reading((x, y), 6.0, tap.reading)?;
        let label = tap_label(tap, wording);
        if place(canvas, plot, tap, wording).2 {
            canvas.text((x + SHAPE_PX - 3.0, y), &label, words)?;
        } else {
            canvas.text((x - SHAPE_PX + 3.0, y), &label, words.right())?;
        }
    }
    Ok(())
}
