//! The sheet that pictures are drawn on: px as the unit, title, footer, shapes of readings.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::reading::Reading;
use crate::report::picture::{PictureError, WIDTH_PX, style};

/// Drawing units per px. The library draws on whole numbers; a quarter of a px keeps
/// curves smooth in print.
pub const UNIT: f64 = 4.0;
/// The library divides a font's size by this when it writes SVG.
const FONT_RATIO: f64 = 1.24;
/// Space left and right in px.
pub const MARGIN_PX: f64 = 24.0;
/// Where drawing may start below title and subject, in px.
pub const TOP_PX: f64 = 68.0;
/// Height of the footer in px.
pub const FOOT_PX: f64 = 34.0;

/// Nothing, or why the drawing failed.
pub type Drawn = Result<(), PictureError>;

/// What every picture says about itself.
pub struct Frame<'a> {
    /// What the picture is.
    pub title: &'a str,
    /// Of what: wheel, tap, day.
    pub subject: &'a str,
    /// For screen readers: what it shows in sentences.
    pub description: String,
    /// Height in px.
    pub height_px: f64,
}

/// How a text is set.
#[derive(Clone, Copy)]
pub struct Pen {
    size_px: f64,
    colour: RGBColor,
    bold: bool,
    h: HPos,
    upright: bool,
}

/// A pen of a size and colour, left-aligned, centred on its height.
pub fn pen(size_px: f64, colour: RGBColor) -> Pen {
    Pen {
        size_px,
        colour,
        bold: false,
        h: HPos::Left,
        upright: false,
    }
}

impl Pen {
    /// The same in bold.
    pub fn bold(mut self) -> Self {
        self.bold = true;
        self
    }

    /// The same, ending at its point.
    pub fn right(mut self) -> Self {
        self.h = HPos::Right;
        self
    }

    /// The same, centred on its point.
    pub fn centre(mut self) -> Self {
        self.h = HPos::Center;
        self
    }

    /// The same, reading upwards.
    pub fn upright(mut self) -> Self {
        self.upright = true;
        self
    }

    fn style(self) -> TextStyle<'static> {
        let face = if self.bold {
            FontStyle::Bold
        } else {
            FontStyle::Normal
        };
        let mut font = FontDesc::new(
            FontFamily::Name(style::FAMILY),
            self.size_px * FONT_RATIO * UNIT,
            face,
        );
        if self.upright {
            font = font.transform(FontTransform::Rotate270);
        }
        TextStyle {
            font,
            color: self.colour.to_backend_color(),
            pos: Pos::new(self.h, VPos::Center),
        }
    }
}

/// A sheet to draw on, in px from the top left.
pub struct Canvas<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
}

fn point((x, y): (f64, f64)) -> (i32, i32) {
    // `as` saturates, and turns NaN into 0.
    ((x * UNIT).round() as i32, (y * UNIT).round() as i32)
}

fn stroke(colour: RGBColor, width_px: f64) -> ShapeStyle {
    colour.stroke_width((width_px * UNIT).round().max(1.0) as u32)
}

impl<'a> Canvas<'a> {
    fn put<E>(&self, element: &E) -> Drawn
    where
        for<'b> &'b E: plotters::element::PointCollection<'b, (i32, i32)>,
        E: plotters::element::Drawable<SVGBackend<'a>>,
    {
        self.area
            .draw(element)
            .map_err(|e| PictureError::Draw(e.to_string()))
    }

    /// Sets a line of text; nothing for an empty one.
    pub fn text(&self, at: (f64, f64), text: &str, pen: Pen) -> Drawn {
        let text = style::clean(text);
        if text.trim().is_empty() {
            return Ok(());
        }
        self.area
            .draw(&Text::new(text, point(at), pen.style()))
            .map_err(|e| PictureError::Draw(e.to_string()))
    }

    /// Width of a text in px, measured with the built-in font (a little on the wide side).
    pub fn width(&self, text: &str, pen: Pen) -> f64 {
        let level = Pen {
            upright: false,
            ..pen
        };
        self.area
            .estimate_text_size(&style::clean(text), &level.style())
            .map_or(0.0, |(w, _)| f64::from(w) / UNIT)
    }

    /// Shortens a text with an ellipsis until it fits.
    pub fn fit(&self, text: &str, pen: Pen, most_px: f64) -> String {
        if self.width(text, pen) <= most_px {
            return text.to_owned();
        }
        // No useful text has more characters than px to stand on.
        let mut kept: Vec<char> = text.chars().take(WIDTH_PX as usize).collect();
        while !kept.is_empty() {
            kept.pop();
            let short: String = kept.iter().chain(['…'].iter()).collect();
            if self.width(&short, pen) <= most_px {
                return short;
            }
        }
        String::new()
    }

    /// A line through points.
    pub fn line(&self, points: &[(f64, f64)], colour: RGBColor, width_px: f64) -> Drawn {
        if points.len() < 2 {
            return Ok(());
        }
        let points: Vec<_> = points.iter().copied().map(point).collect();
        self.put(&PathElement::new(points, stroke(colour, width_px)))
    }

    /// A dashed line between two points.
    pub fn dashes(
        &self,
        from: (f64, f64),
        to: (f64, f64),
        colour: RGBColor,
        width_px: f64,
    ) -> Drawn {
        const DASH_PX: f64 = 4.0;
        let length = (to.0 - from.0).hypot(to.1 - from.1);
        if !(length.is_finite() && length > 0.0) {
            return Ok(());
        }
        let along = |s: f64| {
            let part = (s / length).min(1.0);
            (
                from.0 + part * (to.0 - from.0),
                from.1 + part * (to.1 - from.1),
            )
        };
        let dashes = (length / (2.0 * DASH_PX)).ceil().min(1000.0) as usize;
        for i in 0..dashes {
            let start = i as f64 * 2.0 * DASH_PX;
            self.line(&[along(start), along(start + DASH_PX)], colour, width_px)?;
        }
        Ok(())
    }

    /// A filled shape.
    pub fn fill(&self, points: &[(f64, f64)], colour: RGBColor) -> Drawn {
        if points.len() < 3 {
            return Ok(());
        }
        let points: Vec<_> = points.iter().copied().map(point).collect();
        self.put(&Polygon::new(points, colour.filled()))
    }

    /// A filled rectangle.
    pub fn block(&self, from: (f64, f64), to: (f64, f64), colour: RGBColor) -> Drawn {
        self.put(&Rectangle::new([point(from), point(to)], colour.filled()))
    }

    /// The outline of a rectangle, drawn as a line: the library gives outlines of its own
    /// rectangles no width.
    pub fn frame(&self, from: (f64, f64), to: (f64, f64), colour: RGBColor, w: f64) -> Drawn {
        let corners = [from, (to.0, from.1), to, (from.0, to.1), from];
        self.line(&corners, colour, w)
    }

    /// A disc.
    pub fn disc(&self, centre: (f64, f64), radius_px: f64, colour: RGBColor) -> Drawn {
        let r = (radius_px * UNIT).round() as i32;
        self.put(&Circle::new(point(centre), r, colour.filled()))
    }

    /// A circle.
    pub fn circle(&self, centre: (f64, f64), radius_px: f64, colour: RGBColor, w: f64) -> Drawn {
        let r = (radius_px * UNIT).round() as i32;
        self.put(&Circle::new(point(centre), r, stroke(colour, w)))
    }

    /// The shape of a reading: a ring for a clear ring, a crossed block for a dull thud, a
    /// rhombus with a question mark for unclear, a small circle for what was not read.
    pub fn reading(&self, at: (f64, f64), r: f64, reading: Option<Reading>) -> Drawn {
        let colour = style::reading_colour(reading);
        let (x, y) = at;
        match reading {
            Some(Reading::ClearRing) => {
                self.disc(at, r, colour)?;
                self.disc(at, 0.5 * r, style::PAPER)
            }
            Some(Reading::DullThud) => {
                let (s, c) = (0.92 * r, 0.45 * r);
                self.block((x - s, y - s), (x + s, y + s), colour)?;
                let w = (0.22 * r).max(1.2);
                self.line(&[(x - c, y - c), (x + c, y + c)], style::PAPER, w)?;
                self.line(&[(x - c, y + c), (x + c, y - c)], style::PAPER, w)
            }
            Some(Reading::Unclear) => {
                let s = 1.2 * r;
                let shape = [(x, y - s), (x + s, y), (x, y + s), (x - s, y), (x, y - s)];
                self.fill(&shape, style::PAPER)?;
                self.line(&shape, colour, (0.2 * r).max(1.2))?;
                self.text(at, "?", pen(1.5 * r, style::INK).bold().centre())
            }
            None => {
                self.disc(at, 0.7 * r, style::PAPER)?;
                self.circle(at, 0.7 * r, colour, 1.4)
            }
        }
    }

    /// A row that names the shapes of readings, from a point to the right.
    pub fn legend(&self, at: (f64, f64)) -> Drawn {
        let words = pen(11.5, style::GREY);
        let mut x = at.0;
        for reading in [Reading::ClearRing, Reading::DullThud, Reading::Unclear] {
            self.reading((x + 6.0, at.1), 5.0, Some(reading))?;
            self.text((x + 17.0, at.1), reading.words(), words)?;
            x += 17.0 + self.width(reading.words(), words) + 20.0;
        }
        Ok(())
    }

    fn title_and_foot(&self, frame: &Frame<'_>) -> Drawn {
        let wide = f64::from(WIDTH_PX) - 2.0 * MARGIN_PX;
        self.text((MARGIN_PX, 27.0), frame.title, pen(19.0, style::INK).bold())?;
        let subject = pen(13.0, style::GREY);
        self.text(
            (MARGIN_PX, 50.0),
            &self.fit(frame.subject, subject, wide),
            subject,
        )?;
        let y = frame.height_px - FOOT_PX + 8.0;
        self.line(&[(MARGIN_PX, y), (MARGIN_PX + wide, y)], style::HAIR, 1.0)?;
        self.text((MARGIN_PX, y + 13.0), style::FOOTER, pen(11.0, style::GREY))
    }
}

/// Draws a whole picture: `under` is SVG in drawing units that lies below what `draw` draws.
pub fn compose(
    frame: &Frame<'_>,
    under: &str,
    draw: impl FnOnce(&Canvas<'_>) -> Drawn,
) -> Result<String, PictureError> {
    style::register_fonts()?;
    let (w, h) = (f64::from(WIDTH_PX) * UNIT, frame.height_px * UNIT);
    let mut body = String::new();
    {
        let backend = SVGBackend::with_string(&mut body, (w as u32, h as u32));
        let canvas = Canvas {
            area: backend.into_drawing_area(),
        };
        canvas.title_and_foot(frame)?;
        draw(&canvas)?;
        canvas
            .area
            .present()
            .map_err(|e| PictureError::Draw(e.to_string()))?;
    }
    // The library's own opening tag knows neither our px nor title and description.
    let inner = body.split_once('\n').map_or("", |(_, rest)| rest);
    let inner = inner.trim_end().trim_end_matches("</svg>");
    let title = style::escape(frame.title);
    let about = style::escape(&format!(
        "{} {} {}",
        frame.subject,
        frame.description,
        style::FOOTER
    ));
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH_PX}\" height=\"{:.0}\" \
         viewBox=\"0 0 {w:.0} {h:.0}\" role=\"img\">\n<title>{title}</title>\n<desc>{}</desc>\n\
         <rect width=\"{w:.0}\" height=\"{h:.0}\" fill=\"#FFFFFF\"/>\n{under}{inner}</svg>\n",
        frame.height_px,
        about.trim()
    ))
}
