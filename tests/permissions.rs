//! Who may do what: commands by topic and account with the access list of `deploy/`, their audit, and who may read
//! what we keep.

mod common;
mod support;

use common::{Broker, query, signal, wait_for};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Stdio};

/// `roundsman run` as a process of its own.
struct Daemon(Child);

impl Daemon {
    /// From `deploy/minimal.toml`, with these settings over it; returns once it is connected.
    fn start(broker: &Broker, dir: &Path, set: &[&str]) -> Self {
        let log = std::fs::File::create(dir.join("log")).expect("a log file");
        let mut command = support::roundsman();
        command.arg("run").arg("--config").arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/minimal.toml"));
        for set in [
            &format!("broker.url=mqtt://127.0.0.1:{}", broker.port),
            &format!("state.dir={}", dir.join("state").display()),
            "http.listen=off",
            "assets.pump-7.points.vib_de.unit=mm/s rms",
            "assets.pump-7.points.vib_de.alarm_high=7.1",
        ]
        .into_iter()
        .chain(set.iter().copied())
        {
            command.arg("--set").arg(set);
        }
        let child = command.stdout(Stdio::null()).stderr(log).spawn().expect("the binary starts");
        let daemon = Self(child);
        wait_for("the daemon to connect", || {
            let log = log_of(dir);
            log.contains("writer connected") && log.contains("subscribed")
        });
        daemon
    }

    fn stop(mut self) {
        signal(self.0.id(), "TERM");
        assert!(self.0.wait().expect("it ends").success());
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn log_of(dir: &Path) -> String {
    std::fs::read_to_string(dir.join("log")).unwrap_or_default()
}

/// The audit in order: topic, who, action, accepted, answer, old, new.
type Row = (String, String, String, bool, String, Option<String>, Option<String>);

fn audit(state: &Path) -> Vec<Row> {
    let connection = rusqlite::Connection::open(state.join("state.db")).expect("opens");
    let mut statement = connection
        .prepare("SELECT topic, by, action, accepted, answer, old, new FROM audit ORDER BY position, part")
        .expect("prepares");
    let rows = statement.query_map([], |row| {
        Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?, row.get(6)?))
    });
    rows.expect("runs").map(|row| row.expect("a row")).collect()
}

const COMMAND: &str = "roundsman/quillhaven/pump-7/command";

#[test]
fn only_the_right_accounts_command_and_each_only_what_its_topic_allows() {
    let acl = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/mosquitto.acl"));
    let acl = acl.expect("the sample").replace("roundsman/site/", "roundsman/quillhaven/");
    let users = ["roundsman", "gateway", "display", "operator", "engineer"];
    let passwords: String = users.iter().map(|user| format!("{user}:secret\n")).collect();
    let config = "allow_anonymous false\npassword_file $DIR/roundsman.passwords\nacl_file $DIR/roundsman.acl\n";
    let broker = Broker::start_hashed(config, &[("roundsman.acl", &acl), ("roundsman.passwords", &passwords)]);
    let dir = tempfile::tempdir().expect("a folder");
    let password = dir.path().join("password");
    std::fs::write(&password, "secret\n").expect("written");
    std::fs::set_permissions(&password, std::fs::Permissions::from_mode(0o600)).expect("ours");
    let daemon = Daemon::start(
        &broker,
        dir.path(),
        &[
            "broker.username=roundsman",
            &format!("broker.password_file={}", password.display()),
            r#"commands=[
                {topic = "roundsman/quillhaven/+/command", actions = ["acknowledge", "shelve", "out-of-service"]},
                {topic = "roundsman/quillhaven/+/command/engineer", actions = ["relearn", "set-limit"]},
            ]"#,
        ],
    );
    let heard = broker.listen(&["-u", "display", "-P", "secret", "-t", "roundsman/#"]);
    let answers = broker.listen(&["-u", "operator", "-P", "secret", "-t", "office/answers/#"]);
    let send = |user: &str, topic: &str, payload: &str| {
        let args = ["-V", "5", "-q", "1", "-u", user, "-P", "secret", "-t", topic, "-m", payload];
        broker.try_publish(&args)
    };
    let engineer = format!("{COMMAND}/engineer");
    let limit = r#""point":"vib_de","limit":"alarm-high","value":9,"reply_to":"office/answers/1"}"#;

    // Those that may not: a sensor's account, one that only reads, an operator on the engineers' topic.
    for user in ["gateway", "display", "operator"] {
        send(user, &engineer, &format!(r#"{{"action":"set-limit","by":"{user}",{limit}"#));
    }
    send("gateway", COMMAND, r#"{"action":"out-of-service","by":"gateway"}"#);
    send("display", COMMAND, r#"{"action":"out-of-service","by":"display"}"#);
    // And a sensor may not even say that it is one of our alerts.
    send("gateway", "roundsman/quillhaven/pump-7/alert", r#"{"forged":true}"#);

    // Those that may, each on their topic; what the topic does not allow is refused by us.
    send("operator", COMMAND, &format!(r#"{{"action":"set-limit","by":"O. Lindqvist",{limit}"#));
    send("operator", COMMAND, r#"{"action":"out-of-service","by":"O. Lindqvist","reply_to":"office/answers/2"}"#);
    send("engineer", &engineer, &format!(r#"{{"action":"set-limit","by":"E. Sato","note":"new pump",{limit}"#));
    send("engineer", &engineer, r#"{"action":"relearn","by":"E. Sato","reply_to":"office/answers/4"}"#);
    // An answer on somebody else's channel, or on an alert's topic, would be ours in name: none is given there.
    send("operator", COMMAND, &format!(r#"{{"action":"relearn","by":"O. Lindqvist","reply_to":"{engineer}"}}"#));
    send("engineer", &engineer, r#"{"action":"relearn","by":"E. Sato","reply_to":"office/answers/6"}"#);
    wait_for("the last answer", || !answers.on("office/answers/6").is_empty());
    daemon.stop();

    let rows = audit(&dir.path().join("state"));
    println!("{rows:#?}");
    let who: Vec<(&str, &str, bool)> = rows.iter().map(|row| (row.0.as_str(), row.1.as_str(), row.3)).collect();
    assert_eq!(
        who,
        [
            (COMMAND, "O. Lindqvist", false),
            (COMMAND, "O. Lindqvist", true),
            (engineer.as_str(), "E. Sato", true),
            (engineer.as_str(), "E. Sato", true),
            (COMMAND, "O. Lindqvist", false),
            (engineer.as_str(), "E. Sato", true),
        ],
        "nothing of the gateway and the display, and nothing of the operator on the engineers' topic"
    );
    assert_eq!(rows[0].4, "`set-limit` is not allowed on this topic, only acknowledge, shelve, out-of-service");
    let (old, new) = (rows[1].5.as_deref().unwrap_or_default(), rows[1].6.as_deref().unwrap_or_default());
    assert!(old.contains("/machine/0 normal") && new.contains("/machine/0 out-of-service"), "{old} | {new}");
    let changed = (rows[2].5.as_deref(), rows[2].6.as_deref());
    assert_eq!(changed, (Some("7.1 mm/s"), Some("9 mm/s")));
    assert!(rows[2].2.contains("set-limit") && rows[2].2.contains("vib_de"), "{}", rows[2].2);
    assert_eq!((rows[3].5.as_deref(), rows[3].6.as_deref()), (Some("learning"), Some("learning")));
    assert!(heard.on(&engineer).iter().all(|text| !text.contains("command-reply")), "{:?}", heard.on(&engineer));
    assert!(heard.on("roundsman/quillhaven/pump-7/alert").iter().all(|text| !text.contains("forged")));
    assert!(log_of(dir.path()).contains("asks for its answer on one of our own topics"));
}

/// Also those that wait in the session from the time when they were allowed.
#[test]
fn commands_are_refused_until_the_configuration_allows_them() {
    let broker = Broker::start("");
    let dir = tempfile::tempdir().expect("a folder");
    let allowed = r#"commands=[{topic = "roundsman/quillhaven/+/command", actions = "all"}]"#;
    Daemon::start(&broker, dir.path(), &[allowed]).stop();
    let answers = broker.listen(&["-t", "office/answers"]);
    let relearn = r#"{"action":"relearn","by":"A","reply_to":"office/answers"}"#;
    broker.publish(&["-q", "1", "-t", COMMAND, "-m", relearn]);
    let daemon = Daemon::start(&broker, dir.path(), &[]);
    wait_for("the refusal", || !answers.on("office/answers").is_empty());
    let answer = answers.on("office/answers").remove(0);
    assert!(answer.contains("\"accepted\":false") && answer.contains("[[commands]]"), "{answer}");
    // From here on they are not even listened to.
    wait_for("the filter to be given back", || log_of(dir.path()).contains("gave back a topic filter"));
    broker.publish(&["-q", "1", "-t", COMMAND, "-m", relearn]);
    daemon.stop();
    let state = dir.path().join("state");
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM audit WHERE NOT accepted"), 1);
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM audit"), 1);
}

#[test]
fn what_we_keep_is_private_and_a_directory_others_can_write_to_is_refused() {
    let dir = tempfile::tempdir().expect("a folder");
    let state = dir.path().join("state");
    let mode = |path: &Path| std::fs::metadata(path).expect("it is there").permissions().mode() & 0o7777;
    let open = || roundsman::keep::Store::open(&state);
    drop(open().expect("made anew"));
    drop(roundsman::keep::Journal::open(&state).expect("made anew"));
    assert_eq!(mode(&state), 0o700);
    for entry in std::fs::read_dir(&state).expect("listed") {
        let path = entry.expect("an entry").path();
        assert_eq!(mode(&path), 0o600, "{}", path.display());
    }

    // A file made readable since is made private again: it is ours.
    let file = state.join("state.db");
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).expect("ours");
    drop(open().expect("opens"));
    assert_eq!(mode(&file), 0o640, "a group, which a backup may need, keeps reading");

    // The directory may be shared on purpose, so its rights are not changed.
    for bad in [0o777, 0o702, 0o770] {
        std::fs::set_permissions(&state, std::fs::Permissions::from_mode(bad)).expect("ours");
        let refused = open().err().expect("refused").to_string();
        assert!(refused.contains(&format!("{bad:04o}")) && refused.contains("chmod 0700"), "{refused}");
        assert_eq!(mode(&state), bad);
    }
    for told in [0o750, 0o755] {
        std::fs::set_permissions(&state, std::fs::Permissions::from_mode(told)).expect("ours");
        drop(open().expect("looking is not changing, and the files are private"));
        assert_eq!(mode(&state), told);
    }
}

#[test]
fn a_state_of_the_first_version_is_brought_to_this_one() {
    let dir = tempfile::tempdir().expect("a folder");
    let state = dir.path().join("state");
    drop(roundsman::keep::Store::open(&state).expect("made anew"));
    drop(roundsman::keep::Journal::open(&state).expect("made anew"));
    let in_both = |sql: &str| {
        for file in ["state.db", "journal.db"] {
            let connection = rusqlite::Connection::open(state.join(file)).expect("opens");
            connection.execute_batch(sql).expect(sql);
        }
    };
    // What version 1 had: an audit without topic and values, here with a row in it.
    let connection = rusqlite::Connection::open(state.join("state.db")).expect("opens");
    connection
        .execute_batch(
            "DROP TABLE mail_waiting; DROP TABLE mail_told; DROP TABLE mail_digests; DROP TABLE mail_reports;
             DROP TABLE scores; DROP TABLE scores_open; DROP TABLE documents; DROP TABLE plates; DROP TABLE periods; DROP INDEX alerts_by_asset;
             ALTER TABLE trend DROP COLUMN expected_low; ALTER TABLE trend DROP COLUMN expected_high;
             ALTER TABLE trend_open DROP COLUMN expected_low; ALTER TABLE trend_open DROP COLUMN expected_high;
             INSERT INTO trend VALUES (300, 1, 0, 600, 3, 1.0, 2.0, 3.0, 2, 1.5);
             DROP TABLE waveforms; DROP TABLE waveform_slots; DROP TABLE requests;
             ALTER TABLE outbox DROP COLUMN content; ALTER TABLE outbox DROP COLUMN expiry;
             DROP TABLE audit;
             CREATE TABLE audit (
                 position INTEGER NOT NULL, part INTEGER NOT NULL, at INTEGER, received INTEGER NOT NULL, asset TEXT,
                 by TEXT NOT NULL, note TEXT, action TEXT NOT NULL, accepted INTEGER NOT NULL, answer TEXT NOT NULL,
                 PRIMARY KEY (position, part)) WITHOUT ROWID;
             INSERT INTO audit VALUES (1, 0, 5, 6, 'pump-7', 'A. B.', NULL, 'relearn', 1, 'done');",
        )
        .expect("as it was");
    drop(connection);
    let connection = rusqlite::Connection::open(state.join("journal.db")).expect("opens");
    connection.execute_batch("DROP TABLE configurations").expect("as it was");
    drop(connection);
    in_both("UPDATE meta SET value = '1' WHERE key = 'schema'");
    drop(roundsman::keep::Store::open(&state).expect("brought up"));
    drop(roundsman::keep::Journal::open(&state).expect("brought up"));
    assert_eq!(query(&state, "state.db", "SELECT value + 0 FROM meta WHERE key = 'schema'"), 4);
    assert_eq!(query(&state, "journal.db", "SELECT value + 0 FROM meta WHERE key = 'schema'"), 4);
    let kept = "SELECT count(*) FROM audit WHERE by = 'A. B.' AND topic IS NULL AND old IS NULL AND new IS NULL";
    assert_eq!(query(&state, "state.db", kept), 1);
    for table in ["mail_waiting", "mail_told", "mail_digests"] {
        assert_eq!(query(&state, "state.db", &format!("SELECT count(*) FROM {table}")), 0);
    }
    let trend = "SELECT count(*) FROM trend WHERE mean = 2.0 AND expected = 1.5 AND expected_low IS NULL";
    assert_eq!(query(&state, "state.db", trend), 1);
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM documents"), 0);
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM plates"), 0);
    assert_eq!(query(&state, "state.db", "SELECT count(*) FROM periods"), 0);
    // And a version nobody knows is still refused.
    in_both("UPDATE meta SET value = '77' WHERE key = 'schema'");
    assert!(roundsman::keep::Store::open(&state).err().expect("refused").to_string().contains("version 77"));
}
