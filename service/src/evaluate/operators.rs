//! Labels from what people found who looked at alerts.
//!
//! | verdict | label |
//! |---|---|
//! | confirmed | from the alert's onset to its end something was wrong, of the kind that was said |
//! | not confirmed | none: whatever is said in that time is false |
//! | other, or nobody looked | unknown from onset to end: nothing is judged |
//!
//! Where no alert was, nobody looked: what no setting ever found does not count as missed.

use super::episodes::Episode;
use super::labels::{About, Label, OPEN_END};
use crate::advise::document::Finding;
use crate::engine::Verdict;
use crate::keep::findings::Looked;
use roundsman_models::evaluate::Truth;

/// The labels; of several findings on one alert the last one counts.
pub fn labels_of(episodes: &[Episode], looked: &[Looked]) -> Vec<Label> {
    let of = |episode: &Episode| {
        let said = looked.iter().rev().find(|said| said.alert == episode.id);
        let about = match (said.map(|said| said.verdict), &episode.finding) {
            (Some(Verdict::NotConfirmed), _) => return None,
            (Some(Verdict::Confirmed), Finding::Machine) => About::Machine,
            (Some(Verdict::Confirmed), Finding::Sensor(_)) => About::Sensor,
            (Some(Verdict::Confirmed), Finding::Silence) => About::Silence,
            (Some(Verdict::Other) | None, _) => About::Unknown,
        };
        let point = match &episode.finding {
            Finding::Sensor(point) => Some(point.clone()),
            Finding::Machine | Finding::Silence => None,
        };
        let kind = said.and_then(|said| said.kind.clone()).unwrap_or_else(|| match about {
            About::Unknown => "nobody knows".to_owned(),
            _ => "confirmed".to_owned(),
        });
        let from = episode.onset.map_or(episode.raised_at, |onset| onset.min(episode.raised_at));
        Some(Label {
            asset: episode.asset.clone(),
            span: Truth { from, to: episode.ended_at.unwrap_or(OPEN_END) },
            kind,
            about,
            point,
            life_ends: None,
            target: "alarm".to_owned(),
        })
    };
    episodes.iter().filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::document::Severity;
    use roundsman_models::EventTime;

    #[test]
    fn the_last_word_on_an_alert_counts() {
        let episode = |n: i64, finding: Finding| Episode {
            id: format!("s/p/{}/{n}", finding.key()),
            asset: "p".into(),
            finding,
            raised_at: EventTime(10 * n),
            onset: Some(EventTime(10 * n - 5)),
            ended_at: (n < 3).then_some(EventTime(10 * n + 4)),
            steps: Vec::new(),
            worst: Severity::Advisory,
            point: None,
            message: String::new(),
        };
        let episodes = [
            episode(1, Finding::Machine),
            episode(2, Finding::Machine),
            episode(3, Finding::Sensor("t".into())),
            episode(4, Finding::Machine),
        ];
        let said = |alert: &str, verdict, kind: Option<&str>| Looked {
            at: EventTime(99),
            alert: alert.into(),
            verdict,
            kind: kind.map(str::to_owned),
        };
        let looked = [
            said("s/p/machine/1", Verdict::NotConfirmed, None),
            said("s/p/machine/1", Verdict::Confirmed, Some("wear")),
            said("s/p/machine/2", Verdict::NotConfirmed, None),
            said("s/p/sensor:t/3", Verdict::Confirmed, None),
        ];
        let labels = labels_of(&episodes, &looked);
        let shown: Vec<_> = labels.iter().map(|l| (l.kind.as_str(), l.about, l.span.from.0, l.span.to.0)).collect();
        let open = OPEN_END.0;
        let want = [
            ("wear", About::Machine, 5, 14),
            ("confirmed", About::Sensor, 25, open),
            ("nobody knows", About::Unknown, 35, open),
        ];
        assert_eq!(shown, want);
        assert_eq!(labels[1].point.as_deref(), Some("t"));
    }
}
