//! An evaluation as tables of at most 100 columns.

use super::report::{AssetResult, Evaluation, LabelResult, Life};
use super::show::{counted, cut, minute, percent, span, three, two};
use crate::advise::document::Severity;
use std::fmt;

/// Lines of one list; the rest are in the JSON.
pub(super) const MOST_LINES: usize = 40;

impl fmt::Display for Evaluation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let labels = if self.labels_from.is_empty() { "no labels".to_owned() } else { self.labels_from.join(", ") };
        heading(f, &format!("{} against {labels}", self.results))?;
        self.write_snapshots(f)?;
        write_by_snapshot(f, &[self])?;
        write_by_episode(f, &[self])?;
        self.write_life(f)?;
        self.write_labels(f)?;
        self.write_assets(f)?;
        self.write_false(f)?;
        for note in &self.notes {
            writeln!(f, "\nNote: {note}")?;
        }
        Ok(())
    }
}

impl Evaluation {
    fn write_snapshots(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let s = &self.snapshots;
        writeln!(
            f,
            "  {}, {}, {} of them judged; {:.2} machine-months of healthy running",
            counted(self.assets as u64, "asset"),
            counted(s.all, "snapshot"),
            s.judged,
            self.healthy_machine_months
        )?;
        let why = [
            (s.learning, "learning"),
            (s.stopped, "stopped"),
            (s.settling, "settling"),
            (s.unscored, "without a score"),
            (s.sensor_at_fault, "with a sensor or connection at fault"),
            (s.unknown, "of which nobody knows whether anything was wrong"),
        ];
        let why: Vec<String> =
            why.iter().filter(|(count, _)| *count > 0).map(|(count, why)| format!("{count} {why}")).collect();
        if !why.is_empty() {
            writeln!(f, "  not judged: {}", why.join(", "))?;
        }
        Ok(())
    }

    fn write_life(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(pooled) = &self.remaining_life else { return Ok(()) };
        heading(f, "Remaining life, against the true end (P10 to P90 should hold it in 80 %)")?;
        writeln!(
            f,
            "  {:<15} {:>5} {:>7} {:>7} {:>7} {:>7} {:>7} {:>4} {:>6} {:>6} {:>8}",
            "", "count", "held", "width", "open", "×2", "20 %", "α-λ", "RA", "CRA", "useful"
        )?;
        for label in &self.labels {
            if let Some(life) = &label.remaining_life {
                let to = label.target.as_deref().filter(|target| *target != "alarm");
                let name = to.map_or_else(|| label.asset.clone(), |to| format!("{}, {to}", label.asset));
                life_line(f, &name, life)?;
            }
        }
        life_line(f, "together", pooled)?;
        writeln!(
            f,
            "  width: mean of interval width over true life, where both ends were in sight; open: share where not"
        )?;
        writeln!(f, "  ×2, 20 %: share of P50 within a factor of two, within 20 %; α-λ: that half-way (α 0.2, λ 0.5)")?;
        writeln!(f, "  RA, CRA: relative accuracy at half of the way, its mean over the whole way (1 is right)")?;
        writeln!(f, "  useful: before the end, since when 80 % of P50 were within a factor of two")
    }

    fn write_labels(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.labels.is_empty() {
            return Ok(());
        }
        heading(f, "Labels, and when an alert of each severity (or worse) rose in them")?;
        writeln!(
            f,
            "  {:<15} {:<18} {:<16}  {:>8} {:>8} {:>8}  {:>8}",
            "asset", "kind", "start (UTC)", "advisory", "warning", "alarm", "lead"
        )?;
        for label in self.labels.iter().take(MOST_LINES) {
            label_line(f, label)?;
        }
        rest(f, self.labels.len())?;
        if self.labels.iter().any(|label| label.life_ends.is_some()) {
            writeln!(f, "  lead: from the first alert to when the limit was reached or the machine failed")?;
        }
        Ok(())
    }

    fn write_assets(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let telling: Vec<&AssetResult> = self.by_asset.iter().filter(|asset| is_telling(asset)).collect();
        if telling.len() < 2 {
            return Ok(());
        }
        heading(f, "By asset, advisory or worse")?;
        writeln!(
            f,
            "  {:<20} {:>9} {:>9} {:>7} {:>13} {:>8} {:>10} {:>6}",
            "asset", "judged", "precision", "F1", "false alarms", "missed", "found", "false"
        )?;
        for asset in telling.iter().take(MOST_LINES) {
            let shares = &asset.shares;
            writeln!(
                f,
                "  {:<20} {:>9} {:>9} {:>7} {:>13} {:>8} {:>10} {:>6}",
                cut(&asset.asset, 20),
                asset.snapshots.judged,
                three(shares.precision),
                three(shares.f1),
                percent(shares.false_alarm_rate),
                percent(shares.missed_rate),
                format!("{} of {}", asset.found, asset.labels),
                asset.false_alerts
            )?;
        }
        rest(f, telling.len())
    }

    fn write_false(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.false_alerts.is_empty() {
            return Ok(());
        }
        let title = if self.labels_from.is_empty() { "Alerts" } else { "False alerts: no label explains them" };
        heading(f, title)?;
        for alert in self.false_alerts.iter().take(MOST_LINES) {
            let worst = word(alert.worst);
            writeln!(f, "  {:<16}  {worst:<8}  {}", minute(alert.raised_at), alert.id)?;
            writeln!(f, "    {}", cut(&alert.message, 96))?;
        }
        rest(f, self.false_alerts.len())
    }
}

/// Nothing to say of a machine that has no label and raised nothing.
fn is_telling(asset: &AssetResult) -> bool {
    let counts = &asset.shares.counts;
    asset.labels > 0
        || asset.false_alerts > 0
        || counts.true_positive + counts.false_positive + counts.false_negative > 0
}

pub(super) fn write_by_snapshot(f: &mut fmt::Formatter<'_>, of: &[&Evaluation]) -> fmt::Result {
    heading(f, "By snapshot")?;
    writeln!(
        f,
        "  {:<19} {:>10} {:>10} {:>10} {:>14} {:>10}",
        "", "precision", "recall", "F1", "false alarms", "missed"
    )?;
    each_level(f, of, |level| {
        let shares = &level.snapshots;
        format!(
            "{:>10} {:>10} {:>10} {:>14} {:>10}",
            three(shares.precision),
            three(shares.recall),
            three(shares.f1),
            percent(shares.false_alarm_rate),
            percent(shares.missed_rate)
        )
    })
}

pub(super) fn write_by_episode(f: &mut fmt::Formatter<'_>, of: &[&Evaluation]) -> fmt::Result {
    heading(f, "By episode (a month is of one machine, of healthy running)")?;
    writeln!(
        f,
        "  {:<19} {:>10} {:>7} {:>6} {:>11}  {:>10} {:>8}  {:>9} {:>8}",
        "", "found", "missed", "false", "false/month", "delay: mid", "worst", "lead: mid", "worst"
    )?;
    each_level(f, of, |level| {
        let e = &level.episodes;
        format!(
            "{:>10} {:>7} {:>6} {:>11}  {:>10} {:>8}  {:>9} {:>8}",
            format!("{} of {}", e.found, e.labels),
            e.missed,
            e.false_alerts,
            two(e.false_per_machine_month),
            span(e.delay_hours.map(|hours| hours.median)),
            span(e.delay_hours.map(|hours| hours.worst)),
            span(e.lead_hours.map(|hours| hours.median)),
            span(e.lead_hours.map(|hours| hours.worst))
        )
    })
}

/// A line per severity; of two evaluations, one below the other.
fn each_level(
    f: &mut fmt::Formatter<'_>,
    of: &[&Evaluation],
    show: impl Fn(&super::report::Level) -> String,
) -> fmt::Result {
    for severity in super::judge::LEVELS {
        let name =
            if severity == Severity::Alarm { "alarm".to_owned() } else { format!("{} or worse", word(severity)) };
        for (place, evaluation) in of.iter().enumerate() {
            let Some(level) = evaluation.at_least.iter().find(|level| level.severity == severity) else { continue };
            let name = match (of.len(), place) {
                (1, _) => name.clone(),
                (_, 0) => format!("{name:<17} 1"),
                (_, n) => format!("{:<17} {}", "", n + 1),
            };
            writeln!(f, "  {name:<19} {}", show(level))?;
        }
    }
    Ok(())
}

fn life_line(f: &mut fmt::Formatter<'_>, name: &str, life: &Life) -> fmt::Result {
    writeln!(
        f,
        "  {:<15} {:>5} {:>7} {:>7} {:>7} {:>7} {:>7} {:>4} {:>6} {:>6} {:>8}",
        cut(name, 15),
        life.forecasts,
        percent(life.coverage),
        two(life.mean_width),
        percent(life.open),
        percent(life.within_factor_two),
        percent(life.within_alpha),
        two(life.alpha_lambda),
        two(life.relative_accuracy),
        two(life.cumulative_relative_accuracy),
        span(life.earliest_useful_hours)
    )
}

fn label_line(f: &mut fmt::Formatter<'_>, label: &LabelResult) -> fmt::Result {
    let after = |severity: Severity| {
        let found = label.found.iter().find(|found| found.severity == severity);
        found.map_or("–".to_owned(), |found| span(found.delay_hours))
    };
    let first = match label.found.first() {
        Some(found) if found.at.is_none() => "MISSED".to_owned(),
        _ => after(Severity::Advisory),
    };
    let lead = label.found.first().and_then(|found| found.lead_hours);
    writeln!(
        f,
        "  {:<15} {:<18} {:<16}  {first:>8} {:>8} {:>8}  {:>8}",
        cut(&label.asset, 15),
        cut(&label.kind, 18),
        minute(label.start),
        after(Severity::Warning),
        after(Severity::Alarm),
        span(lead)
    )
}

pub(super) fn rest(f: &mut fmt::Formatter<'_>, count: usize) -> fmt::Result {
    match count.checked_sub(MOST_LINES) {
        Some(more @ 1..) => writeln!(f, "  … and {more} more in the JSON"),
        _ => Ok(()),
    }
}

pub(super) fn heading(f: &mut fmt::Formatter<'_>, text: &str) -> fmt::Result {
    writeln!(f, "\n{text}\n{}", "-".repeat(text.chars().count().min(100)))
}

pub(super) fn word(severity: Severity) -> &'static str {
    crate::advise::wording::severity_word(severity)
}
