//! `roundsman extras`: what a package carries beside the program — man pages, shell completions, JSON Schemas.
//!
//! Hidden from `--help`: it is for whoever builds a package. The man pages and completions are made from the same
//! definition that parses the command line, so they cannot drift from it.

use crate::cli::Cli;
use crate::error::{Error, Fault};
use crate::schema;
use clap::{Args, CommandFactory};
use clap_complete::{Shell, generate_to};
use std::path::{Path, PathBuf};

/// Arguments of `extras`.
#[derive(Debug, Clone, Args)]
pub struct ExtrasArgs {
    /// Folder to write into; made when missing.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
}

/// Writes `man/`, `completions/` and `schema/` below the folder.
///
/// # Errors
/// A file cannot be written.
pub fn run(args: &ExtrasArgs) -> Result<(), Error> {
    let folder = |name: &str| {
        let path = args.out.join(name);
        std::fs::create_dir_all(&path).map_err(|error| cannot_write(&path, error)).map(|()| path)
    };
    let man = folder("man")?;
    // `roundsman(1)` and one page for each command, `roundsman-check(1)`, as git does it; hidden commands have none.
    clap_mangen::generate_to(Cli::command(), &man).map_err(|error| cannot_write(&man, error))?;
    let completions = folder("completions")?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        generate_to(shell, &mut Cli::command(), "roundsman", &completions)
            .map_err(|error| cannot_write(&completions, error))?;
    }
    let schemas = folder("schema")?;
    for (name, value) in schema::all() {
        let path = schemas.join(name);
        std::fs::write(&path, schema::text(&value)).map_err(|error| cannot_write(&path, error))?;
    }
    Ok(())
}

fn cannot_write(path: &Path, error: std::io::Error) -> Error {
    Error::new(Fault::Io, format!("cannot write {}", path.display())).because(error)
}
