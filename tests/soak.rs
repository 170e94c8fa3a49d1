//! A day of the site at 200 times its pace through the real broker into the daemon's own binary: memory at the end stands
//! within a tenth of what it was after the first hour of stream.
//!
//! ```text
//! ROUNDSMAN_SOAK=long cargo test --release -p roundsman --test soak -- --nocapture
//! ```
//!
//! lives the whole day in seven minutes; without it, the first 2 h 10 min in forty seconds.

mod common;
mod support;

use common::load::{Load, be_the_publisher, write_messages};
use common::process::{Log, Process, arguments};
use common::stretch::{site, stretch};
use common::{Broker, query, wait_for};
use std::time::{Duration, Instant};

/// The site's twelve machines, so many times over: enough that a leak per message or per machine shows.
const COPIES: usize = 10;
const PACE: f64 = 200.0;
const HOUR: f64 = 3600.0;

#[test]
fn memory_at_the_end_of_a_day_is_that_after_its_first_hour() {
    if be_the_publisher() {
        return;
    }
    let long = std::env::var("ROUNDSMAN_SOAK").is_ok_and(|form| form == "long");
    let to = if long { "2031-04-01T00:00:00Z" } else { "2031-03-31T02:10:00Z" };
    let from = "2031-03-31T00:00:00Z";
    let stream_secs = if long { 24.0 * HOUR } else { 2.0 * HOUR + 600.0 };
    let day = stretch(&[], from, to);
    let messages: Vec<(String, &str)> = (day.iter())
        .flat_map(|sent| {
            (0..COPIES).map(move |copy| {
                let mut levels: Vec<_> = sent.topic.split('/').map(str::to_owned).collect();
                levels[2] = format!("{}-{copy}", levels[2]);
                (levels.join("/"), sent.payload.as_str())
            })
        })
        .collect();
    let dir = tempfile::tempdir().expect("a temporary directory");
    let file = dir.path().join("messages");
    write_messages(&file, messages.iter().map(|(topic, payload)| (topic.as_str(), *payload)));
    let broker = Broker::start("");
    let answers = broker.listen(&["-t", "test/answers"]);
    let state = dir.path().join("state");
    let mut all = arguments(&site("roundsman.toml"), broker.port, "soaked", &state);
    for set in ["broker.clock=stream", "publish.commands=true", "state.snapshot_every=2 s"] {
        all.extend(["--set".to_owned(), set.to_owned()]);
    }
    let log = Log::default();
    let mut daemon = Process::spawn(support::roundsman(), &all, &log);
    daemon.wait_until_connected(0);

    let rate = messages.len() as f64 / (stream_secs / PACE);
    let load = Load { port: broker.port, messages: file, rate: rate.round() as u32, moments: None };
    let myself = ["--exact", "memory_at_the_end_of_a_day_is_that_after_its_first_hour", "--nocapture"];
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
    let command = r#"{"action":"unshelve","by":"tester","reply_to":"test/answers"}"#;
    broker.publish(&["-q", "1", "-t", "roundsman/quillhaven/id-fan-0/command", "-m", command]);
    wait_for("the end of the stream to be worked on", || !answers.on("test/answers").is_empty());
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
    // All of it was lived through: each machine has its trend rows, and nothing is left over.
    let alive = "SELECT count(DISTINCT asset) FROM trend JOIN assets ON id = asset WHERE name GLOB '*-[0-9]'";
    assert_eq!(query(&state, "state.db", alive), 12 * COPIES as i64);
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM outbox"), 0);
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM holes"), 0);
}
