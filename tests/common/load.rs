//! A publisher that costs next to nothing: MQTT 3.1.1 by hand, packets gathered into large writes. It runs as a process
//! of its own, which is the test or the bench started again, and so takes no time from what is measured but its core.
//!
//! Source of the packets' form: MQTT 3.1.1 (OASIS), 3.1 CONNECT, 3.3 PUBLISH, 3.4 PUBACK.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// What tells a process that it is the publisher.
pub const PUBLISHER: &str = "ROUNDSMAN_TEST_PUBLISHER";
/// Messages that may be without the broker's acknowledgement.
const WINDOW: usize = 4000;
/// Bytes gathered for one write.
const WRITE: usize = 32 * 1024;

/// What is to be published.
#[derive(Debug, Clone)]
pub struct Load {
    pub port: u16,
    /// One message per line: topic, a tab, payload.
    pub messages: PathBuf,
    /// Messages a second; 0: as fast as the broker takes them.
    pub rate: u32,
    /// Where the moment of each message's write goes (microseconds since 1970, one a line), when it is wanted.
    pub moments: Option<PathBuf>,
}

/// Microseconds since 1970, the same clock in both processes.
pub fn now_us() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_micros() as i64
}

/// Writes the messages of a load.
pub fn write_messages<'a>(path: &Path, messages: impl Iterator<Item = (&'a str, &'a str)>) {
    let mut file = std::io::BufWriter::new(std::fs::File::create(path).expect("a file"));
    for (topic, payload) in messages {
        writeln!(file, "{topic}\t{payload}").expect("the disk takes it");
    }
    file.flush().expect("the disk takes it");
}

impl Load {
    /// Starts this very program again as the publisher; `arguments` lead it to [`be_the_publisher`].
    pub fn start(&self, arguments: &[&str]) -> Child {
        let moments = self.moments.as_ref().map(|path| path.display().to_string()).unwrap_or_default();
        Command::new(std::env::current_exe().expect("this program"))
            .args(arguments)
            .env(PUBLISHER, format!("{}\n{}\n{}\n{moments}", self.port, self.messages.display(), self.rate))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .expect("the publisher starts")
    }
}

/// In the process that [`Load::start`] started: publishes everything and returns true. Elsewhere: false.
pub fn be_the_publisher() -> bool {
    let Ok(told) = std::env::var(PUBLISHER) else { return false };
    let told: Vec<_> = told.split('\n').collect();
    let [port, messages, rate, moments] = told[..] else { panic!("not what the publisher is told: {told:?}") };
    let (port, rate): (u16, u32) = (port.parse().expect("a port"), rate.parse().expect("a rate"));
    let text = std::fs::read_to_string(messages).expect("the messages");
    let moments_of_writes = publish(port, text.lines().filter_map(|line| line.split_once('\t')), rate);
    if !moments.is_empty() {
        let lines: Vec<_> = moments_of_writes.iter().map(i64::to_string).collect();
        std::fs::write(moments, lines.join("\n")).expect("the disk takes it");
    }
    true
}

fn publish<'a>(port: u16, messages: impl Iterator<Item = (&'a str, &'a str)>, rate: u32) -> Vec<i64> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the broker listens");
    stream.set_nodelay(true).expect("a socket option");
    let id = format!("load-{}", std::process::id());
    let mut connect = b"\x10\0\0\x04MQTT\x04\x02\0\0\0\0".to_vec();
    connect[1] = (12 + id.len()) as u8;
    *connect.last_mut().expect("not empty") = id.len() as u8;
    connect.extend_from_slice(id.as_bytes());
    stream.write_all(&connect).expect("the broker takes it");
    let mut answer = [0; 4];
    stream.read_exact(&mut answer).expect("the broker answers");
    assert_eq!(answer, [0x20, 2, 0, 0], "CONNACK");

    let confirmed = AtomicUsize::new(0);
    let mut reader = stream.try_clone().expect("a second handle");
    let mut moments = Vec::new();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut buffer = [0; 16 * 1024];
            let mut bytes = 0;
            // Nothing but PUBACKs of four bytes comes; the connection is shut when all are there.
            while let Ok(n @ 1..) = reader.read(&mut buffer) {
                bytes += n;
                confirmed.store(bytes / 4, Ordering::Relaxed);
            }
        });
        let began = Instant::now();
        let (mut buffer, mut written) = (Vec::with_capacity(2 * WRITE), 0);
        for (place, (topic, payload)) in messages.enumerate() {
            let due = if rate == 0 { Duration::ZERO } else { Duration::from_secs_f64(place as f64 / f64::from(rate)) };
            let late = began.elapsed() >= due;
            if buffer.len() >= WRITE || (!late && !buffer.is_empty()) || place - written >= WINDOW / 2 {
                stream.write_all(&buffer).expect("the broker takes it");
                buffer.clear();
                let now = now_us();
                moments.iter_mut().skip(written).for_each(|moment| *moment = now);
                written = place;
            }
            while began.elapsed() < due || written >= confirmed.load(Ordering::Relaxed) + WINDOW {
                std::thread::sleep(Duration::from_micros(100));
            }
            let length = 2 + topic.len() + 2 + payload.len();
            buffer.push(0x32);
            for digit in [(length & 0x7f) as u8 | if length > 0x7f { 0x80 } else { 0 }, (length >> 7) as u8] {
                if digit != 0 {
                    buffer.push(digit);
                }
            }
            assert!(length < 0x4000, "two digits are enough here");
            buffer.extend_from_slice(&(topic.len() as u16).to_be_bytes());
            buffer.extend_from_slice(topic.as_bytes());
            buffer.extend_from_slice(&((place % 65_535) as u16 + 1).to_be_bytes());
            buffer.extend_from_slice(payload.as_bytes());
            moments.push(0);
        }
        stream.write_all(&buffer).expect("the broker takes it");
        let all = moments.len();
        let now = now_us();
        moments.iter_mut().skip(written).for_each(|moment| *moment = now);
        while confirmed.load(Ordering::Relaxed) < all {
            std::thread::sleep(Duration::from_micros(200));
        }
        stream.write_all(&[0xe0, 0]).expect("the broker takes it");
        let _ = stream.shutdown(std::net::Shutdown::Both);
    });
    moments
}
