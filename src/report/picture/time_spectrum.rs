//! The spectrum of a tap over time.

use std::f64::consts::PI;

use crate::signal::fft::forward;

use crate::report::picture::axes::{Plot, ticks};
use crate::report::picture::canvas::{
    Canvas, Drawn, FOOT_PX, Frame, MARGIN_PX, TOP_PX, UNIT, compose, pen,
};
use crate::report::picture::{PictureError, WIDTH_PX, labels, style};
use crate::report::png;
use crate::units::{SampleRate, power_db};

/// What the picture of a spectrum over time shows.
#[derive(Debug, Clone, Copy)]
pub struct TimeSpectrum<'a> {
    /// Of what, for the line under the title: wheel, tap, day.
    pub subject: &'a str,
    /// The samples of one channel. Any length; a long stretch is sampled in time.
    pub samples: &'a [f64],
    /// Their rate.
    pub rate: SampleRate,
    /// Time of the first sample in seconds from the strike (negative: before it).
    pub from_s: f64,
    /// Frequencies of the accepted modes in Hz, marked at the right edge.
    pub modes_hz: &'a [f64],
}

const HEIGHT_PX: f64 = 530.0;
const COLUMNS: usize = 520;
const ROWS: usize = 320;
/// Shown range below the loudest spot, in dB.
const DEPTH_DB: f64 = 70.0;
const HIGHEST_HZ: f64 = 16_000.0;
/// Length of the analysis window in seconds: 47 Hz resolution, short beside any ring.
const WINDOW_S: f64 = 0.0427;

/// Level over time and frequency in 0 to 16 kHz, in dB below the loudest spot.
///
/// A ringing wheel shows long level stripes, a dead one a short blot. Hann window of about
/// 43 ms: rises in time look that long even when they are sudden.
///
/// # Errors
/// [`PictureError`] when the drawing library or the PNG writer fails; no input is refused.
pub fn time_spectrum_picture(input: &TimeSpectrum<'_>) -> Result<String, PictureError> {
    let rate = input.rate.hz();
    let from_s = if style::drawable(input.from_s) {
        input.from_s
    } else {
        0.0
    };
    let length_s = f64::max(input.samples.len() as f64 / rate, 1e-3);
    let plot = Plot {
        left: MARGIN_PX + 56.0,
        top: TOP_PX + 10.0,
        right: f64::from(WIDTH_PX) - MARGIN_PX - 150.0,
        bottom: HEIGHT_PX - FOOT_PX - 44.0,
        x: (from_s, from_s + length_s),
        y: (0.0, HIGHEST_HZ.min(0.5 * rate) / 1000.0),
    };
    let levels = levels_db(input.samples, rate, 1000.0 * plot.y.1);
    let under = match &levels {
        Some(levels) => image(levels, &plot)?,
        None => String::new(),
    };
    let frame = Frame {
        title: "Spectrum over time",
        subject: input.subject,
        description: format!(
            "Level over time from {} to {} after the strike and over frequency from 0 to {} kHz, \
             in dB below the loudest spot. {} modes are marked.",
            style::seconds(plot.x.0),
            style::seconds(plot.x.1),
            style::number(plot.y.1, 0),
            input.modes_hz.len()
        ),
        height_px: HEIGHT_PX,
    };
    compose(&frame, &under, |canvas| {
        left_axis(canvas, &plot)?;
        plot.x_axis(canvas, 80.0, 11.5)?;
        plot.names(
            canvas,
            "time from the strike in seconds",
            "frequency in kHz",
        )?;
        if levels.is_none() {
            plot.empty(canvas, "silence")?;
        } else {
            scale(canvas, &plot)?;
        }
        mode_ticks(canvas, &plot, input.modes_hz)
    })
}

/// Levels in dB re the loudest, `ROWS` from the top frequency down, each of `COLUMNS`; none
/// for silence.
fn levels_db(samples: &[f64], rate: f64, top_hz: f64) -> Option<Vec<f64>> {
    let window_len = ((WINDOW_S * rate).log2().round().exp2() as usize).max(64);
    let window: Vec<f64> = (0..window_len)
        .map(|i| (PI * (i as f64 + 0.5) / window_len as f64).sin().powi(2))
        .collect();
    let fft = forward(window_len);
    let (mut frame, mut bins) = (fft.make_input_vec(), fft.make_output_vec());
    let mut power = vec![0.0; ROWS * COLUMNS];
    for column in 0..COLUMNS {
        let centre = (column as f64 + 0.5) / COLUMNS as f64 * samples.len() as f64;
        for (i, slot) in frame.iter_mut().enumerate() {
            let at = centre as i64 + i as i64 - (window_len / 2) as i64;
            let sample = usize::try_from(at).ok().and_then(|at| samples.get(at));
            let sample = sample.copied().filter(|s| style::drawable(*s));
            *slot = window[i] * sample.unwrap_or(0.0);
        }
        if fft.process(&mut frame, &mut bins).is_err() {
            continue;
        }
        let per_row = top_hz / ROWS as f64 * window_len as f64 / rate;
        for row in 0..ROWS {
            // The strongest bin of the row's band; neighbours share one where bins are wider.
            let upper = (ROWS - row) as f64 * per_row;
            let to = (upper.round() as usize).clamp(1, bins.len());
            let from = ((upper - per_row).round() as usize).min(to - 1);
            power[row * COLUMNS + column] = bins[from..to]
                .iter()
                .map(|b| b.norm_sqr())
                .fold(0.0, f64::max);
        }
    }
    let loudest = power.iter().copied().fold(0.0, f64::max);
    if loudest > 0.0 && loudest.is_finite() {
        Some(power.iter().map(|p| power_db(p / loudest)).collect())
    } else {
        None
    }
}

/// The picture of the levels as SVG with the PNG inside it.
fn image(levels: &[f64], plot: &Plot) -> Result<String, PictureError> {
    let shades: Vec<u8> = levels
        .iter()
        .map(|db| ((1.0 + db.max(-DEPTH_DB) / DEPTH_DB) * 255.0).round() as u8)
        .collect();
    let bytes = png::palette_png(COLUMNS as u32, ROWS as u32, &shades, &colours())?;
    Ok(format!(
        "<image x=\"{:.0}\" y=\"{:.0}\" width=\"{:.0}\" height=\"{:.0}\" \
         preserveAspectRatio=\"none\" href=\"data:image/png;base64,{}\"/>\n",
        plot.left * UNIT,
        plot.top * UNIT,
        (plot.right - plot.left) * UNIT,
        (plot.bottom - plot.top) * UNIT,
        png::base64(&bytes)
    ))
}

/// 256 colours from dark blue over grey to light yellow: an even rise in lightness, and
/// along blue and yellow only, which all common kinds of colour vision tell apart.
///
/// Straight lines between four colours in the Oklab space (matrices as published by Björn
/// Ottosson, 2020).
fn colours() -> Vec<[u8; 3]> {
    // L, a, b.
    const STOPS: [[f64; 3]; 4] = [
        [0.16, -0.010, -0.060],
        [0.42, -0.015, -0.085],
        [0.70, -0.005, 0.030],
        [0.97, -0.025, 0.110],
    ];
    (0..256)
        .map(|i| {
            let place = f64::from(i) / 255.0 * 3.0;
            let k = (place as usize).min(2);
            let t = place - k as f64;
            let lab: [f64; 3] =
                std::array::from_fn(|j| STOPS[k][j] + t * (STOPS[k + 1][j] - STOPS[k][j]));
            srgb(lab)
        })
        .collect()
}

fn srgb([l, a, b]: [f64; 3]) -> [u8; 3] {
    let long = (l + 0.396_337_777_4 * a + 0.215_803_757_3 * b).powi(3);
    let middle = (l - 0.105_561_345_8 * a - 0.063_854_172_8 * b).powi(3);
    let short = (l - 0.089_484_177_5 * a - 1.291_485_548_0 * b).powi(3);
    let linear = [
        4.076_741_662_1 * long - 3.307_711_591_3 * middle + 0.230_969_929_2 * short,
        -1.268_438_004_6 * long + 2.609_757_401_1 * middle - 0.341_319_396_5 * short,
        -0.004_196_086_3 * long - 0.703_418_614_7 * middle + 1.707_614_701_0 * short,
    ];
    linear.map(|c| {
        let c = c.clamp(0.0, 1.0);
        let coded = if c <= 0.003_130_8 {
            12.92 * c
        } else {
            1.055 * c.powf(1.0 / 2.4) - 0.055
        };
        (coded * 255.0).round() as u8
    })
}

fn left_axis(canvas: &Canvas<'_>, plot: &Plot) -> Drawn {
    for (value, label) in ticks(plot.y, 8.0) {
        let y = plot.y_px(value);
        canvas.line(&[(plot.left - 4.0, y), (plot.left, y)], style::GREY, 1.0)?;
        let numbers = pen(11.5, style::GREY).right();
        canvas.text((plot.left - 7.0, y), &label, numbers)?;
    }
    let (from, to) = ((plot.left, plot.top), (plot.right, plot.bottom));
    canvas.frame(from, to, style::GREY, 1.0)
}

/// The colour scale with its levels.
fn scale(canvas: &Canvas<'_>, plot: &Plot) -> Drawn {
    const WIDE_PX: f64 = 16.0;
    let bar = Plot {
        left: plot.right + 88.0,
        right: plot.right + 88.0 + WIDE_PX,
        y: (-DEPTH_DB, 0.0),
        ..*plot
    };
    let colours = colours();
    for (i, [r, g, b]) in colours.iter().enumerate() {
        // Each from its place to the top, the next over it: no seams.
        let edge = bar.bottom - i as f64 / 256.0 * (bar.bottom - bar.top);
        let colour = plotters::style::RGBColor(*r, *g, *b);
        canvas.block((bar.left, bar.top), (bar.right, edge), colour)?;
    }
    let (from, to) = ((bar.left, bar.top), (bar.right, bar.bottom));
    canvas.frame(from, to, style::GREY, 1.0)?;
    for (value, label) in ticks(bar.y, 7.0) {
        let numbers = pen(11.5, style::GREY);
        canvas.text((bar.right + 6.0, bar.y_px(value)), &label, numbers)?;
    }
    let name = pen(12.0, style::INK).centre().upright();
    let middle = 0.5 * (bar.top + bar.bottom);
    canvas.text((bar.right + 46.0, middle), "level in dB, loudest = 0", name)
}

/// Short marks at the modes' frequencies, named where there is room.
fn mode_ticks(canvas: &Canvas<'_>, plot: &Plot, modes_hz: &[f64]) -> Drawn {
    const LINE_PX: f64 = 14.0;
    let mut modes: Vec<f64> = modes_hz
        .iter()
        .copied()
        .filter(|f| *f >= 0.0 && f / 1000.0 <= plot.y.1)
        .collect();
    modes.sort_by(|a, b| b.total_cmp(a));
    for freq in &modes {
        let y = plot.y_px(freq / 1000.0);
        canvas.line(&[(plot.right, y), (plot.right + 7.0, y)], style::INK, 1.2)?;
    }
    let most = ((plot.bottom - plot.top) / (LINE_PX + 1.0)) as usize;
    if modes.len() > most {
        return Ok(());
    }
    let wanted: Vec<_> = modes
        .iter()
        .map(|f| (plot.y_px(f / 1000.0), LINE_PX))
        .collect();
    let tops = labels::spread(&wanted, 0.0, plot.top - 6.0, plot.bottom + 6.0);
    for (freq, top) in modes.iter().zip(tops) {
        let y = top + 0.5 * LINE_PX;
        let mark = plot.y_px(freq / 1000.0);
        let leader = [(plot.right + 7.0, mark), (plot.right + 16.0, y)];
        canvas.line(&leader, style::STONE, 0.8)?;
        let words = pen(11.0, style::INK);
        canvas.text((plot.right + 19.0, y), &style::hertz(*freq), words)?;
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_colours_rise_evenly_in_lightness() {
        // Relative luminance of sRGB (IEC 61966-2-1) to CIE lightness: it must rise all the
        // way, and no step may be more than three times the mean step.
        let lightness: Vec<f64> = colours()
            .iter()
            .map(|rgb| {
                let lin = rgb.map(|c| {
                    let c = f64::from(c) / 255.0;
                    if c <= 0.040_45 {
                        c / 12.92
                    } else {
                        ((c + 0.055) / 1.055).powf(2.4)
                    }
                });
                let y = 0.2126 * lin[0] + 0.7152 * lin[1] + 0.0722 * lin[2];
                if y > 0.008_856 {
                    116.0 * y.cbrt() - 16.0
                } else {
                    903.3 * y
                }
            })
            .collect();
        let whole = lightness[255] - lightness[0];
        assert!(whole > 80.0, "{whole}");
        for pair in lightness.windows(2) {
            let step = pair[1] - pair[0];
            assert!(step > -0.3 && step < 3.0 * whole / 255.0, "{step}");
        }
    }

    #[test]
    fn a_tone_is_loudest_in_its_row() {
        let rate = 48_000.0;
        let tone: Vec<f64> = (0..24_000)
            .map(|i| (2.0 * PI * 4_000.0 * f64::from(i) / rate).sin())
            .collect();
        let levels = levels_db(&tone, rate, 16_000.0).unwrap();
        let column: Vec<f64> = (0..ROWS)
            .map(|r| levels[r * COLUMNS + COLUMNS / 2])
            .collect();
        let loudest = (0..ROWS)
            .max_by(|a, b| column[*a].total_cmp(&column[*b]))
            .unwrap();
        // 4 kHz of 16 kHz, counted from the top.
        assert!(
            (loudest as f64 - 0.75 * ROWS as f64).abs() <= 1.0,
            "{loudest}"
        );
        assert!(column[ROWS / 4] < -60.0);
        assert!(levels_db(&[0.0; 100], rate, 16_000.0).is_none());
    }
}
