//! Pictures of what is kept, as SVG: for the page and for the report, from one source.
//!
//! Plain SVG 1.1: lengths in the picture's own units, colours as attributes, text as text. Every part also carries a class,
//! by which a page can give it other colours (a dark ground) without another picture. Nothing here reads a file or a clock.
//!
//! Quiet on purpose: grey and one blue for what was measured, colour only for what is past a limit, and never colour alone:
//! a limit has its name beside it, a mark has a shape and a title.

pub mod axis;
pub mod captures;
mod limits;
pub mod palette;
pub mod spark;
pub mod spectrum;
pub mod stored;
pub mod svg;
pub mod trend;
pub mod units;
pub mod vibration;

pub use palette::Palette;
pub use spark::spark;
pub use spectrum::{Line, Scale, SpectrumChart, Trace, WaveformChart};
pub use trend::{Fan, Mark, MarkKind, TrendChart};
pub use units::{Shown, Units};
pub use vibration::Vibration;

/// Size of a picture in its own units (CSS pixels on the page).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
}

/// Where in a picture the data are, and what its edges stand for: what a cursor needs to know.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Plot {
    /// Left edge.
    pub left: f64,
    /// Right edge.
    pub right: f64,
    /// Upper edge.
    pub top: f64,
    /// Lower edge.
    pub bottom: f64,
    /// What the left edge stands for (seconds since 1970 in a trend, Hz in a spectrum, s in a waveform).
    pub from: f64,
    /// What the right edge stands for.
    pub to: f64,
    /// What the lower edge stands for, in the unit shown.
    pub low: f64,
    /// What the upper edge stands for.
    pub high: f64,
}

impl Plot {
    /// Place of a horizontal value.
    pub fn x(&self, value: f64) -> f64 {
        self.left + (value - self.from) / (self.to - self.from) * (self.right - self.left)
    }

    /// Place of a vertical value, kept inside the picture's reach.
    pub fn y(&self, value: f64) -> f64 {
        let y = self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top);
        y.clamp(self.top - 4000.0, self.bottom + 4000.0)
    }
}

/// A picture with its geometry.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// The SVG.
    pub svg: String,
    /// Where its data are.
    pub plot: Plot,
}
