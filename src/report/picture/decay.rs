//! Decay curves, band by band, with the fitted range over each.

use crate::report::picture::axes::{Plot, range};
use crate::report::picture::canvas::{
    Canvas, Drawn, FOOT_PX, Frame, MARGIN_PX, TOP_PX, compose, pen,
};
use crate::report::picture::{PictureError, WIDTH_PX, style};

/// What the picture of decays shows.
#[derive(Debug, Clone, Copy)]
pub struct Decay<'a> {
    /// Of what, for the line under the title: wheel, tap, day.
    pub subject: &'a str,
    /// The bands, each in a panel of its own; at most 12 are drawn.
    pub bands: &'a [DecayBand<'a>],
}

/// One band's decay.
#[derive(Debug, Clone)]
pub struct DecayBand<'a> {
    /// Lower and upper edge of the band in Hz.
    pub band_hz: (f64, f64),
    /// The curve: seconds from the strike, level in dB re its start.
    pub curve: &'a [(f64, f64)],
    /// The fitted line, or why there is no decay time, in a few words.
    pub fit: Result<DecayFit, String>,
}

/// A line fitted to a decay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DecayFit {
    /// Seconds from the strike between which it was fitted.
    pub fitted_s: (f64, f64),
    /// Levels in dB at these times.
    pub fitted_db: (f64, f64),
    /// Decay time T60 in seconds.
    pub ring_time_s: f64,
    /// Its standard deviation in seconds, where known.
    pub ring_time_std_s: Option<f64>,
}

const MOST_PANELS: usize = 12;
/// Lowest level drawn, in dB.
const LOWEST_DB: f64 = -70.0;
/// Most points drawn of one curve.
const MOST_POINTS: usize = 500;
/// Between panels, for the numbers of the right one's axis.
const GUTTER_PX: f64 = 38.0;
const HEAD_PX: f64 = 30.0;

/// Level over time of each band, with the range of the fit drawn over it, the line carried
/// on to -60 dB, and the decay time T60 named.
///
/// Panels share their axes, so that slopes can be compared by eye.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn decay_picture(input: &Decay<'_>) -> Result<String, PictureError> {
    let bands = &input.bands[..input.bands.len().min(MOST_PANELS)];
    let columns = match bands.len() {
        0 | 1 => 1,
        2 | 4 => 2,
        _ => 3,
    };
    let rows = bands.len().div_ceil(columns).max(1);
    let panel_px = match rows {
        1 if columns == 1 => 340.0,
        1 | 2 => 210.0,
        _ => 168.0,
    };
    let height_px = TOP_PX + rows as f64 * panel_px + 44.0 + FOOT_PX;
    let frame = Frame {
        title: "Decay by band",
        subject: input.subject,
        description: describe(input.bands),
        height_px,
    };
    let end_s = end_s(bands);
    compose(&frame, "", |canvas| {
        let left = MARGIN_PX + 34.0;
        let wide = (f64::from(WIDTH_PX) - MARGIN_PX - left + GUTTER_PX) / columns as f64;
        for index in 0..bands.len().max(1) {
            let (row, column) = (index / columns, index % columns);
            let plot = Plot {
                left: left + column as f64 * wide,
                top: TOP_PX + row as f64 * panel_px + HEAD_PX,
                right: left + (column + 1) as f64 * wide - GUTTER_PX,
                bottom: TOP_PX + (row + 1) as f64 * panel_px - 22.0,
                x: (0.0, end_s),
                y: (LOWEST_DB, 3.0),
            };
            plot.y_axis(canvas, 30.0, 11.0)?;
            plot.x_axis(canvas, 70.0, 11.0)?;
            match bands.get(index) {
                Some(band) => panel(canvas, &plot, band)?,
                None => plot.empty(canvas, "no band was measured")?,
            }
        }
        foot(canvas, input.bands.len(), height_px)
    })
}

fn describe(bands: &[DecayBand<'_>]) -> String {
    let mut words = format!("Level over time in {} bands.", bands.len());
    for band in bands.iter().take(MOST_PANELS) {
        let name = style::band(band.band_hz.0, band.band_hz.1);
        match &band.fit {
            Ok(fit) => words.push_str(&format!(
                " {name}: decay time T60 {}, fitted from {} to {} dB.",
                style::seconds(fit.ring_time_s),
                style::number(fit.fitted_db.0, 0),
                style::number(fit.fitted_db.1, 0)
            )),
            Err(why) => words.push_str(&format!(" {name}: no decay time, {why}.")),
        }
    }
    words
}

/// End of the time axis: where the slowest drawn curve is down, or ends.
fn end_s(bands: &[DecayBand<'_>]) -> f64 {
    let down = |band: &DecayBand<'_>| {
        let above = band.curve.iter().filter(|p| p.1 >= LOWEST_DB);
        range(above.map(|p| p.0)).map_or(0.0, |r| r.1)
    };
    let fitted = bands.iter().filter_map(|b| b.fit.as_ref().ok());
    let fitted = range(fitted.map(|f| f.fitted_s.1)).map_or(0.0, |r| r.1);
    let end = bands.iter().map(down).fold(fitted, f64::max);
    if end > 1e-6 { 1.03 * end } else { 1.0 }
}

fn panel(canvas: &Canvas<'_>, plot: &Plot, band: &DecayBand<'_>) -> Drawn {
    let name = pen(11.5, style::GREY);
    let head = plot.top - 14.0;
    let title = style::band(band.band_hz.0, band.band_hz.1);
    canvas.text((plot.left, head), &title, name)?;
    let points = curve(plot, band.curve);
    canvas.line(&points, style::STONE, 1.6)?;
    let room = plot.right - plot.left - canvas.width(&title, name) - 4.0;
    match &band.fit {
        Ok(fit) => {
            let bold = pen(13.0, style::INK).bold().right();
            let words = time_words(fit);
            let words = if canvas.width(&words, bold) <= room {
                words
            } else {
                format!("T60 {}", style::seconds(fit.ring_time_s))
            };
            canvas.text((plot.right, head), &words, bold)?;
            fit_line(canvas, plot, fit)
        }
        Err(why) => {
            // No colour: a band without a decay time says nothing against the wheel.
            let none = pen(13.0, style::GREY).bold().right();
            canvas.text((plot.right, head), "no T60", none)?;
            reason(canvas, plot, why)
        }
    }
}

/// Decay time with its standard deviation, both to the same decimals.
fn time_words(fit: &DecayFit) -> String {
    let time = style::seconds(fit.ring_time_s);
    let number = time.trim_end_matches(" s");
    let decimals = number.split_once('.').map_or(0, |(_, part)| part.len());
    match fit.ring_time_std_s.filter(|s| s.is_finite()) {
        Some(std) => format!("T60 {number} ± {} s", style::number(std, decimals)),
        None => format!("T60 {time}"),
    }
}

/// Why there is no decay time, in up to three lines at the top right of the panel.
fn reason(canvas: &Canvas<'_>, plot: &Plot, why: &str) -> Drawn {
    const LINE_PX: f64 = 15.0;
    let words = pen(11.5, style::INK).right();
    let most = 0.82 * (plot.right - plot.left);
    let mut lines: Vec<String> = Vec::new();
    for word in why.split(' ').take(60) {
        let longer = lines.last().map(|line| format!("{line} {word}"));
        match (longer, lines.last_mut()) {
            (Some(longer), Some(last)) if canvas.width(&longer, words) <= most => *last = longer,
            _ => lines.push(word.to_owned()),
        }
    }
    for (i, line) in lines.iter().take(3).enumerate() {
        let line = canvas.fit(line, words, most);
        let at = (plot.right - 4.0, plot.top + 12.0 + LINE_PX * i as f64);
        let left = at.0 - canvas.width(&line, words) - 4.0;
        let half = 0.5 * LINE_PX;
        canvas.block((left, at.1 - half), (plot.right, at.1 + half), style::PAPER)?;
        canvas.text(at, &line, words)?;
    }
    Ok(())
}

fn curve(plot: &Plot, curve: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let good: Vec<(f64, f64)> = curve
        .iter()
        .copied()
        .filter(|p| p.0.is_finite() && !p.1.is_nan() && p.1 >= LOWEST_DB && plot.holds_x(p.0))
        .collect();
    let every = good.len().div_ceil(MOST_POINTS).max(1);
    good.iter()
        .enumerate()
        .filter(|(i, _)| i % every == 0 || i + 1 == good.len())
        .map(|(_, p)| (plot.x_px(p.0), plot.y_px(p.1)))
        .collect()
}

/// The fitted range as a strong line with its ends marked, carried on in dashes to -60 dB.
fn fit_line(canvas: &Canvas<'_>, plot: &Plot, fit: &DecayFit) -> Drawn {
    let (from, to) = (
        (fit.fitted_s.0, fit.fitted_db.0),
        (fit.fitted_s.1, fit.fitted_db.1),
    );
    if [from.0, from.1, to.0, to.1]
        .into_iter()
        .any(|v| !style::drawable(v))
    {
        return Ok(());
    }
    let at = |(t, db): (f64, f64)| (plot.x_px(t), plot.y_px(db));
    let slope = (to.1 - from.1) / (to.0 - from.0);
    if slope.is_finite() && slope < 0.0 {
        // To -60 dB, or to the edge of the plot.
        let down = to.0 + (-60.0 - to.1) / slope;
        let end = down.min(plot.x.1);
        if end > to.0 {
            let level = to.1 + slope * (end - to.0);
            canvas.dashes(at(to), at((end, level)), style::BLUE, 1.2)?;
        }
    }
    canvas.line(&[at(from), at(to)], style::BLUE, 3.2)?;
    for end in [at(from), at(to)] {
        canvas.line(
            &[(end.0, end.1 - 6.0), (end.0, end.1 + 6.0)],
            style::BLUE,
            1.6,
        )?;
    }
    Ok(())
}

/// The key, and the names of the axes that all panels share.
fn foot(canvas: &Canvas<'_>, bands: usize, height_px: f64) -> Drawn {
    let y = height_px - FOOT_PX - 14.0;
    let words = pen(11.5, style::GREY);
    let mut x = MARGIN_PX + 34.0;
    canvas.line(&[(x, y), (x + 24.0, y)], style::STONE, 1.6)?;
    canvas.text((x + 30.0, y), "measured", words)?;
    x += 106.0;
    canvas.line(&[(x, y), (x + 24.0, y)], style::BLUE, 3.2)?;
    canvas.text((x + 30.0, y), "fitted range", words)?;
    x += 122.0;
    canvas.dashes((x, y), (x + 24.0, y), style::BLUE, 1.2)?;
    canvas.text((x + 30.0, y), "carried on to −60 dB", words)?;
    let right = f64::from(WIDTH_PX) - MARGIN_PX;
    let axes = "axes: seconds from the strike, level in dB";
    canvas.text((right, y), axes, pen(11.5, style::INK).right())?;
    if bands > MOST_PANELS {
        let note = format!("{MOST_PANELS} of {bands} bands are drawn");
        canvas.text((right, TOP_PX - 18.0), &note, words.right())?;
    }
    Ok(())
}
