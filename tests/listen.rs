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
