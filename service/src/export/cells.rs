//! A table on its way out: columns, cells, and whoever takes its rows.

use crate::error::Error;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Microseconds since 1970.
    Time,
    /// Text.
    Text,
    /// A whole number.
    Whole,
    /// A number.
    Real,
    /// Yes or no.
    Truth,
}

/// A column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// Its name.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
}

/// A column in a table of constants.
pub(super) const fn column(name: &'static str, kind: Kind) -> Column {
    Column { name, kind }
}

/// A cell; it must fit its column, or be nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cell<'a> {
    /// Nothing is known.
    Nothing,
    /// Microseconds since 1970.
    Time(i64),
    /// Text.
    Text(&'a str),
    /// A whole number.
    Whole(i64),
    /// A number; one that is not finite is written as nothing.
    Real(f64),
    /// Yes or no.
    Truth(bool),
}

impl<'a> Cell<'a> {
    /// Text, when there is any.
    pub(super) fn text(text: Option<&'a str>) -> Self {
        text.map_or(Self::Nothing, Self::Text)
    }

    /// A time, when there is one.
    pub(super) fn time(micros: Option<i64>) -> Self {
        micros.map_or(Self::Nothing, Self::Time)
    }

    /// A number, when there is one.
    pub(super) fn real(value: Option<f64>) -> Self {
        value.map_or(Self::Nothing, Self::Real)
    }
}

/// Takes the rows of one table.
pub trait Sheet {
    /// Takes a row: a cell for each column.
    ///
    /// # Errors
    /// It cannot be written.
    fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), Error>;

    /// Writes what is left.
    ///
    /// # Errors
    /// It cannot be written.
    fn finish(self: Box<Self>) -> Result<(), Error>;
}
