//! When an asset was run how.

use super::Reader;
use crate::keep::KeepError;
use roundsman_models::EventTime;

/// A stretch of one operating state.
#[derive(Debug, Clone, PartialEq)]
pub struct Period {
    /// When it began.
    pub began: EventTime,
    /// When the next began; `None` while it lasts.
    pub ended: Option<EventTime>,
    /// Name of the state: `stopped`, a number, a configured name, `new`; empty when none is known.
    pub state: String,
}

impl Reader {
    /// Operating states between two times, the one that reaches into them first. A range with more than `most` of them is
    /// cut into that many pieces, each of the state it was longest in: what can be told apart at that width.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn periods(&self, asset: &str, from: EventTime, to: EventTime, most: usize) -> Result<Vec<Period>, KeepError> {
        let rows = self.all(
            "SELECT began, state FROM periods WHERE asset = ?1 AND began <= ?3 AND began >=
             ifnull((SELECT max(began) FROM periods WHERE asset = ?1 AND began <= ?2), ?2) ORDER BY began",
            rusqlite::params![asset, from.0, to.0],
            |row| Ok((EventTime(row.get(0)?), row.get::<_, String>(1)?)),
        )?;
        let ends = rows.iter().skip(1).map(|(began, _)| Some(*began)).chain([None]);
        let all: Vec<_> = rows
            .iter()
            .zip(ends)
            .map(|((began, state), ended)| Period { began: *began, ended, state: state.clone() })
            .collect();
        Ok(thinned(all, from, to, most))
    }
}

/// Every so many-th of the range belongs to the state it was in longest.
fn thinned(all: Vec<Period>, from: EventTime, to: EventTime, most: usize) -> Vec<Period> {
    if all.len() <= most.max(1) {
        return all;
    }
    let slots = i64::try_from(most.max(1)).unwrap_or(i64::MAX);
    let slot = (to.0.saturating_sub(from.0) / slots).max(1);
    let mut thin: Vec<Period> = Vec::new();
    let mut rest = all.as_slice();
    for n in 0..slots {
        let (begin, end) = (from.0.saturating_add(n * slot), from.0.saturating_add((n + 1) * slot));
        let over = |period: &Period| period.ended.is_some_and(|ended| ended.0 <= begin);
        rest = rest.get(rest.iter().take_while(|period| over(period)).count()..).unwrap_or_default();
        let mut times: Vec<(&str, i64)> = Vec::new();
        for period in rest.iter().take_while(|period| period.began.0 < end) {
            let lasted = period.ended.map_or(end, |ended| ended.0.min(end)) - period.began.0.max(begin);
            match times.iter_mut().find(|(state, _)| *state == period.state) {
                Some((_, time)) => *time += lasted,
                None => times.push((&period.state, lasted)),
            }
        }
        let Some((state, _)) = times.into_iter().max_by_key(|(_, time)| *time) else { continue };
        match thin.last_mut() {
            Some(last) if last.state == state => {}
            last => {
                if let Some(last) = last {
                    last.ended = Some(EventTime(begin));
                }
                thin.push(Period { began: EventTime(begin), ended: None, state: state.to_owned() });
            }
        }
    }
    if let (Some(thin), Some(all)) = (thin.last_mut(), all.last()) {
        thin.ended = all.ended;
    }
    thin
}
