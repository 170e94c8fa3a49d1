//! The verdict as a table of at most 100 columns.

use super::verdict::{Judged, Verdict};
use crate::advise::document::{Finding, Severity};
use crate::advise::wording::severity_word;
use jiff::Timestamp;
use roundsman_models::EventTime;
use std::fmt;

/// Widest line.
pub(super) const WIDTH: usize = 100;

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        heading(f, "What was planted, and what was found (plant time, UTC; the limit is the alarm limit)")?;
        if self.faults.is_empty() {
            writeln!(f, "  nothing was planted up to {}", day_minute(self.until))?;
        } else {
            writeln!(
                f,
                "  {:<15}  {:<17}  {:<12}  {:<12}  {:>6}  {:>12}",
                "machine", "fault", "planted", "first found", "after", "before limit"
            )?;
        }
        for judged in &self.faults {
            write_fault(f, judged, self.complete)?;
        }
        if self.not_reached > 0 {
            writeln!(f, "  {} more were planted after {}", self.not_reached, day_minute(self.until))?;
        }
        for (outage, silent, of) in &self.outages {
            writeln!(
                f,
                "\n  gateway of {} silent {} to {}: reported for {} of its {of} machines",
                outage.area,
                day_minute(outage.start),
                minute_of_day(outage.end),
                silent.len()
            )?;
            for line in fold(&silent.join(", "), WIDTH - 4) {
                writeln!(f, "    {line}")?;
            }
        }
        self.write_forecasts(f)?;
        self.write_unexplained(f)?;
        self.write_sum(f)
    }
}

impl Verdict {
    fn write_forecasts(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.faults.iter().all(|judged| judged.forecasts.is_none()) {
            return Ok(());
        }
        heading(f, "Remaining life, in the last third of each slow fault's way to the alarm limit")?;
        let (mut all, mut held) = (0, 0);
        for judged in &self.faults {
            let Some((said, right)) = judged.forecasts else { continue };
            (all, held) = (all + said, held + right);
            writeln!(f, "  {:<15}  {:<17}  {}", judged.planted.asset, judged.planted.point, share(right, said))?;
        }
        writeln!(f, "  {:<34}  {}", "together", share(held, all))
    }

    fn write_unexplained(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        heading(f, "False reports: alerts for which nothing was planted")?;
        if self.unexplained.is_empty() {
            return writeln!(f, "  none, on {} healthy machines and before any fault began", self.healthy);
        }
        for (episode, why) in &self.unexplained {
            let about = match &episode.finding {
                Finding::Machine => "machine".to_owned(),
                Finding::Sensor(point) => format!("sensor {point}"),
                Finding::Silence => "silence".to_owned(),
            };
            writeln!(
                f,
                "  {:<15}  {:<22}  {:<12}  up to {:<8}",
                episode.asset,
                about,
                day_minute(episode.raised_at),
                severity_word(episode.worst)
            )?;
            writeln!(f, "    {why}")?;
            for line in fold(&episode.message, WIDTH - 4) {
                writeln!(f, "    {line}")?;
            }
        }
        Ok(())
    }

    fn write_sum(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let found = self.faults.iter().filter(|judged| !judged.steps.is_empty()).count();
        let open = if self.complete { "" } else { " (stopped before the end of the recording)" };
        let slow = self.faults.iter().filter_map(|judged| {
            let alarm_at = judged.planted.limit.as_ref()?.reaches_alarm_at;
            let warned = judged.steps.iter().find(|(_, severity)| *severity >= Severity::Warning);
            Some(warned.map_or(f64::NEG_INFINITY, |(at, _)| alarm_at.secs_since(*at)))
        });
        let least = slow.fold(f64::INFINITY, f64::min);
        writeln!(
            f,
            "\n{found} of {} planted faults found, {}{open}.",
            self.faults.len(),
            match self.unexplained.len() {
                0 => "no false report".to_owned(),
                1 => "1 false report".to_owned(),
                n => format!("{n} false reports"),
            }
        )?;
        if least.is_finite() {
            writeln!(f, "Slow faults were at severity warning at least {} before the limit.", span(least))?;
        }
        Ok(())
    }
}

fn write_fault(f: &mut fmt::Formatter<'_>, judged: &Judged, complete: bool) -> fmt::Result {
    let planted = &judged.planted;
    let alarm_at = planted.limit.as_ref().map(|limit| limit.reaches_alarm_at);
    let found = judged.found_at();
    let row = format!(
        "  {:<15}  {:<17}  {:<12}  {:<12}  {:>6}  {:>12}",
        planted.asset,
        planted.kind,
        day_minute(planted.start),
        found.map_or(if complete { "NOT FOUND" } else { "not yet" }.to_owned(), day_minute),
        found.map_or(String::new(), |at| span(at.secs_since(planted.start))),
        found.zip(alarm_at).map_or(String::new(), |(found, alarm)| span(alarm.secs_since(found)))
    );
    writeln!(f, "{}", row.trim_end())?;
    // Each severity where it was first reached; what follows at the same or a lower one says nothing new.
    let mut worst: Option<Severity> = None;
    let mut parts = Vec::new();
    for &(at, severity) in &judged.steps {
        if worst.is_none_or(|worst| severity > worst) {
            worst = Some(severity);
            // The first one's is in the column above.
            let ahead = match alarm_at.map(|alarm| alarm.secs_since(at)) {
                Some(ahead) if ahead < 0.0 => format!(" ({} late)", span(-ahead)),
                Some(ahead) if !parts.is_empty() => format!(" ({} before)", span(ahead)),
                _ => String::new(),
            };
            parts.push(format!("{} {}{ahead}", severity_word(severity), day_minute(at)));
        }
    }
    if judged.episodes > 1 {
        parts.push(format!("{} alerts in all", judged.episodes));
    }
    // A step is not torn apart: its blanks are not where a line may be broken.
    for line in fold(&parts.join(", ").replace(' ', "\u{a0}").replace(",\u{a0}", ", "), WIDTH - 6) {
        writeln!(f, "      {}", line.replace('\u{a0}', " "))?;
    }
    for (at, name) in &judged.named {
        for line in fold(&format!("waveforms of {}: likely {name}", day_minute(*at)), WIDTH - 6) {
            writeln!(f, "      {line}")?;
        }
    }
    Ok(())
}

fn heading(f: &mut fmt::Formatter<'_>, text: &str) -> fmt::Result {
    writeln!(f, "\n{text}\n{}", "-".repeat(text.chars().count()))
}

fn share(right: usize, of: usize) -> String {
    if of == 0 {
        return "no forecast".to_owned();
    }
    let percent = 100.0 * right as f64 / of as f64;
    format!("P10 to P90 held the true time in {right} of {of} forecasts ({percent:.0} %)")
}

/// `27 Mar 07:12`.
pub(super) fn day_minute(at: EventTime) -> String {
    shown(at, "%d %b %H:%M")
}

fn minute_of_day(at: EventTime) -> String {
    shown(at, "%H:%M")
}

fn shown(at: EventTime, format: &str) -> String {
    Timestamp::from_microsecond(at.0).map_or_else(|_| "?".into(), |stamp| stamp.strftime(format).to_string())
}

/// `25 min`, `7.3 h`, `12.4 d`.
fn span(secs: f64) -> String {
    match secs {
        s if s < 5400.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3600.0),
        s => format!("{:.1} d", s / 86_400.0),
    }
}

/// Breaks a text at spaces into lines of at most `width` characters; a longer word gets a line of its own.
pub(super) fn fold(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_folded_at_spaces() {
        assert_eq!(fold("one two three", 7), ["one two", "three"]);
        assert_eq!(fold("extraordinary no", 5), ["extraordinary", "no"]);
        assert!(fold("  ", 5).is_empty());
    }

    #[test]
    fn spans_are_short() {
        assert_eq!([60.0, 5400.0, 172_800.0].map(span), ["1 min", "1.5 h", "2.0 d"]);
    }
}
