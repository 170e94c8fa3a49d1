//! A page to write on: text that is measured and wrapped, lines, boxes, the shapes of severity, pictures. Points (1/72 in),
//! origin at the upper left.
//!
//! The letters are Noto Sans from the crate `notosans` (Apache-2.0 by the fonts' own name table), so that no font of the
//! machine is needed and none lies in this repository. What it has no letter for (Chinese, Japanese, Korean, Arabic ...) shows as
//! an empty box.

use crate::advise::document::Severity;
use crate::error::{Error, Fault};
use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::num::NormalizedF32;
use krilla::paint::{Fill, FillRule, Stroke};
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};
use krilla_svg::{SurfaceExt, SvgSettings};
use std::sync::{Arc, OnceLock};

/// A colour, red, green and blue.
pub(super) type Colour = (u8, u8, u8);

pub(super) const INK: Colour = (0, 0, 0);
pub(super) const MUTED: Colour = (0x50, 0x50, 0x50);
pub(super) const LINE: Colour = (0xb4, 0xb4, 0xb4);
pub(super) const GROUND: Colour = (0xf2, 0xf4, 0xf5);

/// Regular or bold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// How text looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Style {
    pub(super) size: f32,
    pub(super) weight: Weight,
    pub(super) colour: Colour,
}

impl Style {
    pub(super) const fn new(size: f32) -> Self {
        Self { size, weight: Weight::Regular, colour: INK }
    }

    pub(super) const fn bold(self) -> Self {
        Self { weight: Weight::Bold, ..self }
    }

    pub(super) const fn muted(self) -> Self {
        Self { colour: MUTED, ..self }
    }

    /// Distance of two lines.
    pub(super) fn leading(self) -> f32 {
        self.size * 1.32
    }
}

/// The letters, read once.
pub(super) struct Letters {
    regular: Face,
    bold: Face,
    svg: usvg::Options<'static>,
}

struct Face {
    font: Font,
    measure: ttf_parser::Face<'static>,
}

impl Face {
    fn new(bytes: &'static [u8]) -> Option<Self> {
        Some(Self { font: Font::new(bytes.to_vec().into(), 0)?, measure: ttf_parser::Face::parse(bytes, 0).ok()? })
    }
}

/// # Errors
/// A fault of ours: the fonts compiled in cannot be read.
pub(super) fn letters() -> Result<&'static Letters, Error> {
    static LETTERS: OnceLock<Option<Letters>> = OnceLock::new();
    let made = LETTERS.get_or_init(|| {
        let mut svg = usvg::Options { font_family: "Noto Sans".into(), ..usvg::Options::default() };
        let fonts = Arc::make_mut(&mut svg.fontdb);
        fonts.load_font_data(notosans::REGULAR_TTF.to_vec());
        fonts.load_font_data(notosans::BOLD_TTF.to_vec());
        fonts.set_sans_serif_family("Noto Sans");
        Some(Letters { regular: Face::new(notosans::REGULAR_TTF)?, bold: Face::new(notosans::BOLD_TTF)?, svg })
    });
    made.as_ref().ok_or_else(|| Error::new(Fault::Internal, "the fonts of the report cannot be read"))
}

impl Letters {
    fn face(&self, weight: Weight) -> &Face {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// Width of a line of text.
    pub(super) fn width(&self, text: &str, style: Style) -> f32 {
        let face = &self.face(style.weight).measure;
        let units: u32 = text
            .chars()
            .map(|c| face.glyph_index(c).unwrap_or_default())
            .map(|glyph| u32::from(face.glyph_hor_advance(glyph).unwrap_or(0)))
            .sum();
        units as f32 * style.size / f32::from(face.units_per_em())
    }

    /// Text in lines no wider than `width`; a word that is wider is cut within.
    pub(super) fn wrap(&self, text: &str, style: Style, width: f32) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        let mut line = String::new();
        for word in text.split_whitespace() {
            let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if self.width(&longer, style) <= width {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            for letter in word.chars() {
                line.push(letter);
                if self.width(&line, style) > width && line.chars().count() > 1 {
                    line.pop();
                    lines.push(std::mem::replace(&mut line, letter.to_string()));
                }
            }
        }
        if !line.is_empty() {
            lines.push(line);
        }
        lines
    }

    /// Text on one line, cut with a sign that it goes on.
    pub(super) fn cut(&self, text: &str, style: Style, width: f32) -> String {
        if self.width(text, style) <= width {
            return text.to_owned();
        }
        let mut short: String = text.to_owned();
        while short.pop().is_some() {
            let shown = format!("{}…", short.trim_end());
            if self.width(&shown, style) <= width {
                return shown;
            }
        }
        String::new()
    }
}

/// A page.
pub(super) struct Canvas<'a, 'p> {
    pub(super) surface: &'a mut Surface<'p>,
    pub(super) letters: &'static Letters,
}

fn fill((red, green, blue): Colour) -> Fill {
    Fill { paint: rgb::Color::new(red, green, blue).into(), opacity: NormalizedF32::ONE, rule: FillRule::NonZero }
}

fn stroke((red, green, blue): Colour, width: f32) -> Stroke {
    Stroke { paint: rgb::Color::new(red, green, blue).into(), width, ..Stroke::default() }
}

impl Canvas<'_, '_> {
    /// Writes a line; `y` is its base line.
    pub(super) fn text(&mut self, x: f32, y: f32, style: Style, text: &str) {
        let font = self.letters.face(style.weight).font.clone();
        self.surface.set_stroke(None);
        self.surface.set_fill(Some(fill(style.colour)));
        self.surface.draw_text(Point::from_xy(x, y), font, style.size, text, false, TextDirection::Auto);
    }

    /// Writes a line that ends at `x`.
    pub(super) fn text_to(&mut self, x: f32, y: f32, style: Style, text: &str) {
        let width = self.letters.width(text, style);
        self.text(x - width, y, style, text);
    }

    /// Writes wrapped text from `top` down, at most `most` lines; gives where the next may begin.
    pub(super) fn paragraph(&mut self, x: f32, top: f32, width: f32, style: Style, text: &str, most: usize) -> f32 {
        let mut lines = self.letters.wrap(text, style, width);
        if lines.len() > most {
            lines.truncate(most);
            if let Some(last) = lines.last_mut() {
                *last = self.letters.cut(&format!("{last} …"), style, width);
            }
        }
        let mut y = top;
        for line in &lines {
            self.text(x, y + style.size, style, line);
            y += style.leading();
        }
        y
    }

    /// A straight line.
    pub(super) fn line(&mut self, from: (f32, f32), to: (f32, f32), colour: Colour, width: f32) {
        let mut path = PathBuilder::new();
        path.move_to(from.0, from.1);
        path.line_to(to.0, to.1);
        self.surface.set_fill(None);
        self.surface.set_stroke(Some(stroke(colour, width)));
        if let Some(path) = path.finish() {
            self.surface.draw_path(&path);
        }
    }

    /// A box: left, top, width, height.
    pub(super) fn rectangle(&mut self, at: (f32, f32, f32, f32), ground: Option<Colour>, edge: Option<(Colour, f32)>) {
        let Some(rect) = Rect::from_xywh(at.0, at.1, at.2, at.3) else { return };
        let mut path = PathBuilder::new();
        path.push_rect(rect);
        self.surface.set_fill(ground.map(fill));
        self.surface.set_stroke(edge.map(|(colour, width)| stroke(colour, width)));
        if let Some(path) = path.finish() {
            self.surface.draw_path(&path);
        }
    }

    /// The shape of a severity, as elsewhere: a diamond, a triangle, a square; a ring when nothing is wrong. `size`: across.
    pub(super) fn shape(&mut self, x: f32, y: f32, size: f32, severity: Option<Severity>, colour: Colour) {
        let half = size / 2.0;
        let corners: &[(f32, f32)] = match severity {
            Some(Severity::Advisory) => &[(0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)],
            Some(Severity::Warning) => &[(0.0, -0.95), (1.0, 0.8), (-1.0, 0.8)],
            Some(Severity::Alarm) => &[(-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)],
            None => &[],
        };
        let mut path = PathBuilder::new();
        for (place, (dx, dy)) in corners.iter().enumerate() {
            let (x, y) = (x + dx * half, y + dy * half);
            if place == 0 { path.move_to(x, y) } else { path.line_to(x, y) }
        }
        if corners.is_empty() {
            // A circle of four Bézier curves.
            let (r, k) = (half * 0.8, half * 0.8 * 0.5523);
            path.move_to(x + r, y);
            path.cubic_to(x + r, y + k, x + k, y + r, x, y + r);
            path.cubic_to(x - k, y + r, x - r, y + k, x - r, y);
            path.cubic_to(x - r, y - k, x - k, y - r, x, y - r);
            path.cubic_to(x + k, y - r, x + r, y - k, x + r, y);
        }
        path.close();
        let hollow = corners.is_empty();
        self.surface.set_fill((!hollow).then(|| fill(colour)));
        self.surface.set_stroke(hollow.then(|| stroke(colour, size / 10.0)));
        if let Some(path) = path.finish() {
            self.surface.draw_path(&path);
        }
    }

    /// A picture in a box of this width; gives its height.
    ///
    /// # Errors
    /// A fault of ours: the picture is no SVG.
    pub(super) fn picture(&mut self, x: f32, y: f32, width: f32, svg: &str) -> Result<f32, Error> {
        let tree = usvg::Tree::from_str(svg, &self.letters.svg).map_err(|error| {
            Error::new(Fault::Internal, "a picture of the report is not as it must be").because(error)
        })?;
        let height = width * tree.size().height() / tree.size().width().max(1.0);
        let size = Size::from_wh(width, height)
            .ok_or_else(|| Error::new(Fault::Internal, "a picture of the report has no size"))?;
        self.surface.push_transform(&Transform::from_translate(x, y));
        self.surface.draw_svg(&tree, size, SvgSettings::default());
        self.surface.pop();
        Ok(height)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_no_wider_than_they_may_be_and_nothing_is_lost() {
        let letters = letters().expect("the fonts");
        let style = Style::new(9.0);
        let text = "Vibration velocity (rms) at pump-with-a-name-that-nobody-would-break-anywhere-and-longer-than-a-line is 7.4 mm/s";
        for width in [20.0, 60.0, 200.0, 5000.0] {
            let lines = letters.wrap(text, style, width);
            assert!(lines.iter().all(|line| letters.width(line, style) <= width), "{width}: {lines:?}");
            let put_together: String = lines.concat().split_whitespace().collect();
            assert_eq!(put_together, text.split_whitespace().collect::<String>());
        }
        assert!(letters.wrap("", style, 10.0).is_empty());
        let cut = letters.cut(text, style, 80.0);
        assert!(cut.ends_with('…') && letters.width(&cut, style) <= 80.0, "{cut}");
    }
}
