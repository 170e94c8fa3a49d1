//! The command line: `demo | run | check | replay | evaluate | analyse | export`. Parsing only; what a command does is in the module of its name.

use clap::builder::TypedValueParser;
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;
use std::time::Duration;

/// Exit codes, printed by `--help`. The numbers are those of BSD's `sysexits.h`, which service managers know.
pub const EXIT_CODES: &str = "\
Exit codes:
   0  done, or stopped as asked
  64  the command line cannot be understood
  65  the recording or another input file cannot be read as what it is said to be
  69  the broker cannot be reached or refuses us
  70  a fault of ours: please report it with the lines above it
  74  a file cannot be read or written
  78  the configuration has faults; all of them are printed";

/// Watches rotating machines over MQTT.
#[derive(Debug, Parser)]
#[command(
    name = "roundsman",
    version,
    about = "Watches rotating machines over MQTT: learned baselines, drift and sudden-change alerts, remaining life",
    long_about = "Subscribes to a plant's MQTT broker, learns what is normal for each rotating machine in each way it is \
run, tells slow drift from sudden change and from a mere change of load, publishes one alert per episode with its \
evidence, and extrapolates remaining life with its uncertainty.\n\n\
It advises people. It is no protection system: it trips nothing and must not be relied on to.",
    after_help = EXIT_CODES,
    after_long_help = EXIT_CODES,
    max_term_width = 110
)]
pub struct Cli {
    /// Form of the log lines on the standard error.
    #[arg(long, global = true, value_enum, default_value_t, value_name = "FORM")]
    pub log_format: LogFormat,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// Form of the log lines.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum LogFormat {
    /// For people.
    #[default]
    Text,
    /// One JSON object per line, for a log collector.
    Json,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Show all of it on simulated machines, in one process, with nothing to install.
    #[command(
        long_about = "Starts a broker on a free local port, plays a simulated plant through it with a visible clock, \
watches it, and prints the alerts as they come. Ends with what was planted in the data against what was found and when.\n\n\
The exit code is 0 whatever the verdict says; another one means that the demo could not be played.",
        after_long_help = "Examples:\n  roundsman demo\n  roundsman demo --pace 50000\n  roundsman demo --stay\n\n\
While it runs, a second terminal can watch what is published, at the address it prints:\n  \
mosquitto_sub -p PORT -v -t 'roundsman/#'"
    )]
    Demo(DemoArgs),
    /// Watch a plant: the daemon.
    #[command(
        long_about = "Connects to the broker of the configuration file and watches until told to stop. SIGTERM and \
Ctrl-C stop it in order: sources first, then what is under way, then the state is saved. SIGHUP reads the \
configuration again and applies what can be applied; one with faults changes nothing.",
        after_long_help = "Examples:\n  roundsman run --config /etc/roundsman.toml\n  \
roundsman run --config plant.toml --set broker.url=mqtt://localhost:1883\n  \
ROUNDSMAN__BROKER__PASSWORD=... roundsman run --config plant.toml"
    )]
    Run(RunArgs),
    /// Say what is wrong with a configuration, or what it amounts to.
    #[command(
        long_about = "Prints every fault of the configuration at once, each with its path, the rule and the value; \
or, when there is none, what is in effect: assets, points, topic filters, settings that differ from their defaults.\n\n\
With --listen it also connects and shows which topics map to which asset, point and unit, and which map to nothing \
and why. It publishes nothing.\n\n\
With --listen and --write it proposes a configuration from what the broker carries: topics, payloads, machines, points, \
units said or guessed with the reason, how often values come. For a person to edit; a file that is there stays as it is.",
        after_long_help = "Examples:\n  roundsman check --config plant.toml\n  roundsman check --config plant.toml --listen 30s\n  \
roundsman check --config plant.toml --effective\n  \
roundsman check --broker mqtt://localhost:1883 --listen 60s --write draft.toml"
    )]
    Check(CheckArgs),
    /// Play recordings through the same engine and write what would have been published.
    #[command(
        long_about = "Reads recordings (wide or long CSV, Parquet, or JSON Lines as `mosquitto_sub -F '%j'` prints \
them; .gz and .zst are read directly), plays them through the engine that `run` uses, and writes alerts.jsonl, \
scores.csv, remaining-life.csv and summary.json. Several recordings are played in the order given. The clock is the \
recording's: the same recording gives the same files, byte for byte.",
        after_long_help = "Examples:\n  roundsman replay --config plant.toml --out found recording.jsonl.zst\n  \
roundsman replay --out found --asset pump-7 --time-column datetime pump-7.csv\n  \
roundsman replay --out found --asset rig --time-column datetime --ignore anomaly,changepoint \\\n      \
--set learn.run_time=400s rig.csv\n  \
roundsman replay --config plant.toml --out tried --labels labels.csv \\\n      \
--sweep detect.false_warnings_per_year=1,4,12 --sweep alarm.raise_snapshots=2,3,5 recording.jsonl.zst\n\n\
Record a plant with one shell command and replay it later:\n  \
mosquitto_sub -h broker -t 'plant/#' -F '%j' | zstd > recording.jsonl.zst"
    )]
    Replay(ReplayArgs),
    /// Judge the results of a replay against what was true.
    Evaluate(crate::evaluate::EvaluateArgs),
    /// Look inside waveforms: spectra, envelopes, likely fault.
    Analyse(crate::analyse::AnalyseArgs),
    /// Write what is kept of an asset, or of all, as CSV or Parquet.
    Export(crate::export::ExportArgs),
    /// Make a two-page PDF about one machine, for whoever goes to it.
    Report(crate::report::ReportArgs),
    /// Make the hash of a password, for somebody who may sign in at the page.
    #[command(
        long_about = "Reads a password and prints what stands for it in the configuration, under [[users]]. At a terminal \
it asks twice and shows nothing; else it reads the first line of the standard input. The password itself is kept nowhere.",
        after_long_help = "Examples:\n  roundsman hash-password\n  pwgen -s 20 1 | tee password | roundsman hash-password"
    )]
    HashPassword,
    /// Write man pages, shell completions and JSON Schemas, for whoever builds a package.
    #[command(hide = true)]
    Extras(crate::extras::ExtrasArgs),
}

/// Arguments of `demo`.
#[derive(Debug, Clone, Default, Args)]
pub struct DemoArgs {
    /// Seconds of plant time per second of yours; without it as fast as the machine can.
    #[arg(long, value_name = "N", value_parser = parse_pace)]
    pub pace: Option<f64>,
    /// Port of the demo's broker on this machine; a free one when left out.
    #[arg(long, value_name = "PORT")]
    pub port: Option<u16>,
    /// Stop after so many days of the recording.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub days: Option<u16>,
    /// Port of the page on this machine; 8720, or a free one when that is taken.
    #[arg(long, value_name = "PORT")]
    pub page_port: Option<u16>,
    /// When all is played, keep the page up until Ctrl-C; the verdict comes then.
    #[arg(long)]
    pub stay: bool,
    /// Folder of the recorded site; `replay-data/quillhaven` beside you or beside the sources when left out.
    #[arg(long, value_name = "DIR")]
    pub data: Option<PathBuf>,
}

/// Arguments of `run`.
#[derive(Debug, Clone, Args)]
pub struct RunArgs {
    /// The configuration file (TOML).
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
    /// Override one setting; may be given several times.
    #[arg(long = "set", value_name = "KEY=VALUE", long_help = SET_HELP)]
    pub set: Vec<String>,
}

/// Arguments of `check`.
#[derive(Debug, Clone, Args)]
#[command(group = clap::ArgGroup::new("source").args(["config", "broker"]).required(true).multiple(true))]
pub struct CheckArgs {
    /// The configuration file (TOML).
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// The broker, where there is no configuration file yet, or instead of the one in it.
    #[arg(long, value_name = "URL")]
    pub broker: Option<String>,
    /// Print every value in effect with where it came from: file and line, environment, --set, tag list, default.
    #[arg(long, conflicts_with_all = ["listen", "broker"])]
    pub effective: bool,
    /// Connect and listen this long, then show which topics map to what.
    #[arg(long, value_name = "TIME", num_args = 0..=1, default_missing_value = "10s", value_parser = parse_listen)]
    pub listen: Option<Duration>,
    /// Propose a configuration from what was heard and write it to this new file.
    #[arg(long, value_name = "FILE", requires = "listen")]
    pub write: Option<PathBuf>,
    /// Topic filter to listen on for --write; may be given several times. Everything when left out.
    #[arg(long, value_name = "FILTER", requires = "write")]
    pub filter: Vec<String>,
    /// Override one setting; may be given several times.
    #[arg(long = "set", value_name = "KEY=VALUE", long_help = SET_HELP)]
    pub set: Vec<String>,
}

/// Arguments of `replay`.
#[derive(Debug, Clone, Args)]
pub struct ReplayArgs {
    /// The configuration file (TOML); without it every asset and point is registered with defaults.
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Folder for the results; made when missing.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Seconds of the recording per second of yours; without it as fast as the machine can. The results are the same.
    #[arg(long, value_name = "N", value_parser = parse_pace)]
    pub pace: Option<f64>,
    /// Name of the asset a wide recording belongs to.
    #[arg(long, value_name = "NAME")]
    pub asset: Option<String>,
    /// Column that holds the time; found by its usual names when left out.
    #[arg(long, value_name = "COLUMN")]
    pub time_column: Option<String>,
    /// Columns to leave out.
    #[arg(long, value_name = "COLUMN,...", value_delimiter = ',')]
    pub ignore: Vec<String>,
    /// Override one setting; may be given several times.
    #[arg(long = "set", value_name = "KEY=VALUE", long_help = SET_HELP)]
    pub set: Vec<String>,
    /// Zone of times written without an offset (IANA name); default: `site.zone`, else UTC.
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
    /// Threads; default: one per core. The results are the same.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256).map(usize::from))]
    pub threads: Option<usize>,
    /// Play once per combination of settings and compare them; may be given several times. Results go to numbered folders.
    #[arg(long, value_name = "KEY=A,B,C", conflicts_with = "pace", long_help = SWEEP_HELP)]
    pub sweep: Vec<String>,
    /// What was true, to weigh detection against false alerts.
    #[command(flatten)]
    pub truth: crate::evaluate::TruthArgs,
    /// Sort recordings by time, however large. Without it only the first million readings are looked at.
    #[arg(long)]
    pub sort: bool,
    /// Also write every asset's life as a past case that ended with the recording, one file each, into this folder; for
    /// `history.dir`. Give it recordings of machines that were run to their end, and nothing after it.
    #[arg(long, value_name = "DIR")]
    pub as_history: Option<PathBuf>,
    /// The recordings, played in this order.
    #[arg(value_name = "RECORDING", required = true)]
    pub recordings: Vec<PathBuf>,
}

const SWEEP_HELP: &str = "Play the recordings once per value of a setting, in parallel; given several times, once per \
combination: --sweep detect.false_warnings_per_year=1,4,12 --sweep alarm.raise_snapshots=2,3,5. Results go to DIR/01, DIR/02, ..., \
figures to DIR/sweep.csv and, with --labels or --label-column, a plot of detection against false alerts to DIR/sweep.svg. \
Two of the folders are compared by `roundsman evaluate --labels LABELS.csv DIR/01 --against DIR/02`.";

const SET_HELP: &str = "Override one setting, by its path in the configuration file: --set learn.run_time=400s, \
--set 'assets.\"pump 7\".class=pump'. May be given several times. Stronger than the environment \
(ROUNDSMAN__LEARN__RUN_TIME=400s), which is stronger than the file.";

fn parse_pace(text: &str) -> Result<f64, String> {
    let pace: f64 = text.parse().map_err(|_| "must be a number, for example 3600".to_owned())?;
    if pace.is_finite() && pace > 0.0 { Ok(pace) } else { Err("must be finite and above 0".into()) }
}

fn parse_listen(text: &str) -> Result<Duration, String> {
    let secs = crate::config::value::parse_secs(text)?;
    if secs > 0.0 && secs <= 86_400.0 {
        Ok(Duration::from_secs_f64(secs))
    } else {
        Err("must be above 0 s and at most 24 h".into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_definition_holds_together() {
        Cli::command().debug_assert();
    }

    #[test]
    fn the_replay_of_the_issue_parses() {
        let line = "roundsman replay --out o --asset rig --time-column datetime --ignore anomaly,changepoint \
                    --set learn.run_time=400s a.csv b.csv";
        let cli = Cli::try_parse_from(line.split_whitespace()).unwrap();
        let Command::Replay(args) = cli.command else { panic!("not a replay") };
        assert_eq!(args.ignore, ["anomaly", "changepoint"]);
        assert_eq!(args.set, ["learn.run_time=400s"]);
        assert_eq!(args.recordings.len(), 2);
    }

    #[test]
    fn listen_has_a_default_and_takes_a_time() {
        let listen = |line: &str| match Cli::try_parse_from(line.split_whitespace()).map(|c| c.command) {
            Ok(Command::Check(args)) => args.listen,
            other => panic!("{other:?}"),
        };
        assert_eq!(listen("roundsman check --config a"), None);
        assert_eq!(listen("roundsman check --config a --listen"), Some(Duration::from_secs(10)));
        assert_eq!(listen("roundsman check --config a --listen 2min"), Some(Duration::from_secs(120)));
        assert!(Cli::try_parse_from("roundsman check --config a --listen NaN".split_whitespace()).is_err());
    }

    #[test]
    fn a_pace_that_is_no_pace_is_refused() {
        for bad in ["0", "-1", "NaN", "inf", "x"] {
            assert!(parse_pace(bad).is_err(), "{bad}");
        }
    }
}
