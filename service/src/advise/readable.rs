//! One line per transition for a terminal:
//!
//! ```text
//! 2031-03-04 06:15Z  ▲ WARNING   pump-7  raised        Vibration velocity (rms) at de-vib is 7.4 mm/s, ...
//! ```
//!
//! Severity is said by word, by shape (◆ advisory, ▲ warning, ■ alarm; hollow once the condition has gone) and, when
//! asked for, by colour: never by colour alone.

use super::document::{Alert, Change, Finding, Severity};
use super::wording::{minute, plain, severity_word};

/// Most characters of an asset's name.
const LONGEST_NAME: usize = 32;

/// Which machine, and which of its sensors when the alert is about one.
fn name(alert: &Alert) -> String {
    let name = plain(&alert.asset, LONGEST_NAME);
    let Finding::Sensor(point) = &alert.finding else { return name };
    let status = alert.sensor_status.as_deref().map_or(String::new(), |s| format!(" [{}]", plain(s, 24)));
    format!("{name} sensor {}{status}", plain(point, LONGEST_NAME))
}

/// One line, without its end. `widest`: characters of the widest name so far, which grows; what follows the names
/// then stands in one column. `ansi`: with colours, for a terminal that shows them.
pub fn line(alert: &Alert, widest: &mut usize, ansi: bool) -> String {
    let gone = matches!(alert.change, Change::Returned | Change::Closed);
    let shape = match (alert.severity, gone) {
        (Severity::Advisory, false) => '◆',
        (Severity::Advisory, true) => '◇',
        (Severity::Warning, false) => '▲',
        (Severity::Warning, true) => '△',
        (Severity::Alarm, false) => '■',
        (Severity::Alarm, true) => '□',
    };
    let word = severity_word(alert.severity);
    // What is active stands out in capitals, advisories excepted: there is nothing to do.
    let word = if gone || alert.severity == Severity::Advisory { word.to_owned() } else { word.to_uppercase() };
    let (begin, end) = if ansi { (colour(alert.severity, gone), "\x1b[0m") } else { ("", "") };
    let name = name(alert);
    *widest = (*widest).max(name.chars().count());
    let width = *widest;
    let change = change_word(alert.change);
    let message = plain(&alert.message, super::wording::LONGEST);
    format!("{}  {begin}{shape} {word:<8}{end}  {name:<width$}  {change:<14}  {message}", minute(alert.at))
}

fn colour(severity: Severity, gone: bool) -> &'static str {
    match (gone, severity) {
        (true, _) => "\x1b[2m",
        (false, Severity::Advisory) => "\x1b[36m",
        (false, Severity::Warning) => "\x1b[1;33m",
        (false, Severity::Alarm) => "\x1b[1;31m",
    }
}

/// A change in a word or two.
pub fn change_word(change: Change) -> &'static str {
    match change {
        Change::Raised => "raised",
        Change::Escalated => "worse",
        Change::Eased => "milder",
        Change::Returned => "gone",
        Change::Recurred => "back again",
        Change::Acknowledged => "acknowledged",
        Change::Shelved => "shelved",
        Change::Unshelved => "unshelved",
        Change::TakenOutOfService => "out of service",
        Change::ReturnedToService => "in service",
        Change::Frozen => "no data",
        Change::Thawed => "data back",
        Change::Diagnosed => "looked into",
        Change::Joined => "others too",
        Change::Reminded => "still open",
        Change::Closed => "closed",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::document::tests::alert;

    #[test]
    fn a_line_says_when_how_bad_which_machine_and_what() {
        let mut alert = alert();
        alert.message = "Seen.".into();
        let text = line(&alert, &mut 0, false);
        assert_eq!(text, "2031-03-04 06:15Z  ▲ WARNING   pump-7  raised          Seen.");
        let coloured = line(&alert, &mut 0, true);
        assert_eq!(coloured.replace("\x1b[1;33m", "").replace("\x1b[0m", ""), text, "colour adds nothing but colour");
    }

    #[test]
    fn names_make_room_for_the_widest_seen() {
        let mut widest = 0;
        let column = |line: String| line.chars().collect::<String>().find("raised");
        let short = column(line(&alert(), &mut widest, false));
        let long = Alert { asset: "cooling-water-pump-7b".into(), ..alert() };
        let long = column(line(&long, &mut widest, false));
        let again = column(line(&alert(), &mut widest, false));
        assert!(short < long && long == again, "{short:?} {long:?} {again:?}");
    }

    #[test]
    fn every_severity_differs_by_word_and_shape_and_gone_is_hollow() {
        let mut seen = std::collections::BTreeSet::new();
        for severity in Severity::ALL {
            for change in [Change::Raised, Change::Closed] {
                let text = line(&Alert { severity, change, ..alert() }, &mut 0, false);
                assert!(text.to_lowercase().contains(severity_word(severity)), "{text}");
                seen.insert(text.chars().nth(19));
            }
        }
        assert_eq!(seen.len(), 6, "{seen:?}");
    }

    #[test]
    fn a_name_from_outside_cannot_steer_the_terminal() {
        let mut alert = alert();
        alert.asset = "a\x1b[2Jb\nc".into();
        alert.message = "x\r\u{202e}y".into();
        let text = line(&alert, &mut 0, false);
        assert!(!text.contains(|c: char| c.is_control() || c == '\u{202e}'), "{text:?}");
    }

    #[test]
    fn a_sensor_finding_names_the_sensor_and_its_status() {
        let mut alert = alert();
        alert.finding = Finding::Sensor("de-temp".into());
        alert.sensor_status = Some("failure".into());
        assert!(line(&alert, &mut 0, false).contains("pump-7 sensor de-temp [failure]  raised"));
    }
}
