//! State of another version is refused by name and left as it is; damage to one asset's snapshot costs that asset's
//! learning, is told, and stops nobody else.

mod common;

use common::{Broker, Daemon, kept_alerts, query, settings, wait_for};
use roundsman::acquire::mqtt::backoff::fnv1a;
use roundsman::acquire::registry::Registry;
use roundsman::acquire::{AssetId, Observation, Quality};
use roundsman::config::{Sources, from_text};
use roundsman::engine::{Engine, Event};
use roundsman::keep::store::{SCHEMA, SNAPSHOT};
use roundsman::keep::{Journal, KeepError, Store};
use roundsman_models::EventTime;
use std::path::{Path, PathBuf};

fn sql(path: &Path, text: &str) {
    rusqlite::Connection::open(path).expect("opens").execute_batch(text).expect(text);
}

fn dump(path: &Path) -> Vec<u8> {
    std::fs::read(path).expect("the file is there")
}

#[test]
fn a_file_of_another_version_is_refused_by_name_and_left_as_it_is() {
    let set = |value: &str| format!("UPDATE meta SET value = '{value}' WHERE key = 'schema'");
    // Earlier ones are brought to this one; before the first there was none.
    let changes = [set("0"), set(&(SCHEMA + 1).to_string()), set("x"), "DELETE FROM meta".into()];
    for file in ["state.db", "journal.db"] {
        for change in &changes {
            let dir = tempfile::tempdir().expect("a temporary directory");
            drop(Store::open(dir.path()).expect("opens"));
            drop(Journal::open(dir.path()).expect("opens"));
            let path = dir.path().join(file);
            sql(&path, change);
            let before = dump(&path);
            let refused = match file {
                "state.db" => Store::open(dir.path()).err(),
                _ => Journal::open(dir.path()).err(),
            };
            let Some(fault @ KeepError::Version { .. }) = refused else { panic!("{file} {change}: {refused:?}") };
            let text = fault.to_string();
            for part in [file, "install the version that wrote it", "move the file away"] {
                assert!(text.contains(part), "{part} in {text}");
            }
            assert!(dump(&path) == before, "{file} {change}: refused and changed all the same");
        }
    }
}

#[test]
fn a_database_of_tables_nobody_knows_and_a_file_that_is_none_are_refused() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let path = dir.path().join("state.db");
    sql(&path, "CREATE TABLE notes (text TEXT)");
    assert!(matches!(Store::open(dir.path()), Err(KeepError::Version { found, .. }) if found == "unknown"));
    std::fs::write(&path, "this is no database, and longer than the header of one would have to be: 0123456789")
        .expect("writes");
    let fault = Store::open(dir.path()).err().expect("refused").to_string();
    assert!(fault.contains("is damaged") && fault.contains("Put a copy back"), "{fault}");
}

#[test]
fn snapshots_of_another_version_are_refused_by_name_and_not_written_over() {
    for version in [SNAPSHOT - 1, SNAPSHOT + 1] {
        let dir = tempfile::tempdir().expect("a temporary directory");
        drop(Store::open(dir.path()).expect("opens"));
        let path = dir.path().join("state.db");
        // The hash of a whole row: of the first form over the bytes alone, since then over all of it.
        let bytes = fnv1a(&[0]);
        let row = [fnv1a(b"pump-7"), u64::from(version), 1, bytes].map(u64::to_le_bytes).concat();
        let hash = if version == 1 { bytes } else { fnv1a(&row) }.cast_signed();
        sql(&path, &format!("INSERT INTO snapshots VALUES ('pump-7', {version}, 1, {hash}, x'00')"));
        let store = Store::open(dir.path()).expect("the tables are known");
        let fault = store.recover().expect_err("refused").to_string();
        for part in [&format!("version {version}"), "pump-7", "install the version", "DELETE FROM snapshots"] {
            assert!(fault.contains(part), "{part} in {fault}");
        }
        assert_eq!(query(dir.path(), "state.db", "SELECT count(*) FROM snapshots"), 1);
    }
}

/// A row whose cells hold anything at all.
#[test]
fn a_row_that_cannot_be_read_is_named() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    drop(Store::open(dir.path()).expect("opens"));
    let path = dir.path().join("state.db");
    sql(&path, "INSERT INTO snapshots VALUES ('pump-7', 'x', 'y', 'z', 5)");
    let recovered = Store::open(dir.path()).expect("opens").recover().expect("reads the rest");
    assert!(recovered.faults.iter().any(|fault| fault.contains("pump-7") && fault.contains("damaged")));
}

#[test]
fn a_damaged_snapshot_costs_its_asset_and_nobody_else() {
    common::logs();
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    for asset in ["sound", "broken"] {
        broker.publish_readings(asset, 0..15);
    }
    wait_for("the readings", || daemon.status.observed.get() == 30);
    assert_eq!(daemon.stop().expect("a clean stop").left, Vec::<String>::new());
    // One bit.
    let path = dir.path().join("state.db");
    let connection = rusqlite::Connection::open(&path).expect("opens");
    let bytes: Vec<u8> = connection
        .query_row("SELECT bytes FROM snapshots WHERE asset = 'broken'", [], |row| row.get(0))
        .expect("a snapshot");
    let mut flipped = bytes.clone();
    flipped[bytes.len() / 2] ^= 1;
    connection.execute("UPDATE snapshots SET bytes = ?1 WHERE asset = 'broken'", [flipped]).expect("updates");
    drop(connection);
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    let faults = daemon.status.state_faults();
    assert!(faults.iter().any(|fault| fault.contains("broken") && fault.contains("damaged")), "{faults:?}");
    assert!(!faults.iter().any(|fault| fault.contains("sound")), "{faults:?}");
    assert_eq!(daemon.status.counters().state_faults, faults, "the service's document tells them");
    for asset in ["sound", "broken"] {
        broker.publish_readings(asset, 15..25);
    }
    wait_for("the readings", || daemon.status.observed.get() == 20);
    daemon.stop().expect("a clean stop");
    // The sound one went on counting where it was: alerts at 10 and 20. The broken one began anew: at 10 and 10 again.
    assert_eq!(kept_alerts(dir.path(), "sound"), common::expected_alerts("sound", 25));
    assert_eq!(kept_alerts(dir.path(), "broken").len(), 2);
}

#[test]
fn an_emptied_state_beside_an_older_journal_is_no_first_start() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    assert_eq!(daemon.status.state_faults(), Vec::<String>::new());
    broker.publish_readings("a", 0..5);
    wait_for("the first readings", || daemon.status.observed.get() == 5);
    broker.publish_readings("a", 5..10);
    wait_for("the next readings", || daemon.status.observed.get() == 10);
    daemon.stop().expect("a clean stop");
    // As years of running leave it: what the snapshots cover is pruned.
    sql(&dir.path().join("journal.db"), "DELETE FROM journal WHERE position = (SELECT min(position) FROM journal)");
    for file in ["state.db", "state.db-wal", "state.db-shm"] {
        let _ = std::fs::remove_file(dir.path().join(file));
    }
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    // It is told by the reader of the journal, which need not have come to it when the daemon has started.
    let told = || daemon.status.state_faults().iter().any(|fault| fault.contains("journal.db is older"));
    wait_for("the fault to be told", told);
    daemon.stop().expect("a clean stop");
}

/// An asset that has learned and has something open, from data made by a rule.
fn learned() -> Engine {
    let config = "[learn]\nrun_time = '2 h'\nmin_snapshots = 20\n[align]\ncadence = '5 min'\n\
                  [assets.pump.points.vib]\nunit = 'mm/s rms'\nalarm_high = 9\n[assets.pump.points.speed]\nunit = 'rpm'\n\
                  [assets.pump.points.temp]\nunit = 'Cel'\n";
    let checked = from_text(Some(config), &Sources::default()).expect("a good configuration");
    let mut registry = Registry::new(&checked);
    let mut engine = Engine::new("quillhaven", true);
    let mut out = Vec::new();
    for id in registry.take_defined() {
        let (spec, settings) = (registry.spec(id).expect("defined"), registry.settings(id).expect("defined"));
        engine.step(&Event::Define(id, spec.clone(), settings.clone()), &mut out);
    }
    let mut seed = 7_u64;
    let mut noise = || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 40) as f64 / f64::from(1 << 24) - 0.5
    };
    for row in 0..80 {
        let at = EventTime(1_900_000_000_000_000 + row * 300_000_000);
        engine.step(&Event::Tick(at), &mut out);
        let fault = if row > 70 { 8.0 } else { 0.0 };
        for (point, value) in [(0, 2.0 + 0.2 * noise() + fault), (1, 1480.0 + 4.0 * noise()), (2, 60.0 + noise())] {
            let quality = Quality::Good;
            engine.step(&Event::Observed(Observation { asset: AssetId(0), point, at, value, quality }), &mut out);
        }
    }
    engine
}

fn as_text(engine: &Engine) -> String {
    let asset = engine.assets().next().expect("one asset");
    serde_json::to_string_pretty(asset.state()).expect("plain data") + "\n"
}

fn fixture(ending: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../tests/versions/snapshot-{SNAPSHOT}.{ending}"))
}

/// The snapshot was written by the program that this version of the form belongs to, its text beside it by the same. A
/// field that is new, gone, renamed or moved shows in the one or the other.
#[test]
fn the_form_of_a_snapshot_is_that_of_its_version() {
    let engine = learned();
    if std::env::var_os("ROUNDSMAN_WRITE_SNAPSHOT").is_some() {
        let saved = engine.save().expect("plain data");
        std::fs::create_dir_all(fixture("bin").parent().expect("a folder")).expect("can be made");
        std::fs::write(fixture("bin"), &saved[0].2).expect("can be written");
        std::fs::write(fixture("json"), as_text(&engine)).expect("can be written");
    }
    let what_to_do = format!(
        "the form of a stored state is no longer that of version {SNAPSHOT}: raise SNAPSHOT in service/src/keep/store.rs, say \
         in CHANGELOG.md that every asset learns anew (or write the migration), and make the new files with \
         ROUNDSMAN_WRITE_SNAPSHOT=1 cargo test -p roundsman --test versions"
    );
    let bytes = std::fs::read(fixture("bin")).unwrap_or_else(|error| panic!("{error}: {what_to_do}"));
    let text = std::fs::read_to_string(fixture("json")).unwrap_or_else(|error| panic!("{error}: {what_to_do}"));
    assert!(text.contains("baseline") || text.contains("learned"), "the fixture has learned something");
    let mut reader = learned();
    if let Err(fault) = reader.restore(AssetId(0), &bytes) {
        panic!("{fault}: {what_to_do}");
    }
    let now = as_text(&reader);
    let differs = text.lines().zip(now.lines()).find(|(then, now)| then != now);
    assert!(text == now, "{what_to_do}; first difference: {differs:?}");
}
