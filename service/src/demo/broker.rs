//! The broker inside the demo: rumqttd on a loopback port.
//!
//! Good enough here, where a handful of assets are acknowledged in order, and for nothing else: its window is fixed, its
//! sessions are in memory only, and it cannot be stopped: its threads end with the process. A plant's broker is another
//! program.
//!
//! It speaks MQTT 3.1.1 only: rumqttd has a port per version, and the one for 3.1.1 panics on a message that came in by the
//! other with properties. 3.1.1 is what `mosquitto_sub` speaks unless told else, so the daemon speaks it here too.

use crate::error::{Error, Fault};
use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};
use std::collections::HashMap;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::time::{Duration, Instant};

/// Long enough for a busy machine; nothing that works takes as long.
const PATIENCE: Duration = Duration::from_secs(10);

/// Starts it and gives its port. `port`: the one wanted; a free one when `None`.
pub(super) fn start(port: Option<u16>) -> Result<u16, Error> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port.unwrap_or(0))).map_err(|error| {
        let wanted = port.map_or("a free port".to_owned(), |port| format!("port {port}"));
        Error::new(Fault::Broker, format!("the demo's broker cannot have {wanted} of 127.0.0.1")).because(error)
    })?;
    let port = listener
        .local_addr()
        .map_err(|error| Error::new(Fault::Internal, "a port without a number").because(error))?
        .port();
    // rumqttd takes a number and no socket; between here and there somebody else could take it, and then we say so.
    drop(listener);
    let config = Config {
        router: RouterConfig {
            max_connections: 100,
            max_outgoing_packet_count: 200,
            max_segment_size: 16 * 1024 * 1024,
            max_segment_count: 10,
            ..RouterConfig::default()
        },
        v4: Some(server(port)),
        ..Config::default()
    };
    std::thread::Builder::new()
        .name("demo-broker".into())
        .spawn(move || {
            // Returns only when its server has failed; the clients notice.
            if let Err(error) = Broker::new(config).start() {
                tracing::error!("the demo's broker failed: {error}");
            }
        })
        .map_err(|error| Error::new(Fault::Internal, "cannot start the demo's broker").because(error))?;
    let began = Instant::now();
    while TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_err() {
        if began.elapsed() > PATIENCE {
            return Err(Error::new(Fault::Broker, format!("the demo's broker does not listen on port {port}")));
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    Ok(port)
}

fn server(port: u16) -> HashMap<String, ServerSettings> {
    let settings = ServerSettings {
        name: "demo".into(),
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, port)),
        tls: None,
        next_connection_delay_ms: 1,
        connections: ConnectionSettings {
            connection_timeout_ms: 60_000,
            max_payload_size: 1024 * 1024,
            max_inflight_count: 100,
            auth: None,
            external_auth: None,
            dynamic_filters: true,
        },
    };
    HashMap::from([("demo".to_owned(), settings)])
}
