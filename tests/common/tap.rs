//! A proxy between daemon and broker that understands MQTT: it notes which messages the daemon acknowledged, the moment
//! the acknowledgement left the daemon and before the broker has it, and can keep the broker's answers from the writer.
//!
//! Source of the packets' form: MQTT 3.1.1 and MQTT 5.0 (OASIS), 2.1 fixed header, 3.1 CONNECT, 3.3 PUBLISH, 3.4 PUBACK.

use roundsman::acquire::mqtt::acks::identity;
use std::collections::HashMap;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// The proxy.
pub struct Tap {
    pub port: u16,
    seen: Arc<Seen>,
}

#[derive(Default)]
struct Seen {
    /// Identity of each message at each acknowledgement the daemon gave, in order.
    acknowledged: Mutex<Vec<u64>>,
    /// Messages passed on to the reader, repeats included.
    passed: AtomicU64,
    hold_writer: AtomicBool,
    /// Acknowledgements of packets that were never sent on their connection.
    stray: AtomicU64,
}

/// One connection: what its version is, whose it is, what lies under which packet id.
struct Link {
    version: u8,
    writer: bool,
    under: Mutex<HashMap<u16, u64>>,
}

impl Tap {
    pub fn new(to: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("its address").port();
        let seen = Arc::new(Seen::default());
        let shared = seen.clone();
        std::thread::spawn(move || {
            for daemon in listener.incoming().map_while(Result::ok) {
                let shared = shared.clone();
                std::thread::spawn(move || connection(daemon, to, &shared));
            }
        });
        Self { port, seen }
    }

    /// Identities ([`identity`]) of the messages acknowledged so far, one for each acknowledgement.
    pub fn acknowledged(&self) -> Vec<u64> {
        self.seen.acknowledged.lock().expect("no panic").clone()
    }

    /// How many acknowledgements the daemon has given.
    pub fn acknowledgements(&self) -> usize {
        self.seen.acknowledged.lock().expect("no panic").len()
    }

    /// Messages passed on to the daemon.
    pub fn passed(&self) -> u64 {
        self.seen.passed.load(Ordering::SeqCst)
    }

    /// Acknowledgements of nothing: they could hit another message.
    pub fn stray(&self) -> u64 {
        self.seen.stray.load(Ordering::SeqCst)
    }

    /// While true, nothing the broker says reaches the daemon's writer: as slow as a consumer of alerts can be.
    pub fn hold_writer(&self, hold: bool) {
        self.seen.hold_writer.store(hold, Ordering::SeqCst);
    }
}

fn connection(mut daemon: TcpStream, to: u16, seen: &Arc<Seen>) {
    let Ok(mut broker) = TcpStream::connect(("127.0.0.1", to)) else { return };
    for stream in [&daemon, &broker] {
        stream.set_nodelay(true).expect("a socket option");
    }
    let mut buffer = Vec::new();
    let Some(connect) = next(&mut daemon, &mut buffer) else { return };
    let Some((version, id)) = client(&connect) else { return };
    let link = Arc::new(Link { version, writer: id.ends_with("-out"), under: Mutex::default() });
    if broker.write_all(&connect).is_err() {
        return;
    }
    let (Ok(mut from_broker), Ok(mut into_daemon)) = (broker.try_clone(), daemon.try_clone()) else { return };
    let (other, shared) = (link.clone(), seen.clone());
    std::thread::spawn(move || {
        let mut buffer = Vec::new();
        while let Some(packet) = next(&mut from_broker, &mut buffer) {
            while other.writer && shared.hold_writer.load(Ordering::SeqCst) {
                std::thread::sleep(Duration::from_millis(5));
            }
            if let Some((packet_id, hash)) = published(&packet, other.version) {
                other.under.lock().expect("no panic").insert(packet_id, hash);
                shared.passed.fetch_add(1, Ordering::SeqCst);
            }
            if into_daemon.write_all(&packet).is_err() {
                break;
            }
        }
        close(&from_broker, &into_daemon);
    });
    while let Some(packet) = next(&mut daemon, &mut buffer) {
        // Noted before the broker has it: what was given counts, whether it arrives or not.
        if packet[0] >> 4 == 4 && !link.writer {
            match acknowledged(&packet, &link) {
                Some(hash) => seen.acknowledged.lock().expect("no panic").push(hash),
                None => drop(seen.stray.fetch_add(1, Ordering::SeqCst)),
            }
        }
        if broker.write_all(&packet).is_err() {
            break;
        }
    }
    close(&broker, &daemon);
}

fn close(one: &TcpStream, other: &TcpStream) {
    let _ = one.shutdown(Shutdown::Both);
    let _ = other.shutdown(Shutdown::Both);
}

/// A number of seven bits a byte, and its length.
fn varint(bytes: &[u8]) -> Option<(usize, usize)> {
    let mut value = 0;
    for (place, byte) in bytes.iter().take(4).enumerate() {
        value |= usize::from(byte & 0x7f) << (7 * place);
        if byte & 0x80 == 0 {
            return Some((value, place + 1));
        }
    }
    None
}

/// The next whole packet; `None` when the connection is over.
fn next(from: &mut TcpStream, buffer: &mut Vec<u8>) -> Option<Vec<u8>> {
    loop {
        if let Some((body, digits)) = buffer.get(1..).and_then(varint)
            && buffer.len() > digits + body
        {
            let rest = buffer.split_off(1 + digits + body);
            return Some(std::mem::replace(buffer, rest));
        }
        let mut more = [0; 16 * 1024];
        match from.read(&mut more) {
            Ok(0) | Err(_) => return None,
            Ok(n) => buffer.extend_from_slice(&more[..n]),
        }
    }
}

fn body(packet: &[u8]) -> Option<&[u8]> {
    let (_, digits) = varint(packet.get(1..)?)?;
    packet.get(1 + digits..)
}

fn text(bytes: &[u8]) -> Option<(&[u8], &[u8])> {
    let length = usize::from(u16::from_be_bytes([*bytes.first()?, *bytes.get(1)?]));
    Some((bytes.get(2..2 + length)?, bytes.get(2 + length..)?))
}

fn after_properties(bytes: &[u8], version: u8) -> Option<&[u8]> {
    if version < 5 {
        return Some(bytes);
    }
    let (length, digits) = varint(bytes)?;
    bytes.get(digits + length..)
}

/// Version and client id of a CONNECT.
fn client(packet: &[u8]) -> Option<(u8, String)> {
    let (_, rest) = text(body(packet)?)?;
    let version = *rest.first()?;
    let (id, _) = text(after_properties(rest.get(4..)?, version)?)?;
    Some((version, String::from_utf8_lossy(id).into_owned()))
}

/// Packet id and identity of a PUBLISH at QoS 1.
fn published(packet: &[u8], version: u8) -> Option<(u16, u64)> {
    if packet[0] >> 4 != 3 || packet[0] & 0b110 == 0 {
        return None;
    }
    let (topic, rest) = text(body(packet)?)?;
    let packet_id = u16::from_be_bytes([*rest.first()?, *rest.get(1)?]);
    let payload = after_properties(rest.get(2..)?, version)?;
    Some((packet_id, identity(&String::from_utf8_lossy(topic), payload)))
}

/// Identity of the message a PUBACK is for.
fn acknowledged(packet: &[u8], link: &Link) -> Option<u64> {
    let body = body(packet)?;
    let packet_id = u16::from_be_bytes([*body.first()?, *body.get(1)?]);
    link.under.lock().expect("no panic").remove(&packet_id)
}
