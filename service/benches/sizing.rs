//! How much memory and disk a plant of a size takes: the real binary behind the real broker, every asset learned with
//! the default settings. Prints the rows of README's table.
//!
//! `cargo bench -p roundsman --bench sizing`; `ROUNDSMAN_SIZING=100,1000` takes other numbers of assets. What is measured
//! does not depend on the optimiser, so `cargo test -p roundsman --bench sizing` gives the same, slower.
//!
//! Measured is one stretch: learning (25 h of five-minute snapshots) and the hours after it. Disk at full retention is
//! worked out from the measured bytes of a trend row and the rows that are kept, since no bench waits thirteen months.

#[path = "../../tests/common/mod.rs"]
mod common;

use rumqttc::{Client, Event, MqttOptions, Outgoing, Packet, QoS};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// A small plant, a large one, and the cap of `limits.max_assets`.
const ASSETS: [u64; 3] = [100, 1000, 5000];
/// Speed, two vibrations, two temperatures, a current: a usual machine.
const POINTS: [(&str, f64, f64); 6] = [
    ("speed", 1480.0, 4.0),
    ("vib_de", 2.1, 0.1),
    ("vib_nde", 1.7, 0.1),
    ("temp_de", 61.0, 0.8),
    ("temp_nde", 55.0, 0.8),
    ("current", 88.0, 1.5),
];
/// 25 h of learning at five minutes, and ten hours on top.
const SNAPSHOTS: u64 = 300 + 120;
/// Rows of a point that are kept: 5 min for 30 days, 1 h for 396 days, 1 week for two years.
const ROWS_KEPT: u64 = 30 * 288 + 396 * 24 + 104;
/// Messages under way between publisher and engine; far below the broker's queue.
const AHEAD: u64 = 20_000;

fn main() {
    let wanted = std::env::var("ROUNDSMAN_SIZING").ok();
    let sizes: Vec<u64> = match &wanted {
        Some(text) => text.split(',').filter_map(|n| n.trim().parse().ok()).collect(),
        // As a part of the tests it only shows that it still runs.
        None if !std::env::args().any(|arg| arg == "--bench") => vec![],
        None => ASSETS.to_vec(),
    };
    println!("| assets | memory | of it per point | state.db: learned | journal a day | trends at full retention |");
    println!("|---|---|---|---|---|---|");
    for assets in sizes {
        measure(assets);
    }
}

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn measure(assets: u64) {
    let broker = common::Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let state = dir.path().join("state");
    let units = ["rpm", "mm/s rms", "mm/s rms", "degC", "degC", "A"];
    let points: Vec<String> = (POINTS.iter().zip(units))
        .map(|((name, ..), unit)| format!("{name} = {{ value = \"/{name}\", unit = \"{unit}\" }}"))
        .collect();
    let config = format!(
        "site.name = \"sizing\"\nbroker.url = \"mqtt://127.0.0.1:{}\"\nbroker.clock = \"stream\"\nstate.dir = \"{}\"\n\
         journal.keep_days = 1\nalign.cadence = \"5 min\"\nhttp.listen = \"127.0.0.1:0\"\n[[topics]]\n\
         pattern = \"plant/{{asset}}\"\npayload = {{ format = \"json\", time = \"/t\", time_format = \"s\", points = {{ {} }} }}\n",
        broker.port,
        state.display(),
        points.join(", ")
    );
    std::fs::write(dir.path().join("site.toml"), config).expect("writes");
    let log = dir.path().join("log");
    let child = Command::new(env!("CARGO_BIN_EXE_roundsman"))
        .arg("run")
        .arg("--config")
        .arg(dir.path().join("site.toml"))
        .stdout(Stdio::null())
        .stderr(std::fs::File::create(&log).expect("a log file"))
        .spawn()
        .expect("the binary starts");
    let mut daemon = Daemon(child);
    common::wait_for("the daemon's address", || address(&log).is_some());
    let page = || get(&address(&log).expect("an address"));
    common::wait_for("its subscription", || page().contains("roundsman_ready 1\n"));

    let began = Instant::now();
    let applied = || metric(&page(), "roundsman_applied_messages_total") as u64;
    let sent = publish(broker.port, assets, &applied);
    while applied() < sent {
        std::thread::sleep(Duration::from_millis(200));
    }
    let monitored = || metric(&page(), r#"roundsman_assets{state="monitored"}"#) as u64;
    common::wait_for("all to be monitored", || monitored() == assets);
    let took = began.elapsed();
    let page = page();
    let (bytes, rejected): (f64, f64) = (
        metric(&page, "process_resident_memory_bytes"),
        page.lines().filter(|line| line.starts_with("roundsman_rejected_total")).map(value).sum(),
    );
    common::signal(daemon.0.id(), "TERM");
    daemon.0.wait().expect("it ends");
    let on = |file: &str, sql: &str| common::query(&state, file, sql) as f64;
    let rows = on("state.db", "SELECT count(*) FROM trend");
    let trend = on("state.db", "SELECT sum(pgsize) FROM dbstat WHERE name = 'trend'");
    let snapshots = on("state.db", "SELECT sum(pgsize) FROM dbstat WHERE name = 'snapshots'");
    let journal = on("journal.db", "SELECT sum(pgsize) FROM dbstat WHERE name = 'journal'");
    let series = (assets * POINTS.len() as u64) as f64;
    let days = SNAPSHOTS as f64 / 288.0;
    println!(
        "| {assets} | {:.0} MiB | {:.1} KiB | {:.0} MiB | {:.0} MiB | {:.2} GiB |",
        bytes / MIB,
        bytes / 1024.0 / series,
        snapshots / MIB,
        journal / MIB / days,
        trend / rows * ROWS_KEPT as f64 * series / MIB / 1024.0,
    );
    eprintln!(
        "{assets} assets: {sent} messages in {:.0} s, {rejected} not used, {rows} trend rows of {:.1} bytes, {:.0} bytes \
         of journal a message",
        took.as_secs_f64(),
        trend / rows,
        journal / sent as f64
    );
}

const MIB: f64 = 1024.0 * 1024.0;

/// Publishes one message with all points per asset and snapshot. Gives their number.
fn publish(port: u16, assets: u64, applied: &dyn Fn() -> u64) -> u64 {
    let mut options = MqttOptions::new("plant", "127.0.0.1", port);
    options.set_inflight(1000).set_keep_alive(Duration::from_secs(60));
    let (client, mut connection) = Client::new(options, 1000);
    let confirmed = Arc::new(AtomicU64::new(0));
    let counted = confirmed.clone();
    let polling = std::thread::spawn(move || {
        for event in connection.iter() {
            match event {
                Ok(Event::Incoming(Packet::PubAck(_))) => drop(counted.fetch_add(1, Ordering::SeqCst)),
                Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(_) => return,
                Ok(_) => {}
            }
        }
    });
    let mut noise = 0x2545_f491_4f6c_dd1d_u64;
    let mut sent = 0;
    for snapshot in 0..SNAPSHOTS {
        for asset in 0..assets {
            let mut payload = format!(r#"{{"t":{}"#, 1_930_000_000 + 300 * snapshot);
            // Load moves speed and current, and these everything else; one machine is at another hour than the next.
            let load = ((snapshot + 7 * asset) as f64 / 40.0).sin();
            for (name, level, sigma) in POINTS {
                noise ^= noise << 13;
                noise ^= noise >> 7;
                noise ^= noise << 17;
                let uniform = (noise >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
                let value = level + sigma * (2.0 * load + 3.4 * uniform);
                payload.push_str(&format!(r#","{name}":{value:.4}"#));
            }
            payload.push('}');
            client.publish(format!("plant/machine-{asset:04}"), QoS::AtLeastOnce, false, payload).expect("it takes it");
            sent += 1;
            if sent % 1000 == 0 {
                while sent - applied().min(sent) > AHEAD {
                    std::thread::sleep(Duration::from_millis(20));
                }
            }
        }
    }
    while confirmed.load(Ordering::SeqCst) < sent {
        std::thread::sleep(Duration::from_millis(20));
    }
    client.disconnect().expect("it takes it");
    let _ = polling.join();
    sent
}

fn address(log: &Path) -> Option<String> {
    let text = std::fs::read_to_string(log).ok()?;
    let rest = text.split_once(" address=")?.1;
    Some(rest.split_whitespace().next()?.to_owned())
}

fn get(address: &str) -> String {
    let mut stream = TcpStream::connect(address).expect("it listens");
    write!(stream, "GET /metrics HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").expect("it reads");
    let mut page = String::new();
    stream.read_to_string(&mut page).expect("a page");
    page
}

fn metric(page: &str, name: &str) -> f64 {
    page.lines().find(|line| line.strip_prefix(name).is_some_and(|rest| rest.starts_with(' '))).map_or(f64::NAN, value)
}

fn value(line: &str) -> f64 {
    line.rsplit(' ').next().and_then(|text| text.parse().ok()).unwrap_or(f64::NAN)
}
