//! Scales and their numbers: round values upwards, round times of the site's zone along.

use super::svg::{Anchor, Svg};
use super::{Palette, Plot};
use crate::analyse::plot::{number, ticks};
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp, Zoned};

/// A range that holds all values with a little air; a fall below 0 only when a value is.
pub fn room(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let (low, high) = values
        .into_iter()
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    if low > high {
        return (0.0, 1.0);
    }
    let span = (high - low).max(1e-3 * high.abs().max(low.abs())).max(1e-9);
    let (lower, upper) = (low - 0.06 * span, high + 0.08 * span);
    // Near 0 the scale begins there: half a scale tells less than a whole one.
    let lower = if low >= 0.0 && (lower < 0.0 || low < 0.4 * high) { 0.0 } else { lower };
    (lower, upper)
}

/// Grid lines and numbers at the left.
pub fn vertical(svg: &mut Svg, plot: &Plot, palette: &Palette) {
    for value in spaced(ticks((plot.low, plot.high)), (plot.bottom - plot.top) / 26.0) {
        let y = plot.y(value);
        let path = format!("M{:.1} {y:.1}H{:.1}", plot.left, plot.right);
        svg.path("grid", &path, "none", palette.grid, "");
        svg.text((plot.left - 6.0, y + 4.0), Anchor::End, "muted", palette.muted, &number(rounded(value)));
    }
}

/// Grid lines and numbers below, of a scale of plain numbers.
pub fn horizontal(svg: &mut Svg, plot: &Plot, palette: &Palette, scale: f64) {
    let wanted = ticks((plot.from * scale, plot.to * scale));
    for value in spaced(wanted, (plot.right - plot.left) / 62.0) {
        let x = plot.x(value / scale);
        svg.path("grid", &format!("M{x:.1} {:.1}V{:.1}", plot.top, plot.bottom), "none", palette.grid, "");
        svg.text((x, plot.bottom + 16.0), Anchor::Middle, "muted", palette.muted, &number(rounded(value)));
    }
}

/// At most so many, evenly left out.
fn spaced(values: Vec<f64>, most: f64) -> Vec<f64> {
    let most = most.max(2.0) as usize;
    let every = values.len().div_ceil(most).max(1);
    values.into_iter().step_by(every).collect()
}

/// A tick is a multiple of a round step: what lies behind the twelfth digit is arithmetic.
fn rounded(value: f64) -> f64 {
    format!("{value:.11e}").parse().unwrap_or(value)
}

/// A time scale's step.
#[derive(Clone, Copy)]
enum Step {
    Secs(i64),
    Days(i64),
    Months(i64),
}

const STEPS: [(f64, Step); 20] = [
    (60.0, Step::Secs(60)),
    (300.0, Step::Secs(300)),
    (900.0, Step::Secs(900)),
    (1800.0, Step::Secs(1800)),
    (3600.0, Step::Secs(3600)),
    (7200.0, Step::Secs(7200)),
    (10_800.0, Step::Secs(10_800)),
    (21_600.0, Step::Secs(21_600)),
    (43_200.0, Step::Secs(43_200)),
    (86_400.0, Step::Days(1)),
    (172_800.0, Step::Days(2)),
    (345_600.0, Step::Days(4)),
    (604_800.0, Step::Days(7)),
    (1_209_600.0, Step::Days(14)),
    (2_629_800.0, Step::Months(1)),
    (7_889_400.0, Step::Months(3)),
    (15_778_800.0, Step::Months(6)),
    (31_557_600.0, Step::Months(12)),
    (157_788_000.0, Step::Months(60)),
    (631_152_000.0, Step::Months(240)),
];

/// Round times of a zone in a range (seconds since 1970), with their labels; at most about `most`.
pub fn times(from: f64, to: f64, most: usize, zone: &TimeZone) -> Vec<(f64, String)> {
    let rough = (to - from) / most.max(1) as f64;
    let (_, step) = STEPS.into_iter().find(|(secs, _)| *secs >= rough).unwrap_or(STEPS[STEPS.len() - 1]);
    round_times(from, to, step, zone).unwrap_or_default()
}

fn round_times(from: f64, to: f64, step: Step, zone: &TimeZone) -> Result<Vec<(f64, String)>, jiff::Error> {
    let first = Timestamp::from_second(from.ceil() as i64)?.to_zoned(zone.clone());
    let day = first.start_of_day()?;
    let mut out: Vec<(f64, String)> = Vec::new();
    let mut push = |at: &Zoned, before: Option<&Zoned>| {
        let secs = at.timestamp().as_second() as f64;
        if secs >= from && secs <= to {
            out.push((secs, label(at, step, before.filter(|b| b.timestamp().as_second() as f64 >= from))));
        }
        secs <= to
    };
    let mut before: Option<Zoned> = None;
    match step {
        // Wall-clock steps: every day begins anew, so that a change of the clocks moves no later tick.
        Step::Secs(secs) => {
            let mut day = day;
            'days: for _ in 0..100 {
                let next = day.checked_add(Span::new().days(1))?.start_of_day()?;
                let mut wall = 0;
                while wall < 86_400 {
                    let at =
                        day.date().at(0, 0, 0, 0).checked_add(Span::new().seconds(wall))?.to_zoned(zone.clone())?;
                    if !push(&at, before.as_ref()) {
                        break 'days;
                    }
                    before = Some(at);
                    wall += secs;
                }
                day = next;
            }
        }
        Step::Days(days) => {
            // Weeks begin on Monday; other steps on the days of the month since 1970, so that zooming keeps them.
            let epoch = jiff::civil::date(1970, 1, 5);
            let since = i64::from(epoch.until(day.date())?.get_days());
            let mut date = day.date().checked_sub(Span::new().days(since.rem_euclid(days)))?;
            for _ in 0..400 {
                let at = date.at(0, 0, 0, 0).to_zoned(zone.clone())?;
                if !push(&at, before.as_ref()) {
                    break;
                }
                before = Some(at);
                date = date.checked_add(Span::new().days(days))?;
            }
        }
        Step::Months(months) => {
            let since = i64::from(day.year()) * 12 + i64::from(day.month()) - 1;
            let begin = since - since.rem_euclid(months);
            for n in 0..400 {
                let month = begin + n * months;
                let (year, month) = (month.div_euclid(12) as i16, month.rem_euclid(12) as i8 + 1);
                let at = jiff::civil::Date::new(year, month, 1)?.at(0, 0, 0, 0).to_zoned(zone.clone())?;
                if !push(&at, before.as_ref()) {
                    break;
                }
                before = Some(at);
            }
        }
    }
    Ok(out)
}

/// As short as it can be read: what changed since the tick before is added.
fn label(at: &Zoned, step: Step, before: Option<&Zoned>) -> String {
    let new_day = before.is_none_or(|b| b.date() != at.date());
    let new_year = before.is_none_or(|b| b.year() != at.year());
    let form = match step {
        Step::Secs(_) if new_day => "%d %b %H:%M",
        Step::Secs(_) => "%H:%M",
        Step::Days(_) if new_year => "%d %b %Y",
        Step::Days(_) => "%d %b",
        Step::Months(12..) => "%Y",
        Step::Months(_) if new_year => "%b %Y",
        Step::Months(_) => "%b",
    };
    at.strftime(form).to_string()
}

/// Grid lines and labels below, of a scale of times.
pub fn time(svg: &mut Svg, plot: &Plot, palette: &Palette, zone: &TimeZone) {
    let most = ((plot.right - plot.left) / 84.0).max(2.0) as usize;
    for (secs, label) in times(plot.from, plot.to, most, zone) {
        let x = plot.x(secs);
        svg.path("grid", &format!("M{x:.1} {:.1}V{:.1}", plot.top, plot.bottom), "none", palette.grid, "");
        svg.text((x, plot.bottom + 16.0), Anchor::Middle, "muted", palette.muted, &label);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn berlin() -> TimeZone {
        TimeZone::get("Europe/Berlin").expect("the zone database")
    }

    /// Source: the clocks of Central Europe went forward on 2026-03-29 at 02:00 (EU directive 2000/84/EC: last Sunday of
    /// March, 01:00 UTC).
    #[test]
    fn ticks_stand_at_round_wall_clock_times_on_both_sides_of_a_clock_change() {
        let from = "2026-03-28T23:00:00Z".parse::<Timestamp>().expect("a time").as_second() as f64;
        let found = times(from, from + 23.0 * 3600.0, 8, &berlin());
        let labels: Vec<_> = found.iter().map(|(_, label)| label.as_str()).collect();
        assert_eq!(
            labels,
            ["29 Mar 00:00", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00", "30 Mar 00:00"]
        );
        let hours: Vec<_> = found.iter().map(|(at, _)| (at - from) / 3600.0).collect();
        assert_eq!(hours, [0.0, 2.0, 5.0, 8.0, 11.0, 14.0, 17.0, 20.0, 23.0]);
    }

    #[test]
    fn every_range_from_minutes_to_decades_has_some_ticks_inside_it() {
        let from = 1_795_392_123.0;
        for secs in [600.0, 3600.0, 86_400.0, 7.0 * 86_400.0, 30.0 * 86_400.0, 366.0 * 86_400.0, 9e8] {
            for most in [4, 10] {
                let found = times(from, from + secs, most, &berlin());
                assert!((1..=most + 2).contains(&found.len()), "{secs} s: {found:?}");
                assert!(found.iter().all(|(at, _)| *at >= from && *at <= from + secs));
                assert!(found.is_sorted_by(|a, b| a.0 < b.0), "{found:?}");
            }
        }
        assert_eq!(times(f64::NAN, 1.0, 5, &berlin()), []);
        assert!(times(-1e300, 1e300, 5, &berlin()).is_empty());
    }

    #[test]
    fn a_range_has_room_and_begins_at_0_where_that_is_near() {
        assert_eq!(room([]), (0.0, 1.0));
        assert_eq!(room([1.0, 4.0]).0, 0.0);
        let (low, high) = room([1480.0, 1490.0]);
        assert!(low > 1470.0 && low < 1480.0 && high > 1490.0);
        let (low, high) = room([3.0, f64::NAN]);
        assert!(low < 3.0 && high > 3.0);
        assert!(room([-1.0, 1.0]).0 < -1.0);
    }
}
