//! Which assets there are, with their points and their plates.

use super::Reader;
use crate::keep::KeepError;
use crate::keep::plate::Plate;

/// One asset.
#[derive(Debug, Clone, PartialEq)]
pub struct AssetRow {
    /// Number its trend rows are kept under.
    pub id: i64,
    /// Name, unique on the site.
    pub name: String,
    /// Points, by index.
    pub points: Vec<PointRow>,
    /// What is written on its plate; empty when this version has not yet seen it defined.
    pub plate: Plate,
}

/// One point.
#[derive(Debug, Clone, PartialEq)]
pub struct PointRow {
    /// Index its trend rows are kept under.
    pub index: u16,
    /// Name.
    pub name: String,
    /// UCUM code of its kept unit.
    pub unit: String,
}

impl AssetRow {
    /// A point by its name.
    pub fn point(&self, name: &str) -> Option<&PointRow> {
        self.points.iter().find(|point| point.name == name)
    }
}

const ASSETS: &str = "SELECT id, name, plate FROM assets LEFT JOIN plates ON plates.asset = assets.name";

impl Reader {
    /// All assets, by name.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn assets(&self) -> Result<Vec<AssetRow>, KeepError> {
        let mut assets = self.all(&format!("{ASSETS} ORDER BY name"), [], asset)?;
        let points = self.all("SELECT asset, point, name, unit FROM points ORDER BY asset, point", [], point)?;
        for asset in &mut assets {
            let begin = points.partition_point(|(of, _)| *of < asset.id);
            let own = points.iter().skip(begin).take_while(|(of, _)| *of == asset.id);
            asset.points = own.map(|(_, point)| point.clone()).collect();
        }
        Ok(assets)
    }

    /// One asset by its name.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn asset(&self, name: &str) -> Result<Option<AssetRow>, KeepError> {
        let Some(mut found) = self.all(&format!("{ASSETS} WHERE name = ?1"), [name], asset)?.pop() else {
            return Ok(None);
        };
        let points = "SELECT asset, point, name, unit FROM points WHERE asset = ?1 ORDER BY point";
        found.points = self.all(points, [found.id], point)?.into_iter().map(|(_, point)| point).collect();
        Ok(Some(found))
    }
}

fn asset(row: &rusqlite::Row<'_>) -> rusqlite::Result<AssetRow> {
    let plate = row.get::<_, Option<String>>(2)?;
    let plate = plate.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default();
    Ok(AssetRow { id: row.get(0)?, name: row.get(1)?, points: Vec::new(), plate })
}

fn point(row: &rusqlite::Row<'_>) -> rusqlite::Result<(i64, PointRow)> {
    Ok((row.get(0)?, PointRow { index: row.get(1)?, name: row.get(2)?, unit: row.get(3)? }))
}
