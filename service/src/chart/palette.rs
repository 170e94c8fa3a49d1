//! The colours of a picture. On the page a style sheet can override them by class; in a report they are what is printed.

/// One set of colours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Palette {
    /// Ground; `none` leaves the page's.
    pub ground: &'static str,
    /// Text.
    pub ink: &'static str,
    /// Lesser text.
    pub muted: &'static str,
    /// Grid.
    pub grid: &'static str,
    /// What was measured.
    pub line: &'static str,
    /// Range of what was measured.
    pub range: &'static str,
    /// The expected band.
    pub band: &'static str,
    /// Every second operating state, and a stopped machine.
    pub shade: &'static str,
    /// Warning.
    pub warning: &'static str,
    /// Alarm.
    pub alarm: &'static str,
    /// Forecast.
    pub forecast: &'static str,
    /// Second and third trace.
    pub others: [&'static str; 2],
}

impl Palette {
    /// For a light page.
    pub const LIGHT: Palette = Palette {
        ground: "none",
        ink: "#22303a",
        muted: "#55636e",
        grid: "#e2e6e9",
        line: "#1f5a85",
        range: "#9db9cd",
        band: "#dfe8ee",
        shade: "#eef0f2",
        warning: "#8a5a00",
        alarm: "#a3201c",
        forecast: "#6a4c93",
        others: ["#7a8791", "#8a5a00"],
    };

    /// For paper: a white ground, and greys that a printer without colour keeps apart.
    pub const PRINT: Palette = Palette {
        ground: "#ffffff",
        ink: "#000000",
        muted: "#444444",
        grid: "#dddddd",
        line: "#123f63",
        ..Self::LIGHT
    };
}
