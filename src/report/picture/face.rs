//! The wheel's face: where the taps fell and what each one rang.

use crate::reading::Reading;
use crate::report::picture::axes::{nice_step, range};
use crate::report::picture::canvas::{
    Canvas, Drawn, FOOT_PX, Frame, MARGIN_PX, TOP_PX, compose, pen,
};
use crate::report::picture::{PictureError, WIDTH_PX, style};

/// What the picture of a wheel's face shows.
#[derive(Debug, Clone, Copy)]
pub struct Face<'a> {
    /// Which wheel and sounding, for the line under the title.
    pub subject: &'a str,
    /// Diameter of the arbor hole as a share of the wheel's, for the drawing only; none
    /// when unknown.
    pub hole_share: Option<f64>,
    /// The taps in the order they were struck.
    pub taps: &'a [FaceTap],
}

/// A tap on the wheel's face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaceTap {
    /// Number of the tap, counted from 1.
    pub number: usize,
    /// Angle of the spot from the wheel's mark in degrees, clockwise; none when unknown.
    pub spot_deg: Option<f64>,
    /// The reading; none for a tap that was not read.
    pub reading: Option<Reading>,
    /// Decay time T60 in seconds, none when nothing rang or it could not be told.
    pub ring_time_s: Option<f64>,
}

const LEAST_HEIGHT_PX: f64 = 560.0;
const CENTRE_X_PX: f64 = 262.0;
const RIM_PX: f64 = 150.0;
const TRACK_PX: f64 = 13.0;
const MOST_TRACKS: usize = 4;
const TRAIL_PX: f64 = 9.0;
const ROW_PX: f64 = 27.0;
/// Rows of the table beside the wheel; more taps make the picture taller.
const TABLE_X_PX: f64 = 530.0;
const MOST_TAPS: usize = 64;
/// Beneath the table.
const HOW_TO_READ: [&str; 3] = [
    "Spots are angles from the mark, clockwise.",
    "A spoke is where a tap fell, its shape what it reads as.",
    "Along the rim: the longer the trail, the longer the ring.",
];
/// The longest trail goes this far round at most.
const LONGEST_DEG: f64 = 150.0;
/// Least ring time in seconds that 30 degrees of trail stand for, so that a dead wheel does not
/// look like one that rings.
const LEAST_SCALE_S: f64 = 0.1;

/// The wheel's face as a disc with a spoke at each tap spot, the reading's shape at its end,
/// and along the rim a trail that is the longer the longer the tap rang. A table names spot,
/// reading and ring time of each tap, those without a known spot too.
///
/// Angles run clockwise from the wheel's own mark at the top. At most 64 taps are drawn.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn face_picture(input: &Face<'_>) -> Result<String, PictureError> {
    let taps = &input.taps[..input.taps.len().min(MOST_TAPS)];
    let table_px = (taps.len() as f64 + 1.0) * ROW_PX + 90.0;
    let height_px = f64::max(LEAST_HEIGHT_PX, TOP_PX + table_px + FOOT_PX + 10.0);
    let wheel = Wheel::of(taps);
    let frame = Frame {
        title: "The wheel's face and its taps",
        subject: input.subject,
        description: describe(taps),
        height_px,
    };
    compose(&frame, "", |canvas| {
        wheel.disc(canvas, input.hole_share)?;
        wheel.spots(canvas)?;
        wheel.scale(canvas)?;
        table(canvas, taps)?;
        if input.taps.len() > MOST_TAPS {
            let note = format!("the first {MOST_TAPS} of {} taps", input.taps.len());
            let at = (f64::from(WIDTH_PX) - MARGIN_PX, 27.0);
            canvas.text(at, &note, pen(11.5, style::GREY).right())?;
        }
        Ok(())
    })
}

fn describe(taps: &[FaceTap]) -> String {
    let mut words = format!("A disc with {} taps.", taps.len());
    for tap in taps {
        words.push_str(&format!(
            " Tap {} at {}: {}, {}.",
            tap.number,
            spot_words(tap),
            style::reading_words(tap.reading),
            time_words(tap)
        ));
    }
    words
}

fn spot_words(tap: &FaceTap) -> String {
    match tap.spot_deg.filter(|d| style::drawable(*d)) {
        Some(deg) => {
            let deg = deg.rem_euclid(360.0);
            let decimals = usize::from((deg - deg.round()).abs() > 0.05);
            format!("{}°", style::number(deg, decimals))
        }
        None => "not noted".to_owned(),
    }
}

fn time_words(tap: &FaceTap) -> String {
    match tap.ring_time_s.filter(|t| t.is_finite()) {
        Some(time) => style::seconds(time),
        None => "no ring time".to_owned(),
    }
}

/// A tap with a known spot, laid out.
struct Spot {
    tap: FaceTap,
    angle_deg: f64,
    /// How many taps on the same spot came before.
    before: usize,
    track: usize,
    trail_deg: f64,
}

/// The wheel laid out in px.
struct Wheel {
    centre: (f64, f64),
    spots: Vec<Spot>,
    /// Degrees of trail per second of ring time.
    deg_per_s: f64,
    any: bool,
}

impl Wheel {
    fn of(taps: &[FaceTap]) -> Self {
        let times = taps.iter().filter_map(|t| t.ring_time_s);
        let longest = range(times.filter(|t| *t > 0.0)).map_or(0.0, |r| r.1);
        // A round number of degrees per second, so that the scale can be read off.
        let deg_per_s = if longest > 0.0 {
            let least_s = longest / LONGEST_DEG * 30.0;
            30.0 / nice_step(least_s, 1.0).max(LEAST_SCALE_S)
        } else {
            0.0
        };
        let mut spots: Vec<Spot> = Vec::new();
        for tap in taps {
            let Some(deg) = tap.spot_deg.filter(|d| style::drawable(*d)) else {
                continue;
            };
            let angle_deg = deg.rem_euclid(360.0);
            let before = spots
                .iter()
                .filter(|s| turn_between(s.angle_deg, angle_deg) < 6.0)
                .count();
            let time = tap.ring_time_s.filter(|t| style::drawable(*t) && *t > 0.0);
            spots.push(Spot {
                tap: *tap,
                angle_deg,
                before,
                track: 0,
                trail_deg: (time.unwrap_or(0.0) * deg_per_s).min(355.0),
            });
        }
        let spans: Vec<(f64, f64)> = spots
            .iter()
            .map(|s| (s.angle_deg, s.angle_deg + s.trail_deg))
            .collect();
        for (spot, track) in spots.iter_mut().zip(tracks(&spans)) {
            spot.track = track;
        }
        Self {
            centre: (
                CENTRE_X_PX,
                TOP_PX + 30.0 + RIM_PX + TRACK_PX * MOST_TRACKS as f64,
            ),
            spots,
            deg_per_s,
            any: !taps.is_empty(),
        }
    }

    /// The point at a distance from the centre and an angle clockwise from the top.
    fn at(&self, radius_px: f64, angle_deg: f64) -> (f64, f64) {
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        (
            self.centre.0 + radius_px * sin,
            self.centre.1 - radius_px * cos,
        )
    }

    fn disc(&self, canvas: &Canvas<'_>, hole_share: Option<f64>) -> Drawn {
        canvas.disc(self.centre, RIM_PX, style::WASH)?;
        canvas.circle(self.centre, RIM_PX, style::INK, 2.0)?;
        for spot in &self.spots {
            let colour = style::reading_colour(spot.tap.reading);
            let spoke = [self.at(0.0, 0.0), self.at(RIM_PX, spot.angle_deg)];
            canvas.line(&spoke, colour, 1.6)?;
        }
        let share = hole_share.filter(|s| s.is_finite() && *s > 0.0 && *s < 1.0);
        let hole = RIM_PX * share.unwrap_or(0.16).clamp(0.05, 0.6);
        canvas.disc(self.centre, hole, style::PAPER)?;
        canvas.circle(self.centre, hole, style::INK, 1.4)?;
        if hole > 22.0 {
            let words = pen(11.0, style::GREY).centre();
            canvas.text(self.centre, "arbor", words)?;
        }
        self.mark(canvas)
    }

    /// The wheel's own mark: a wedge on the face at the top, named outside all trails.
    fn mark(&self, canvas: &Canvas<'_>) -> Drawn {
        let tip = self.at(RIM_PX - 2.0, 0.0);
        let wedge = [
            tip,
            (tip.0 - 6.0, tip.1 + 12.0),
            (tip.0 + 6.0, tip.1 + 12.0),
        ];
        canvas.fill(&wedge, style::INK)?;
        let used = self.spots.iter().map(|s| s.track + 1).max().unwrap_or(0);
        let top = self.at(RIM_PX + TRACK_PX * used as f64 + 17.0, 0.0);
        let words = pen(11.5, style::INK).centre();
        canvas.text(top, "mark on the wheel: 0°", words)
    }

    fn spots(&self, canvas: &Canvas<'_>) -> Drawn {
        for spot in &self.spots {
            self.trail(canvas, spot)?;
        }
        for spot in &self.spots {
            let inward = 34.0 + 30.0 * spot.before.min(3) as f64;
            let at = self.at(RIM_PX - inward, spot.angle_deg);
            canvas.disc(at, 13.5, style::WASH)?;
            canvas.reading(at, 8.0, spot.tap.reading)?;
            // The number stands beside the shape, off the spoke.
            let aside = self.at(RIM_PX - inward, spot.angle_deg);
            let (sin, cos) = spot.angle_deg.to_radians().sin_cos();
            let number = (aside.0 + 17.0 * cos, aside.1 + 17.0 * sin);
            let words = pen(13.0, style::INK).bold().centre();
            canvas.text(number, &spot.tap.number.to_string(), words)?;
        }
        if self.spots.is_empty() {
            let below = (self.centre.0, self.centre.1 + 0.55 * RIM_PX);
            let words = if self.any {
                "no tap spot was noted"
            } else {
                "no taps"
            };
            canvas.text(below, words, pen(13.0, style::GREY).centre())?;
        }
        Ok(())
    }

    /// A trail that thins out clockwise, as the ring dies; a short bar where none rang.
    fn trail(&self, canvas: &Canvas<'_>, spot: &Spot) -> Drawn {
        let colour = style::reading_colour(spot.tap.reading);
        let base = RIM_PX + 5.0 + TRACK_PX * spot.track as f64;
        let foot = [
            self.at(RIM_PX - 6.0, spot.angle_deg),
            self.at(base + TRAIL_PX, spot.angle_deg),
        ];
        canvas.line(&foot, colour, 3.0)?;
        if spot.trail_deg <= 0.0 {
            return Ok(());
        }
        let steps = (spot.trail_deg / 2.0).ceil().max(2.0) as usize;
        let mut outer = Vec::new();
        let mut inner = Vec::new();
        for i in 0..=steps {
            let part = i as f64 / steps as f64;
            let angle = spot.angle_deg + part * spot.trail_deg;
            let thick = TRAIL_PX * (1.0 - part).max(0.16);
            outer.push(self.at(base + thick, angle));
            inner.push(self.at(base, angle));
        }
        outer.extend(inner.into_iter().rev());
        canvas.fill(&outer, colour)
    }

    /// What length of trail is what ring time.
    fn scale(&self, canvas: &Canvas<'_>) -> Drawn {
        let bottom = self.centre.1 + RIM_PX + TRACK_PX * MOST_TRACKS as f64 + 15.0;
        if self.deg_per_s <= 0.0 || self.spots.is_empty() {
            return Ok(());
        }
        let words = format!(
            "the trail along the rim is the ring time: 30° = {}",
            style::seconds(30.0 / self.deg_per_s)
        );
        canvas.text(
            (self.centre.0, bottom),
            &words,
            pen(11.5, style::GREY).centre(),
        )
    }
}

fn turn_between(a_deg: f64, b_deg: f64) -> f64 {
    let turn = (a_deg - b_deg).rem_euclid(360.0);
    turn.min(360.0 - turn)
}

/// A track for each trail so that trails on one track do not meet, as far as tracks reach;
/// those left over share the outermost.
fn tracks(spans: &[(f64, f64)]) -> Vec<usize> {
    const GAP_DEG: f64 = 3.0;
    let meets = |a: (f64, f64), b: (f64, f64)| {
        // Spans may run past 360 degrees: compare with the other one turned round too.
        [-360.0, 0.0, 360.0]
            .into_iter()
            .any(|turn| a.0 < b.1 + turn + GAP_DEG && b.0 + turn < a.1 + GAP_DEG)
    };
    let mut placed: Vec<(usize, (f64, f64))> = Vec::new();
    for span in spans {
        let free = (0..MOST_TRACKS).find(|track| {
            placed
                .iter()
                .all(|(other, taken)| other != track || !meets(*span, *taken))
        });
        placed.push((free.unwrap_or(MOST_TRACKS - 1), *span));
    }
    placed.into_iter().map(|(track, _)| track).collect()
}

fn table(canvas: &Canvas<'_>, taps: &[FaceTap]) -> Drawn {
    let right = f64::from(WIDTH_PX) - MARGIN_PX;
    let (number_x, spot_x, shape_x, time_x) = (
        TABLE_X_PX + 20.0,
        TABLE_X_PX + 100.0,
        TABLE_X_PX + 132.0,
        right,
    );
    let head = pen(11.5, style::GREY);
    let mut y = TOP_PX + 24.0;
    canvas.text((number_x, y), "tap", head.right())?;
    canvas.text((spot_x, y), "spot", head.right())?;
    canvas.text((shape_x - 8.0, y), "reading", head)?;
    canvas.text((time_x, y), "ring time", head.right())?;
    let rule = |y: f64, colour| canvas.line(&[(TABLE_X_PX, y), (right, y)], colour, 1.0);
    rule(y + 12.0, style::GREY)?;
    for tap in taps {
        y += ROW_PX;
        let plain = pen(13.0, style::INK);
        canvas.text((number_x, y), &tap.number.to_string(), plain.bold().right())?;
        canvas.text((spot_x, y), &spot_words(tap), plain.right())?;
        canvas.reading((shape_x, y), 6.5, tap.reading)?;
        let words = style::reading_words(tap.reading);
        canvas.text((shape_x + 15.0, y), words, plain.bold())?;
        let time = tap.ring_time_s.filter(|t| t.is_finite());
        let time = time.map_or("–".to_owned(), style::seconds);
        canvas.text((time_x, y), &time, plain.right())?;
        rule(y + 0.5 * ROW_PX, style::HAIR)?;
    }
    for (i, line) in HOW_TO_READ.iter().enumerate() {
        let at = (TABLE_X_PX, y + 38.0 + 17.0 * i as f64);
        canvas.text(at, line, pen(11.5, style::GREY))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trails_that_meet_get_tracks_of_their_own() {
        // The last one runs past the mark into the first.
        let spans = [(0.0, 80.0), (90.0, 170.0), (160.0, 200.0), (300.0, 370.0)];
        assert_eq!(tracks(&spans), [0, 0, 1, 1]);
        assert_eq!(tracks(&[(0.0, 10.0); 6]), [0, 1, 2, 3, 3, 3]);
    }

    #[test]
    fn the_scale_of_trails_is_round_and_the_longest_fits_and_the_dead_stay_short() {
        for (time, least) in [
            (0.004, 1.0),
            (0.05, 14.0),
            (0.31, 50.0),
            (0.97, 50.0),
            (2.5, 50.0),
            (11.0, 50.0),
        ] {
            let tap = FaceTap {
                number: 1,
                spot_deg: Some(0.0),
                reading: Some(Reading::ClearRing),
                ring_time_s: Some(time),
            };
            let wheel = Wheel::of(&[tap]);
            let trail = wheel.spots[0].trail_deg;
            assert!(
                (least..=150.01).contains(&trail),
                "{time} s: {trail} degrees"
            );
            assert!(time > 0.1 || trail <= 30.01, "{time} s: {trail} degrees");
        }
    }

    #[test]
    fn the_angle_between_spots_goes_the_short_way() {
        assert_eq!(turn_between(350.0, 10.0), 20.0);
        assert_eq!(turn_between(90.0, 270.0), 180.0);
    }
}
