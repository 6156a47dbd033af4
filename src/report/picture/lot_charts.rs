//! A lot in pictures: its wheels one after the other, beside their specification, and against
//! their mass; and the lots of a specification one after the other.

use crate::reading::Reading;
use crate::report::picture::axes::{Plot, nice_step, range, ticks};
use crate::report::picture::canvas::{
    Canvas, Drawn, FOOT_PX, Frame, MARGIN_PX, TOP_PX, compose, pen,
};
use crate::report::picture::{PictureError, WIDTH_PX, style};

/// A wheel, or a lot, in a chart.
#[derive(Debug, Clone, PartialEq)]
pub struct ChartPoint {
    /// Its id, or the lot's name.
    pub name: String,
    /// The figure; none when it has none.
    pub value: Option<f64>,
    /// Its interval, where it has one.
    pub interval: Option<(f64, f64)>,
    /// Shape: ring for good, block for bad, rhombus for unclear.
    pub reading: Reading,
}

/// A chart of points one after the other.
#[derive(Debug, Clone, Copy)]
pub struct ControlChart<'a> {
    /// What the picture is.
    pub title: &'a str,
    /// Of what, for the line under the title.
    pub subject: &'a str,
    /// Name of the figure with its unit, upright at the left.
    pub figure: &'a str,
    /// The points, in their order; at most 200 are drawn, the last ones.
    pub points: &'a [ChartPoint],
    /// What the order is, below the points.
    pub order: &'a str,
    /// Centre and limits, where there are enough points for them.
    pub limits: Option<(f64, f64, f64)>,
}

/// How a lot lies beside its specification.
#[derive(Debug, Clone, Copy)]
pub struct LotDistribution<'a> {
    /// Of what, for the line under the title.
    pub subject: &'a str,
    /// Name of the figure with its unit.
    pub figure: &'a str,
    /// Values of the lot's wheels with their shapes.
    pub lot: &'a [(f64, Reading)],
    /// Values of the wheels of the specification's baseline; empty without one.
    pub baseline: &'a [f64],
}

/// Tone against mass.
#[derive(Debug, Clone, Copy)]
pub struct ToneAndMass<'a> {
    /// Of what, for the line under the title.
    pub subject: &'a str,
    /// Mass in kg, tone in percent, shape.
    pub wheels: &'a [(f64, f64, Reading)],
}

const CHART_PX: f64 = 400.0;
const MOST_POINTS: usize = 200;
/// Fewest and most bins of a distribution.
const BINS: (f64, f64) = (12.0, 48.0);
/// Least height at which single wheels show as bricks, in px.
const BRICK_PX: f64 = 5.0;
/// The highest bin of the baseline takes this share of the height that the lot's takes.
const BASELINE_SHARE: f64 = 0.4;

/// A range that holds all values, with some room, and is never empty.
fn roomy(values: impl Iterator<Item = f64>, least: f64) -> (f64, f64) {
    let (low, high) = range(values).unwrap_or((0.0, 0.0));
    let spare = (0.08 * (high - low))
        .max(0.5 * (least - (high - low)).max(0.0))
        .max(1e-9);
    (low - spare, high + spare)
}

fn frame<'a>(title: &'a str, subject: &'a str, description: String) -> Frame<'a> {
    Frame {
        title,
        subject,
        description,
        height_px: CHART_PX,
    }
}

fn plot(x: (f64, f64), y: (f64, f64)) -> Plot {
    Plot {
        left: MARGIN_PX + 62.0,
        right: f64::from(WIDTH_PX) - MARGIN_PX - 70.0,
        top: TOP_PX + 34.0,
        bottom: CHART_PX - FOOT_PX - 58.0,
        x,
        y,
    }
}

/// The key of the shapes.
fn key(canvas: &Canvas<'_>) -> Drawn {
    let words = pen(11.5, style::GREY);
    let mut x = MARGIN_PX;
    let shapes = [
        (Reading::ClearRing, "good"),
        (Reading::DullThud, "bad"),
        (Reading::Unclear, "unclear"),
    ];
    for (shape, name) in shapes {
        canvas.reading((x + 6.0, TOP_PX + 8.0), 5.0, Some(shape))?;
        canvas.text((x + 17.0, TOP_PX + 8.0), name, words)?;
        x += 17.0 + canvas.width(name, words) + 20.0;
    }
    Ok(())
}

/// Points one after the other with centre and limits: an individuals chart.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn control_chart(input: &ControlChart<'_>) -> Result<String, PictureError> {
    let left_out = input.points.len().saturating_sub(MOST_POINTS);
    let points = &input.points[left_out..];
    let drawable = |v: &f64| style::drawable(*v);
    let all = points.iter().flat_map(|p| {
        let ends = p.interval.map_or([None, None], |i| [Some(i.0), Some(i.1)]);
        [p.value, ends[0], ends[1]]
    });
    let limits = input
        .limits
        .filter(|l| [l.0, l.1, l.2].iter().all(drawable));
    let lines = limits.map_or_else(Vec::new, |l| vec![l.0, l.1, l.2]);
    let y = roomy(all.flatten().chain(lines), 0.5);
    let last = points.len().max(1) as f64 - 0.5;
    let plot = plot((-0.5, last), y);
    let outside = points.iter().filter(|p| is_outside(p, limits)).count();
    let description = format!(
        "{} of {} points, {outside} outside the limits.{}",
        points.iter().filter(|p| p.value.is_some()).count(),
        input.points.len(),
        limits.map_or(String::new(), |(low, centre, high)| format!(
            " Centre {}, limits {} and {}.",
            style::number(centre, 2),
            style::number(low, 2),
            style::number(high, 2)
        ))
    );
    compose(
        &frame(input.title, input.subject, description),
        "",
        |canvas| {
            key(canvas)?;
            plot.y_axis(canvas, 40.0, 11.5)?;
            let middle = 0.5 * (plot.top + plot.bottom);
            let name = pen(12.0, style::INK).centre().upright();
            canvas.text((plot.left - 48.0, middle), input.figure, name)?;
            if points.iter().all(|p| p.value.is_none()) {
                return plot.empty(canvas, "no wheel has this figure");
            }
            if let Some((low, centre, high)) = limits {
                let words = pen(11.5, style::GREY);
                for (value, name) in [(low, "limit"), (centre, "centre"), (high, "limit")] {
                    let at = plot.y_px(value);
                    let (from, to) = ((plot.left, at), (plot.right, at));
                    if name == "centre" {
                        canvas.line(&[from, to], style::STONE, 1.4)?;
                    } else {
                        canvas.dashes(from, to, style::INK, 1.4)?;
                    }
                    canvas.text((plot.right + 6.0, at), name, words)?;
                }
            }
            points_and_names(canvas, &plot, points, limits)?;
            let order = pen(12.0, style::INK).right();
            canvas.text((plot.right, plot.bottom + 34.0), input.order, order)
        },
    )
}

fn is_outside(point: &ChartPoint, limits: Option<(f64, f64, f64)>) -> bool {
    point
        .value
        .zip(limits)
        .is_some_and(|(v, l)| v < l.0 || v > l.2)
}

fn points_and_names(
    canvas: &Canvas<'_>,
    plot: &Plot,
    points: &[ChartPoint],
    limits: Option<(f64, f64, f64)>,
) -> Drawn {
    let at = |k: usize, v: f64| (plot.x_px(k as f64), plot.y_px(v));
    let curve: Vec<(f64, f64)> = points
        .iter()
        .enumerate()
        .filter_map(|(k, p)| Some(at(k, p.value?)))
        .collect();
    canvas.line(&curve, style::HAIR, 1.6)?;
    let small = points.len() > 60;
    for (k, point) in points.iter().enumerate() {
        let Some(value) = point.value else { continue };
        if let Some((low, high)) = point.interval {
            canvas.line(&[at(k, low), at(k, high)], style::STONE, 1.4)?;
        }
        let centre = at(k, value);
        canvas.reading(centre, if small { 4.0 } else { 6.5 }, Some(point.reading))?;
        if is_outside(point, limits) {
            let words = pen(11.5, style::INK).bold().centre();
            let up = if value > limits.map_or(0.0, |l| l.1) {
                -14.0
            } else {
                14.0
            };
            canvas.text((centre.0, centre.1 + up), &point.name, words)?;
        }
    }
    let words = pen(11.0, style::GREY).centre();
    // As many names as stand beside each other whole; one that is wider than its place is cut.
    let widest = points
        .iter()
        .map(|p| canvas.width(&p.name, words))
        .fold(24.0, f64::max)
        .min(90.0);
    let place = (plot.right - plot.left) / points.len().max(1) as f64;
    let every = ((widest + 10.0) / place).ceil().max(1.0) as usize;
    for (k, point) in points.iter().enumerate().step_by(every) {
        let name = canvas.fit(&point.name, words, widest.max(place - 6.0));
        canvas.text((plot.x_px(k as f64), plot.bottom + 14.0), &name, words)?;
    }
    Ok(())
}

/// Width of the bins: a round value near that of Freedman and Diaconis (1981), 2 IQR / n^(1/3),
/// so that a lone odd wheel does not make the crowd one bar.
fn bin_width(values: &[f64], span: f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let quartile = |share: f64| {
        let at = (share * sorted.len().saturating_sub(1) as f64).round() as usize;
        sorted.get(at).copied().unwrap_or(0.0)
    };
    let wanted = 2.0 * (quartile(0.75) - quartile(0.25)) / (sorted.len().max(1) as f64).cbrt();
    let count = if wanted > 0.0 { span / wanted } else { BINS.0 };
    nice_step(span, count.clamp(BINS.0, BINS.1))
}

/// The lot's wheels piled up above the axis, those of the baseline as an outline below it.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn lot_distribution(input: &LotDistribution<'_>) -> Result<String, PictureError> {
    let values = input
        .lot
        .iter()
        .map(|l| l.0)
        .chain(input.baseline.iter().copied());
    let x = roomy(values.clone(), 1.0);
    let step = bin_width(&values.collect::<Vec<f64>>(), x.1 - x.0);
    let from = (x.0 / step).floor() * step;
    let bins = (((x.1 - from) / step).ceil() as usize).clamp(1, 200);
    let bin = |v: f64| (((v - from) / step).floor().max(0.0) as usize).min(bins - 1);
    let mut lot: Vec<Vec<Reading>> = vec![Vec::new(); bins];
    for (value, reading) in input.lot.iter().filter(|l| style::drawable(l.0)) {
        lot[bin(*value)].push(*reading);
    }
    let mut baseline = vec![0_usize; bins];
    for value in input.baseline.iter().filter(|v| style::drawable(**v)) {
        baseline[bin(*value)] += 1;
    }
    let above = lot.iter().map(Vec::len).max().unwrap_or(0).max(1) as f64;
    let most = baseline.iter().copied().max().unwrap_or(0);
    let below = if most > 0 {
        BASELINE_SHARE * above
    } else {
        0.0
    };
    let plot = plot(
        (from, from + step * bins as f64),
        (-1.15 * below, 1.1 * above),
    );
    let description = format!(
        "{} wheels of the lot above the axis, {} of the baseline below it.",
        input.lot.len(),
        input.baseline.len()
    );
    let title = if input.baseline.is_empty() {
        "Tones of the lot"
    } else {
        "Lot beside its specification"
    };
    compose(&frame(title, input.subject, description), "", |canvas| {
        key(canvas)?;
        let zero = plot.y_px(0.0);
        for (k, readings) in lot.iter().enumerate() {
            let (left, right) = (
                plot.x_px(from + step * k as f64) + 1.5,
                plot.x_px(from + step * (k + 1) as f64) - 1.5,
            );
            let mut sorted = readings.clone();
            sorted.sort_by_key(|r| *r as u8);
            // Bricks where single wheels can be told, else one block a kind.
            let single = plot.y_px(0.0) - plot.y_px(1.0) >= BRICK_PX;
            let gap = if single { 0.1 } else { 0.0 };
            let mut below_it = 0;
            for same in sorted.chunk_by(|a, b| a == b && !single) {
                let over_it = below_it + same.len();
                let (bottom, top) = (plot.y_px(below_it as f64), plot.y_px(over_it as f64 - gap));
                let colour = style::reading_colour(same.first().copied());
                canvas.block((left, top), (right, bottom), colour)?;
                below_it = over_it;
            }
            // Colour carries no meaning alone: what is not good is counted above its bar.
            let signs: Vec<String> = [(Reading::DullThud, "✕"), (Reading::Unclear, "?")]
                .into_iter()
                .filter_map(
                    |(which, sign)| match sorted.iter().filter(|r| **r == which).count() {
                        0 => None,
                        1 => Some(sign.to_owned()),
                        many => Some(format!("{many}{sign}")),
                    },
                )
                .collect();
            let words = pen(11.0, style::INK).bold().centre();
            let over = plot.y_px(sorted.len() as f64) - 9.0;
            canvas.text((0.5 * (left + right), over), &signs.join(" "), words)?;
            if baseline[k] > 0 {
                let bottom = plot.y_px(-below * baseline[k] as f64 / most.max(1) as f64);
                canvas.frame((left, zero), (right, bottom), style::INK, 1.3)?;
            }
        }
        canvas.line(&[(plot.left, zero), (plot.right, zero)], style::GREY, 1.0)?;
        plot.x_axis(canvas, 90.0, 11.5)?;
        let words = pen(12.0, style::INK);
        for (value, label) in ticks((0.0, 1.1 * above), 5.0) {
            let at = plot.y_px(value);
            if value.fract().abs() < 1e-9 {
                canvas.line(&[(plot.left - 4.0, at), (plot.left, at)], style::GREY, 1.0)?;
                canvas.text(
                    (plot.left - 8.0, at),
                    &label,
                    pen(11.5, style::GREY).right(),
                )?;
            }
        }
        let middle = 0.5 * (plot.y_px(above) + zero);
        let upright = words.centre().upright();
        canvas.text((plot.left - 48.0, middle), "wheels", upright)?;
        canvas.text((plot.right + 6.0, zero - 12.0), "lot", words)?;
        if most > 0 {
            let small = pen(11.0, style::INK);
            canvas.text((plot.right + 6.0, zero + 12.0), "baseline", small)?;
            let number = format!("{} wheels", input.baseline.len());
            canvas.text((plot.right + 6.0, zero + 26.0), &number, small)?;
        }
        canvas.text(
            (plot.right, plot.bottom + 34.0),
            input.figure,
            words.right(),
        )
    })
}

/// Tone against mass: wheels of one making lie along a line.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn tone_and_mass(input: &ToneAndMass<'_>) -> Result<String, PictureError> {
    let x = roomy(input.wheels.iter().map(|w| w.0), 0.02);
    let y = roomy(input.wheels.iter().map(|w| w.1), 0.5);
    let plot = plot(x, y);
    let description = format!("{} wheels by mass and tone.", input.wheels.len());
    compose(
        &frame("Tone against mass", input.subject, description),
        "",
        |canvas| {
            key(canvas)?;
            plot.y_axis(canvas, 40.0, 11.5)?;
            plot.x_axis(canvas, 90.0, 11.5)?;
            plot.names(canvas, "mass in kg", "tones, percent")?;
            if input.wheels.is_empty() {
                return plot.empty(canvas, "no wheel of the lot was weighed");
            }
            for (mass_kg, tone, reading) in input.wheels {
                canvas.reading((plot.x_px(*mass_kg), plot.y_px(*tone)), 6.0, Some(*reading))?;
            }
            Ok(())
        },
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn whatever_comes_in_a_whole_picture_comes_out() {
        let point = |value| ChartPoint {
            name: "<b>W&1</b>".to_owned(),
            value,
            interval: value.map(|v| (v - 1.0, v + 1.0)),
            reading: Reading::DullThud,
        };
        let many: Vec<ChartPoint> = (0..500).map(|k| point(Some(f64::from(k % 7)))).collect();
        for points in [&[][..], &[point(None), point(Some(f64::NAN))], &many] {
            let chart = control_chart(&ControlChart {
                title: "Wheels",
                subject: "lot",
                figure: "percent",
                points,
                order: "as they came",
                limits: Some((0.0, 3.0, 5.0)),
            });
            let svg = chart.unwrap();
            assert!(svg.contains("</svg>") && !svg.contains("<b>") && !svg.contains("NaN"));
        }
        let lot = [(1.0, Reading::ClearRing), (f64::INFINITY, Reading::Unclear)];
        for (lot, baseline) in [(&lot[..], &[1.0, f64::NAN][..]), (&[], &[])] {
            let svg = lot_distribution(&LotDistribution {
                subject: "lot",
                figure: "percent",
                lot,
                baseline,
            });
            assert!(svg.unwrap().contains("</svg>"));
        }
        for wheels in [&[(1.2, 0.5, Reading::Unclear)][..], &[]] {
            let svg = tone_and_mass(&ToneAndMass {
                subject: "lot",
                wheels,
            });
            assert!(svg.unwrap().contains("</svg>"));
        }
    }
}
