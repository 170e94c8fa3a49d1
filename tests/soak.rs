//! A day of the site at 200 times its pace through the real broker into the daemon's own binary: memory at the end stands
//! within a tenth of what it was after the first hour of stream.
//!
//! ```text
//! ROUNDSMAN_SOAK=long cargo test -p roundsman --test soak -- --nocapture
//! ```
//!
//! lives the whole day in seven minutes; without it, an hour and a half in half a minute. The day before, on which the
//! baselines are learned, is played without a pace: while a machine learns, what it learns from is gathered and memory
//! grows by that, up to a bound, which `cargo bench --bench memory` measures. `ROUNDSMAN_SOAK=fresh` leaves it out.

mod common;
mod support;

use common::load::{Load, be_the_publisher, write_messages};
use common::process::{Log, Process, arguments};
use common::stretch::{site, stretch};
use common::{Broker, query, wait_for};
use std::time::{Duration, Instant};

/// The site's twelve machines, so many times over: enough that a leak per message or per machine shows.
const COPIES: usize = 5;
const PACE: f64 = 200.0;
const HOUR: f64 = 3600.0;

/// The stretch, for each copy of each machine.
fn copied(from: &str, to: &str) -> Vec<(String, String)> {
    let of_one = stretch(&[], from, to);
    let copies = of_one.iter().flat_map(|sent| {
        (0..COPIES).map(move |copy| {
            let mut levels: Vec<_> = sent.topic.split('/').map(str::to_owned).collect();
            levels[2] = format!("{}-{copy}", levels[2]);
            (levels.join("/"), sent.payload.clone())
        })
    });
    copies.collect()
}

/// The site's configuration with every machine as often.
fn configuration() -> String {
    let text = std::fs::read_to_string(site("roundsman.toml")).expect("the site's configuration");
    let (head, machines) = text.split_at(text.find("[assets.").expect("machines"));
    let mut all = head.to_owned();
    for copy in 0..COPIES {
        for line in machines.lines() {
            let of_copy = line.strip_prefix("[assets.").map(|rest| {
                let end = rest.find(['.', ']']).expect("a name ends");
                format!("[assets.{}-{copy}{}", &rest[..end], &rest[end..])
            });
            all += &of_copy.unwrap_or_else(|| line.to_owned());
            all.push('\n');
        }
    }
    all
}

#[test]
fn memory_at_the_end_of_a_day_is_that_after_its_first_hour() {
    if be_the_publisher() {
        return;
    }
    let form = std::env::var("ROUNDSMAN_SOAK").unwrap_or_default();
    let short = form.is_empty();
    let to = if short { "2031-03-31T01:30:00Z" } else { "2031-04-01T00:00:00Z" };
    let from = "2031-03-31T00:00:00Z";
    let stream_secs = if short { 1.5 * HOUR } else { 24.0 * HOUR };
    let messages = copied(from, to);
    let before = if form == "fresh" { Vec::new() } else { copied("2031-03-29T16:00:00Z", from) };
    let dir = tempfile::tempdir().expect("a temporary directory");
    let file = dir.path().join("messages");
    write_messages(&file, messages.iter().map(|(topic, payload)| (topic.as_str(), payload.as_str())));
    let config = dir.path().join("soak.toml");
    std::fs::write(&config, configuration()).expect("a configuration");
    let broker = Broker::start("");
    let answers = broker.listen(&["-t", "test/answers"]);
    let state = dir.path().join("state");
    let mut all = arguments(&config, broker.port, "soaked", &state);
    for set in [
        "broker.clock=stream",
        r#"commands=[{topic = "roundsman/quillhaven/+/command", actions = "all"}]"#,
        "state.snapshot_every=2 s",
    ] {
        all.extend(["--set".to_owned(), set.to_owned()]);
    }
    let log = Log::default();
    let mut daemon = Process::spawn(support::roundsman(), &all, &log);
    daemon.wait_until_connected(0);
    let myself = ["--exact", "memory_at_the_end_of_a_day_is_that_after_its_first_hour", "--nocapture"];
    let command = r#"{"action":"unshelve","by":"tester","reply_to":"test/answers"}"#;
    let mut asked = 0;
    let mut wait_until_done = || {
        broker.publish(&["-q", "1", "-t", "roundsman/quillhaven/id-fan-0/command", "-m", command]);
        asked += 1;
        wait_for("the stream to be worked on", || answers.on("test/answers").len() >= asked);
    };
    if !before.is_empty() {
        let first = dir.path().join("before");
        write_messages(&first, before.iter().map(|(topic, payload)| (topic.as_str(), payload.as_str())));
        let load = Load { port: broker.port, messages: first, rate: 0, moments: None };
        assert!(load.start(&myself).wait().expect("it ends").success(), "the publisher failed");
        wait_until_done();
        // Started anew: what the allocator keeps of that flood would hide growth.
        daemon.stop();
        let said = log.text().len();
        daemon = Process::spawn(support::roundsman(), &all, &log);
        daemon.wait_until_connected(said);
    }

    let rate = messages.len() as f64 / (stream_secs / PACE);
    let load = Load { port: broker.port, messages: file, rate: rate.round() as u32, moments: None };
    let began = Instant::now();
    let mut publisher = load.start(&myself);
    let stream_now = || began.elapsed().as_secs_f64() * PACE;
    let (mut after_first_hour, mut most) = (None, 0);
    while publisher.try_wait().expect("it can be waited for").is_none() {
        assert!(daemon.is_running(), "the daemon ended:\n{}", log.text());
        let now = daemon.rss_kib().expect("it runs");
        most = most.max(now);
        if stream_now() >= HOUR && after_first_hour.is_none() {
            after_first_hour = Some(now);
        }
        std::thread::sleep(Duration::from_millis(500));
    }
    assert!(publisher.wait().expect("it ends").success(), "the publisher failed");
    wait_until_done();
    let took = began.elapsed();
    let end = daemon.rss_kib().expect("it runs");
    daemon.stop();
    let first = after_first_hour.expect("the stream is longer than an hour");
    println!(
        "{:.1} h of stream of {} machines in {:.0} s ({:.0} times its pace, {} messages, {:.0} a second): resident memory \
         {:.2} MiB after the first hour, {:.2} MiB at the end ({:+.1} %), {:.2} MiB at most",
        stream_secs / HOUR,
        12 * COPIES,
        took.as_secs_f64(),
        stream_secs / took.as_secs_f64(),
        messages.len(),
        messages.len() as f64 / took.as_secs_f64(),
        first as f64 / 1024.0,
        end as f64 / 1024.0,
        (end as f64 / first as f64 - 1.0) * 100.0,
        most as f64 / 1024.0
    );
    assert!(end as f64 <= first as f64 * 1.1, "memory grew by more than a tenth");
    // All of it was lived through: each machine is known, and nothing is left over.
    let known = "SELECT count(*) FROM snapshots WHERE asset GLOB '*-[0-9]'";
    assert_eq!(query(&state, "state.db", known), 12 * COPIES as i64);
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM outbox"), 0);
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM holes"), 0);
}
