//! A program of other people's libraries, beside the daemon.

use super::{standards_python, wait_for};
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex};

/// A Python program that is told lines and prints lines of JSON.
pub struct Program {
    child: Child,
    stdin: ChildStdin,
    lines: Arc<Mutex<Vec<Value>>>,
}

impl Program {
    pub fn start(text: &str, port: u16) -> Self {
        let mut child = Command::new(standards_python())
            .args(["-c", text, &port.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python starts");
        let stdin = child.stdin.take().expect("its standard input");
        let out = child.stdout.take().expect("its standard output");
        let lines = Arc::<Mutex<Vec<Value>>>::default();
        let gather = lines.clone();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                gather.lock().expect("no panic").push(serde_json::from_str(&line).unwrap_or(Value::String(line)));
            }
        });
        Self { child, stdin, lines }
    }

    pub fn lines(&self) -> Vec<Value> {
        self.lines.lock().expect("no panic").clone()
    }

    pub fn count(&self, word: &str) -> usize {
        self.lines().iter().filter(|line| *line == word).count()
    }

    /// Tells it a line and waits until it has done what it says.
    #[track_caller]
    pub fn tell(&mut self, line: &str) {
        let done = self.count("done");
        writeln!(self.stdin, "{line}").expect("python reads");
        wait_for(line, || self.count("done") > done);
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
