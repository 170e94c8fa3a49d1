//! State files that a disk, a power cut or a person damaged: what cannot be trusted is named and left out, what can is
//! taken, and nothing is taken wrongly without a word.

mod common;

use common::{
    Broker, CountingEdge, CountingMachine, Daemon, EVERY, Plain, expected_alerts, kept_alerts, query, settings,
    wait_for,
};
use roundsman::app::{self, Parts};
use roundsman::keep::{Recovered, Store};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

const ASSETS: [&str; 6] = ["pump-1", "pump-2", "pump-3", "fan-1", "fan-2", "mill-1"];

/// SQLite's default page.
const PAGE: usize = 4096;

/// A folder of state as a clean stop leaves it: 25 readings of each asset, the journal kept.
fn stopped(dir: &Path) -> Broker {
    let broker = Broker::start("");
    let mut settings = settings(broker.port, dir);
    settings.journal_keep = Duration::from_secs(86_400);
    let daemon = Daemon::started(settings);
    for asset in ASSETS {
        broker.publish_readings(asset, 0..25);
    }
    wait_for("all of them", || daemon.status.acknowledged.get() == 25 * ASSETS.len() as u64);
    daemon.stop().expect("a clean stop");
    broker
}

fn recover(dir: &Path) -> Result<Recovered, String> {
    Store::open(dir).and_then(|store| store.recover()).map_err(|error| error.to_string())
}

/// Injected: one byte of `state.db` turned over, at two hundred places spread over the file and at every eighth byte of
/// the page that holds the snapshots. Whatever comes back is
/// what was written, or it is missing and named, or the start is refused with a word on what to do.
#[test]
fn a_flipped_byte_is_never_believed() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    drop(stopped(dir.path()));
    let whole = recover(dir.path()).expect("it is whole");
    assert_eq!((whole.assets.len(), whole.faults.len()), (ASSETS.len(), 0));
    // Everything into the one file, so that no log beside it makes up for the damage.
    let connection = rusqlite::Connection::open(dir.path().join("state.db")).expect("opens");
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("a checkpoint");
    drop(connection);
    let good = std::fs::read(dir.path().join("state.db")).expect("the file");
    let (mut refused, mut reported, mut untouched) = (0, 0, 0);
    let snapshot = &whole.assets[2].1;
    let inside = good.windows(snapshot.len()).position(|window| window == snapshot).expect("it stands there as it is");
    let page = inside / PAGE * PAGE;
    let spread = (0..200).map(|place| good.len() * place / 200 + place % 7);
    let places: Vec<_> = spread.chain((page..page + PAGE).step_by(8)).collect();
    for (place, at) in places.iter().copied().enumerate() {
        let copy = tempfile::tempdir().expect("a temporary directory");
        let mut bad = good.clone();
        bad[at] ^= 1 << (place % 8);
        std::fs::write(copy.path().join("state.db"), &bad).expect("a copy");
        match recover(copy.path()) {
            Err(why) => {
                refused += 1;
                let told = ["damaged", "schema version", "health of the disk"].iter().any(|word| why.contains(word));
                assert!(told, "byte {at}: {why}");
            }
            Ok(found) => {
                let all = found.assets.len() == ASSETS.len() && found.intake.is_some();
                assert!(all || !found.faults.is_empty(), "byte {at}: something is missing and nothing says so");
                assert!(found.intake.is_none() || found.intake == whole.intake, "byte {at}: another intake");
                for asset in &found.assets {
                    assert!(whole.assets.contains(asset), "byte {at}: {} came back changed", asset.0);
                }
                assert_eq!(found.position, whole.position, "byte {at}: journal would be skipped or applied twice");
                if all { untouched += 1 } else { reported += 1 }
            }
        }
    }
    println!(
        "{} flipped bytes: {refused} starts refused, {reported} times snapshots named and left out, {untouched} elsewhere",
        places.len()
    );
    assert!(reported > 0 && untouched > 0, "the bytes hit what they were to hit");
}

/// Injected: one bit of one snapshot on the disk. Costs that asset what it learned and nobody else.
#[test]
fn a_flipped_bit_in_a_snapshot_costs_one_asset_what_it_learned() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let broker = stopped(dir.path());
    let path = dir.path().join("state.db");
    let connection = rusqlite::Connection::open(&path).expect("opens");
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("a checkpoint");
    let sql = "SELECT bytes FROM snapshots WHERE asset = 'pump-2'";
    let snapshot: Vec<u8> = connection.query_row(sql, [], |row| row.get(0)).expect("its snapshot");
    drop(connection);
    let mut file = std::fs::read(&path).expect("the file");
    let at =
        file.windows(snapshot.len()).position(|window| window == snapshot).expect("it stands in the file as it is");
    file[at + snapshot.len() / 2] ^= 0x10;
    std::fs::write(&path, file).expect("the damage");
    let faults = recover(dir.path()).expect("the rest can be read").faults;
    assert!(faults.len() == 1 && faults[0].contains("pump-2"), "{faults:?}");

    let daemon = Daemon::started(settings(broker.port, dir.path()));
    for asset in ASSETS {
        broker.publish_readings(asset, 25..35);
    }
    wait_for("all of them", || daemon.status.acknowledged.get() == 10 * ASSETS.len() as u64);
    daemon.stop().expect("a clean stop");
    for asset in ASSETS.into_iter().filter(|asset| *asset != "pump-2") {
        assert_eq!(kept_alerts(dir.path(), asset), expected_alerts(asset, 35));
    }
    assert_eq!(kept_alerts(dir.path(), "pump-2").len(), 3, "two from before, one of ten readings since");
    assert_ne!(kept_alerts(dir.path(), "pump-2"), expected_alerts("pump-2", 35));
}

/// Injected: `state.db` is gone and one row of the journal is damaged. Lost: what stood in that row; the rest of what the
/// journal keeps is applied again.
#[test]
fn a_damaged_row_of_the_journal_costs_what_stood_in_it() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let broker = stopped(dir.path());
    for file in ["state.db", "state.db-wal", "state.db-shm"] {
        let _ = std::fs::remove_file(dir.path().join(file));
    }
    let rows = query(dir.path(), "journal.db", "SELECT count(*) FROM journal");
    let journal = rusqlite::Connection::open(dir.path().join("journal.db")).expect("opens");
    let entries: i64 = journal
        .query_row("SELECT entries FROM journal WHERE position = 1", [], |row| row.get(0))
        .expect("the first row");
    journal.execute("UPDATE journal SET bytes = substr(bytes, 1, 3) WHERE position = 1", []).expect("the damage");
    drop(journal);
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    let all = 25 * ASSETS.len() as u64;
    wait_for("the rest to be applied", || daemon.status.observed.get() == all - entries.unsigned_abs());
    daemon.stop().expect("a clean stop");
    assert!(rows >= 2, "{rows} rows: the readings of the last asset are not in the first");
    assert_eq!(kept_alerts(dir.path(), "mill-1"), expected_alerts("mill-1", 25));
}

const CHILD: &str = "ROUNDSMAN_TEST_CHILD";
const MYSELF: &str = "a_journal_that_was_lost_hides_nothing_that_comes_after_it";

/// This test again, as a daemon that can be killed.
fn child(port: u16, dir: &Path) -> Child {
    Command::new(std::env::current_exe().expect("this binary"))
        .args(["--exact", MYSELF, "--nocapture"])
        .env(CHILD, format!("{port} {}", dir.display()))
        .stdout(Stdio::null())
        .spawn()
        .expect("starts")
}

fn be_the_child(told: &str) {
    let (port, dir) = told.split_once(' ').expect("port and directory");
    let mut settings = settings(port.parse().expect("a port"), dir.as_ref());
    // No snapshot before the kill: all must come from the journal.
    settings.snapshot_every = Duration::from_secs(3600);
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    let parts = Parts {
        edge: CountingEdge::default(),
        machine: |_| CountingMachine::default(),
        documents: Arc::new(Plain),
        status: Default::default(),
    };
    // It is killed, not stopped.
    let ended = runtime.block_on(app::run(settings, parts, std::future::pending()));
    panic!("it ended by itself: {ended:?}");
}

/// Injected: `journal.db` is deleted after a clean stop, the next run is killed before its first snapshot. Lost: nothing:
/// the new journal's rows are not taken for those the snapshots cover.
#[test]
fn a_journal_that_was_lost_hides_nothing_that_comes_after_it() {
    if let Ok(told) = std::env::var(CHILD) {
        return be_the_child(&told);
    }
    let dir = tempfile::tempdir().expect("a temporary directory");
    let broker = stopped(dir.path());
    for file in ["journal.db", "journal.db-wal", "journal.db-shm"] {
        let _ = std::fs::remove_file(dir.path().join(file));
    }
    let heard = broker.listen(&["-t", "roundsman/site/pump-1/alert"]);
    let mut daemon = child(broker.port, dir.path());
    broker.publish_readings("pump-1", 25..30);
    wait_for("the third alert", || heard.on("roundsman/site/pump-1/alert").len() == 1);
    broker.publish_readings("pump-1", 30..35);
    wait_for("the journal to have them", || {
        query(dir.path(), "journal.db", "SELECT sum(entries) FROM journal WHERE position > 0") >= 10
    });
    daemon.kill().expect("kill -9");
    daemon.wait().expect("it ends");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    broker.publish_readings("pump-1", 35..50);
    wait_for("the fifth alert", || kept_alerts(dir.path(), "pump-1").len() as u64 == 50 / EVERY);
    daemon.stop().expect("a clean stop");
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", 50));
}
