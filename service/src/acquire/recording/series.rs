//! The table of a file's series: names → a small number.

use std::collections::HashMap;

/// Names of one series as the file has them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Names {
    /// Asset.
    pub asset: String,
    /// Area, when the file has it.
    pub area: Option<String>,
    /// Point.
    pub point: String,
    /// Unit, when the file has it.
    pub unit: Option<String>,
}

/// More series than this in one file is a mistaken column, not a plant.
const MOST_SERIES: usize = 1 << 20;
/// Nor are more bytes of names than this: a small compressed file can hold any number of long ones.
const MOST_NAME_BYTES: usize = 64 << 20;

/// Series by the bytes of their names.
///
/// Recordings are cyclic: after a series comes mostly the one that came after it last time (the same one in a file
/// sorted by series, the next point in one sorted by time). So the follower of each series is remembered and compared
/// first; only a surprise costs a hash.
#[derive(Debug, Default)]
pub struct SeriesTable {
    names: Vec<Names>,
    keys: Vec<Box<[u8]>>,
    follower: Vec<u32>,
    by_key: HashMap<Box<[u8]>, u32>,
    last: u32,
    key: Vec<u8>,
    name_bytes: usize,
}

impl SeriesTable {
    /// The series so far.
    pub fn names(&self) -> &[Names] {
        &self.names
    }

    /// Appends a series without looking whether it is there: for tables whose columns are the series.
    pub fn push(&mut self, names: Names) -> u32 {
        let optional = |name: &Option<String>| name.as_ref().map_or(0, String::len);
        self.name_bytes += names.asset.len() + names.point.len() + optional(&names.area) + optional(&names.unit);
        let id = self.names.len() as u32;
        self.names.push(names);
        self.keys.push(Box::default());
        self.follower.push(0);
        id
    }

    /// Whether `more` series find no room any longer.
    pub fn is_full(&self, more: usize) -> bool {
        self.names.len().saturating_add(more) > MOST_SERIES || self.name_bytes >= MOST_NAME_BYTES
    }

    /// The number of a series; `None` when there are too many. Empty `area` and `unit` mean none.
    pub fn id(&mut self, asset: &[u8], area: &[u8], point: &[u8], unit: &[u8]) -> Option<u32> {
        let guess = self.follower.get(self.last as usize).copied().unwrap_or(0);
        if self.keys.get(guess as usize).is_some_and(|key| same(key, [asset, point, area, unit])) {
            self.last = guess;
            return Some(guess);
        }
        self.look_up(asset, area, point, unit)
    }

    fn look_up(&mut self, asset: &[u8], area: &[u8], point: &[u8], unit: &[u8]) -> Option<u32> {
        self.key.clear();
        for part in [asset, point, area, unit] {
            // Lengths first: no separator a name could contain.
            self.key.extend_from_slice(&(part.len() as u32).to_le_bytes());
            self.key.extend_from_slice(part);
        }
        let id = match self.by_key.get(self.key.as_slice()) {
            Some(&id) => id,
            None if self.is_full(1) => return None,
            None => {
                let id = self.push(Names {
                    asset: text(asset),
                    area: (!area.is_empty()).then(|| text(area)),
                    point: text(point),
                    unit: (!unit.is_empty()).then(|| text(unit)),
                });
                let key: Box<[u8]> = self.key.as_slice().into();
                self.keys[id as usize] = key.clone();
                self.by_key.insert(key, id);
                id
            }
        };
        if let Some(follower) = self.follower.get_mut(self.last as usize) {
            *follower = id;
        }
        self.last = id;
        Some(id)
    }
}

fn same(mut key: &[u8], parts: [&[u8]; 4]) -> bool {
    for part in parts {
        let Some((length, rest)) = key.split_first_chunk::<4>() else { return false };
        if u32::from_le_bytes(*length) as usize != part.len() {
            return false;
        }
        let Some(rest) = rest.strip_prefix(part) else { return false };
        key = rest;
    }
    true
}

/// Bytes of a name as text. What is not UTF-8 comes from an export in a Western single-byte code page.
pub(super) fn text(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(_) => bytes.iter().map(|&byte| char::from(byte)).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_keeps_its_number_whatever_the_order() {
        let mut table = SeriesTable::default();
        let mut ask = |asset: &str, point: &str| table.id(asset.as_bytes(), b"", point.as_bytes(), b"").unwrap();
        let first: Vec<u32> = [("a", "x"), ("a", "y"), ("b", "x")].map(|(a, p)| ask(a, p)).to_vec();
        assert_eq!(first, [0, 1, 2]);
        for (asset, point, want) in
            [("b", "x", 2), ("a", "x", 0), ("a", "x", 0), ("b", "x", 2), ("a", "y", 1), ("a", "x", 0), ("a", "y", 1)]
        {
            assert_eq!(ask(asset, point), want);
        }
        // The border between two names is part of the name.
        assert_eq!(ask("ax", ""), 3);
        assert_eq!(ask("", "ax"), 4);
    }
}
