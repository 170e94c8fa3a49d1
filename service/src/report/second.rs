//! The second page: the pictures an analyst asks for, the forecast with its caution, what was before, and room to write down
//! what was found.

use super::canvas::{INK, LINE, Style};
use super::facts::{Asked, Episode, Facts, Looked};
use super::first::picture;
use super::sheet::{BODY, Col, HEADING_HEIGHT, ROW, SMALL, Sheet, col, number_col};
use super::words::{NAME, end, limit, severity_title, target};
use crate::advise::audience::of_plate;
use crate::advise::document::{Finding, RemainingLife};
use crate::advise::local_time::{local_short, span};
use crate::advise::readable::change_word;
use crate::advise::wording::plain;
use crate::chart::spectrum::{Line, Scale, SpectrumChart, Trace, WaveformChart};
use crate::chart::{Palette, Size, Vibration, captures};
use crate::error::Error;
use crate::keep::read::Reader;
use roundsman_models::manipulate::waveform::Motion;

/// Height of the part that is filled in by hand.
const FORM: f32 = 92.0;
/// What a waveform shows: so many turns of the shaft, or so many seconds where no speed is known.
const TURNS: f64 = 10.0;
const SECS: f64 = 0.2;

/// Writes the page.
pub(super) fn write(sheet: &mut Sheet<'_, '_>, facts: &Facts, reader: &Reader, asked: &Asked) -> Result<(), Error> {
    let letters = sheet.canvas.letters;
    let name = letters.cut(&plain(&facts.asset.name, NAME), BODY.bold(), sheet.width() - 170.0);
    sheet.canvas.text(sheet.left, sheet.y + 8.0, BODY.bold(), &name);
    let zone = format!("times in {}", zone_words(asked));
    sheet.canvas.text_to(sheet.right, sheet.y + 8.0, SMALL.muted(), &zone);
    sheet.y += 13.0;
    sheet.canvas.line((sheet.left, sheet.y), (sheet.right, sheet.y), INK, 1.0);
    sheet.y += 2.0;
    vibration(sheet, facts, reader, asked)?;
    remaining(sheet, facts, asked);
    alerts(sheet, facts, asked);
    commands(sheet, facts, asked);
    form(sheet);
    Ok(())
}

pub(super) fn zone_words(asked: &Asked) -> String {
    match jiff::Timestamp::from_microsecond(asked.now.0) {
        Ok(_) if asked.zone == jiff::tz::TimeZone::UTC => "UTC".into(),
        Ok(now) => {
            let offset = now.to_zoned(asked.zone.clone()).strftime("UTC%:z now").to_string();
            asked.zone.iana_name().map_or(offset.clone(), |name| format!("{name} ({offset})"))
        }
        Err(_) => "UTC".into(),
    }
}

fn vibration(sheet: &mut Sheet<'_, '_>, facts: &Facts, reader: &Reader, asked: &Asked) -> Result<(), Error> {
    if facts.looked.is_empty() {
        // Without waveforms there is room for more trends.
        sheet.heading("More trends");
        let why = facts.not_looked.first().map_or("No waveform of this machine is kept.".to_owned(), |why| {
            format!("No waveform could be looked into: {}", plain(why, 200))
        });
        sheet.paragraph(SMALL.muted(), &why, 2);
        let points: Vec<_> = facts.points(3).into_iter().skip(1).take(2).collect();
        let each = ((sheet.room(FORM) - 250.0) / points.len().max(1) as f32).clamp(130.0, 200.0);
        for point in points {
            picture(sheet, facts, reader, asked, point, each)?;
        }
        return Ok(());
    }
    sheet.heading("Spectra and waveforms, newest and reference");
    let (count, kept) = (facts.looked.len() as f32, 300.0);
    let each = ((sheet.room(kept) - 4.0) / count).clamp(88.0, 130.0);
    for looked in &facts.looked {
        row(sheet, facts, looked, asked, each)?;
    }
    Ok(())
}

/// Velocity spectrum, envelope spectrum and waveform of one sensor and direction.
fn row(sheet: &mut Sheet<'_, '_>, facts: &Facts, looked: &Looked, asked: &Asked, height: f32) -> Result<(), Error> {
    let gap = 8.0;
    let wide = (sheet.width() - 2.0 * gap) / 3.0;
    let inner = 300.0;
    let size = Size { width: inner, height: f64::from(height - 3.0) * inner / f64::from(wide) };
    let pictures = [spectrum(facts, looked, asked, size), envelope(facts, looked, size), waveform(looked, asked, size)];
    let mut x = sheet.left;
    for svg in pictures {
        sheet.canvas.picture(x, sheet.y, wide, &svg)?;
        x += wide + gap;
    }
    sheet.y += height;
    Ok(())
}

fn title(looked: &Looked, what: &str) -> String {
    let axis = if looked.sensor.axis.is_empty() { String::new() } else { format!(" {}", looked.sensor.axis) };
    format!("{}{axis}: {what}", plain(&looked.sensor.point, 20))
}

/// Lines of the velocity spectrum the explanation rests on; without one the first multiples of shaft speed.
fn lines(facts: &Facts, looked: &Looked) -> Vec<Line> {
    let explanation = facts.diagnosis.as_ref().and_then(|diagnosis| diagnosis.explanations.first());
    let mut lines: Vec<Line> = Vec::new();
    let axis = looked.newest.axis();
    for sign in explanation.iter().flat_map(|found| &found.support) {
        // An amplitude in another unit is a line of the envelope.
        let of_velocity = sign.amplitude.as_ref().is_some_and(|amplitude| amplitude.unit == "mm/s");
        let here = sign.axis.is_none() || axis.is_none() || sign.axis == axis;
        if let (Some(hz), true, true) = (sign.hz, of_velocity, here) {
            let label = sign.order.map_or(String::new(), |order| format!("{}×", crate::advise::wording::number(order)));
            lines.push(Line { hz, label, aside: false });
        }
    }
    if lines.is_empty()
        && let Some(shaft) = looked.newest.shaft_hz()
    {
        lines.extend((1..=3).map(|k| Line { hz: shaft * f64::from(k), label: format!("{k}×"), aside: false }));
    }
    lines
}

fn spectrum(facts: &Facts, looked: &Looked, asked: &Asked, size: Size) -> String {
    let (values, step) = looked.newest.spectrum(Motion::Velocity, asked.units);
    let before = looked.reference.as_ref().map(|reference| reference.spectrum(Motion::Velocity, asked.units));
    let mut traces = vec![Trace { name: "newest", values: &values, step }];
    if let Some((values, step)) = &before {
        traces.push(Trace { name: "reference", values, step: *step });
    }
    let lines = lines(facts, looked);
    let highest = lines.iter().map(|line| line.hz).fold(0.0_f64, f64::max);
    // Twelve turns a turn holds what unbalance, alignment and looseness show; more when a marked line is higher.
    let reach = looked.newest.shaft_hz().map_or(500.0, |shaft| 12.0 * shaft).max(1.2 * highest);
    let end = step * values.len() as f64;
    let sign = format!("{} peak", asked.units.shown(Vibration::unit(Motion::Velocity)).sign);
    let chart = SpectrumChart {
        title: &title(looked, "velocity"),
        sign: &sign,
        traces: &traces,
        lines: &lines,
        hz: (0.0, reach.min(end)),
        scale: Scale::Hz,
    };
    chart.draw(size, &Palette::PRINT).svg
}

fn envelope(facts: &Facts, looked: &Looked, size: Size) -> String {
    let bearings = captures::bearings(&facts.asset.plate, &looked.sensor.point);
    let lines = looked.newest.envelope_lines(&bearings);
    let mut traces = Vec::new();
    let mut reach = 500.0;
    if let Some((depth, _, step)) = looked.newest.envelope() {
        traces.push(Trace { name: "newest", values: depth, step });
        let highest = lines.iter().map(|line| line.hz).fold(0.0_f64, f64::max);
        let usual = looked.newest.shaft_hz().map_or(500.0, |shaft| 20.0 * shaft);
        reach = usual.max(1.1 * highest).min(step * depth.len() as f64);
    }
    if let Some((depth, _, step)) = looked.reference.as_ref().and_then(Vibration::envelope) {
        traces.push(Trace { name: "reference", values: depth, step });
    }
    let chart = SpectrumChart {
        title: &title(looked, "envelope"),
        sign: "modulation depth",
        traces: &traces,
        lines: &lines,
        hz: (0.0, reach),
        scale: Scale::Hz,
    };
    chart.draw(size, &Palette::PRINT).svg
}

fn waveform(looked: &Looked, asked: &Asked, size: Size) -> String {
    let values = looked.newest.waveform(Motion::Acceleration, asked.units);
    let step = 1.0 / looked.newest.capture.rate_hz.max(f64::MIN_POSITIVE);
    let traces = [Trace { name: "newest", values: &values, step }];
    let secs = looked.newest.shaft_hz().filter(|hz| *hz > 0.0).map_or(SECS, |hz| TURNS / hz);
    let sign = asked.units.shown(Vibration::unit(Motion::Acceleration)).sign;
    let chart = WaveformChart {
        title: &title(looked, "acceleration"),
        sign: &sign,
        traces: &traces,
        secs: (0.0, secs.min(step * values.len() as f64)),
    };
    chart.draw(size, &Palette::PRINT).svg
}

fn remaining(sheet: &mut Sheet<'_, '_>, facts: &Facts, asked: &Asked) {
    sheet.heading("Remaining life");
    let Some(life) = facts.remaining() else {
        sheet.paragraph(BODY, "No statement has been made yet.", 1);
        return;
    };
    if life.forecasts.is_empty() {
        let why = life.none_because.as_ref().map_or("no reason was given".into(), |why| plain(why, 400));
        sheet.paragraph(BODY, &format!("No forecast: {why}."), 3);
    } else {
        const COLUMNS: [Col; 5] = [
            col("Point, until it reaches", 2.8),
            col("Limit and its source", 2.8),
            number_col("1 in 10 sooner than", 1.7),
            number_col("Middle", 1.1),
            number_col("9 in 10 sooner than", 2.1),
        ];
        let rows: Vec<Vec<String>> = life
            .forecasts
            .iter()
            .take(4)
            .map(|to| {
                vec![
                    format!("{}, {}", plain(&to.point, NAME), target(&to.target)),
                    limit(&to.limit, asked.units),
                    end(to.p10_hours),
                    end(to.p50_hours),
                    end(to.p90_hours),
                ]
            })
            .collect();
        sheet.table(&COLUMNS, &rows);
    }
    sheet.paragraph(SMALL.muted(), &caution(facts, life, asked), 3);
}

/// The caution, and how earlier statements about this machine came out.
fn caution(facts: &Facts, life: &RemainingLife, asked: &Asked) -> String {
    let at = facts
        .life
        .as_ref()
        .map_or(String::new(), |statement| format!(", counted from {}", local_short(statement.at, &asked.zone)));
    let mut text = format!("Hours of calendar time under the same use{at}.");
    if !life.forecasts.is_empty() {
        text.push_str(
            " An extrapolation of what was measured, no promise: plan by the first column, and look again when use or load change.",
        );
    }
    if life.past_intervals > 0 {
        let (held, all) = (life.past_intervals_held, life.past_intervals);
        text.push_str(&format!(
            " Of {all} earlier intervals for this machine that can be judged, {held} held what came (8 in 10 should)."
        ));
    }
    if let Some(history) = &life.history {
        text.push_str(&format!(" {}", plain(history, 300)));
    }
    text
}

fn alerts(sheet: &mut Sheet<'_, '_>, facts: &Facts, asked: &Asked) {
    let kept = FORM + commands_height(facts);
    let room = ((sheet.room(kept) - HEADING_HEIGHT - ROW - 14.0) / ROW).floor().max(1.0) as usize;
    sheet.heading("Alerts so far");
    if facts.episodes.is_empty() {
        sheet.paragraph(BODY, "None.", 1);
        return;
    }
    const COLUMNS: [Col; 5] =
        [col("Raised", 2.1), col("Worst", 1.1), col("About", 1.4), col("Stands", 1.5), col("What was said last", 4.9)];
    let shown = room.min(facts.episodes.len()).min(24);
    let rows: Vec<Vec<String>> =
        facts.episodes.iter().take(shown).map(|episode| episode_row(episode, facts, asked)).collect();
    sheet.table(&COLUMNS, &rows);
    let more = facts.episodes.len() - shown;
    if more > 0 {
        let at_least = if facts.more_episodes { "at least " } else { "" };
        sheet.paragraph(SMALL.muted(), &format!("and {at_least}{more} earlier, which “roundsman export” lists"), 1);
    }
}

fn episode_row(episode: &Episode, facts: &Facts, asked: &Asked) -> Vec<String> {
    let alert = &episode.last;
    let about = match &alert.finding {
        Finding::Machine => "machine".into(),
        Finding::Sensor(point) => format!("sensor {}", plain(point, NAME)),
        Finding::Silence => "no data".into(),
    };
    let stands = match episode.is_open() {
        true => format!("open, {}", change_word(alert.change)),
        false => format!("over, {}", span(((alert.at.0 - alert.raised_at.0) as f64 / 3.6e9).max(0.0))),
    };
    vec![
        local_short(alert.raised_at, &asked.zone),
        severity_title(alert.worst).to_lowercase(),
        about,
        stands,
        plain(&asked.audience().alert(alert, of_plate(&facts.asset.plate)), 400),
    ]
}

fn commands_height(facts: &Facts) -> f32 {
    match facts.commands.len() {
        0 => 0.0,
        some => HEADING_HEIGHT + ROW * (some.min(3) + 1) as f32 + 4.0,
    }
}

fn commands(sheet: &mut Sheet<'_, '_>, facts: &Facts, asked: &Asked) {
    let room = ((sheet.room(FORM) - HEADING_HEIGHT - ROW - 4.0) / ROW).floor().max(0.0) as usize;
    if facts.commands.is_empty() || room == 0 {
        return;
    }
    sheet.heading("What people did");
    const COLUMNS: [Col; 4] =
        [col("When", 1.6), col("Who", 1.6), col("What became of it", 4.0), col("What they said", 3.0)];
    let rows: Vec<Vec<String>> = facts
        .commands
        .iter()
        .take(room.min(6))
        .map(|row| {
            vec![
                local_short(row.at.unwrap_or(row.received), &asked.zone),
                plain(&row.by, NAME),
                plain(&asked.audience().deed(row).0, 300),
                row.note.as_ref().map_or(String::new(), |note| plain(note, 300)),
            ]
        })
        .collect();
    sheet.table(&COLUMNS, &rows);
}

/// At the foot of the page: what is written down by hand at the machine, and entered afterwards.
fn form(sheet: &mut Sheet<'_, '_>) {
    let (left, right) = (sheet.left, sheet.right);
    let top = sheet.bottom - FORM;
    sheet.canvas.rectangle((left, top, right - left, FORM), None, Some((INK, 0.8)));
    sheet.canvas.text(left + 8.0, top + 13.5, Style::new(9.4).bold(), "Found at the machine");
    let mut x = left + 122.0;
    for choice in ["the alert was right", "it was not", "it was something else"] {
        x = sheet.tick(x, top + 13.5, BODY, choice) + 16.0;
    }
    for (place, words) in ["What was found", "What was done"].iter().enumerate() {
        let y = top + 34.0 + place as f32 * 20.0;
        sheet.canvas.text(left + 8.0, y, SMALL.muted(), words);
        sheet.canvas.line((left + 74.0, y + 1.5), (right - 8.0, y + 1.5), LINE, 0.7);
    }
    let y = top + 74.0;
    let third = (right - left - 16.0) / 3.0;
    for (place, words) in ["Run hours now", "By", "Date and time"].iter().enumerate() {
        let x = left + 8.0 + place as f32 * third;
        let begin = x + sheet.canvas.letters.width(words, SMALL) + 6.0;
        sheet.canvas.text(x, y, SMALL.muted(), words);
        sheet.canvas.line((begin, y + 1.5), (x + third - 8.0, y + 1.5), LINE, 0.7);
    }
    let hint =
        "Enter it afterwards as a finding on the alert: what is confirmed or not is what the thresholds are judged by.";
    sheet.canvas.text(left + 8.0, top + 86.5, Style::new(6.8).muted(), hint);
}
