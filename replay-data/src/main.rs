//! Command line of the generator.

use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use roundsman_replay_data::{Options, PlanChoice, Recording, simulate, steps, write};

/// Makes a simulated recording of roundsman's invented site: readings.parquet, about.toml and labels.csv (what was
/// planted, where and when) and roundsman.toml (the service's configuration for the site). The same arguments give the same bytes.
#[derive(Parser)]
#[command(version, after_help = "Example: roundsman-replay-data --seed 1 --days 60 --out replay-data/quillhaven")]
struct Arguments {
    /// Everything random follows from it.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Length in days.
    #[arg(long, default_value_t = 60)]
    days: u32,
    /// Nominal time between two messages of a machine, in seconds.
    #[arg(long, default_value_t = 300)]
    cadence: u32,
    /// What is planted.
    #[arg(long, value_enum, default_value = "fixed")]
    plan: PlanChoice,
    /// Folder to write into; made when missing.
    #[arg(long)]
    out: PathBuf,
    /// Also writes messages.jsonl: the recording as `mosquitto_sub -F '%j'` would have printed it, with the duplicates
    /// and late messages of a real transport. Large.
    #[arg(long)]
    messages: bool,
}

fn main() -> ExitCode {
    match make(&Arguments::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("roundsman-replay-data: {error}");
            ExitCode::FAILURE
        }
    }
}

fn make(arguments: &Arguments) -> Result<(), Box<dyn std::error::Error>> {
    let Arguments { seed, days, cadence, plan, .. } = *arguments;
    let options = Options { seed, days, cadence_secs: cadence, plan };
    let bar = ProgressBar::new(steps(&options))
        .with_style(ProgressStyle::with_template("{msg:22} {wide_bar} {pos}/{len} machine-days, {eta} left")?);
    bar.set_message("simulating");
    let recording = simulate(&options, |done| bar.set_position(done))?;
    bar.finish_and_clear();
    let spinner = ProgressBar::new_spinner().with_message(format!("writing {} readings", recording.rows.len()));
    spinner.enable_steady_tick(Duration::from_millis(200));
    write::folder(&recording, &arguments.out)?;
    if arguments.messages {
        write::json_lines(&recording, seed, &arguments.out.join("messages.jsonl"))?;
    }
    spinner.finish_and_clear();
    // The recording is written; a reader of this summary who has gone is no fault.
    let _ = summary(&recording, &arguments.out);
    Ok(())
}

fn summary(recording: &Recording, folder: &Path) -> io::Result<()> {
    let mut out = io::stdout().lock();
    let about = &recording.about;
    writeln!(out, "{} readings of {} machines in {}", about.readings, about.assets.len(), folder.display())?;
    about.faults.iter().try_for_each(|fault| writeln!(out, "  {}  {}: {}", fault.start, fault.asset, fault.description))
}
