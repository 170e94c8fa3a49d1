//! `roundsman run` as a process of its own, so that it can be killed, limited and measured from outside.

use super::{PATIENCE, signal, wait_for};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// What a daemon said, or several one after the other. Through a pipe: a file could be full.
#[derive(Debug, Clone, Default)]
pub struct Log(Arc<Mutex<String>>);

impl Log {
    pub fn text(&self) -> String {
        self.0.lock().expect("no panic").clone()
    }
}

/// The daemon.
pub struct Process {
    child: Child,
    log: Log,
}

/// The arguments of `roundsman run` with this configuration, broker and folder of state; a session of its own name, so
/// that several may use one broker.
pub fn arguments(config: &Path, port: u16, client_id: &str, state: &Path) -> Vec<String> {
    let mut arguments = vec!["run".to_owned(), "--config".to_owned(), config.display().to_string()];
    for set in [
        format!("broker.url=mqtt://127.0.0.1:{port}"),
        format!("broker.client_id={client_id}"),
        format!("state.dir={}", state.display()),
    ] {
        arguments.extend(["--set".to_owned(), set]);
    }
    arguments
}

impl Process {
    /// Starts `program` with these arguments; what it says is appended to `log`.
    pub fn spawn(mut program: Command, arguments: &[String], log: &Log) -> Self {
        let mut child = program
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let said = BufReader::new(child.stderr.take().expect("its standard error"));
        let gather = log.0.clone();
        std::thread::spawn(move || {
            for line in said.lines().map_while(Result::ok) {
                let mut log = gather.lock().expect("no panic");
                log.push_str(&line);
                log.push('\n');
            }
        });
        Self { child, log: log.clone() }
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    pub fn log(&self) -> String {
        self.log.text()
    }

    /// Lines of the log with this text in them.
    pub fn lines(&self, text: &str) -> usize {
        self.log().lines().filter(|line| line.contains(text)).count()
    }

    /// Waits until both connections stand and the subscriptions are made, since the log was so long.
    #[track_caller]
    pub fn wait_until_connected(&self, before: usize) {
        wait_for("the daemon to connect", || {
            let log = self.log();
            let log = log.get(before..).unwrap_or_default();
            log.contains("subscribed") && log.contains("writer connected")
        });
    }

    pub fn is_running(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }

    /// SIGTERM, and a clean end.
    #[track_caller]
    pub fn stop(mut self) {
        signal(self.child.id(), "TERM");
        let status = self.end();
        assert!(status.success(), "a clean stop ends with 0, not {status}:\n{}", self.log());
    }

    /// SIGKILL.
    pub fn kill(mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
    }

    /// Its end, which must come.
    #[track_caller]
    pub fn end(&mut self) -> ExitStatus {
        let began = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().expect("it can be waited for") {
                return status;
            }
            assert!(began.elapsed() < PATIENCE, "it does not end:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Resident memory, KiB; `None` once it has ended.
    pub fn rss_kib(&self) -> Option<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).ok()?;
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
        line.trim().strip_suffix("kB")?.trim().parse().ok()
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            let log = self.log();
            let tail: Vec<_> = log.lines().rev().take(30).collect();
            eprintln!("--- the daemon's last lines, newest first ---\n{}", tail.join("\n"));
        }
    }
}
