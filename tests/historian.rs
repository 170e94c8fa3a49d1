//! The copy in PostgreSQL, against Debian's own: killed, hung, filled up, away for longer than rows are kept.
//!
//! Injected from outside, while readings come through a real Mosquitto. What is in the database in the end is what is in
//! `state.db`, row by row and bit by bit: nothing lost, nothing twice. The stream goes on meanwhile: everything is
//! acknowledged while the database is gone.

mod common;

use common::postgres::{PASSWORD, Postgres, give_away};
use common::{Broker, Daemon, settings, wait_for};
use roundsman::app::RunSettings;
use roundsman::config::historian::{Historian, Place, Sent};
use roundsman::config::secret::Secret;
use roundsman::historian::Settings;
use roundsman::status::LinkState;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

const ASSETS: [&str; 3] = ["pump", "fan", "mixer"];

fn to(postgres: &Postgres) -> Settings {
    Settings {
        to: Historian {
            place: Place::Network { host: "127.0.0.1".into(), tls: None },
            port: postgres.port,
            database: "plant".into(),
            username: "plant".into(),
            password: Some(Secret::new(PASSWORD)),
            schema: "roundsman".into(),
            sent: Sent { trend: true, scores: true, alerts: true, audit: true },
        },
        site: "site".into(),
        every: Duration::from_millis(100),
        backoff_first: Duration::from_millis(50),
        backoff_most: Duration::from_millis(500),
    }
}

fn with(broker: &Broker, dir: &Path, historian: Settings) -> RunSettings {
    // Time enough for the last rows also on a machine that is busy with other suites.
    RunSettings { historian: Some(historian), stop_within: Duration::from_secs(40), ..settings(broker.port, dir) }
}

/// A reading a second of each asset, and a few commands, of which every other is refused.
struct Plant<'b> {
    broker: &'b Broker,
    sent: u64,
    second: u64,
}

impl Plant<'_> {
    fn say(&mut self, seconds: u64) {
        for asset in ASSETS {
            self.broker.publish_readings(asset, self.second..self.second + seconds);
            for action in ["relearn", "no such thing"] {
                let topic = format!("roundsman/site/{asset}/command");
                self.broker.publish(&["-q", "1", "-t", &topic, "-m", action]);
            }
            self.sent += seconds + 2;
        }
        self.second += seconds;
    }

    /// Nobody publishes for so long.
    fn rest(&mut self, seconds: u64) {
        self.second += seconds;
    }
}

/// Rows of a query on `state.db`, columns with | between them.
fn kept(dir: &Path, sql: &str) -> Vec<String> {
    let connection = rusqlite::Connection::open(dir.join("state.db")).expect("opens");
    let mut statement = connection.prepare(sql).expect(sql);
    let columns = statement.column_count();
    let rows = statement.query_map([], |row| {
        let text = |i| {
            use rusqlite::types::ValueRef;
            Ok(match row.get_ref(i)? {
                ValueRef::Null => String::new(),
                ValueRef::Integer(n) => n.to_string(),
                ValueRef::Real(x) => format!("{x:?}"),
                ValueRef::Text(bytes) | ValueRef::Blob(bytes) => String::from_utf8_lossy(bytes).into_owned(),
            })
        };
        (0..columns).map(text).collect::<rusqlite::Result<Vec<_>>>()
    });
    let mut all: Vec<String> = rows.expect(sql).map(|row| row.expect("a row").join("|")).collect();
    all.sort();
    all
}

/// Numbers by their value, documents by their content: the two databases write them each in its own way.
fn same(line: &str) -> String {
    let cell = |cell: &str| match (cell.parse::<f64>(), serde_json::from_str::<serde_json::Value>(cell)) {
        (Ok(number), _) => format!("{:016x}", number.to_bits()),
        (_, Ok(json)) => json.to_string(),
        _ => cell.to_owned(),
    };
    line.split('|').map(cell).collect::<Vec<_>>().join("|")
}

#[track_caller]
fn equal(what: &str, mut copy: Vec<String>, kept: &[String]) {
    copy = copy.iter().map(|line| same(line)).collect();
    copy.sort();
    let mut kept: Vec<String> = kept.iter().map(|line| same(line)).collect();
    kept.sort();
    let (left, right): (std::collections::HashSet<_>, std::collections::HashSet<_>) =
        (copy.iter().collect(), kept.iter().collect());
    let missing: Vec<_> = right.difference(&left).take(3).collect();
    let strange: Vec<_> = left.difference(&right).take(3).collect();
    assert!(
        copy == kept,
        "{what}: {} rows in the copy, {} kept; missing {missing:?}, strange {strange:?}",
        copy.len(),
        kept.len()
    );
}

/// Every table against its source. Gives the number of rows: of the trend, alerts, audit.
#[track_caller]
fn compare(postgres: &Postgres, dir: &Path) -> [usize; 3] {
    let trend = kept(
        dir,
        "SELECT a.name, p.name, p.unit, tier, t, count, min, mean, max, expected_count, expected FROM trend
         JOIN assets a ON a.id = trend.asset JOIN points p ON p.asset = trend.asset AND p.point = trend.point",
    );
    let copy = postgres.psql(
        "SELECT asset, point, unit, width, extract(epoch FROM at)::bigint, count, min, mean, max, expected_count, expected
         FROM roundsman.readings",
    );
    equal("trend", copy, &trend);
    let scores = kept(
        dir,
        "SELECT a.name, tier, t, count, operating_state, zone, deviation_count, deviation, deviation_max, step, drift
         FROM scores JOIN assets a ON a.id = scores.asset",
    );
    let copy = postgres.psql(
        "SELECT asset, width, extract(epoch FROM at)::bigint, count, operating_state, zone, deviation_count, deviation,
         deviation_max, step, drift FROM roundsman.scores WHERE site = 'site'",
    );
    assert!(!scores.is_empty() || trend.is_empty(), "there is no trend without scores");
    equal("scores", copy, &scores);
    let alerts =
        kept(dir, "SELECT id, revision, at, asset, change, state, severity, CAST(document AS TEXT) FROM alerts");
    let copy = postgres.psql(
        "SELECT id, revision, (extract(epoch FROM at) * 1000000)::bigint, asset, change, state, severity, document
         FROM roundsman.alerts",
    );
    equal("alerts", copy, &alerts);
    let audit = kept(
        dir,
        "SELECT position, part, received, at, asset, by, note, action, iif(accepted, 't', 'f'), answer, topic, old, new
         FROM audit",
    );
    let copy = postgres.psql(
        "SELECT position, part, (extract(epoch FROM received) * 1000000)::bigint, (extract(epoch FROM at) * 1000000)::bigint,
                asset, said_by, note, action, accepted, answer, topic, old, new FROM roundsman.audit",
    );
    equal("audit", copy, &audit);
    [trend.len(), alerts.len(), audit.len()]
}

#[track_caller]
fn wait_until_applied(daemon: &Daemon, plant: &Plant<'_>) {
    let status = &daemon.status;
    wait_for("everything to be acknowledged and applied", || {
        status.acknowledged.get() >= plant.sent && status.vitals.applied.get() >= plant.sent
    });
}

fn is_down(daemon: &Daemon) -> Option<String> {
    match daemon.status.historian.link() {
        LinkState::Down(why) => Some(why),
        _ => None,
    }
}

/// Injected: `kill -9` of the whole server four times, twice while rows are being sent; away for a while; hung with its
/// connection open. A stop and a new start of the daemon on the way.
#[test]
fn killed_hung_and_started_again_the_copy_is_what_is_kept() {
    common::logs();
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut postgres = Postgres::start("", &[]);
    let mut plant = Plant { broker: &broker, sent: 0, second: 0 };
    let daemon = Daemon::started(with(&broker, dir.path(), to(&postgres)));
    plant.say(2000);
    wait_for("rows in the copy", || daemon.status.historian.trend.get() > 0);

    for _ in 0..2 {
        // In the middle of it: a run is being published while the server dies.
        std::thread::scope(|scope| {
            scope.spawn(|| plant.say(4000));
            std::thread::sleep(Duration::from_millis(150));
            postgres.kill();
        });
        wait_for("the loss to show", || is_down(&daemon).is_some());
        // Nothing waits for it: all of this is acknowledged and applied while there is no database.
        plant.say(1000);
        wait_until_applied(&daemon, &plant);
        assert!(is_down(&daemon).is_some(), "there is no database yet");
        postgres.restart();
        wait_for("the copy to go on", || daemon.status.historian.link() == LinkState::Connected);
    }

    // Connected, and nothing comes back: the worst kind of gone.
    postgres.freeze();
    plant.say(4000);
    wait_until_applied(&daemon, &plant);
    postgres.thaw();

    // Away when we stop, and there again when we start.
    postgres.kill();
    plant.say(700);
    wait_until_applied(&daemon, &plant);
    let before = daemon.status.historian.connects.get();
    assert!(before >= 3, "{before} connections");
    daemon.stop().expect("a clean stop");
    postgres.restart();
    let daemon = Daemon::started(with(&broker, dir.path(), to(&postgres)));
    plant.sent = 0;
    plant.say(900);
    wait_until_applied(&daemon, &plant);
    let refused = daemon.status.historian.refused.get() + daemon.status.historian.missed.get();
    daemon.stop().expect("a clean stop");
    let rows = compare(&postgres, dir.path());
    println!("copied: {} rows of the trend, {} alerts, {} rows of the audit", rows[0], rows[1], rows[2]);
    assert!(rows[0] > 100 && rows[1] > 1000 && rows[2] >= 30, "{rows:?}");
    assert_eq!(refused, 0);
    assert_eq!(postgres.psql("SELECT count(*) FROM roundsman.missed"), ["0"]);
}

/// Rows that go by their age while the database is away are noted, with their span; those that stay are all sent.
#[test]
fn what_went_by_its_age_while_the_database_was_away_is_noted() {
    const DAY: u64 = 86_400;
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut postgres = Postgres::start("", &[]);
    let mut plant = Plant { broker: &broker, sent: 0, second: 0 };
    let daemon = Daemon::started(with(&broker, dir.path(), to(&postgres)));
    plant.say(1000);
    wait_until_applied(&daemon, &plant);
    wait_for("three rows each", || daemon.status.historian.trend.get() == 3 * 3);
    postgres.kill();
    plant.say(2000);
    wait_until_applied(&daemon, &plant);
    // The stream stands still for forty days, and goes on.
    plant.rest(40 * DAY);
    plant.say(1000);
    wait_until_applied(&daemon, &plant);
    postgres.restart();
    wait_for("the copy to go on", || daemon.status.historian.missed.get() > 0);
    daemon.stop().expect("a clean stop");
    // 900 s had been closed and sent; behind that everything up to thirty days before the newest closed row is gone.
    let newest: i64 = kept(dir.path(), "SELECT max(t) FROM trend WHERE tier = 300")[0].parse().expect("a number");
    let gaps = postgres.psql(
        "SELECT asset, width, extract(epoch FROM since)::bigint, extract(epoch FROM until)::bigint
         FROM roundsman.missed JOIN roundsman.points USING (point_id) ORDER BY asset",
    );
    let want: Vec<String> =
        ["fan", "mixer", "pump"].iter().map(|asset| format!("{asset}|300|900|{}", newest - 30 * DAY as i64)).collect();
    assert_eq!(gaps, want);
    // What state.db keeps is in the copy; the rows before the gap are there too, though state.db has them no more.
    let kept = kept(dir.path(), "SELECT tier, t, count FROM trend ORDER BY t");
    let copy = postgres.psql("SELECT width, extract(epoch FROM at)::bigint, count FROM roundsman.trend ORDER BY at");
    for row in &kept {
        assert!(copy.contains(row), "{row} is missing");
    }
    assert_eq!(
        copy.iter().filter(|row| ["300|0|300", "300|300|300", "300|600|300"].contains(&row.as_str())).count(),
        9
    );
}

/// A disk of so many MiB, which only root may mount.
struct SmallDisk {
    dir: PathBuf,
    _own: tempfile::TempDir,
}

impl SmallDisk {
    fn mount(mib: u32) -> Option<Self> {
        let own = tempfile::tempdir().expect("a temporary directory");
        std::fs::set_permissions(own.path(), std::os::unix::fs::PermissionsExt::from_mode(0o755)).expect("its mode");
        let dir = own.path().join("small");
        std::fs::create_dir(&dir).expect("a folder");
        let mounted =
            Command::new("mount").args(["-t", "tmpfs", "-o", &format!("size={mib}m"), "tmpfs"]).arg(&dir).output();
        let mounted = mounted.expect("`mount` runs: Debian's package mount");
        if mounted.status.success() {
            give_away(&dir);
            return Some(Self { dir, _own: own });
        }
        println!(
            "\n*** SKIPPED: PostgreSQL on a full disk: no tmpfs may be mounted here ({}). Run the tests as root, or in a \
             container with --cap-add SYS_ADMIN.\n",
            String::from_utf8_lossy(&mounted.stderr).trim()
        );
        None
    }

    /// Takes all the space there is, to the last byte.
    fn fill(&self) {
        use std::io::Write;
        let mut ballast = std::fs::File::create(self.dir.join("ballast")).expect("a file");
        for size in [64 * 1024, 1024, 1] {
            while ballast.write_all(&vec![0; size]).is_ok() {}
        }
    }

    fn free(&self) {
        std::fs::remove_file(self.dir.join("ballast")).expect("it was there");
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("--lazy").arg(&self.dir).status();
    }
}

/// Injected: the disk under the tables fills up to the last byte while readings come, and has room again later. The server
/// lives and refuses ("could not extend file"). Nothing is started again by anybody.
#[test]
fn filled_up_the_database_gets_everything_once_there_is_room() {
    common::logs();
    let Some(disk) = SmallDisk::mount(24) else { return };
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut postgres = Postgres::start("", &[]);
    postgres.psql(&format!("CREATE TABLESPACE small LOCATION '{}'", disk.dir.display()));
    postgres.psql("ALTER DATABASE plant SET default_tablespace = small");
    let mut plant = Plant { broker: &broker, sent: 0, second: 0 };
    let daemon = Daemon::started(with(&broker, dir.path(), to(&postgres)));
    plant.say(1000);
    wait_for("rows in the copy", || daemon.status.historian.trend.get() > 0);
    disk.fill();
    plant.say(8000);
    wait_until_applied(&daemon, &plant);
    wait_for("the full disk to show", || is_down(&daemon).is_some_and(|why| why.contains("53100")));
    let why = is_down(&daemon).expect("down");
    assert!(why.contains("make room there"), "{why}");
    // Full for a while: more comes, all of it is acknowledged.
    plant.say(2000);
    wait_until_applied(&daemon, &plant);
    let faults = daemon.status.historian.faults.get();
    assert!(is_down(&daemon).is_some() && faults > 0);
    assert!(postgres.is_running(), "only the tables' disk is full");
    disk.free();
    wait_for("the copy to go on", || daemon.status.historian.link() == LinkState::Connected);
    daemon.stop().expect("a clean stop");
    let rows = compare(&postgres, dir.path());
    println!("after {faults} refusals: {} rows of the trend, {} alerts, {} of the audit", rows[0], rows[1], rows[2]);
    assert!(rows[1] >= 3000, "{rows:?}");
    drop(postgres);
}

/// Injected: the disk of the whole server is full to the last byte, its write-ahead log included. Where PostgreSQL ends over
/// that, somebody starts it again once there is room.
#[test]
fn with_its_whole_disk_full_nothing_is_lost() {
    let Some(disk) = SmallDisk::mount(160) else { return };
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut postgres = Postgres::start_on(&disk.dir);
    let mut plant = Plant { broker: &broker, sent: 0, second: 0 };
    let daemon = Daemon::started(with(&broker, dir.path(), to(&postgres)));
    plant.say(1000);
    wait_for("rows in the copy", || daemon.status.historian.trend.get() > 0);
    disk.fill();
    plant.say(8000);
    wait_until_applied(&daemon, &plant);
    wait_for("the full disk to show", || is_down(&daemon).is_some());
    println!("{}", is_down(&daemon).unwrap_or_default());
    plant.say(1000);
    wait_until_applied(&daemon, &plant);
    disk.free();
    let mut started = 0;
    wait_for("the copy to go on", || {
        if !postgres.is_running() {
            started += 1;
            postgres.restart();
        }
        daemon.status.historian.link() == LinkState::Connected
    });
    daemon.stop().expect("a clean stop");
    let rows = compare(&postgres, dir.path());
    println!("server started again {started} times; {} rows of the trend, {} alerts", rows[0], rows[1]);
    assert!(rows[1] >= 3000, "{rows:?}");
}

/// What a person reads when the server does not let us in, and over its own socket and TLS.
#[test]
fn refusals_say_what_to_mend() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let postgres = Postgres::start("", &[]);
    let right = to(&postgres);
    let wrong = |change: fn(&mut Historian)| {
        let mut settings = right.clone();
        change(&mut settings.to);
        settings
    };
    postgres.psql("CREATE SCHEMA later; CREATE TABLE later.meta (key text, value text)");
    postgres.psql("INSERT INTO later.meta VALUES ('version', '99')");
    postgres.psql("CREATE ROLE guest LOGIN PASSWORD 'the-historians-password'");
    for (settings, words) in [
        (wrong(|to| to.password = Some(Secret::new("wrong"))), "historian.password_file"),
        (wrong(|to| to.database = "nowhere".into()), "CREATE DATABASE"),
        (wrong(|to| to.username = "guest".into()), "GRANT CREATE ON DATABASE"),
        (wrong(|to| to.schema = "later".into()), "of version 99, this roundsman writes version 1"),
        (wrong(|to| to.port = 1), "Connection refused"),
    ] {
        let state = tempfile::tempdir().expect("a temporary directory");
        let daemon = Daemon::started(with(&broker, state.path(), settings));
        wait_for(words, || is_down(&daemon).is_some_and(|why| why.contains(words)));
        let why = is_down(&daemon).expect("down");
        assert!(!why.contains("wrong") && !why.contains(PASSWORD), "no password in {why}");
        daemon.stop().expect("a clean stop");
    }
    let mut plant = Plant { broker: &broker, sent: 0, second: 0 };
    let mut socket = right.clone();
    socket.to.place = Place::Socket(postgres.folder().to_owned());
    let daemon = Daemon::started(with(&broker, dir.path(), socket));
    plant.say(700);
    wait_until_applied(&daemon, &plant);
    daemon.stop().expect("a clean stop");
    assert!(compare(&postgres, dir.path())[0] > 0, "by the socket");
}

/// How fast a backlog is worked off: printed, not judged.
#[test]
fn a_backlog_is_worked_off() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut plant = Plant { broker: &broker, sent: 0, second: 0 };
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    plant.say(3000);
    wait_until_applied(&daemon, &plant);
    daemon.stop().expect("a clean stop");
    // Rows as months of readings leave them.
    let many = rusqlite::Connection::open(dir.path().join("state.db")).expect("opens");
    many.execute_batch(
        "BEGIN; DELETE FROM trend;
         WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 8639)
         INSERT INTO trend (tier, asset, point, t, count, min, mean, max, expected_count, expected)
         SELECT 300, a.id, 0, 300 * i, 300, i, i + 0.5, i + 1, 0, NULL FROM n, assets a; COMMIT;",
    )
    .expect("rows");
    drop(many);
    let postgres = Postgres::start("", &[]);
    let began = Instant::now();
    let daemon = Daemon::started(with(&broker, dir.path(), to(&postgres)));
    wait_for("the copy", || daemon.status.historian.link() == LinkState::Connected);
    let (took, rows) = (began.elapsed(), daemon.status.historian.trend.get());
    println!("{rows} rows of the trend in {took:.1?}, the start of the daemon included");
    daemon.stop().expect("a clean stop");
    compare(&postgres, dir.path());
    assert!(rows >= 3 * 8640, "{rows}");
}

/// An authority of an invented plant, and a certificate for the server, as PEM: authority, certificate, key.
fn certificates(authority: &str) -> [String; 3] {
    use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair};
    let params = |name: &str, names: &[&str]| {
        let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
        let mut params = CertificateParams::new(names).expect("names");
        params.distinguished_name.push(DnType::CommonName, name);
        params
    };
    let key = KeyPair::generate().expect("a key");
    let mut authority = params(authority, &[]);
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let certificate = authority.self_signed(&key).expect("signed").pem();
    let issuer = Issuer::new(authority, key);
    let own = KeyPair::generate().expect("a key");
    let signed = params("historian", &["localhost", "127.0.0.1"]).signed_by(&own, &issuer).expect("signed");
    [certificate, signed.pem(), own.serialize_pem()]
}

/// Encrypted with the right authority; with another one, and towards a server that speaks no TLS, not at all.
#[test]
fn tls_is_required_and_the_server_is_checked() {
    use roundsman::acquire::mqtt::tls::{Tls, TlsFiles};
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let [authority, certificate, key] = certificates("Quillhaven authority");
    let [other, ..] = certificates("some other authority");
    let files = [("server.crt", certificate.as_str()), ("server.key", key.as_str())];
    let postgres = Postgres::start("ssl = on\n", &files);
    let under = |authority: &str, server_name: Option<&str>| {
        let path = dir.path().join("authority.crt");
        std::fs::write(&path, authority).expect("a file");
        let files =
            TlsFiles { ca_file: Some(path), server_name: server_name.map(str::to_owned), ..TlsFiles::default() };
        Some(Tls::new(&files).expect("it can be used"))
    };
    let through = |port: u16, tls: Option<Tls>| {
        let mut settings = to(&postgres);
        settings.to.port = port;
        settings.to.place = Place::Network { host: "127.0.0.1".into(), tls };
        settings
    };
    let state = dir.path().join("state");
    let daemon = Daemon::started(with(&broker, &state, through(postgres.port, under(&authority, None))));
    wait_for("the copy", || daemon.status.historian.link() == LinkState::Connected);
    let sql =
        "SELECT ssl, version FROM pg_stat_ssl JOIN pg_stat_activity USING (pid) WHERE application_name = 'roundsman'";
    assert_eq!(postgres.psql(sql), ["t|TLSv1.3"]);
    daemon.stop().expect("a clean stop");
    let open = Postgres::start("", &[]);
    for (port, tls, words) in [
        (postgres.port, under(&other, None), "UnknownIssuer"),
        (postgres.port, under(&authority, Some("another.example")), "not valid for name \"another.example\""),
        (open.port, under(&authority, None), "server does not support TLS"),
    ] {
        let daemon = Daemon::started(with(&broker, &state, through(port, tls)));
        wait_for(words, || is_down(&daemon).is_some_and(|why| why.contains(words)));
        let why = is_down(&daemon).expect("down");
        println!("{why}");
        assert!(why.contains("historian."), "{why} names no setting to mend");
        daemon.stop().expect("a clean stop");
    }
}
