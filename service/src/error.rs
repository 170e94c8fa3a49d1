//! What ends a command: a message for the engineer, whose fault it is, and whether trying again can help.

use std::error::Error as StdError;
use std::fmt;
use std::process::ExitCode;

/// Whose fault it is; decides the exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The command line cannot be understood.
    Usage,
    /// A recording or another input cannot be read as what it is said to be.
    Data,
    /// The broker cannot be reached or refuses us.
    Broker,
    /// Ours.
    Internal,
    /// A file cannot be read or written.
    Io,
    /// The configuration.
    Config,
}

impl Fault {
    /// The exit code, as `--help` lists it.
    pub fn code(self) -> u8 {
        match self {
            Fault::Usage => 64,
            Fault::Data => 65,
            Fault::Broker => 69,
            Fault::Internal => 70,
            Fault::Io => 74,
            Fault::Config => 78,
        }
    }
}

/// A failure with its reason. The message comes first, the cause is chained behind.
#[derive(Debug)]
pub struct Error {
    fault: Fault,
    message: String,
    retry: bool,
    source: Option<Box<dyn StdError + Send + Sync>>,
}

impl Error {
    /// A failure that trying again does not mend.
    pub fn new(fault: Fault, message: impl Into<String>) -> Self {
        Self { fault, message: message.into(), retry: false, source: None }
    }

    /// A file that cannot be read or written: names it.
    pub fn io(doing: &str, path: &std::path::Path, source: std::io::Error) -> Self {
        Self::new(Fault::Io, format!("cannot {doing} {}", path.display())).because(source)
    }

    /// Every fault of a configuration.
    pub fn config(faults: &[crate::config::Fault]) -> Self {
        let lines: Vec<String> = faults.iter().map(ToString::to_string).collect();
        let head = match faults.len() {
            1 => "the configuration has a fault".to_owned(),
            n => format!("the configuration has {n} faults"),
        };
        Self::new(Fault::Config, format!("{head}:\n  {}", lines.join("\n  ")))
    }

    /// Adds the cause.
    pub fn because(mut self, source: impl Into<Box<dyn StdError + Send + Sync>>) -> Self {
        self.source = Some(source.into());
        self
    }

    /// Marks it as something that may mend by itself.
    pub fn retryable(mut self) -> Self {
        self.retry = true;
        self
    }

    /// Puts what was being worked on (topic, file, asset) before the message.
    pub fn at(mut self, what: &str) -> Self {
        self.message = format!("{what}: {}", self.message);
        self
    }

    /// Whose fault it is.
    pub fn fault(&self) -> Fault {
        self.fault
    }

    /// Whether trying again can help.
    pub fn may_retry(&self) -> bool {
        self.retry
    }

    /// The process's exit code.
    pub fn exit_code(&self) -> ExitCode {
        ExitCode::from(self.fault.code())
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)?;
        let mut cause = self.source.as_ref().map(|s| s.as_ref() as &dyn StdError);
        while let Some(error) = cause {
            write!(f, ": {error}")?;
            cause = error.source();
        }
        Ok(())
    }
}

// `source()` stays `None`: Display already prints the chain, and a caller that prints both would say it twice.
impl StdError for Error {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cause_stands_behind_the_message() {
        let missing = std::io::Error::new(std::io::ErrorKind::NotFound, "no such file");
        let error = Error::io("read", std::path::Path::new("plant.toml"), missing);
        assert_eq!(error.to_string(), "cannot read plant.toml: no such file");
        assert_eq!(error.fault().code(), 74);
        assert!(!error.may_retry());
    }
}
