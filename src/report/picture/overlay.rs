//! Two soundings laid over each other: their spectra and how they die away.

use crate::report::picture::axes::{Plot, range};
use crate::report::picture::canvas::{
    Canvas, Drawn, FOOT_PX, Frame, MARGIN_PX, TOP_PX, compose, pen,
};
use crate::report::picture::{PictureError, WIDTH_PX, style};
use crate::units::amplitude_db;

/// One of the two.
#[derive(Debug, Clone, Copy)]
pub struct Laid<'a> {
    /// Which, for the key.
    pub name: &'a str,
    /// Frequency in Hz and amplitude as a share of full scale, in rising frequency.
    pub lines: &'a [(f64, f64)],
    /// Seconds after the strike and level in dB below its start, of one band.
    pub decay: &'a [(f64, f64)],
}

/// What the picture shows.
#[derive(Debug, Clone, Copy)]
pub struct Overlay<'a> {
    /// Of what, for the line under the title.
    pub subject: &'a str,
    /// The first, drawn as a blue line.
    pub first: Laid<'a>,
    /// The second, drawn as an orange dashed line.
    pub second: Laid<'a>,
    /// The band of the decays in Hz; none when the two have none in common.
    pub band_hz: Option<(f64, f64)>,
}

const HEIGHT_PX: f64 = 660.0;
const SPECTRUM_PX: f64 = 300.0;
/// How far below the strongest line is drawn, in dB.
const DEPTH_DB: f64 = 70.0;
/// End of the frequency axis in kHz.
const HIGHEST_KHZ: f64 = 12.0;
const LOWEST_DB: f64 = -50.0;
const COLUMNS: usize = 780;

/// The two spectra, each with its strongest line at 0 dB, and the two decays of one band.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn overlay_picture(input: &Overlay<'_>) -> Result<String, PictureError> {
    let (left, right) = (MARGIN_PX + 62.0, f64::from(WIDTH_PX) - MARGIN_PX);
    let upper = Plot {
        left,
        right,
        top: TOP_PX + 34.0,
        bottom: TOP_PX + SPECTRUM_PX,
        x: (0.0, end_khz(input)),
        y: (-DEPTH_DB, 3.0),
    };
    let lower = Plot {
        left,
        right,
        top: upper.bottom + 74.0,
        bottom: HEIGHT_PX - FOOT_PX - 46.0,
        x: (0.0, end_s(input)),
        y: (LOWEST_DB, 3.0),
    };
    let band = input.band_hz;
    let band_words = band.map_or("no band in common".to_owned(), |b| style::band(b.0, b.1));
    let frame = Frame {
        title: "Two soundings over each other",
        subject: input.subject,
        description: format!(
            "Spectra above, each with its strongest line at 0 dB, and below the decay in one band, {band_words}: {} as a line, {} dashed.",
            input.first.name, input.second.name
        ),
        height_px: HEIGHT_PX,
    };
    compose(&frame, "", |canvas| {
        key(canvas, input, left)?;
        upper.y_axis(canvas, 45.0, 11.5)?;
        upper.x_axis(canvas, 90.0, 11.5)?;
        upper.names(canvas, "frequency in kHz", "dB below the strongest")?;
        canvas.line(&spectrum(input.first.lines, &upper), style::BLUE, 1.6)?;
        dashed(canvas, &spectrum(input.second.lines, &upper))?;
        let head = (lower.left, lower.top - 16.0);
        canvas.text(
            head,
            &format!("Decay, {band_words}"),
            pen(13.0, style::INK).bold(),
        )?;
        lower.y_axis(canvas, 36.0, 11.5)?;
        lower.x_axis(canvas, 90.0, 11.5)?;
        lower.names(canvas, "seconds after the strike", "dB below the start")?;
        if band.is_none() {
            return lower.empty(canvas, "the two have no band in common");
        }
        canvas.line(&decay(input.first.decay, &lower), style::BLUE, 1.8)?;
        dashed(canvas, &decay(input.second.decay, &lower))
    })
}

/// A dashed line through points: dashes of 9 px and gaps of 4 px along it.
fn dashed(canvas: &Canvas<'_>, points: &[(f64, f64)]) -> Drawn {
    const PATTERN_PX: [f64; 2] = [9.0, 4.0];
    let (mut is_gap, mut left) = (false, PATTERN_PX[0]);
    let mut dash: Vec<(f64, f64)> = points.first().copied().into_iter().collect();
    for pair in points.windows(2) {
        let (mut from, to) = (pair[0], pair[1]);
        let mut length = (to.0 - from.0).hypot(to.1 - from.1);
        while length > left {
            let part = left / length;
            from = (
                from.0 + part * (to.0 - from.0),
                from.1 + part * (to.1 - from.1),
            );
            length -= left;
            dash.push(from);
            if !is_gap {
                canvas.line(&dash, style::ORANGE, 1.5)?;
            }
            dash = vec![from];
            is_gap = !is_gap;
            left = PATTERN_PX[usize::from(is_gap)];
        }
        left -= length;
        dash.push(to);
    }
    if is_gap {
        return Ok(());
    }
    canvas.line(&dash, style::ORANGE, 1.5)
}

fn key(canvas: &Canvas<'_>, input: &Overlay<'_>, left: f64) -> Drawn {
    let y = TOP_PX + 12.0;
    let half = 0.5 * (f64::from(WIDTH_PX) - MARGIN_PX - left);
    for (k, laid) in [&input.first, &input.second].into_iter().enumerate() {
        let x = left + k as f64 * half;
        let line = [(x, y), (x + 34.0, y)];
        if k == 0 {
            canvas.line(&line, style::BLUE, 2.4)?;
        } else {
            dashed(canvas, &line)?;
        }
        let name = pen(13.0, style::INK);
        let words = canvas.fit(laid.name, name, half - 54.0);
        canvas.text((x + 42.0, y), &words, name)?;
    }
    Ok(())
}

fn end_khz(input: &Overlay<'_>) -> f64 {
    // Where both have fallen for good.
    let last = |lines: &[(f64, f64)]| {
        let top = range(lines.iter().map(|l| amplitude_db(l.1))).map_or(0.0, |r| r.1);
        let strong = lines.iter().rev().find(|l| amplitude_db(l.1) > top - 40.0);
        strong.map_or(0.0, |l| l.0 / 1000.0)
    };
    let end = last(input.first.lines).max(last(input.second.lines));
    let ends = [2.0, 4.0, 6.0, 8.0, 10.0];
    ends.into_iter()
        .find(|e| 1.1 * end <= *e)
        .unwrap_or(HIGHEST_KHZ)
}

fn end_s(input: &Overlay<'_>) -> f64 {
    let down = |points: &[(f64, f64)]| {
        let above = points.iter().filter(|p| p.1 >= LOWEST_DB);
        range(above.map(|p| p.0)).map_or(0.0, |r| r.1)
    };
    let end = down(input.first.decay).max(down(input.second.decay));
    if end > 1e-6 { 1.03 * end } else { 1.0 }
}

/// The largest line of each column, in dB below the strongest of all.
fn spectrum(lines: &[(f64, f64)], plot: &Plot) -> Vec<(f64, f64)> {
    let top = range(lines.iter().map(|l| amplitude_db(l.1))).map_or(0.0, |r| r.1);
    let mut columns = vec![f64::NEG_INFINITY; COLUMNS + 1];
    for &(freq_hz, amplitude) in lines {
        let (khz, level) = (freq_hz / 1000.0, amplitude_db(amplitude) - top);
        if plot.holds_x(khz) && level.is_finite() {
            let part = (khz - plot.x.0) / (plot.x.1 - plot.x.0);
            let column = ((part * COLUMNS as f64) as usize).min(COLUMNS);
            columns[column] = columns[column].max(level);
        }
    }
    let width = (plot.right - plot.left) / COLUMNS as f64;
    let held = columns.iter().enumerate().filter(|c| c.1.is_finite());
    held.map(|(k, level)| (plot.left + width * k as f64, plot.y_px(*level)))
        .collect()
}

fn decay(points: &[(f64, f64)], plot: &Plot) -> Vec<(f64, f64)> {
    let drawn = points
        .iter()
        .filter(|p| plot.holds_x(p.0) && style::drawable(p.1))
        .take_while(|p| p.1 >= LOWEST_DB);
    drawn.map(|p| (plot.x_px(p.0), plot.y_px(p.1))).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn whatever_comes_in_a_whole_picture_comes_out() {
        let nan = [(f64::NAN, f64::INFINITY), (1000.0, 0.0), (2000.0, 0.5)];
        for (lines, band_hz) in [(&nan[..], Some((800.0, 1200.0))), (&[], None)] {
            let laid = Laid {
                name: "<b>one & only</b>",
                lines,
                decay: lines,
            };
            let svg = overlay_picture(&Overlay {
                subject: "two",
                first: laid,
                second: laid,
                band_hz,
            })
            .unwrap();
            assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
            assert!(!svg.contains("<b>") && !svg.contains("NaN"), "{svg}");
        }
    }
}
