//! Writing SVG: one element at a time, text escaped.

use super::{Palette, Size};
use crate::analyse::plot::escape;
use std::fmt::{Display, Write};

/// A picture being written.
pub struct Svg {
    text: String,
}

/// Where a text stands against its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Begins there.
    Start,
    /// Its middle is there.
    Middle,
    /// Ends there.
    End,
}

impl Anchor {
    fn word(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Middle => "middle",
            Self::End => "end",
        }
    }
}

impl Svg {
    /// Begins a picture. Title and description are what a screen reader says of it.
    pub fn new(size: Size, palette: &Palette, title: &str, description: &str) -> Self {
        let Size { width, height } = size;
        let mut svg = Self { text: String::with_capacity(16 * 1024) };
        svg.put(format_args!(
            r##"<svg xmlns="http://www.w3.org/2000/svg" role="img" class="chart" viewBox="0 0 {width} {height}" width="{width}" height="{height}" font-family="system-ui, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif" font-size="12" fill="{}">"##,
            palette.ink
        ));
        svg.put(format_args!("<title>{}</title><desc>{}</desc>", escape(title), escape(description)));
        if palette.ground != "none" {
            svg.put(format_args!(r##"<rect width="{width}" height="{height}" fill="{}"/>"##, palette.ground));
        }
        svg
    }

    /// Writes an element that is well formed.
    pub fn put(&mut self, element: impl Display) {
        // Writing to a String cannot fail.
        let _ = writeln!(self.text, "{element}");
    }

    /// Text of a class and colour.
    pub fn text(&mut self, (x, y): (f64, f64), anchor: Anchor, class: &str, fill: &str, text: &str) {
        self.put(format_args!(
            r##"<text x="{x:.1}" y="{y:.1}" text-anchor="{}" class="{class}" fill="{fill}">{}</text>"##,
            anchor.word(),
            escape(text)
        ));
    }

    /// What makes text readable over lines: a plate in the colour of the ground, which on the page its style sheet gives. A
    /// rim round the letters would be printed as the same words once more.
    pub fn plate(&mut self, (left, right): (f64, f64), foot: f64, ground: &str) {
        self.put(format_args!(
            r##"<rect class="plate" x="{left:.1}" y="{:.1}" width="{:.1}" height="11.5" fill="{ground}" fill-opacity="0.8"/>"##,
            foot - 9.0,
            (right - left).max(0.0)
        ));
    }

    /// A line or the outline of an area.
    pub fn path(&mut self, class: &str, path: &str, fill: &str, stroke: &str, more: &str) {
        if !path.is_empty() {
            self.put(format_args!(r##"<path class="{class}" d="{path}" fill="{fill}" stroke="{stroke}" {more}/>"##));
        }
    }

    /// Opens a group that shows only what lies in a rectangle. Its name must be unique on a page.
    pub fn clip(&mut self, name: &str, (left, top, right, bottom): (f64, f64, f64, f64)) {
        let name = escape(name);
        self.put(format_args!(
            r##"<clipPath id="{name}"><rect x="{left:.1}" y="{top:.1}" width="{:.1}" height="{:.1}"/></clipPath><g clip-path="url(#{name})">"##,
            (right - left).max(0.0),
            (bottom - top).max(0.0)
        ));
    }

    /// Closes a group.
    pub fn end_group(&mut self) {
        self.put("</g>");
    }

    /// The picture.
    pub fn done(mut self) -> String {
        self.text.push_str("</svg>\n");
        self.text
    }
}
