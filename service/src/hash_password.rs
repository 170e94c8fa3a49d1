//! `roundsman hash-password`: what stands for a password in the configuration.

use crate::error::{Error, Fault};
use crate::web::passwords;
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};
use std::io::{BufRead, IsTerminal, Write};

/// Asks for a password, twice and unseen at a terminal, and prints its hash.
///
/// # Errors
/// Nothing was given, the two differ, or it is too short.
pub fn run(out: &mut impl Write) -> Result<(), Error> {
    let usage = |message: &str| Error::new(Fault::Usage, message);
    let unreadable = |error| Error::new(Fault::Io, "cannot read the password").because(error);
    let password = if std::io::stdin().is_terminal() {
        let first = ask("Password: ").map_err(unreadable)?;
        if ask("Once more: ").map_err(unreadable)? != first {
            return Err(usage("the two are not the same; nothing was made"));
        }
        first
    } else {
        line().map_err(unreadable)?
    };
    let hash = passwords::hash(&password).map_err(|why| usage(&why))?;
    match writeln!(out, "{hash}") {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::new(Fault::Io, "cannot write to the standard output").because(error))
        }
        _ => Ok(()),
    }
}

fn line() -> std::io::Result<String> {
    let mut text = String::new();
    std::io::stdin().lock().read_line(&mut text)?;
    Ok(text.trim_end_matches(['\r', '\n']).to_owned())
}

/// Shows the typed letters again, whatever happens in between.
struct Unseen(Termios);

impl Drop for Unseen {
    fn drop(&mut self) {
        let _ = tcsetattr(std::io::stdin(), OptionalActions::Flush, &self.0);
    }
}

fn ask(question: &str) -> std::io::Result<String> {
    let mut screen = std::io::stderr();
    write!(screen, "{question}")?;
    screen.flush()?;
    let before = tcgetattr(std::io::stdin())?;
    let mut unseen = before.clone();
    unseen.local_modes.remove(LocalModes::ECHO);
    unseen.local_modes.insert(LocalModes::ECHONL);
    let _again = Unseen(before);
    tcsetattr(std::io::stdin(), OptionalActions::Flush, &unseen)?;
    line()
}
