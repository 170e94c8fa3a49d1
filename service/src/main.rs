//! `roundsman`: arguments → configuration → what was asked for → exit code.

use clap::Parser;
use roundsman::cli::{CheckArgs, Cli, Command, LogFormat, ReplayArgs, RunArgs};
use roundsman::config::{self, Checked};
use roundsman::error::{Error, Fault};
use roundsman::{analyse, check, demo, evaluate, export, extras, hash_password, replay, report};
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::process::ExitCode;
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(shown) => {
            // Help and version come this way too; clap knows which of them go to the standard output.
            let code = if shown.use_stderr() { Fault::Usage.code() } else { 0 };
            let _ = shown.print();
            return ExitCode::from(code);
        }
    };
    let unless_set = match cli.command {
        // The screen belongs to the alerts; the broker inside says much, and nothing that concerns the person watching.
        Command::Demo(_) => "warn,rumqttd=off",
        _ => "info",
    };
    init_log(unless_set, cli.log_format);
    let result = match &cli.command {
        Command::Demo(args) => demo::run(args),
        Command::Run(args) => run(args),
        Command::Check(args) => run_check(args),
        Command::Replay(args) => run_replay(args),
        Command::Evaluate(args) => evaluate::run(args, &mut std::io::stdout().lock()),
        Command::Analyse(args) => analyse::run(args, &mut std::io::stdout().lock()),
        Command::Export(args) => export::run(args, &mut std::io::stdout().lock()),
        Command::Report(args) => report::run(args),
        Command::HashPassword => hash_password::run(&mut std::io::stdout().lock()),
        Command::Extras(args) => extras::run(args),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            match cli.log_format {
                LogFormat::Text => drop(writeln!(std::io::stderr(), "roundsman: {error}")),
                LogFormat::Json => tracing::error!("{error}"),
            }
            error.exit_code()
        }
    }
}

fn run(args: &RunArgs) -> Result<(), Error> {
    let read = || load(Some(&args.config), &args.set, true);
    roundsman::run::run(&read()?, read)
}

fn run_check(args: &CheckArgs) -> Result<(), Error> {
    if let (Some(time), Some(path)) = (args.listen, &args.write) {
        let proposal = check::proposal(args, time)?;
        check::write_new(path, &proposal.text)?;
        return print(&format_args!("{}\n", proposal.summary(path)));
    }
    if args.config.is_none() {
        // Without a file there is no mapping to show and nothing to sum up.
        let said = "--broker alone says nothing of topics: add --listen 60s --write FILE, or --config FILE";
        return Err(Error::new(Fault::Usage, said));
    }
    let config = check::load(args)?;
    if args.effective {
        return check::effective(args)?.iter().try_for_each(|value| print(&format_args!("{value}\n")));
    }
    print(&check::Summary(&config))?;
    match args.listen {
        None => Ok(()),
        Some(time) => print(&format_args!("\n{}", check::listen(&config, time)?)),
    }
}

fn run_replay(args: &ReplayArgs) -> Result<(), Error> {
    let load = |set: &[String]| load(args.config.as_deref(), set, false);
    match args.sweep.is_empty() {
        true => replay::run(args, load(&args.set)?),
        false => replay::sweep(args, &load, &mut std::io::stdout().lock()),
    }
}

fn load(file: Option<&Path>, set: &[String], needs_broker: bool) -> Result<Checked, Error> {
    let sources = config::Sources { file, env: config::environment(), set, zones: config::zone_names(), needs_broker };
    config::load(&sources).map_err(|faults| Error::config(&faults))
}

/// A reader that has gone (`roundsman check ... | head`) is no fault of anybody's.
fn print(text: &dyn std::fmt::Display) -> Result<(), Error> {
    match write!(std::io::stdout(), "{text}") {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::new(Fault::Io, "cannot write to the standard output").because(error))
        }
        _ => Ok(()),
    }
}

/// Logs go to the standard error; `ROUNDSMAN_LOG` sets what is logged (`debug`, `roundsman=trace` ...).
fn init_log(unless_set: &str, format: LogFormat) {
    let filter = EnvFilter::try_from_env("ROUNDSMAN_LOG").unwrap_or_else(|_| EnvFilter::new(unless_set));
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false);
    match format {
        LogFormat::Text => log.with_ansi(std::io::stderr().is_terminal()).init(),
        LogFormat::Json => log.json().flatten_event(true).with_current_span(false).with_span_list(false).init(),
    }
}
