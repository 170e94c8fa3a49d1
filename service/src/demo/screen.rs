//! What the demo shows while it plays: a clock, and every alert as it comes.

use super::links::Played;
use super::table::{WIDTH, fold};
use crate::advise::document::Alert;
use crate::advise::readable;
use crate::advise::wording::minute;
use indicatif::{HumanDuration, ProgressBar, ProgressDrawTarget, ProgressStyle};
use roundsman_models::EventTime;
use std::cell::Cell;
use std::io::{IsTerminal, Write};
use std::sync::atomic::Ordering::Relaxed;
use std::time::{Duration, Instant};

/// Where no bar can be drawn, a line comes as often as this.
const LINE_EVERY: Duration = Duration::from_secs(10);

/// The screen.
pub(super) struct Screen {
    bar: ProgressBar,
    colour: bool,
    began: Instant,
    last_line: Instant,
    readings: u64,
    widest_name: Cell<usize>,
}

impl Screen {
    /// `readings` will be played.
    pub(super) fn new(readings: u64) -> Self {
        let target = ProgressDrawTarget::stderr_with_hz(10);
        let bar = ProgressBar::with_draw_target(Some(readings), target);
        if let Ok(style) = ProgressStyle::with_template("  plant time {msg}  [{bar:24}] {percent:>3} %  {prefix}") {
            bar.set_style(style.progress_chars("=> "));
        }
        let now = Instant::now();
        Self {
            bar,
            colour: std::io::stdout().is_terminal(),
            began: now,
            last_line: now,
            readings,
            widest_name: Cell::new(0),
        }
    }

    /// Prints above the bar. A reader that has gone is no fault of anybody's.
    pub(super) fn say(&self, text: &str) {
        self.bar.suspend(|| {
            let _ = writeln!(std::io::stdout(), "{text}");
        });
    }

    /// One alert: a line with who and how bad, and the sentence below it, for screens of 100 columns.
    pub(super) fn alert(&self, alert: &Alert) {
        let mut widest = self.widest_name.get();
        let line = readable::line(alert, &mut widest, self.colour);
        self.widest_name.set(widest);
        let message = crate::advise::wording::plain(&alert.message, crate::advise::wording::LONGEST);
        let head = line.strip_suffix(&message).unwrap_or(&line).trim_end();
        let mut text = head.to_owned();
        for line in fold(&message, WIDTH - 21) {
            text.push_str("\n                     ");
            text.push_str(&line);
        }
        self.say(&text);
    }

    /// Moves the clock.
    pub(super) fn tick(&mut self, played: &Played) {
        let done = played.readings.load(Relaxed);
        if done == 0 {
            return self.bar.set_message("not yet begun");
        }
        let clock = minute(EventTime(played.clock.load(Relaxed)));
        let seconds = self.began.elapsed().as_secs_f64();
        let rate = done as f64 / seconds.max(1e-3);
        let left = Duration::try_from_secs_f64(self.readings.saturating_sub(done) as f64 / rate.max(1e-3))
            .map_or_else(|_| "?".to_owned(), |left| HumanDuration(left).to_string());
        let speed = format!("{rate:.0} readings/s, {left} left");
        self.bar.set_message(clock.clone());
        self.bar.set_prefix(speed.clone());
        self.bar.set_position(done);
        if self.bar.is_hidden() && self.last_line.elapsed() >= LINE_EVERY {
            self.last_line = Instant::now();
            let percent = 100.0 * done as f64 / (self.readings as f64).max(1.0);
            let _ = writeln!(std::io::stderr(), "  plant time {clock}, {percent:.0} %, {speed}");
        }
    }

    /// Takes the bar away.
    pub(super) fn close(&self) {
        self.bar.finish_and_clear();
    }
}
