//! The newest of each retained document.

use super::Reader;
use crate::advise::diagnosis::Diagnosis;
use crate::advise::document::{Condition, Document, RemainingLifeStatement};
use crate::keep::KeepError;

/// Which document.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The state of the asset as a whole.
    Condition,
    /// Remaining life.
    RemainingLife,
    /// Diagnosis from waveforms.
    Diagnosis,
}

impl Kind {
    /// As it stands in the table.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Condition => "condition",
            Self::RemainingLife => "remaining-life",
            Self::Diagnosis => "diagnosis",
        }
    }
}

impl Reader {
    /// An asset's newest condition document.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn condition(&self, asset: &str) -> Result<Option<Condition>, KeepError> {
        self.document(asset, Kind::Condition)
    }

    /// Its newest remaining-life statement.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn remaining_life(&self, asset: &str) -> Result<Option<RemainingLifeStatement>, KeepError> {
        self.document(asset, Kind::RemainingLife)
    }

    /// Its newest diagnosis.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn diagnosis(&self, asset: &str) -> Result<Option<Diagnosis>, KeepError> {
        self.document(asset, Kind::Diagnosis)
    }

    fn document<D: Document>(&self, asset: &str, kind: Kind) -> Result<Option<D>, KeepError> {
        let sql = "SELECT document FROM documents WHERE asset = ?1 AND kind = ?2";
        let found = self.all(sql, [asset, kind.word()], |row| row.get::<_, Vec<u8>>(0))?;
        Ok(found.first().and_then(|bytes| read(bytes)))
    }

    /// The newest condition document of every asset that has one, by asset.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn conditions(&self) -> Result<Vec<Condition>, KeepError> {
        self.documents(Kind::Condition)
    }

    /// The newest remaining-life statement of every asset that has one, by asset.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn remaining_lives(&self) -> Result<Vec<RemainingLifeStatement>, KeepError> {
        self.documents(Kind::RemainingLife)
    }

    fn documents<D: Document>(&self, kind: Kind) -> Result<Vec<D>, KeepError> {
        let sql = "SELECT document FROM documents WHERE kind = ?1 ORDER BY asset";
        let found = self.all(sql, [kind.word()], |row| row.get::<_, Vec<u8>>(0))?;
        Ok(found.iter().filter_map(|bytes| read(bytes)).collect())
    }
}

fn read<D: Document>(bytes: &[u8]) -> Option<D> {
    D::from_json(std::str::from_utf8(bytes).ok()?).ok()
}
