//! The disk under the state folder fills up, refuses, or is somebody else's: nothing is acknowledged that is not durable,
//! one clear line says so, and it goes on by itself when it can.
//!
//! A real full disk is a small tmpfs, which only root may mount. Where that is not allowed those tests say so and leave
//! the fault to the one that needs no rights: a limit on the size of files, set and lifted on the running daemon by
//! `prlimit`. Debian's util-linux, which is always there, has `mount`, `prlimit` and `setpriv`.

mod common;
mod support;

use common::process::{Log, Process, arguments};
use common::tap::Tap;
use common::{Broker, Daemon, EVERY, expected_alerts, kept_alerts, query, settings, wait_for};
use roundsman::acquire::mqtt::Entry;
use roundsman::acquire::mqtt::acks::identity;
use roundsman::keep::Journal;
use std::collections::HashSet;
use std::io::Write;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, Mutex, OnceLock};
use std::time::{Duration, Instant};

/// What the daemons in this process log, by the folder in the line.
fn logged() -> Arc<Mutex<Vec<u8>>> {
    static LOGGED: OnceLock<Arc<Mutex<Vec<u8>>>> = OnceLock::new();
    struct Shared(Arc<Mutex<Vec<u8>>>);
    impl Write for Shared {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.lock().expect("no panic").write(bytes)
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    LOGGED
        .get_or_init(|| {
            let all = Arc::new(Mutex::new(Vec::new()));
            let into = all.clone();
            tracing_subscriber::fmt().with_ansi(false).with_writer(move || Shared(into.clone())).init();
            all
        })
        .clone()
}

/// Lines with this text about this folder.
fn lines(folder: &Path, text: &str) -> Vec<String> {
    let logged = logged();
    let all = String::from_utf8_lossy(&logged.lock().expect("no panic")).into_owned();
    let folder = folder.display().to_string();
    all.lines().filter(|line| line.contains(text) && line.contains(&folder)).map(str::to_owned).collect()
}

/// A disk of so many KiB.
struct SmallDisk {
    dir: tempfile::TempDir,
}

impl SmallDisk {
    /// `None` where nothing may be mounted.
    fn mount(kib: u32) -> Option<Self> {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let size = format!("size={kib}k,mode=0700");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(dir.path()).output();
        let mounted = mounted.expect("`mount` runs: Debian's package mount");
        if mounted.status.success() {
            return Some(Self { dir });
        }
        println!(
            "\n*** SKIPPED: a real full disk: no tmpfs may be mounted here ({}). Run the tests as root, in a container with \
             --cap-add SYS_ADMIN, or under `unshare --user --map-root-user --mount`. The test with a limit on file sizes \
             injects the same faults without any rights.\n",
            String::from_utf8_lossy(&mounted.stderr).trim()
        );
        None
    }

    fn path(&self) -> PathBuf {
        self.dir.path().to_owned()
    }

    /// Takes all the space there is, to the last byte.
    fn fill(&self) {
        let mut ballast = std::fs::File::create(self.path().join("ballast")).expect("a file");
        for size in [64 * 1024, 1024, 1] {
            while ballast.write_all(&vec![0; size]).is_ok() {}
        }
    }

    fn free(&self) {
        std::fs::remove_file(self.path().join("ballast")).expect("it was there");
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("--lazy").arg(self.dir.path()).status();
    }
}

/// Identities of all messages in the journal.
fn journaled(state: &Path) -> HashSet<u64> {
    let journal = Journal::open_recording(&state.join("journal.db")).expect("the journal opens");
    let head = journal.head().expect("a head");
    let (mut position, mut found) = (0, HashSet::new());
    while let Some((at, entries)) = journal.after(position, head).expect("every row can be read") {
        position = at;
        for entry in entries {
            if let Entry::Message(message) = entry {
                found.insert(identity(&message.topic, &message.payload));
            }
        }
    }
    found
}

#[track_caller]
fn assert_durable(tap: &Tap, state: &Path) {
    // Taken in this order: what is acknowledged by now is in what the disk holds after.
    let acknowledged = tap.acknowledged();
    let found = journaled(state);
    let lost = acknowledged.iter().filter(|hash| !found.contains(hash)).count();
    assert_eq!(lost, 0, "{lost} of {} acknowledged messages are not on the disk", acknowledged.len());
}

/// Injected: no byte left on the disk of both files, in the middle of a stream; later there is space again. Lost: nothing.
#[test]
fn a_full_disk_stops_acknowledgements_and_space_starts_them_again() {
    logged();
    let Some(disk) = SmallDisk::mount(8 * 1024) else { return };
    let broker = Broker::start("");
    let tap = Tap::new(broker.port);
    let state = disk.path().join("state");
    let mut settings = settings(tap.port, &state);
    settings.journal_keep = Duration::from_secs(86_400);
    let daemon = Daemon::started(settings);
    broker.publish_readings("pump-1", 0..500);
    wait_for("the first ones", || daemon.status.acknowledged.get() == 500 && daemon.status.outbox.get() == 0);
    for round in 1..=3 {
        let published = round * 500;
        disk.fill();
        broker.publish_readings("pump-1", published..published + 500);
        wait_for("the journal to say so", || lines(&state, "the journal cannot be written").len() == round as usize);
        let faults = daemon.status.disk_faults.get();
        wait_for("it to try again", || daemon.status.disk_faults.get() > faults + 1);
        assert!(daemon.status.acknowledged.get() < published + 500, "what is not on the disk is not acknowledged");
        assert_durable(&tap, &state);
        disk.free();
        wait_for("all of them", || daemon.status.acknowledged.get() == published + 500);
        let expected = (published + 500) / EVERY;
        wait_for("all alerts", || daemon.status.alerts.get() == expected && daemon.status.outbox.get() == 0);
        assert_durable(&tap, &state);
        // One line a time, and one when it is over; never one for each try.
        assert_eq!(lines(&state, "the journal cannot be written").len(), round as usize);
        assert_eq!(lines(&state, "the journal can be written again").len(), round as usize);
    }
    let said = lines(&state, "the journal cannot be written");
    assert!(said[0].contains("ERROR") && said[0].contains("free some space"), "{said:?}");
    daemon.stop().expect("a clean stop");
    assert_eq!(tap.stray(), 0);
    assert_eq!(kept_alerts(&state, "pump-1"), expected_alerts("pump-1", 2000));
}

/// Injected: the disk of `state.db` alone is full while snapshots are due; the journal's is not. Lost: nothing: readings
/// are journaled and acknowledged, alerts and snapshots wait.
#[test]
fn a_full_disk_under_the_snapshots_holds_up_only_them() {
    logged();
    let Some(disk) = SmallDisk::mount(2 * 1024) else { return };
    let broker = Broker::start("");
    let tap = Tap::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let state = dir.path().join("state");
    std::fs::DirBuilder::new().create(&state).expect("a folder");
    std::fs::set_permissions(&state, std::fs::Permissions::from_mode(0o700)).expect("its mode");
    std::os::unix::fs::symlink(disk.path().join("state.db"), state.join("state.db")).expect("a link");
    let mut settings = settings(tap.port, &state);
    settings.journal_keep = Duration::from_secs(86_400);
    let daemon = Daemon::started(settings.clone());
    broker.publish_readings("pump-1", 0..100);
    wait_for("the first alerts", || daemon.status.delivered.get() >= 10 && daemon.status.outbox.get() == 0);
    disk.fill();
    broker.publish_readings("pump-1", 100..1000);
    wait_for("every reading to be acknowledged", || daemon.status.acknowledged.get() == 1000);
    wait_for("the fault to be said", || lines(&state, "state cannot be written").len() == 1);
    let delivered = daemon.status.delivered.get();
    let faults = daemon.status.disk_faults.get();
    wait_for("it to try again", || daemon.status.disk_faults.get() > faults + 1);
    assert_eq!(daemon.status.delivered.get(), delivered, "no alert goes out that is not kept");
    assert_durable(&tap, &state);
    let covered = || query(&state, "state.db", "SELECT max(position) FROM snapshots");
    let before = covered();
    disk.free();
    wait_for("every alert", || daemon.status.alerts.get() == 100 && daemon.status.outbox.get() == 0);
    wait_for("a snapshot", || covered() > before);
    assert_eq!(lines(&state, "state cannot be written").len(), 1);
    assert_eq!(lines(&state, "state can be written again").len(), 1);

    // Full again, and killed in it as far as this process can: a stop that the full disk cuts off. The next start applies
    // the journal.
    disk.fill();
    broker.publish_readings("pump-1", 1000..1500);
    wait_for("every reading to be acknowledged", || daemon.status.acknowledged.get() == 1500);
    drop(daemon);
    disk.free();
    let daemon = Daemon::started(settings);
    wait_for("what was journaled to be applied", || {
        daemon.status.outbox.get() == 0 && kept_alerts(&state, "pump-1").len() == 150
    });
    daemon.stop().expect("a clean stop");
    assert_eq!(kept_alerts(&state, "pump-1"), expected_alerts("pump-1", 1500));
}

/// Sets the greatest size of a file the running daemon may write, which takes no rights.
fn limit_files(pid: u32, bytes: &str) {
    let limit = format!("--fsize={bytes}:");
    let done = Command::new("prlimit").args(["--pid", &pid.to_string(), &limit]).status();
    assert!(done.expect("`prlimit` runs: Debian's package util-linux").success(), "prlimit {limit}");
}

/// Injected: the daemon's own binary may not let a file grow, at three points of the stream. Lost: nothing.
#[test]
fn a_limit_on_files_stops_acknowledgements_and_lifting_it_starts_them_again() {
    let broker = Broker::start("");
    let tap = Tap::new(broker.port);
    let dir = tempfile::tempdir().expect("a temporary directory");
    let state = dir.path().join("state");
    let config = dir.path().join("limited.toml");
    std::fs::write(
        &config,
        "site.name = \"mill\"\nbroker.url = \"mqtt://localhost\"\ntopics = [{ pattern = \"plant/{area}/{asset}/{point}\" }]\n",
    )
    .expect("a configuration");
    let mut all = arguments(&config, tap.port, "under-limit", &state);
    for set in ["journal.keep_days=1", "state.snapshot_every=1 s"] {
        all.extend(["--set".to_owned(), set.to_owned()]);
    }
    // The signal that comes with the limit would end the process; a full disk sends none.
    let mut shell = Command::new("sh");
    shell.args(["-c", "trap '' XFSZ; exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_roundsman")]);
    let log = Log::default();
    let mut daemon = Process::spawn(shell, &all, &log);
    daemon.wait_until_connected(0);
    let mut published = 0;
    for (round, limit) in ["0", "20000", "0"].into_iter().enumerate() {
        broker.publish_readings("pump-1", published..published + 1000);
        wait_for("all of them", || tap.acknowledgements() as u64 == published + 1000);
        limit_files(daemon.pid(), limit);
        // More than the files hold by now, so that they would have to grow.
        broker.publish_readings("pump-1", published + 1000..published + 2000);
        wait_for("the journal to say so", || daemon.lines("the journal cannot be written") == round + 1);
        let settled = Instant::now() + Duration::from_millis(1200);
        wait_for("some more tries", || Instant::now() > settled);
        assert!((tap.acknowledgements() as u64) < published + 2000, "what is not on the disk is not acknowledged");
        assert_durable(&tap, &state);
        assert!(daemon.is_running());
        limit_files(daemon.pid(), "unlimited");
        wait_for("all of them", || tap.acknowledgements() as u64 == published + 2000);
        wait_for("the journal to be well again", || daemon.lines("the journal can be written again") == round + 1);
        assert_eq!(daemon.lines("the journal cannot be written"), round + 1, "one line, not one for each try");
        published += 2000;
    }
    daemon.stop();
    assert_eq!(journaled(&state).len() as u64, published);
    assert_eq!(tap.stray(), 0);
    assert_eq!(tap.acknowledged().into_iter().collect::<HashSet<_>>().len() as u64, published);
}

/// Injected: another program holds a write lock on each file for longer than we wait in one go. Lost: nothing.
#[test]
fn a_lock_of_another_program_is_waited_for_and_named() {
    logged();
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    broker.publish_readings("pump-1", 0..100);
    wait_for("the first ones", || daemon.status.acknowledged.get() == 100 && daemon.status.outbox.get() == 0);
    let lock = |file: &str| {
        let other = rusqlite::Connection::open(dir.path().join(file)).expect("opens");
        other.busy_timeout(Duration::from_secs(5)).expect("a timeout");
        other.execute_batch("BEGIN IMMEDIATE").expect("locks");
        other
    };
    let locks = [lock("journal.db"), lock("state.db")];
    broker.publish_readings("pump-1", 100..200);
    wait_for("the lock to be named", || !lines(dir.path(), "another program holds a lock").is_empty());
    assert_eq!(daemon.status.acknowledged.get(), 100);
    drop(locks);
    wait_for("the rest", || daemon.status.acknowledged.get() == 200 && daemon.status.alerts.get() == 20);
    daemon.stop().expect("a clean stop");
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", 200));
}

fn run_once(mut program: Command, state: &Path) -> (Option<i32>, String) {
    let config = common::stretch::site("roundsman.toml");
    let done = program.args(arguments(&config, 1, "nobody", state)).output().expect("it starts");
    (done.status.code(), String::from_utf8_lossy(&done.stderr).into_owned())
}

/// Injected: a folder of state that may not be written. Refused by name before anything is asked of the broker.
#[test]
fn a_folder_that_cannot_be_written_is_refused_by_name() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    std::fs::set_permissions(dir.path(), std::fs::Permissions::from_mode(0o500)).expect("its mode");
    // Root writes everywhere; without that one right it is anybody.
    let mut program = Command::new("setpriv");
    program.args(["--bounding-set=-dac_override,-dac_read_search", env!("CARGO_BIN_EXE_roundsman")]);
    let is_root = Command::new("id").arg("-u").output().is_ok_and(|out| out.stdout == b"0\n");
    let program = if is_root { program } else { support::roundsman() };
    let (code, said) = run_once(program, dir.path());
    assert_eq!(code, Some(74), "{said}");
    assert!(said.contains("lock: Permission denied"), "{said}");
    assert!(!said.contains("connected"), "{said}");
}

/// Injected: a second instance on the same folder, as a process. Refused, and the first is not disturbed.
#[test]
fn a_second_instance_is_refused_and_the_first_goes_on() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a temporary directory");
    let daemon = Daemon::started(settings(broker.port, dir.path()));
    let (code, said) = run_once(support::roundsman(), dir.path());
    assert_eq!(code, Some(74), "{said}");
    assert!(said.contains("another roundsman uses this state directory"), "{said}");
    broker.publish_readings("pump-1", 0..EVERY);
    wait_for("its alert", || daemon.status.alerts.get() == 1);
    daemon.stop().expect("a clean stop");
    assert_eq!(kept_alerts(dir.path(), "pump-1"), expected_alerts("pump-1", EVERY));
}
