//! What both pages are put together from: headings, tables, the foot; a place that moves down as they are written.

use super::canvas::{Canvas, GROUND, INK, LINE, Style};

pub(super) const BODY: Style = Style::new(8.6);
pub(super) const SMALL: Style = Style::new(7.4);
pub(super) const HEADING: Style = Style::new(10.0).bold();

/// Left and right margin.
pub(super) const MARGIN: f32 = 40.0;
/// Upper and lower margin.
pub(super) const TOP: f32 = 34.0;
const BOTTOM: f32 = 34.0;

/// A page with the place the next thing goes to.
pub(super) struct Sheet<'a, 'p> {
    pub(super) canvas: Canvas<'a, 'p>,
    pub(super) left: f32,
    pub(super) right: f32,
    pub(super) bottom: f32,
    pub(super) y: f32,
}

/// A column of a table: its title, its share of the width, whether numbers stand in it.
pub(super) struct Col {
    pub(super) title: &'static str,
    pub(super) share: f32,
    pub(super) right: bool,
}

pub(super) const fn col(title: &'static str, share: f32) -> Col {
    Col { title, share, right: false }
}

pub(super) const fn number_col(title: &'static str, share: f32) -> Col {
    Col { title, share, right: true }
}

/// Height of a table's row.
pub(super) const ROW: f32 = 12.4;
/// Height of a heading with the space over it.
pub(super) const HEADING_HEIGHT: f32 = 21.0;

impl<'a, 'p> Sheet<'a, 'p> {
    pub(super) fn new(canvas: Canvas<'a, 'p>, (width, height): (f32, f32)) -> Self {
        Self { canvas, left: MARGIN, right: width - MARGIN, bottom: height - BOTTOM, y: TOP }
    }

    pub(super) fn width(&self) -> f32 {
        self.right - self.left
    }

    /// What is left above the foot and whatever else is kept free there.
    pub(super) fn room(&self, kept: f32) -> f32 {
        self.bottom - kept - self.y
    }

    /// A heading over the whole width.
    pub(super) fn heading(&mut self, text: &str) {
        let (left, width) = (self.left, self.width());
        self.heading_in(left, width, text);
    }

    /// A heading over a column.
    pub(super) fn heading_in(&mut self, left: f32, width: f32, text: &str) {
        let base = self.y + 15.0;
        self.canvas.text(left, base, HEADING, text);
        self.canvas.line((left, base + 3.4), (left + width, base + 3.4), LINE, 0.6);
        self.y += HEADING_HEIGHT;
    }

    /// Text over the whole width.
    pub(super) fn paragraph(&mut self, style: Style, text: &str, most: usize) {
        self.y = self.canvas.paragraph(self.left, self.y, self.width(), style, text, most);
    }

    /// A table; cells that are too long are cut.
    pub(super) fn table(&mut self, columns: &[Col], rows: &[Vec<String>]) {
        let (left, width) = (self.left, self.width());
        let total: f32 = columns.iter().map(|column| column.share).sum();
        let letters = self.canvas.letters;
        let gap = 11.0;
        let mut x = left;
        let places: Vec<(f32, f32)> = columns
            .iter()
            .map(|column| {
                let wide = width * column.share / total;
                let place = (x, wide - gap);
                x += wide;
                place
            })
            .collect();
        let line = |canvas: &mut Canvas<'_, '_>, y: f32, style: Style, cells: &mut dyn Iterator<Item = &str>| {
            for (((x, wide), column), cell) in places.iter().zip(columns).zip(cells) {
                let shown = letters.cut(cell, style, *wide);
                match column.right {
                    true => canvas.text_to(x + wide, y, style, &shown),
                    false => canvas.text(*x, y, style, &shown),
                }
            }
        };
        line(&mut self.canvas, self.y + 8.0, SMALL.muted(), &mut columns.iter().map(|column| column.title));
        self.y += ROW - 1.0;
        for (place, row) in rows.iter().enumerate() {
            if place % 2 == 0 {
                self.canvas.rectangle((left - 3.0, self.y, width + 6.0, ROW), Some(GROUND), None);
            }
            line(&mut self.canvas, self.y + 9.1, BODY, &mut row.iter().map(String::as_str));
            self.y += ROW;
        }
        self.y += 3.0;
    }

    /// Pairs of a name and what it is, in columns, row by row.
    pub(super) fn pairs(&mut self, pairs: &[(&str, String)], columns: usize) {
        let letters = self.canvas.letters;
        let wide = self.width() / columns as f32;
        for row in pairs.chunks(columns) {
            for (place, (name, value)) in row.iter().enumerate() {
                let x = self.left + place as f32 * wide;
                self.canvas.text(x, self.y + 8.0, SMALL.muted(), name);
                let shown = letters.cut(value, BODY, wide - 8.0);
                self.canvas.text(x, self.y + 18.6, BODY, &shown);
            }
            self.y += 24.0;
        }
    }

    /// Who made it and when, what it is not, and which page of how many.
    pub(super) fn foot(&mut self, made: &str, page: usize) {
        let y = self.bottom + 8.0;
        self.canvas.line((self.left, y), (self.right, y), LINE, 0.6);
        let style = Style::new(6.8).muted();
        let letters = self.canvas.letters;
        let shown = letters.cut(made, style, self.width() - 60.0);
        self.canvas.text(self.left, y + 9.5, style, &shown);
        self.canvas.text_to(self.right, y + 9.5, style, &format!("Page {page} of 2"));
    }

    /// An empty box to tick, with words behind it; gives how far it reaches.
    pub(super) fn tick(&mut self, x: f32, base: f32, style: Style, text: &str) -> f32 {
        let side = style.size * 0.82;
        self.canvas.rectangle((x, base - side, side, side), None, Some((INK, 0.7)));
        self.canvas.text(x + side + 4.0, base, style, text);
        x + side + 4.0 + self.canvas.letters.width(text, style)
    }
}
