//! Two settings side by side: their figures, and which alerts differ.
//!
//! Alerts of the two are the same when they are about the same finding of the same asset and their times, from onset to
//! end, overlap. Ids are no help: the second episode of one run may be the first of the other.

use super::episodes::Episode;
use super::judge::line;
use super::labels::OPEN_END;
use super::report::{AlertLine, Evaluation};
use super::show::{cut, minute, span};
use super::table::{MOST_LINES, heading, rest, word, write_by_episode, write_by_snapshot};
use roundsman_models::EventTime;
use serde::Serialize;
use std::fmt;

/// Name and version of the form.
pub(super) const SCHEMA: &str = "roundsman.comparison/1";

/// Two evaluations against the same labels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// The first.
    pub first: Evaluation,
    /// The second.
    pub second: Evaluation,
    /// How their alerts differ.
    pub alerts: Differences,
}

/// How the alerts of two runs differ.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Differences {
    /// Raised at the same time, come to the same severity.
    pub same: usize,
    /// In both, but not the same.
    pub changed: Vec<Changed>,
    /// Only in the first.
    pub only_first: Vec<AlertLine>,
    /// Only in the second.
    pub only_second: Vec<AlertLine>,
}

/// One alert as the two runs have it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    /// In the first.
    pub first: AlertLine,
    /// In the second.
    pub second: AlertLine,
}

/// Compares the alerts of two runs.
pub fn differences(first: &[Episode], second: &[Episode]) -> Differences {
    let mut differences = Differences::default();
    let mut taken = vec![false; second.len()];
    for one in first {
        let like = |other: &Episode| one.asset == other.asset && one.finding == other.finding && overlap(one, other);
        // Of several that overlap, the one raised nearest in time.
        let nearest = second
            .iter()
            .enumerate()
            .filter(|(place, other)| !taken.get(*place).copied().unwrap_or(true) && like(other))
            .min_by_key(|(_, other)| other.raised_at.0.abs_diff(one.raised_at.0));
        let Some((place, other)) = nearest else {
            differences.only_first.push(line(one));
            continue;
        };
        if let Some(taken) = taken.get_mut(place) {
            *taken = true;
        }
        if (one.raised_at, one.worst) == (other.raised_at, other.worst) {
            differences.same += 1;
        } else {
            differences.changed.push(Changed { first: line(one), second: line(other) });
        }
    }
    let left = second.iter().zip(taken).filter(|(_, taken)| !taken);
    differences.only_second = left.map(|(episode, _)| line(episode)).collect();
    differences
}

fn overlap(one: &Episode, other: &Episode) -> bool {
    let begin = |episode: &Episode| episode.onset.map_or(episode.raised_at, |onset| onset.min(episode.raised_at));
    let end = |episode: &Episode| -> EventTime { episode.ended_at.unwrap_or(OPEN_END) };
    begin(one) <= end(other) && begin(other) <= end(one)
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        heading(f, "Two settings side by side")?;
        writeln!(f, "  1  {}\n  2  {}", self.first.results, self.second.results)?;
        let of = [&self.first, &self.second];
        if !self.first.labels_from.is_empty() {
            write_by_snapshot(f, &of)?;
        }
        write_by_episode(f, &of)?;
        let alerts = &self.alerts;
        heading(f, "Alerts that differ")?;
        writeln!(
            f,
            "  {} the same, {} changed, {} only in 1, {} only in 2",
            alerts.same,
            alerts.changed.len(),
            alerts.only_first.len(),
            alerts.only_second.len()
        )?;
        for changed in alerts.changed.iter().take(MOST_LINES) {
            let (one, other) = (&changed.first, &changed.second);
            let later = other.raised_at.hours_since(one.raised_at);
            let when = match later {
                0.0 => "at the same time".to_owned(),
                l if l > 0.0 => format!("{} later", span(Some(l))),
                l => format!("{} sooner", span(Some(-l))),
            };
            let severity = if one.worst == other.worst {
                word(one.worst).to_owned()
            } else {
                format!("{} → {}", word(one.worst), word(other.worst))
            };
            writeln!(f, "  1→2  {}  {}  {when}, {severity}", minute(one.raised_at), one.id)?;
        }
        rest(f, alerts.changed.len())?;
        for (name, lines) in [("1", &alerts.only_first), ("2", &alerts.only_second)] {
            for alert in lines.iter().take(MOST_LINES) {
                writeln!(f, "  only {name}  {}  {:<8}  {}", minute(alert.raised_at), word(alert.worst), alert.id)?;
                writeln!(f, "    {}", cut(&alert.message, 96))?;
            }
            rest(f, lines.len())?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::document::{Finding, Severity};

    fn episode(asset: &str, raised: i64, ended: Option<i64>, worst: Severity) -> Episode {
        Episode {
            id: format!("s/{asset}/machine/{raised}"),
            asset: asset.into(),
            finding: Finding::Machine,
            raised_at: EventTime(raised),
            onset: Some(EventTime(raised - 5)),
            ended_at: ended.map(EventTime),
            steps: vec![(EventTime(raised), worst)],
            worst,
            point: None,
            message: String::new(),
        }
    }

    #[test]
    fn alerts_are_the_same_by_finding_and_time_not_by_id() {
        use Severity::{Advisory, Warning};
        let first = [
            episode("a", 100, Some(200), Advisory),
            episode("a", 300, None, Warning),
            episode("b", 100, Some(200), Advisory),
            episode("c", 100, Some(200), Advisory),
        ];
        let second = [
            episode("a", 100, Some(150), Advisory),
            episode("a", 290, None, Warning),
            episode("b", 206, Some(300), Advisory),
            // Its onset lies before the first one's end.
            episode("c", 204, Some(300), Advisory),
        ];
        let got = differences(&first, &second);
        assert_eq!(got.same, 1);
        let changed: Vec<_> = got.changed.iter().map(|c| (c.first.id.as_str(), c.second.id.as_str())).collect();
        assert_eq!(changed, [("s/a/machine/300", "s/a/machine/290"), ("s/c/machine/100", "s/c/machine/204")]);
        assert_eq!((got.only_first[0].asset.as_str(), got.only_second[0].asset.as_str()), ("b", "b"));
        assert_eq!((got.only_first.len(), got.only_second.len()), (1, 1));
    }
}
