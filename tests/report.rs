//! `roundsman report` as a person calls it, judged by other people's tools: pdfinfo, pdffonts and pdftotext (Debian:
//! poppler-utils). Set ROUNDSMAN_REPORTS to a folder to keep the files and look at them.

mod support;

use roundsman::advise::document::{Alert, Document};
use roundsman::keep::Store;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

fn tool(name: &str, args: &[&str], file: &Path) -> String {
    let mut command = Command::new(name);
    command.args(args).arg(file);
    if name == "pdftotext" {
        command.arg("-");
    }
    let done = command.output().unwrap_or_else(|error| {
        panic!("this test needs `{name}` (apt-get install poppler-utils, as tests/run does): {error}")
    });
    assert!(done.status.success(), "{name}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8_lossy(&done.stdout).into_owned()
}

struct Folder {
    dir: tempfile::TempDir,
    keep: Option<PathBuf>,
}

impl Folder {
    fn new() -> Self {
        let keep = std::env::var_os("ROUNDSMAN_REPORTS").map(PathBuf::from);
        Self { dir: tempfile::tempdir().expect("a folder"), keep }
    }

    fn state(&self) -> PathBuf {
        self.dir.path().join("state")
    }

    /// A report, made by the binary; its size and the time it took are judged here.
    #[track_caller]
    fn report(&self, asset: &str, paper: &str, name: &str) -> PathBuf {
        let out = self.keep.clone().unwrap_or_else(|| self.dir.path().to_owned()).join(format!("{name}-{paper}.pdf"));
        let began = Instant::now();
        let done = support::roundsman()
            .args(["report", "--state"])
            .arg(self.state())
            .args([asset, "--paper", paper, "--by", "A. Fitter", "--zone", "Europe/Berlin", "--out"])
            .arg(&out)
            .output()
            .expect("the binary starts");
        let took = began.elapsed();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        let bytes = std::fs::metadata(&out).expect("a file").len();
        println!("{name} on {paper}: {bytes} bytes, {took:?}");
        assert!(bytes < 500_000, "{bytes} bytes");
        out
    }
}

/// What every report must have, whatever it is about.
#[track_caller]
fn holds_together(file: &Path, paper: &str) -> String {
    let info = tool("pdfinfo", &[], file);
    let line = |name: &str| info.lines().find_map(|line| line.strip_prefix(name)).unwrap_or_default().trim().to_owned();
    assert_eq!(line("Pages:"), "2", "{info}");
    let size = line("Page size:");
    assert!(size.contains(if paper == "a4" { "A4" } else { "letter" }), "{size}");
    assert!(line("Title:").starts_with("Machine report: "), "{info}");
    let raw = std::fs::read(file).expect("a file");
    let text = String::from_utf8_lossy(&raw);
    assert!(text.contains("/Lang"), "the language is said");
    let fonts = tool("pdffonts", &[], file);
    let embedded: Vec<_> = fonts.lines().skip(2).collect();
    assert!(!embedded.is_empty() && embedded.iter().all(|line| line.contains("NotoSans")), "{fonts}");
    // Columns from the right: emb sub uni object ID.
    for line in embedded {
        let cells: Vec<_> = line.split_whitespace().rev().collect();
        assert_eq!((cells[4], cells[2]), ("yes", "yes"), "embedded, and text can be copied: {line}");
    }
    let words = tool("pdftotext", &["-layout"], file);
    for needed in [
        "Machine report",
        "Before anybody touches the machine",
        "lock out",
        "not a machine-protection",
        "What to check",
        "Remaining life",
        "Alerts so far",
        "Found at the machine",
        "Page 1 of 2",
        "Page 2 of 2",
        "by A. Fitter",
    ] {
        assert!(words.contains(needed), "no {needed:?} in\n{words}");
    }
    words
}

/// The simulated site's recording, replayed into a state directory by the daemon's own parts, is long; what stands on the pages
/// of an alert is tested on documents put there.
fn put(state: &Path, asset: &str, alerts: &[Alert]) {
    drop(Store::open(state).expect("opens"));
    let connection = rusqlite::Connection::open(state.join("state.db")).expect("opens");
    let number: i64 = connection.query_row("SELECT count(*) + 1 FROM assets", [], |row| row.get(0)).expect("a count");
    connection.execute("INSERT INTO assets VALUES (?1, ?2)", rusqlite::params![number, asset]).expect("a row");
    for (point, (name, unit)) in [("vib_de_h", "mm/s"), ("temp_de", "Cel")].iter().enumerate() {
        connection
            .execute("INSERT INTO points VALUES (?1, ?2, ?3, ?4)", rusqlite::params![number, point as i64, name, unit])
            .expect("a row");
        // Sixty days of hours: a slow rise with a gap.
        for hour in (0..1440i64).filter(|hour| !(500..560).contains(hour)) {
            let t = 1_930_000_000 / 3600 * 3600 + hour * 3600;
            let value = 2.0 + hour as f64 / 400.0 + 0.2 * (hour as f64 / 5.0).sin() + 40.0 * point as f64;
            let row =
                rusqlite::params![number, point as i64, t, value - 0.2, value, value + 0.2, 2.1 + 40.0 * point as f64];
            connection
                .execute(
                    "INSERT INTO trend (tier, asset, point, t, count, min, mean, max, expected_count, expected, expected_low, expected_high)
                     VALUES (3600, ?1, ?2, ?3, 12, ?4, ?5, ?6, 12, ?7, ?7 - 0.4, ?7 + 0.4)",
                    row,
                )
                .expect("a row");
        }
    }
    let life = alerts.last().and_then(|alert| {
        let life = serde_json::to_value(alert.remaining_life.as_ref()?).expect("JSON");
        let at = jiff::Timestamp::from_microsecond(alert.at.0).expect("a time").to_string();
        let schema = "roundsman.remaining-life/1";
        Some(serde_json::json!({"schema": schema, "site": "quillhaven", "asset": asset, "at": at, "remaining_life": life}))
    });
    if let Some(life) = life {
        let row = rusqlite::params![asset, life.to_string().into_bytes()];
        connection.execute("INSERT INTO documents VALUES (?1, 'remaining-life', 0, ?2)", row).expect("a row");
    }
    for alert in alerts {
        connection
            .execute(
                "INSERT INTO alerts VALUES (?1, ?2, ?3, ?4, 'raised', 'unacknowledged', 'warning', ?5)",
                rusqlite::params![alert.id, alert.revision, alert.at.0, asset, alert.to_json().into_bytes()],
            )
            .expect("a row");
    }
}

fn alert(asset: &str, number: u64, open: bool) -> Alert {
    let at = 1_930_000_000 + 86_400 * 55 + number as i64 * 3600;
    let time = |secs: i64| jiff::Timestamp::from_second(secs).expect("a time").to_string();
    let line = serde_json::json!({
        "text": "the line at shaft speed stands 21 dB above its surroundings", "axis": "horizontal", "order": 1.0, "hz": 24.7,
        "amplitude": {"value": 5.1, "unit": "mm/s"}, "floor": {"value": 0.05, "unit": "mm/s"}, "db": 21.0});
    let document = serde_json::json!({
        "schema": "roundsman.alert/1", "id": format!("quillhaven/{asset}/machine/{number}"), "revision": 1, "site": "quillhaven",
        "asset": asset, "finding": {"about": "machine", "point": null}, "change": "raised",
        "state": if open { "unacknowledged" } else { "normal" }, "severity": "warning", "worst": "warning", "sensor_status": null,
        "at": time(at), "raised_at": time(at), "onset": time(at - 86_400 * 20), "operating_state": "2", "deviation": 6.2,
        "confidence": 0.97,
        "contributions": [{
            "point": "vib_de_h", "evidence": "drift", "observed": {"value": 5.4, "unit": "mm/s"},
            "expected": {"value": 2.1, "unit": "mm/s"}, "band": 0.4, "sigmas": 8.1, "share": 0.9,
            "limit": {"limit": {"value": 4.5, "unit": "mm/s"}, "source": "ISO 20816-3:2022"}, "onset": time(at - 86_400 * 20)},
            {"point": "temp_de", "evidence": "drift", "observed": {"value": 45.2, "unit": "Cel"},
            "expected": {"value": 42.1, "unit": "Cel"}, "band": 1.4, "sigmas": 3.1, "share": 0.1, "limit": null, "onset": null}],
        "remaining_life": {"forecasts": [
            {"point": "vib_de_h", "target": "alarm", "limit": {"limit": {"value": 7.1, "unit": "mm/s"}, "source": "own"},
             "p10_hours": 210.0, "p50_hours": 390.0, "p90_hours": 800.0},
            {"point": "vib_de_h", "target": "zone-d", "limit": {"limit": {"value": 11.2, "unit": "mm/s"}, "source": "ISO 20816-3:2022"},
             "p10_hours": 700.0, "p50_hours": 1200.0, "p90_hours": null}],
            "model": "exponential", "none_because": null, "past_intervals": 7, "past_intervals_held": 6, "history": null},
        "likely_fault": {"answer": "likely", "basis": "waveform", "at": time(at), "place": "drive-end",
            "explanations": [{"fault": "imbalance", "name": "imbalance", "confidence": 0.82,
                "support": [line.clone(), line.clone()], "against": []}],
            "checks": ["look for deposits or lost pieces on the rotor", "measure the phase at both bearings", "check the balance in place"],
            "caution": "A bent shaft looks the same in one plane."},
        "message": "Vibration velocity (rms) at vib_de_h is 5.4 mm/s where 2.1 mm/s is expected in operating state 2, rising since three weeks; the \
warning limit of 4.5 mm/s is passed. Most likely imbalance: look at the rotor first.",
        "by": null, "note": null});
    Alert::from_json(&document.to_string()).unwrap_or_else(|fault| panic!("{fault}"))
}

#[test]
fn an_alert_is_on_two_pages_of_both_papers_with_real_text() {
    let folder = Folder::new();
    put(&folder.state(), "pump-7", &[alert("pump-7", 1, false), alert("pump-7", 2, true)]);
    for paper in ["a4", "letter"] {
        let file = folder.report("pump-7", paper, "alert");
        let words = holds_together(&file, paper);
        for needed in [
            "WARNING",
            "5.4 mm/s",
            "2.1 ± 0.4",
            "ISO 20816-3:2022",
            "imbalance",
            "measure the phase",
            "16 days",
            "33 days",
            "6 held",
        ] {
            assert!(words.contains(needed), "no {needed:?} in\n{words}");
        }
        // UTC+01:00 in March 2031, +02:00 from the last Sunday of it on (IANA time zone database).
        assert!(words.contains("(UTC+02:00)"), "{words}");
    }
}

#[test]
fn many_alerts_long_names_and_nothing_at_all_fit_too() {
    let folder = Folder::new();
    let long = "circulating-water-booster-pump-of-the-second-auxiliary-condenser-with-a-name-nobody-would-ever-give-a-machine-unless-forced-to";
    let many: Vec<_> = (1..=200).map(|n| alert(long, n, n > 197)).collect();
    put(&folder.state(), long, &many);
    put(&folder.state(), "fan-2", &[]);
    for paper in ["a4", "letter"] {
        let words = holds_together(&folder.report(long, paper, "many"), paper);
        assert!(words.contains("earlier, which “roundsman export” lists"), "{words}");
        let words = holds_together(&folder.report("fan-2", paper, "nothing"), paper);
        assert!(words.contains("NO ALERT OPEN") && words.contains("No statement has been made yet"), "{words}");
    }
    let done = support::roundsman()
        .args(["report", "--state"])
        .arg(folder.state())
        .args(["fan-3", "--out", "x.pdf"])
        .output()
        .expect("it starts");
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.code() == Some(64) && said.contains("did you mean \"fan-2\"?"), "{said}");
}
