//! The counters and states as Prometheus text (exposition format 0.0.4).
//!
//! Written by hand: the numbers lie in our own atomics, and the format is three kinds of lines. A test holds it against
//! Prometheus's own `promtool check metrics`, which also knows the conventions for names and units.

use super::Shown;
use super::health::{Health, Level};
use super::host::Host;
use crate::status::{LinkState, REJECTIONS};
use crate::vitals::Histogram;
use std::fmt::Write;

/// The whole page.
pub fn text(shown: &Shown, host: &Host, health: &Health) -> String {
    let (status, vitals) = (&shown.status, &shown.status.vitals);
    let mut page = Page(String::with_capacity(16 << 10));
    page.gauge("roundsman_build_info", "Always 1; the version is the label.", &[("version", health.version)], 1.0);
    page.one("process_start_time_seconds", "Start, seconds since 1970.", shown.since.0 as f64 / 1e6);
    if let Some(bytes) = host.resident_bytes {
        page.one("process_resident_memory_bytes", "Resident memory.", bytes as f64);
    }
    page.one(
        "roundsman_healthy",
        "1 when /healthz says ok, 0 when degraded or failing.",
        truth(health.status == Level::Ok),
    );
    page.one("roundsman_ready", "1 when /readyz says so.", truth(health.ready));

    // What comes in, in the order of its way.
    page.counter("roundsman_received_messages_total", "Messages that arrived.", status.received.get());
    page.counter(
        "roundsman_repeated_messages_total",
        "Of those, messages the broker sent again.",
        status.repeated.get(),
    );
    page.counter("roundsman_journaled_messages_total", "Messages durable in the journal.", status.journaled.get());
    page.counter(
        "roundsman_acknowledged_messages_total",
        "Messages acknowledged to the broker.",
        status.acknowledged.get(),
    );
    page.counter("roundsman_applied_messages_total", "Messages handed to the engines.", vitals.applied.get());
    page.counter("roundsman_accepted_readings_total", "Readings handed to the engines.", status.observed.get());
    page.family("roundsman_rejected_total", "counter", "Messages and readings that were not used, by reason.");
    for reason in REJECTIONS {
        page.sample("roundsman_rejected_total", &[("reason", reason.word())], status.rejected(reason) as f64);
    }
    let lost = status.dropped_unsafe.get();
    page.counter("roundsman_dropped_messages_total", "QoS 0 messages dropped because the disk was too slow.", lost);
    page.counter("roundsman_oversize_messages_total", "Payloads above the limit.", status.oversize.get());
    page.counter("roundsman_scored_snapshots_total", "Snapshots scored.", status.scored.get());

    // What goes out.
    page.family("roundsman_alert_documents_total", "counter", "Alert documents (an alert has several), by severity.");
    for (severity, count) in vitals.alerts() {
        let word = serde_json::to_value(severity).ok();
        let word = word.as_ref().and_then(|word| word.as_str()).unwrap_or("unknown");
        page.sample("roundsman_alert_documents_total", &[("severity", word)], count as f64);
    }
    page.counter("roundsman_commands_total", "Commands carried out or refused.", status.commands.get());
    page.counter("roundsman_delivered_documents_total", "Documents the broker has confirmed.", status.delivered.get());
    page.counter("roundsman_refused_documents_total", "Times the broker refused a document.", status.refused.get());
    page.counter(
        "roundsman_dropped_documents_total",
        "Documents dropped from a full outbox.",
        status.outbox_dropped.get(),
    );
    page.one("roundsman_outbox_documents", "Documents waiting for the broker.", status.outbox.get() as f64);

    page.counter("roundsman_mail_sent_total", "Mails the server has taken.", status.mail_sent.get());
    page.counter("roundsman_mail_refused_total", "Mails the server will never take.", status.mail_refused.get());
    page.counter("roundsman_mail_failures_total", "Times mail had to be tried again.", status.mail_failures.get());
    page.counter(
        "roundsman_mail_dropped_total",
        "Transitions of alerts nobody is told of by mail, because too many waited.",
        status.mail_dropped.get(),
    );
    page.one("roundsman_mail_waiting", "Transitions of alerts that wait for mail.", status.mail_waiting.get() as f64);

    // How far behind, and where it waits.
    page.one(
        "roundsman_lag_seconds",
        "Arrival of the newest message less that of the newest applied.",
        vitals.lag_secs(),
    );
    if let Some(now) = vitals.stream_time.get() {
        page.one("roundsman_stream_time_seconds", "Time by the readings, seconds since 1970.", now.0 as f64 / 1e6);
    }
    page.one(
        "roundsman_unacknowledged_messages",
        "Messages owed an acknowledgement.",
        status.unacknowledged.get() as f64,
    );
    page.family("roundsman_queue_depth", "gauge", "What waits before each part: messages, rows, batches, orders.");
    for (before, depth) in [
        ("journal", &vitals.before_journal),
        ("router", &vitals.before_router),
        ("shards", &vitals.before_shards),
        ("keeper", &vitals.before_keeper),
    ] {
        page.sample("roundsman_queue_depth", &[("before", before)], depth.get() as f64);
    }

    let census = vitals.census();
    page.family("roundsman_assets", "gauge", "Assets, by what is done with them.");
    page.sample("roundsman_assets", &[("state", "learning")], census.learning as f64);
    page.sample("roundsman_assets", &[("state", "monitored")], census.monitored as f64);

    page.family("roundsman_broker_connected", "gauge", "1 while the connection is up.");
    for (link, state) in [("reader", status.reader()), ("writer", status.writer())] {
        page.sample("roundsman_broker_connected", &[("link", link)], truth(state == LinkState::Connected));
    }
    page.family("roundsman_broker_connects_total", "counter", "Times the connection was made.");
    page.sample("roundsman_broker_connects_total", &[("link", "reader")], status.reader_connects.get() as f64);
    page.sample("roundsman_broker_connects_total", &[("link", "writer")], status.writer_connects.get() as f64);
    page.one("roundsman_subscribed_filters", "Topic filters the broker has granted.", status.subscribed.get() as f64);
    page.one("roundsman_quiet_filters", "Of those, filters that bring nothing.", status.quiet_filters().len() as f64);
    page.one(
        "roundsman_stream_holes",
        "Holes in the stream since the start, at most 100.",
        status.holes().len() as f64,
    );

    // The copy, where one is wanted.
    let copy = &status.historian;
    if copy.is_wanted() {
        page.one(
            "roundsman_historian_connected",
            "1 while PostgreSQL takes rows.",
            truth(copy.link() == LinkState::Connected),
        );
        page.family("roundsman_historian_rows_total", "counter", "Rows written to PostgreSQL, by table.");
        for (table, count) in
            [("trend", &copy.trend), ("scores", &copy.scores), ("alerts", &copy.alerts), ("audit", &copy.audit)]
        {
            page.sample("roundsman_historian_rows_total", &[("table", table)], count.get() as f64);
        }
        for (name, help, count) in [
            ("roundsman_historian_missed_rows_total", "Rows, at most, that went by their age first.", &copy.missed),
            ("roundsman_historian_refused_rows_total", "Rows PostgreSQL does not take.", &copy.refused),
            ("roundsman_historian_faults_total", "Attempts that failed and are made again.", &copy.faults),
        ] {
            page.counter(name, help, count.get());
        }
        if let Some(secs) = copy.behind_secs((shown.now)()) {
            page.one("roundsman_historian_behind_seconds", "Time since all there was had been written.", secs);
        }
        if let Some(newest) = copy.newest_row.get() {
            let help = "Newest time in a row that was written, seconds since 1970.";
            page.one("roundsman_historian_newest_row_seconds", help, newest.0 as f64 / 1e6);
        }
    }

    // The disk.
    let name = "roundsman_journal_commit_seconds";
    page.histogram(name, "Time of one commit of the journal, its sync included.", &vitals.journal_commit);
    let name = "roundsman_state_commit_seconds";
    page.histogram(name, "Time of one transaction of state.db, its sync included.", &vitals.state_commit);
    page.counter("roundsman_disk_faults_total", "Failed writes that were tried again.", status.disk_faults.get());
    page.family("roundsman_state_file_bytes", "gauge", "Size of the files in the state directory.");
    for (file, bytes) in &host.files {
        page.sample("roundsman_state_file_bytes", &[("file", file)], *bytes as f64);
    }
    for (name, help, bytes) in [
        ("roundsman_state_disk_free_bytes", "Free on the disk of the state directory.", host.disk_free_bytes),
        ("roundsman_state_disk_size_bytes", "Size of that disk.", host.disk_size_bytes),
    ] {
        if let Some(bytes) = bytes {
            page.one(name, help, bytes as f64);
        }
    }
    page.0
}

fn truth(truth: bool) -> f64 {
    if truth { 1.0 } else { 0.0 }
}

/// The text so far. Names and labels are ours and need no escaping; only numbers vary.
struct Page(String);

impl Page {
    fn family(&mut self, name: &str, kind: &str, help: &str) {
        // Writing to a String cannot fail.
        let _ = writeln!(self.0, "# HELP {name} {help}\n# TYPE {name} {kind}");
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        self.0.push_str(name);
        for (place, (label, text)) in labels.iter().enumerate() {
            let before = if place == 0 { '{' } else { ',' };
            let _ = write!(self.0, "{before}{label}=\"{text}\"");
        }
        if !labels.is_empty() {
            self.0.push('}');
        }
        let _ = writeln!(self.0, " {value}");
    }

    fn gauge(&mut self, name: &str, help: &str, labels: &[(&str, &str)], value: f64) {
        self.family(name, "gauge", help);
        self.sample(name, labels, value);
    }

    fn one(&mut self, name: &str, help: &str, value: f64) {
        self.gauge(name, help, &[], value);
    }

    fn counter(&mut self, name: &str, help: &str, count: u64) {
        self.family(name, "counter", help);
        self.sample(name, &[], count as f64);
    }

    fn histogram(&mut self, name: &str, help: &str, histogram: &Histogram) {
        self.family(name, "histogram", help);
        // The count first: what comes in between is in the buckets and not in `+Inf`, and those may not fall.
        let count = histogram.count();
        let bucket = format!("{name}_bucket");
        for (bound, at_most) in histogram.cumulative() {
            self.sample(&bucket, &[("le", &bound.to_string())], at_most.min(count) as f64);
        }
        self.sample(&bucket, &[("le", "+Inf")], count as f64);
        self.sample(&format!("{name}_sum"), &[], histogram.sum_secs());
        self.sample(&format!("{name}_count"), &[], count as f64);
    }
}
