//! The first page: what it is, what was seen and since when, how sure, what it may be, what to look at, and first of all how
//! not to be hurt.

use super::canvas::{Colour, GROUND, INK, MUTED, Style};
use super::facts::{Asked, Facts};
use super::second::zone_words;
use super::sheet::{BODY, Col, HEADING_HEIGHT, ROW, SMALL, Sheet, col, number_col};
use super::words::{NAME, expected, limit, plate, remaining_line, severity_title, value};
use crate::advise::audience::of_plate;
use crate::advise::document::{Alert, Finding, LifeState, RemainingLife, Severity};
use crate::advise::local_time::{local, local_short, span};
use crate::advise::wording::{number, plain};
use crate::chart::stored::{View, trend};
use crate::chart::{Palette, Size};
use crate::error::{Error, Fault};
use crate::keep::read::{PointRow, Reader};
use roundsman_models::EventTime;

/// Before anybody touches a machine. Common practice; the site's rules go before it.
const SAFETY: [&str; 4] = [
    "Isolate, lock out, tag out and verify zero energy by the site's own procedure before any guard is opened or any part touched. \
     Stored energy too: springs, pressure, hot or cold parts, a rotor that coasts or turns by flow.",
    "Readings at a running machine are taken from outside the guards, with no loose clothing, by people trained for it.",
    "Local codes, the maker's manual and licensed practice go before anything written here.",
    "This is advice from measured data and not a machine-protection (trip) system: it stops nothing, and it can be wrong. A machine \
     that sounds, smells or feels wrong is to be treated as wrong, whatever this sheet says.",
];
/// Height of the box they stand in.
const SAFETY_HEIGHT: f32 = 79.0;
/// Days of trend shown before the newest value.
const DAYS: f64 = 60.0;

pub(super) fn colour(severity: Option<Severity>) -> Colour {
    match severity {
        Some(Severity::Alarm) => (0xa3, 0x20, 0x1c),
        Some(Severity::Warning) => (0x8a, 0x5a, 0x00),
        Some(Severity::Advisory) => (0x1f, 0x5a, 0x85),
        None => (0x3a, 0x5f, 0x45),
    }
}

pub(super) fn failed(error: crate::keep::KeepError) -> Error {
    Error::new(Fault::Io, error.to_string())
}

/// Writes the page.
pub(super) fn write(sheet: &mut Sheet<'_, '_>, facts: &Facts, reader: &Reader, asked: &Asked) -> Result<(), Error> {
    head(sheet, facts, asked);
    status(sheet, facts, asked);
    numbers(sheet, facts);
    // The boxes below have their heights; the picture takes what is left.
    let seen = facts.open().map_or(0, |alert| alert.contributions.len().min(5));
    let table = if seen > 0 { HEADING_HEIGHT + ROW * (seen + 1) as f32 + 3.0 } else { 0.0 };
    let below = SAFETY_HEIGHT + 8.0 + table + fault_height(sheet, facts);
    let below = below + 6.0;
    let points = facts.points(2);
    let room = sheet.room(below);
    // Two trends where there is room for two that can be read.
    let both = room > 300.0 && points.len() > 1;
    let each = if both { (room / 2.0).min(200.0) } else { room.min(300.0) };
    for point in points.iter().take(if both { 2 } else { 1 }) {
        picture(sheet, facts, reader, asked, point, each)?;
    }
    if let Some(alert) = facts.open().filter(|_| seen > 0) {
        what_was_seen(sheet, facts, alert, asked);
    }
    fault(sheet, facts);
    safety(sheet);
    Ok(())
}

fn head(sheet: &mut Sheet<'_, '_>, facts: &Facts, asked: &Asked) {
    let (left, right) = (sheet.left, sheet.right);
    let letters = sheet.canvas.letters;
    sheet.canvas.text(left, sheet.y + 8.0, SMALL.muted(), "Machine report");
    let site = plain(&asked.site, NAME);
    sheet.canvas.text_to(
        right,
        sheet.y + 8.0,
        SMALL.muted(),
        &letters.cut(&format!("Site {site}, times in {}", zone_words(asked)), SMALL, 350.0),
    );
    let name = plain(&facts.asset.name, NAME);
    let mut style = Style::new(19.0).bold();
    // A long name gets smaller letters before it is cut.
    while style.size > 11.0 && letters.width(&name, style) > sheet.width() {
        style.size -= 0.5;
    }
    let shown = letters.cut(&name, style, sheet.width());
    sheet.canvas.text(left, sheet.y + 28.0, style, &shown);
    sheet.y += 35.0;
    sheet.canvas.line((left, sheet.y), (right, sheet.y), INK, 1.0);
    sheet.y += 5.0;
    sheet.pairs(&plate(facts, asked.units), 3);
}

fn status(sheet: &mut Sheet<'_, '_>, facts: &Facts, asked: &Asked) {
    let (left, width) = (sheet.left, sheet.width());
    let severity = facts.severity();
    let (title, since, sentence) = match facts.open() {
        Some(alert) => {
            let about = match &alert.finding {
                Finding::Machine => String::new(),
                Finding::Sensor(point) => format!(": sensor {}", plain(point, 60)),
                Finding::Silence => ": no data".into(),
            };
            let gone = match alert.state {
                LifeState::ReturnedUnacknowledged => ", gone again",
                LifeState::Acknowledged => ", acknowledged",
                LifeState::Shelved => ", shelved",
                LifeState::OutOfService => ", out of service",
                LifeState::SuppressedByDesign => ", held back by logic",
                LifeState::Normal | LifeState::Unacknowledged => "",
            };
            (
                format!("{}{about}{gone}", severity_title(alert.severity)),
                Some(alert.raised_at),
                plain(&asked.audience().alert(alert, of_plate(&facts.asset.plate)), 900),
            )
        }
        None => {
            let message = facts.condition.as_ref().map(|condition| plain(&asked.audience().condition(condition), 900));
            (
                "NO ALERT OPEN".into(),
                None,
                message.unwrap_or_else(|| "Nothing has been said of this machine yet.".into()),
            )
        }
    };
    let text = Style::new(9.6);
    let lines = sheet.canvas.letters.wrap(&sentence, text, width - 44.0).len().min(5);
    let height = 27.0 + text.leading() * lines as f32 + 6.0;
    sheet.y += 4.0;
    sheet.canvas.rectangle((left, sheet.y, width, height), Some(GROUND), None);
    sheet.canvas.rectangle((left, sheet.y, 4.0, height), Some(colour(severity)), None);
    sheet.canvas.shape(left + 20.0, sheet.y + 15.0, 15.0, severity, colour(severity));
    let style = Style { colour: colour(severity), ..Style::new(12.5).bold() };
    let room = width - 44.0 - if since.is_some() { 205.0 } else { 0.0 };
    let title = sheet.canvas.letters.cut(&title, style, room);
    sheet.canvas.text(left + 36.0, sheet.y + 19.5, style, &title);
    if let Some(since) = since {
        let hours = (facts.as_of.0 - since.0) as f64 / 3.6e9;
        let lasted = if hours < 0.1 { String::new() } else { format!(", for {}", span(hours)) };
        let text = format!("since {}{lasted}", local(since, &asked.zone));
        sheet.canvas.text_to(left + width - 8.0, sheet.y + 19.0, BODY, &text);
    }
    sheet.canvas.paragraph(left + 36.0, sheet.y + 26.0, width - 44.0, text, &sentence, 5);
    sheet.y += height + 6.0;
}

/// The four things asked first.
fn numbers(sheet: &mut Sheet<'_, '_>, facts: &Facts) {
    let condition = facts.condition.as_ref();
    let hours = condition.map_or("not known".into(), |c| format!("{:.0} h", c.run_hours));
    let state = condition.and_then(|c| c.operating_state.as_ref());
    let state = state.map_or("not known".into(), |state| crate::chart::trend::state_words(state));
    let learned = condition.map_or("not known".into(), |c| format!("{:.0} %", 100.0 * c.learned.clamp(0.0, 1.0)));
    let onset = facts.open().and_then(|alert| alert.onset);
    let onset = onset.map(|at| span(((facts.as_of.0 - at.0) as f64 / 3.6e9).max(0.0)));
    let left = sheet.left;
    let wide = sheet.width();
    let letters = sheet.canvas.letters;
    let cells = [
        ("Run hours since registered", hours, 0.22),
        ("Runs now in", state, 0.24),
        ("Learning done", learned, 0.16),
        (
            "Change began about",
            onset.map_or("not estimated".into(), |ago| format!("{ago} before the newest value")),
            0.38,
        ),
    ];
    let mut x = left;
    for (name, value, share) in cells {
        sheet.canvas.text(x, sheet.y + 8.0, SMALL.muted(), name);
        let shown = letters.cut(&value, BODY.bold(), wide * share - 8.0);
        sheet.canvas.text(x, sheet.y + 19.0, BODY.bold(), &shown);
        x += wide * share;
    }
    sheet.y += 24.0;
    sheet.canvas.text(left, sheet.y + 8.0, SMALL.muted(), "Remaining life, extrapolated");
    let shown = letters.cut(&remaining(facts.remaining()), BODY.bold(), wide);
    sheet.canvas.text(left, sheet.y + 19.0, BODY.bold(), &shown);
    sheet.y += 26.0;
}

fn remaining(life: Option<&RemainingLife>) -> String {
    match life {
        None => "no statement yet".into(),
        Some(life) => match life.forecasts.first() {
            Some(nearest) => format!("{}: {}", plain(&nearest.point, NAME), remaining_line(nearest)),
            None => life.none_because.as_ref().map_or("no forecast".into(), |why| format!("none: {}", plain(why, 300))),
        },
    }
}

/// The trend with band, limits and forecast; as far into the future as the forecast needs, and at most as far as the past.
pub(super) fn picture(
    sheet: &mut Sheet<'_, '_>,
    facts: &Facts,
    reader: &Reader,
    asked: &Asked,
    point: &PointRow,
    height: f32,
) -> Result<(), Error> {
    let to = facts.as_of;
    let from = to.plus_secs(-DAYS * 86_400.0);
    let ahead = facts.remaining().and_then(|life| {
        let of_point = life.forecasts.iter().find(|forecast| forecast.point == point.name)?;
        of_point.p90_hours.or(of_point.p50_hours).or(of_point.p10_hours)
    });
    let ahead = ahead.map_or(0.0, |hours| (hours * 3600.0 * 1.05).min(DAYS * 86_400.0));
    let to = EventTime(to.plus_secs(ahead).0.max(to.0));
    let width = 760.0;
    let scale = f64::from(sheet.width()) / width;
    let size = Size { width, height: f64::from(height - 4.0) / scale };
    let view = View { units: asked.units, zone: &asked.zone, size, palette: &Palette::PRINT };
    let drawn = trend(reader, &facts.asset, point, (from, to), view).map_err(failed)?;
    let (left, y, wide) = (sheet.left, sheet.y, sheet.width());
    sheet.y += sheet.canvas.picture(left, y, wide, &drawn.picture.svg)? + 4.0;
    Ok(())
}

fn what_was_seen(sheet: &mut Sheet<'_, '_>, facts: &Facts, alert: &Alert, asked: &Asked) {
    // The alert speaks of the moment of its last transition, which may be weeks ago; what holds now stands beside it.
    sheet.heading(&format!(
        "What was seen when the alert last changed, {}, and now",
        local_short(alert.at, &asked.zone)
    ));
    const COLUMNS: [Col; 6] = [
        col("Point", 2.0),
        number_col("Then", 1.1),
        number_col("Expected then", 1.3),
        number_col("Now", 1.1),
        col("Limit and its source", 2.9),
        col("Since about", 1.7),
    ];
    let now = |point: &str, unit: &str| {
        let points = facts.condition.as_ref().map(|condition| condition.points.as_slice()).unwrap_or_default();
        let observed = points.iter().find(|known| known.point == point).and_then(|known| known.observed);
        observed.map_or("–".into(), |observed| value(observed, unit, asked.units))
    };
    let rows: Vec<Vec<String>> = alert
        .contributions
        .iter()
        .take(5)
        .map(|part| {
            let unit = &part.observed.unit;
            vec![
                plain(&part.point, NAME),
                value(part.observed.value, unit, asked.units),
                part.expected.as_ref().map_or("–".into(), |e| expected(e.value, part.band, unit, asked.units)),
                now(&part.point, unit),
                part.limit.as_ref().map_or("none passed".into(), |passed| limit(passed, asked.units)),
                part.onset.map_or("–".into(), |at| local_short(at, &asked.zone)),
            ]
        })
        .collect();
    sheet.table(&COLUMNS, &rows);
}

/// The likely fault and the checks, side by side.
const MOST_SIGNS: usize = 6;
const MOST_CHECKS: usize = 7;

/// What is always worth a look (common practice), where no fault is named.
const CHECKS: [&str; 3] = [
    "look, listen and feel from outside the guards: leaks, loose bolts, noise, heat, smell",
    "compare the sensor with a hand-held instrument before anything is taken apart",
    "ask what was changed, cleaned or repaired since the date above",
];

struct Likely {
    title: String,
    signs: Vec<String>,
    checks: Vec<String>,
    caution: Option<String>,
}

fn likely(facts: &Facts) -> Likely {
    let alert = facts.open();
    let found = alert.and_then(|alert| alert.likely_fault.as_ref());
    if let Some(diagnosis) = &facts.diagnosis
        && let Some(first) = diagnosis.explanations.first()
        && diagnosis.answer == crate::advise::diagnosis::Verdict::Likely
        && alert.is_some()
    {
        return Likely {
            title: named(&first.name, diagnosis.place.as_deref(), first.confidence, "from waveforms"),
            signs: signs(first),
            checks: diagnosis.checks.clone(),
            caution: diagnosis.caution.clone(),
        };
    }
    match found {
        Some(fault) => {
            let basis = match fault.basis {
                crate::advise::diagnosis::Basis::Waveform => "from waveforms",
                crate::advise::diagnosis::Basis::Readings => "from readings only: a direction to look in",
            };
            let first = fault.explanations.first();
            let title = match (fault.named().or(first), &fault.place) {
                (Some(first), place) => named(&first.name, place.as_deref(), first.confidence, basis),
                // Readings give a direction, which the alert's own sentence says; they name no fault.
                (None, _) => match fault.basis {
                    crate::advise::diagnosis::Basis::Waveform => {
                        "No single fault is named: no known pattern explains it"
                    }
                    crate::advise::diagnosis::Basis::Readings => "No single fault is named",
                }
                .into(),
            };
            Likely {
                title,
                signs: first.map(signs).unwrap_or_default(),
                checks: fault.checks.clone(),
                caution: fault.caution.clone(),
            }
        }
        None if alert.is_some() => Likely {
            title: "Not named: nothing seen points to one fault".into(),
            signs: Vec::new(),
            checks: Vec::new(),
            caution: None,
        },
        None => Likely { title: "None: no alert is open".into(), signs: Vec::new(), checks: Vec::new(), caution: None },
    }
}

fn named(name: &str, place: Option<&str>, confidence: f64, basis: &str) -> String {
    let place = place.map_or(String::new(), |place| format!(" at {}", plain(place, 60)));
    format!("{}{place}; score {} of 1, {basis}", plain(name, 120), number(confidence))
}

fn signs(explanation: &crate::advise::diagnosis::Explanation) -> Vec<String> {
    let support = explanation.support.iter().map(|sign| format!("+ {}", plain(&sign.text, 200)));
    let against = explanation.against.iter().map(|sign| format!("− {}", plain(&sign.text, 200)));
    support.take(MOST_SIGNS - 1).chain(against).take(MOST_SIGNS).collect()
}

/// What the two columns will take.
fn fault_height(sheet: &Sheet<'_, '_>, facts: &Facts) -> f32 {
    let likely = likely(facts);
    let letters = sheet.canvas.letters;
    let half = (sheet.width() - 16.0) / 2.0;
    let lines =
        |text: &str, style: Style, width: f32, most: usize| letters.wrap(text, style, width).len().min(most) as f32;
    let left = lines(&likely.title, BODY.bold(), half, 3) * BODY.leading()
        + likely.signs.iter().map(|sign| lines(sign, SMALL, half, 2) * SMALL.leading()).sum::<f32>();
    let checks = if likely.checks.is_empty() { CHECKS.map(str::to_owned).into() } else { likely.checks.clone() };
    let right = checks
        .iter()
        .take(MOST_CHECKS)
        .map(|check| lines(check, BODY, half - 12.0, 2) * BODY.leading() + 0.6)
        .sum::<f32>()
        + likely.caution.as_ref().map_or(0.0, |caution| lines(caution, SMALL, half, 3) * SMALL.leading() + 1.0);
    HEADING_HEIGHT + left.max(right) + 8.0
}

fn fault(sheet: &mut Sheet<'_, '_>, facts: &Facts) {
    let likely = likely(facts);
    let (left, top) = (sheet.left, sheet.y);
    let half = (sheet.width() - 16.0) / 2.0;
    let most = sheet.bottom - SAFETY_HEIGHT - 10.0;
    sheet.heading_in(left, half, "Likely fault, and what speaks for it");
    let mut y = sheet.canvas.paragraph(left, sheet.y, half, BODY.bold(), &likely.title, 3) + 1.0;
    for sign in &likely.signs {
        if y + BODY.leading() > most {
            break;
        }
        y = sheet.canvas.paragraph(left, y, half, SMALL, sign, 2);
    }
    let lower = y;
    let x = left + half + 16.0;
    sheet.y = top;
    sheet.heading_in(x, half, "What to check");
    let mut y = sheet.y;
    let checks: Vec<String> = match likely.checks.is_empty() {
        false => likely.checks.iter().map(|check| plain(check, 300)).collect(),
        true => CHECKS.map(str::to_owned).into(),
    };
    for check in checks.iter().take(MOST_CHECKS) {
        if y + BODY.leading() > most {
            break;
        }
        let side = BODY.size * 0.82;
        sheet.canvas.rectangle((x, y + 2.6, side, side), None, Some((INK, 0.7)));
        y = sheet.canvas.paragraph(x + side + 5.0, y, half - side - 5.0, BODY, check, 2) + 0.6;
    }
    if let Some(caution) = &likely.caution
        && y + 2.0 * SMALL.leading() < most
    {
        y = sheet.canvas.paragraph(x, y + 1.0, half, Style { colour: MUTED, ..SMALL }, &plain(caution, 300), 3);
    }
    sheet.y = lower.max(y) + 4.0;
}

/// At the foot of the page, whatever is above.
fn safety(sheet: &mut Sheet<'_, '_>) {
    let (left, width) = (sheet.left, sheet.width());
    let top = sheet.bottom - SAFETY_HEIGHT;
    sheet.canvas.rectangle((left, top, width, SAFETY_HEIGHT), None, Some((INK, 1.0)));
    sheet.canvas.text(left + 8.0, top + 12.5, Style::new(9.4).bold(), "Before anybody touches the machine");
    let mut y = top + 16.0;
    for line in SAFETY {
        sheet.canvas.text(left + 8.0, y + SMALL.size, SMALL, "•");
        y = sheet.canvas.paragraph(left + 16.0, y, width - 24.0, SMALL, line, 2);
    }
}
