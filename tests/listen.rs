//! `check --listen` against a real Mosquitto: what maps, what does not and why, and a broker that is not there.

mod common;

use common::{Broker, PATIENCE, free_port};
use roundsman::check::listen;
use roundsman::config::{Checked, Sources, from_text};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

fn config(port: u16, protocol: u8) -> Checked {
    let text = format!(
        r#"
        [site]
        name = "s"
        [broker]
        url = "mqtt://127.0.0.1:{port}"
        protocol = {protocol}
        [[topics]]
        pattern = "plant/{{area}}/{{asset}}/{{point}}"
        payload = {{ format = "json", value = "/v" }}
        [[topics]]
        pattern = "lines/{{asset}}/{{point}}"
        "#
    );
    from_text(Some(&text), &Sources { needs_broker: true, ..Sources::default() })
        .unwrap_or_else(|faults| panic!("{faults:?}"))
}

#[test]
fn what_is_heard_is_mapped_in_both_versions() {
    let broker = Broker::start("");
    broker.publish(&["-r", "-t", "plant/hall/fan/temp", "-m", r#"{"v": 50}"#]);
    for protocol in [5, 3] {
        let done = AtomicBool::new(false);
        let heard = std::thread::scope(|scope| {
            // The subscription cannot be seen from here, so it is published until the listening is over.
            scope.spawn(|| {
                let began = Instant::now();
                while !done.load(Ordering::SeqCst) && began.elapsed() < PATIENCE {
                    broker.publish(&["-t", "plant/hall/pump-7/vib_de", "-m", r#"{"v": 7.5}"#]);
                    broker.publish(&["-t", "plant/hall/pump-8/vib_de", "-m", "no json"]);
                }
            });
            let heard = listen(&config(broker.port, protocol), Duration::from_secs(2));
            done.store(true, Ordering::SeqCst);
            heard.unwrap_or_else(|error| panic!("{error}"))
        });
        let text = heard.to_string();
        let pump = &heard.table.mapped[&("plant/hall/pump-7/vib_de".to_owned(), "vib_de".to_owned())];
        assert_eq!((pump.asset.as_str(), pump.last, pump.only_retained), ("pump-7", 7.5, false), "{text}");
        let fan = &heard.table.mapped[&("plant/hall/fan/temp".to_owned(), "temp".to_owned())];
        assert!(fan.only_retained, "{text}");
        assert!(heard.table.unmapped.keys().any(|(topic, _)| topic == "plant/hall/pump-8/vib_de"), "{text}");
        assert_eq!(heard.table.silent_filters, ["lines/+/+"], "{text}");
    }
}

#[test]
fn a_broker_that_is_not_there_is_one_line_and_its_own_exit_code() {
    let port = free_port();
    let error = listen(&config(port, 5), Duration::from_secs(1)).expect_err("nobody listens there");
    assert_eq!(error.fault().code(), 69);
    let text = error.to_string();
    assert!(text.starts_with(&format!("cannot reach the broker 127.0.0.1:{port}")), "{text}");
    assert_eq!(text.lines().count(), 1, "{text}");
}

/// A configuration that `check --listen --write` proposes on the demo's broker runs as it is and finds what is planted
/// in the recording, of which it heard a few days only.
#[test]
fn a_proposed_configuration_finds_the_planted_faults() {
    let dir = tempfile::tempdir().expect("a folder");
    let port = free_port();
    let site = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../replay-data/quillhaven");
    let roundsman = |args: &[&str]| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_roundsman"));
        command.args(args);
        command
    };
    // A day in some five seconds.
    let mut demo = roundsman(&["demo", "--pace", "17000", "--port", &port.to_string()])
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("the demo starts");
    common::wait_for("the demo's broker", || std::net::TcpStream::connect(("127.0.0.1", port)).is_ok());
    let draft = dir.path().join("draft.toml");
    let (url, file) = (format!("mqtt://127.0.0.1:{port}"), draft.display().to_string());
    let said = roundsman(&["check", "--broker", &url, "--listen", "15s", "--write", &file]).output().expect("it runs");
    let again = roundsman(&["check", "--broker", &url, "--listen", "1s", "--write", &file]).output().expect("it runs");
    demo.kill().expect("it can be killed");
    demo.wait().expect("it ends");
    let words = |output: &std::process::Output| {
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
    };
    assert!(said.status.success(), "{}", words(&said));
    println!("{}", words(&said));
    assert_eq!(again.status.code(), Some(74), "a file that is there is not written over: {}", words(&again));

    let text = std::fs::read_to_string(&draft).expect("the draft");
    println!("{}", text.lines().take(60).collect::<Vec<_>>().join("\n"));
    assert!(text.contains("pattern = \"plant/{area}/{asset}\""), "{text}");
    assert!(text.contains("payload = { format = \"json\", points = \"*\", value = \"/v\", time = \"/t\" }"), "{text}");
    let checked = roundsman(&["check", "--config", &file]).output().expect("it runs");
    assert!(checked.status.success(), "{}", words(&checked));

    let found = dir.path().join("found");
    let replayed = roundsman(&["replay", "--config", &file, "--out"])
        .arg(&found)
        .arg(site.join("readings.parquet"))
        .output()
        .expect("it runs");
    assert!(replayed.status.success(), "{}", words(&replayed));
    let judged =
        roundsman(&["evaluate", "--labels"]).arg(site.join("labels.csv")).arg(&found).output().expect("it runs");
    println!("{}", words(&judged));
    assert!(judged.status.success(), "{}", words(&judged));
    let evaluation = std::fs::read_to_string(found.join("evaluation.json")).expect("evaluation.json");
    let evaluation: serde_json::Value = serde_json::from_str(&evaluation).expect("JSON");
    let labels = evaluation["labels"].as_array().expect("labels");
    assert_eq!(labels.len(), 11, "seven faults and an outage of four machines are planted");
    for label in labels {
        assert!(
            label["found"].as_array().is_some_and(|found| found.iter().any(|f| !f["at"].is_null())),
            "missed: {label}"
        );
    }
}
