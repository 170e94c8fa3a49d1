//! The broker inside the demo: rumqttd on two loopback ports.
//!
//! Good enough here, where a handful of assets are acknowledged in order, and for nothing else: its window is fixed, its
//! sessions are in memory only, and it cannot be stopped: its threads end with the process. A plant's broker is another
//! program.

use crate::error::{Error, Fault};
use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};
use std::collections::HashMap;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::time::{Duration, Instant};

/// Where it listens. rumqttd speaks one version per port.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Ports {
    /// MQTT 3.1.1, what `mosquitto_sub` speaks unless told else: printed for watchers.
    pub(super) v3: u16,
    /// MQTT 5, for the daemon.
    pub(super) v5: u16,
}

/// Long enough for a busy machine; nothing that works takes as long.
const PATIENCE: Duration = Duration::from_secs(10);

/// Starts it. `port`: the one for watchers, a free one when `None`.
pub(super) fn start(port: Option<u16>) -> Result<Ports, Error> {
    // Both are held until both are known, so that they differ.
    let (first, second) = (bind(port.unwrap_or(0))?, bind(0)?);
    let ports = Ports { v3: local_port(&first)?, v5: local_port(&second)? };
    drop((first, second));
    let config = Config {
        router: RouterConfig {
            max_connections: 100,
            max_outgoing_packet_count: 200,
            max_segment_size: 16 * 1024 * 1024,
            max_segment_count: 10,
            ..RouterConfig::default()
        },
        v4: Some(server("v4", ports.v3)),
        v5: Some(server("v5", ports.v5)),
        ..Config::default()
    };
    std::thread::Builder::new()
        .name("demo-broker".into())
        .spawn(move || {
            // Returns only when both servers have failed; the clients notice.
            if let Err(error) = Broker::new(config).start() {
                tracing::error!("the demo's broker failed: {error}");
            }
        })
        .map_err(|error| Error::new(Fault::Internal, "cannot start the demo's broker").because(error))?;
    let began = Instant::now();
    for port in [ports.v3, ports.v5] {
        while TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_err() {
            if began.elapsed() > PATIENCE {
                return Err(Error::new(Fault::Broker, format!("the demo's broker does not listen on port {port}")));
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }
    Ok(ports)
}

fn bind(port: u16) -> Result<TcpListener, Error> {
    TcpListener::bind((Ipv4Addr::LOCALHOST, port))
        .map_err(|error| Error::new(Fault::Broker, format!("cannot listen on 127.0.0.1:{port}")).because(error))
}

fn local_port(listener: &TcpListener) -> Result<u16, Error> {
    let address = listener.local_addr();
    address.map(|a| a.port()).map_err(|error| Error::new(Fault::Internal, "a port without a number").because(error))
}

fn server(name: &str, port: u16) -> HashMap<String, ServerSettings> {
    let settings = ServerSettings {
        name: name.into(),
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
    HashMap::from([(name.to_owned(), settings)])
}
