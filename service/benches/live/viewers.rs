//! People who have the page open while readings stream in: what a browser asks of the daemon, without a browser.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// A page loads the list and a trend so often.
const EVERY: Duration = Duration::from_secs(3);
/// The year that is looked at holds the recording.
const TREND: &str =
    "/machines/id-fan/trend.json?point=vib_de_h&from=2030-04-10T00:00:00Z&to=2031-04-10T00:00:00Z&width=720";

#[derive(Default)]
struct Seen {
    over: AtomicBool,
    answers: AtomicU64,
    micros: AtomicU64,
    /// Events of the live lists.
    events: AtomicU64,
}

/// All of them.
pub(crate) struct Viewers {
    seen: Arc<Seen>,
    threads: Vec<JoinHandle<()>>,
}

impl Viewers {
    /// Opens so many pages.
    pub(crate) fn open(port: u16, pages: usize) -> Self {
        let seen = Arc::new(Seen::default());
        let mut threads = Vec::new();
        for _ in 0..pages {
            let (list, live) = (seen.clone(), seen.clone());
            threads.push(std::thread::spawn(move || loads(port, &list)));
            threads.push(std::thread::spawn(move || follows(port, &live)));
        }
        Self { seen, threads }
    }

    /// Closes them and says what they got: a page nobody answers would cost nothing.
    pub(crate) fn close(self, within: Duration) {
        self.seen.over.store(true, Ordering::Relaxed);
        if self.threads.is_empty() {
            return;
        }
        for thread in self.threads {
            thread.join().expect("a page");
        }
        let of = |count: &AtomicU64| count.load(Ordering::Relaxed);
        let answers = of(&self.seen.answers);
        assert!(answers > 0 && of(&self.seen.events) > 0, "the pages were never answered");
        println!(
            "  pages: in {:.1} s {answers} lists and trends, {:.1} ms each, and {} events of live lists",
            within.as_secs_f64(),
            of(&self.seen.micros) as f64 * 1e-3 / answers as f64,
            of(&self.seen.events)
        );
    }
}

fn asked(port: u16, path: &str) -> std::io::Result<TcpStream> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    stream.set_read_timeout(Some(Duration::from_millis(200)))?;
    let head = "Connection: close\r\nAccept: text/html\r\nAccept-Encoding: gzip\r\nHost: 127.0.0.1";
    stream.write_all(format!("GET {path} HTTP/1.1\r\n{head}:{port}\r\n\r\n").as_bytes())?;
    Ok(stream)
}

/// Reads on until the other end is done or it is over; gives what `take` is to see of it.
fn read(mut stream: TcpStream, seen: &Seen, mut take: impl FnMut(&[u8])) {
    let mut bytes = [0u8; 16 * 1024];
    while !seen.over.load(Ordering::Relaxed) {
        match stream.read(&mut bytes) {
            Ok(0) => return,
            Ok(n) => take(&bytes[..n]),
            Err(error) if matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {}
            Err(_) => return,
        }
    }
}

fn loads(port: u16, seen: &Seen) {
    while !seen.over.load(Ordering::Relaxed) {
        let began = Instant::now();
        for path in ["/", TREND] {
            let asked_at = Instant::now();
            let Ok(stream) = asked(port, path) else { continue };
            let mut first = [0u8; 12];
            let mut got = 0;
            read(stream, seen, |bytes| {
                for byte in bytes {
                    if let Some(place) = first.get_mut(got) {
                        *place = *byte;
                    }
                    got += 1;
                }
            });
            // A trend of a machine that has not been heard of yet is none.
            if &first == b"HTTP/1.1 200" {
                seen.answers.fetch_add(1, Ordering::Relaxed);
                seen.micros.fetch_add(asked_at.elapsed().as_micros() as u64, Ordering::Relaxed);
            }
        }
        while began.elapsed() < EVERY && !seen.over.load(Ordering::Relaxed) {
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

fn follows(port: u16, seen: &Seen) {
    while !seen.over.load(Ordering::Relaxed) {
        if let Ok(stream) = asked(port, "/live?show=100") {
            read(stream, seen, |_| {
                seen.events.fetch_add(1, Ordering::Relaxed);
            });
        }
    }
}
