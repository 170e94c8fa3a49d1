//! What was true: stretches of time in which a machine, a sensor or its connection was not well.
//!
//! A CSV file with a header; columns in any order, lines that begin with `#` are left out:
//!
//! | column | meaning |
//! |---|---|
//! | `asset` | name |
//! | `start` | first moment |
//! | `end` | last moment; empty: to the end of the recording |
//! | `kind` | what it was, in a word |
//! | `about` | may be left out: `machine`, `sensor`, `silence` or `any` (also when empty): which alerts are about it; `unknown`: nobody knows whether anything was wrong, nothing is judged |
//! | `point` | may be left out: for a sensor, which; else the point whose forecasts are judged |
//! | `life_ends` | may be left out: when the limit was reached or the machine failed; forecasts are judged against it |
//! | `target` | may be left out: the limit the forecasts are to, `warning`, `alarm` (also when empty) or `zone-d` |

use super::episodes::Episode;
use crate::acquire::recording::time;
use crate::advise::document::Finding;
use crate::error::{Error, Fault};
use roundsman_models::EventTime;
use roundsman_models::evaluate::Truth;
use std::path::Path;

/// Which alerts a label is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum About {
    /// Any of the asset.
    #[default]
    Any,
    /// The machine's.
    Machine,
    /// A sensor's.
    Sensor,
    /// Silence of the asset.
    Silence,
    /// Nobody knows whether anything was wrong: what is said then is neither right nor wrong.
    Unknown,
}

/// One stretch that was not well.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// Asset.
    pub asset: String,
    /// First and last moment.
    pub span: Truth,
    /// What it was.
    pub kind: String,
    /// Which alerts are about it.
    pub about: About,
    /// Point.
    pub point: Option<String>,
    /// True end of the remaining life.
    pub life_ends: Option<EventTime>,
    /// The limit forecasts are to.
    pub target: String,
}

/// The last moment of a label without an end.
pub const OPEN_END: EventTime = EventTime(i64::MAX);
/// Places named in a message; the rest are counted.
const SHOWN: usize = 10;

impl Label {
    /// Whether an episode is about the same thing, time left aside.
    pub fn fits(&self, episode: &Episode) -> bool {
        self.asset == episode.asset
            && match (self.about, &episode.finding) {
                (About::Any | About::Unknown, _) => true,
                (About::Machine, Finding::Machine) | (About::Silence, Finding::Silence) => true,
                (About::Sensor, Finding::Sensor(point)) => self.point.as_ref().is_none_or(|named| named == point),
                _ => false,
            }
    }

    /// Whether the machine itself is not well, so that its snapshots are to stand out.
    pub fn is_of_machine(&self) -> bool {
        matches!(self.about, About::Any | About::Machine)
    }
}

/// Reads a file of labels; `zone` is that of times without an offset.
///
/// # Errors
/// It cannot be read, a column is missing or unknown, or lines are wrong: all of them are named.
pub fn read(path: &Path, zone: &jiff::tz::TimeZone) -> Result<Vec<Label>, Error> {
    let bytes = std::fs::read(path).map_err(|source| Error::io("read", path, source))?;
    parse(&bytes, zone).map_err(|faults| {
        let more = faults.len().saturating_sub(SHOWN);
        let mut text = faults.iter().take(SHOWN).map(|fault| format!("\n  {fault}")).collect::<String>();
        if more > 0 {
            text.push_str(&format!("\n  and {more} more"));
        }
        Error::new(Fault::Data, format!("{}: cannot be used as labels:{text}", path.display()))
    })
}

const COLUMNS: [&str; 8] = ["asset", "start", "end", "kind", "about", "point", "life_ends", "target"];
const NEEDED: usize = 4;

/// The same from its bytes.
///
/// # Errors
/// Every fault there is, with its line.
pub fn parse(bytes: &[u8], zone: &jiff::tz::TimeZone) -> Result<Vec<Label>, Vec<String>> {
    let mut reader =
        csv::ReaderBuilder::new().comment(Some(b'#')).flexible(true).trim(csv::Trim::All).from_reader(bytes);
    let header = reader.headers().map_err(|fault| vec![fault.to_string()])?.clone();
    let header: Vec<String> = header.iter().map(|name| name.trim_start_matches('\u{feff}').to_lowercase()).collect();
    let place = |name: &str| header.iter().position(|column| column == name);
    let mut faults = Vec::new();
    for name in COLUMNS.iter().take(NEEDED).filter(|name| place(name).is_none()) {
        faults.push(format!("the header has no column `{name}` (needed: asset,start,end,kind)"));
    }
    for name in header.iter().filter(|name| !COLUMNS.contains(&name.as_str())) {
        faults.push(format!("nobody knows the column `{name}` (there are {})", COLUMNS.join(", ")));
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let mut labels = Vec::new();
    for row in reader.records() {
        let row = match row {
            Ok(row) => row,
            Err(fault) => {
                faults.push(fault.to_string());
                continue;
            }
        };
        let line = row.position().map_or(0, csv::Position::line);
        let cell = |name: &str| place(name).and_then(|at| row.get(at)).filter(|text| !text.is_empty());
        match label(&cell, zone) {
            Ok(label) => labels.push(label),
            Err(why) => faults.extend(why.into_iter().map(|why| format!("line {line}: {why}"))),
        }
    }
    if faults.is_empty() { Ok(labels) } else { Err(faults) }
}

fn label<'a>(cell: &dyn Fn(&str) -> Option<&'a str>, zone: &jiff::tz::TimeZone) -> Result<Label, Vec<String>> {
    let mut faults = Vec::new();
    let mut moment = |name: &str| {
        let text = cell(name)?;
        let at = time::parse(text.as_bytes(), zone);
        if at.is_none() {
            faults.push(format!("`{name}` must be a time such as 2031-03-03T08:15:00Z, got `{text}`"));
        }
        at
    };
    let (from, to, life_ends) = (moment("start"), moment("end"), moment("life_ends"));
    if cell("start").is_none() {
        faults.push("`start` must be there".to_owned());
    }
    if let (Some(from), Some(to)) = (from, to)
        && to < from
    {
        faults.push("`end` must not be before `start`".to_owned());
    }
    if let (Some(from), Some(life_ends)) = (from, life_ends)
        && life_ends <= from
    {
        faults.push("`life_ends` must be after `start`".to_owned());
    }
    let Some(asset) = cell("asset") else {
        faults.push("`asset` must be there".to_owned());
        return Err(faults);
    };
    let about = match cell("about") {
        None | Some("any") => About::Any,
        Some("machine") => About::Machine,
        Some("sensor") => About::Sensor,
        Some("silence") => About::Silence,
        Some("unknown") => About::Unknown,
        Some(other) => {
            faults.push(format!("`about` must be machine, sensor, silence, any or unknown, got `{other}`"));
            About::Any
        }
    };
    let target = cell("target").unwrap_or("alarm");
    if !["warning", "alarm", "zone-d"].contains(&target) {
        faults.push(format!("`target` must be warning, alarm or zone-d, got `{target}`"));
    }
    match from {
        Some(from) if faults.is_empty() => Ok(Label {
            asset: asset.to_owned(),
            span: Truth { from, to: to.unwrap_or(OPEN_END) },
            kind: cell("kind").unwrap_or("not said").to_owned(),
            about,
            point: cell("point").map(str::to_owned),
            life_ends,
            target: target.to_owned(),
        }),
        _ => Err(faults),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz::TimeZone;

    #[test]
    fn four_columns_are_enough_and_eight_are_understood() {
        let text = "# by hand\nasset,start,end,kind\npump,2031-03-01,2031-03-02 12:00,\"seal, leaking\"\n\
                    fan,2031-03-01T00:00:00+01:00,,\n";
        let labels = parse(text.as_bytes(), &TimeZone::UTC).expect("labels");
        assert_eq!(labels[0].kind, "seal, leaking");
        assert_eq!(labels[0].span.to.hours_since(labels[0].span.from), 36.0);
        assert_eq!((labels[1].span.to, labels[1].about, labels[1].kind.as_str()), (OPEN_END, About::Any, "not said"));
        assert_eq!(labels[0].span.from.hours_since(labels[1].span.from), 1.0);
        let text = "target,life_ends,point,about,kind,end,start,asset\n\
                    warning,2031-05-01,vib,machine,wear,,2031-03-01,pump\n";
        let label = &parse(text.as_bytes(), &TimeZone::UTC).expect("labels")[0];
        assert_eq!(
            (label.target.as_str(), label.point.as_deref(), label.about),
            ("warning", Some("vib"), About::Machine)
        );
        assert_eq!(label.life_ends.expect("an end").hours_since(label.span.from), 61.0 * 24.0);
    }

    #[test]
    fn every_fault_is_named_with_its_line() {
        let faults = |text: &str| parse(text.as_bytes(), &TimeZone::UTC).expect_err(text).join("; ");
        let got = faults("asset,begin,kind\n");
        for part in ["no column `start`", "no column `end`", "knows the column `begin`"] {
            assert!(got.contains(part), "{part} in {got}");
        }
        let got = faults(
            "asset,start,end,kind,about,target,life_ends\n,2031-03-01,,,,,\na,then,,,motor,stop,\n\
             a,2031-03-02,2031-03-01,x,,,2031-03-02\n",
        );
        for part in [
            "line 2: `asset` must be there",
            "line 3: `start` must be a time",
            "line 3: `about` must be",
            "line 3: `target` must be",
            "line 4: `end` must not be before",
            "line 4: `life_ends` must be after",
        ] {
            assert!(got.contains(part), "{part} in {got}");
        }
        assert!(parse(b"", &TimeZone::UTC).is_err());
    }
}
