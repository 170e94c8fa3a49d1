//! Mail into a real SMTP server that nobody here wrote (aiosmtpd, in the Python of the tests): one per episode and
//! escalation, with the server down for a while, refusing, or hanging, and intake that does not notice.

mod common;
mod support;

use common::process::{Log, Process, arguments};
use common::stretch::{Sent, stretch};
use common::{Broker, free_port, python_with, query, wait_for};
use rcgen::{CertificateParams, KeyPair};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// Writes every mail as a line of JSON. Addresses with `gone` in them are refused for good. With a certificate: nothing
/// without STARTTLS, and nothing without the login.
const SINK: &str = r#"
import email, email.policy, json, ssl, sys, time
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
port, path, certificate = int(sys.argv[1]), sys.argv[2], sys.argv[3]

class Sink:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if "gone" in address:
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        files = [{"name": part.get_filename(), "type": part.get_content_type(),
                  "size": len(part.get_payload(decode=True)), "begins": part.get_payload(decode=True)[:5].decode("latin-1")}
                 for part in mail.iter_attachments()]
        line = {"from": envelope.mail_from, "to": envelope.rcpt_tos, "subject": str(mail["Subject"]), "id": str(mail["Message-ID"]),
                "auto": str(mail["Auto-Submitted"]), "text": mail.get_body(("plain",)).get_content(), "files": files,
                "tls": session.ssl is not None, "login": session.authenticated}
        with open(path, "a", encoding="utf-8") as out:
            out.write(json.dumps(line) + "\n")
        return "250 OK"

def authenticate(server, session, envelope, mechanism, data):
    return AuthResult(success=(data.login, data.password) == (b"roundsman", b"correct horse"))

extra = {}
if certificate:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(certificate, certificate)
    extra = dict(tls_context=context, require_starttls=True, auth_required=True, authenticator=authenticate)
Controller(Sink(), hostname="127.0.0.1", port=port, **extra).start()
print("listening", flush=True)
while True:
    time.sleep(3600)
"#;

/// The server.
struct Sink {
    child: Child,
}

impl Sink {
    fn start(port: u16, mails: &Path, certificate: Option<&Path>) -> Self {
        let child = Command::new(python_with("aiosmtpd.controller"))
            .args(["-c", SINK, &port.to_string()])
            .arg(mails)
            .arg(certificate.map_or("".as_ref(), Path::as_os_str))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .expect("Python starts");
        wait_for("the mail server to listen", || TcpStream::connect(("127.0.0.1", port)).is_ok());
        Self { child }
    }
}

impl Drop for Sink {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn mails(path: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    whole.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

/// A site whose pump has a limit, and mail; in a folder of its own.
struct Site {
    dir: tempfile::TempDir,
    broker: Broker,
    smtp: u16,
}

impl Site {
    fn new(mail: &str) -> Self {
        let site = Self { dir: tempfile::tempdir().expect("a folder"), broker: Broker::start(""), smtp: free_port() };
        site.configure(mail);
        site
    }

    fn configure(&self, mail: &str) {
        let text = format!(
            r#"
            site = {{ name = "quillhaven", zone = "Europe/Berlin" }}
            broker = {{ url = "mqtt://127.0.0.1", clock = "stream" }}
            journal.keep_days = 1
            align.cadence = "10 s"
            http.listen = "off"
            [[topics]]
            pattern = "plant/{{asset}}/{{point}}"
            payload = {{ format = "json", value = "/v", time = "/t", time_format = "s" }}
            [assets.pump-7]
            class = "pump"
            [assets.pump-7.points.pressure]
            unit = "bar"
            alarm_high = 4
            [mail]
            server = "127.0.0.1"
            port = {}
            from = "Quillhaven machines <machines@quillhaven.example>"
            {mail}
            "#,
            self.smtp
        );
        std::fs::write(self.path("site.toml"), text).expect("written");
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn mails(&self) -> Vec<Value> {
        mails(&self.path("mails"))
    }

    fn start(&self) -> Process {
        self.start_with(&[])
    }

    fn start_with(&self, more: &[&str]) -> Process {
        let mut all = arguments(&self.path("site.toml"), self.broker.port, "under-test", &self.path("state"));
        all.extend(more.iter().map(|more| (*more).to_owned()));
        let daemon = Process::spawn(support::roundsman(), &all, &Log::default());
        daemon.wait_until_connected(0);
        daemon
    }

    /// Readings every ten seconds from a second of 2031 on: above the limit.
    fn pressures(&self, seconds: std::ops::Range<u64>, bar: f64) {
        let lines = seconds
            .step_by(10)
            .map(|t| format!(r#"{{"v":{},"t":{}}}"#, bar + 0.01 * (t % 7) as f64, 1_930_000_000 + t));
        self.broker.publish_lines("plant/pump-7/pressure", lines);
    }

    fn count(&self, sql: &str) -> i64 {
        query(&self.path("state"), "state.db", sql)
    }

    fn journaled(&self) -> i64 {
        query(&self.path("state"), "journal.db", "SELECT sum(entries) FROM journal")
    }
}

const TO: &str = "security = \"plain\"\n[[mail.to]]\npeople = [\"Ada <ada@quillhaven.example>\"]";

/// An alert of the simulated site's recording, as the demo plays it. Injected: the server is down while it comes; then a kill
/// of the daemon after the mail has gone.
#[test]
fn an_alert_of_the_recording_is_mailed_once_though_the_server_was_down_and_the_daemon_killed() {
    let (broker, smtp, dir) = (Broker::start(""), free_port(), tempfile::tempdir().expect("a folder"));
    let mail = format!(
        "\n[mail]\nserver = \"127.0.0.1\"\nport = {smtp}\nsecurity = \"plain\"\nfrom = \"machines@quillhaven.example\"\n\
         [[mail.to]]\npeople = [\"ada@quillhaven.example\"]\nat_least = \"advisory\"\nareas = [\"boilerhouse\"]\n\
         [[mail.to]]\npeople = [\"nobody@quillhaven.example\"]\nat_least = \"advisory\"\nclasses = [\"kiln\"]\n"
    );
    let config = std::fs::read_to_string(support::quillhaven("roundsman.toml")).expect("a file") + &mail;
    let (file, state, box_) = (dir.path().join("site.toml"), dir.path().join("state"), dir.path().join("mails"));
    std::fs::write(&file, config).expect("written");
    let start = || {
        let mut all = arguments(&file, broker.port, "under-test", &state);
        all.extend(
            ["broker.clock=stream", "http.listen=off", "journal.keep_days=1"]
                .iter()
                .flat_map(|set| ["--set".into(), (*set).to_owned()]),
        );
        let daemon = Process::spawn(support::roundsman(), &all, &Log::default());
        daemon.wait_until_connected(0);
        daemon
    };
    let daemon = start();
    // Imbalance of this fan is planted in these days.
    let messages = stretch(&["id-fan"], "2031-03-29T00:00:00Z", "2031-04-06T00:00:00Z");
    publish(&broker, &messages);
    wait_for("all of it in the journal, though no mail goes", || {
        query(&state, "journal.db", "SELECT sum(entries) FROM journal") >= messages.len() as i64
    });
    wait_for("an alert that waits", || query(&state, "state.db", "SELECT count(*) FROM mail_waiting") > 0);
    wait_for("the trouble to be told", || daemon.lines("mail is not taken") > 0);
    assert!(mails(&box_).is_empty());

    let sink = Sink::start(smtp, &box_, None);
    wait_for("every mail to go", || query(&state, "state.db", "SELECT count(*) FROM mail_waiting") == 0);
    let came = mails(&box_);
    // Of the other machines nothing is sent, so that they are silent; those of other areas are nobody's here.
    let worst = episodes(&state);
    println!("{} messages, {} episodes, {} mails", messages.len(), worst.len(), came.len());
    assert!(!came.iter().any(|mail| says(mail, "air-compressor")), "of another area");
    assert!(worst.keys().any(|id| id.starts_with("quillhaven/air-compressor/")), "though there was an alert");
    let worst: BTreeMap<_, _> = worst.into_iter().filter(|(id, _)| id.starts_with("quillhaven/id-fan/")).collect();
    assert!(!worst.is_empty());
    for (id, worst) in &worst {
        let about: Vec<_> = came.iter().filter(|mail| says(mail, &format!("Alert {id}, "))).collect();
        assert!(!about.is_empty(), "nobody was told of {id}");
        assert!(says(about[about.len() - 1], &worst.to_uppercase()), "{id} was {worst} at its worst: {about:?}");
    }
    let mut ids: Vec<_> = came.iter().map(|mail| mail["id"].as_str().expect("an id").to_owned()).collect();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), came.len(), "none twice");
    let first = &came[0];
    assert_eq!(first["to"], serde_json::json!(["ada@quillhaven.example"]), "and nobody who asked for kilns");
    assert_eq!(first["auto"], "auto-generated");
    for mail in &came {
        let report = &mail["files"][0];
        assert_eq!((&report["begins"], &report["type"]), (&"%PDF-".into(), &"application/pdf".into()), "{mail}");
        assert!(report["size"].as_u64().is_some_and(|size| (5_000..500_000).contains(&size)), "{report}");
    }
    for word in ["What was seen", "no machine-protection system", "lock-out", "id-fan"] {
        assert!(came.iter().any(|mail| says(mail, word)), "no {word:?} in {first}");
    }
    daemon.kill();
    let daemon = start();
    wait_for("recovery", || daemon.log().contains("subscribed"));
    daemon.stop();
    assert_eq!(mails(&box_).len(), came.len(), "what was sent is not sent again");
    drop(sink);
}

fn says(mail: &Value, word: &str) -> bool {
    mail["text"].as_str().is_some_and(|text| text.contains(word))
}

/// Worst severity by alert, of those that mail tells of.
fn episodes(state: &Path) -> BTreeMap<String, String> {
    let connection = rusqlite::Connection::open(state.join("state.db")).expect("opens");
    let mut statement = connection.prepare("SELECT id, document FROM alerts ORDER BY at, revision").expect("sql");
    let rows = statement.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, Vec<u8>>(1)?))).expect("runs");
    rows.map(|row| {
        let (id, document) = row.expect("a row");
        let document: Value = serde_json::from_slice(&document).expect("JSON");
        (id, document["worst"].as_str().expect("a severity").to_owned())
    })
    .collect()
}

/// At QoS 1 through one connection, as fast as the broker takes them.
fn publish(broker: &Broker, messages: &[Sent]) {
    let mut options = rumqttc::MqttOptions::new("plant", "127.0.0.1", broker.port);
    options.set_inflight(100);
    let (client, mut connection) = rumqttc::Client::new(options, 100);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut taken = 0;
            for event in connection.iter() {
                let puback =
                    matches!(event.expect("the broker is there"), rumqttc::Event::Incoming(rumqttc::Packet::PubAck(_)));
                taken += usize::from(puback);
                if taken == messages.len() {
                    return;
                }
            }
        });
        for Sent { topic, payload, .. } in messages {
            client.publish(topic, rumqttc::QoS::AtLeastOnce, false, payload.as_bytes()).expect("taken");
        }
    });
}

/// Injected: a server that takes connections and says nothing. A thousand readings later everything is in the journal and the
/// alarm is kept.
#[test]
fn a_server_that_hangs_holds_up_no_reading_and_no_stop() {
    let site = Site::new(TO);
    let silent = TcpListener::bind(("127.0.0.1", site.smtp)).expect("the port");
    let daemon = site.start();
    site.pressures(0..600, 5.0);
    wait_for("the alarm, waiting for mail", || site.count("SELECT count(*) FROM mail_waiting") > 0);
    let (stuck, _) = silent.accept().expect("the sender connects");
    let before = site.journaled();
    site.pressures(600..10_600, 5.0);
    wait_for("a thousand readings behind it", || site.journaled() >= before + 1000);
    let stopping = std::time::Instant::now();
    daemon.stop();
    assert!(stopping.elapsed() < std::time::Duration::from_secs(15), "{:?}", stopping.elapsed());
    drop(stuck);
}

#[test]
fn an_address_that_is_refused_holds_up_no_other_and_is_told_once() {
    let to = "security = \"plain\"\n[[mail.to]]\npeople = [\"gone@quillhaven.example\", \"ada@quillhaven.example\"]";
    let site = Site::new(to);
    let _sink = Sink::start(site.smtp, &site.path("mails"), None);
    let daemon = site.start();
    site.pressures(0..600, 5.0);
    wait_for("the mail", || site.mails().len() == 1);
    wait_for("nothing to wait", || site.count("SELECT count(*) FROM mail_waiting") == 0);
    assert_eq!(site.mails()[0]["to"], serde_json::json!(["ada@quillhaven.example"]));
    let subject = site.mails()[0]["subject"].as_str().expect("a subject").to_owned();
    assert!(subject.starts_with("Alarm: pump-7 (quillhaven): "), "{subject}");
    assert_eq!(daemon.lines("the server refuses it"), 1, "{}", daemon.log());
    daemon.stop();
}

/// An authority nobody else knows, a login from a file, STARTTLS: nothing is said before the connection is encrypted.
#[test]
fn starttls_with_a_login_and_an_authority_of_the_plants_own() {
    let site = Site::new(TO);
    let key = KeyPair::generate().expect("a key");
    let own =
        CertificateParams::new(vec!["127.0.0.1".to_owned()]).expect("a name").self_signed(&key).expect("signed").pem();
    std::fs::write(site.path("server.pem"), format!("{own}{}", key.serialize_pem())).expect("written");
    std::fs::write(site.path("ca.pem"), &own).expect("written");
    let mut password = std::fs::File::create(site.path("password")).expect("a file");
    password.set_permissions(std::fs::Permissions::from_mode(0o600)).expect("ours");
    password.write_all(b"correct horse\n").expect("written");
    let other = CertificateParams::new(vec!["127.0.0.1".to_owned()]).expect("a name");
    let other = other.self_signed(&KeyPair::generate().expect("a key")).expect("signed").pem();
    std::fs::write(site.path("other.pem"), other).expect("written");
    let mail = |ca: &str| {
        format!(
            "security = \"starttls\"\nusername = \"roundsman\"\npassword_file = {:?}\nca_file = {:?}\n\
             [[mail.to]]\npeople = [\"ada@quillhaven.example\"]",
            site.path("password"),
            site.path(ca)
        )
    };
    let _sink = Sink::start(site.smtp, &site.path("mails"), Some(&site.path("server.pem")));
    site.configure(&mail("other.pem"));
    let daemon = site.start();
    site.pressures(0..600, 5.0);
    wait_for("the certificate to be refused", || daemon.lines("mail is not taken") > 0);
    assert!(daemon.log().contains("certificate"), "{}", daemon.log());
    assert!(site.mails().is_empty());
    daemon.stop();
    site.configure(&mail("ca.pem"));
    let daemon = site.start();
    wait_for("the mail", || site.mails().len() == 1);
    let came = &site.mails()[0];
    assert_eq!((&came["tls"], &came["login"]), (&Value::Bool(true), &Value::Bool(true)), "{came}");
    daemon.stop();
}

/// The daemon's clock is set by libfaketime (Debian: faketime) to ten seconds before six. Until then it is quiet; then what was
/// held back and the digest come.
#[test]
fn quiet_hours_hold_back_until_their_end_and_the_digest_comes_in_the_morning() {
    let site = Site::new(
        "security = \"plain\"\ndigest_at = \"06:00\"\n[[mail.to]]\npeople = [\"ada@quillhaven.example\"]\nquiet = \"22:00-06:00\"\n\
         alarms_break_quiet = false\n[[mail.to]]\npeople = [\"grace@quillhaven.example\"]\nquiet = \"22:00-06:00\"\ndigest = false",
    );
    let _sink = Sink::start(site.smtp, &site.path("mails"), None);
    // Not the wrapper of that name: a signal has to reach the daemon itself.
    let folders = ["x86_64-linux-gnu", "aarch64-linux-gnu", "arm-linux-gnueabihf"]
        .map(|folder| Path::new("/usr/lib").join(folder));
    let library = folders.iter().map(|folder| folder.join("faketime/libfaketime.so.1")).find(|path| path.exists());
    let library = library.expect("this test needs libfaketime: install Debian's package faketime, as tests/run does");
    let mut program = support::roundsman();
    program.env("LD_PRELOAD", library).env("FAKETIME", "@2026-11-27 05:59:45").env("TZ", "Europe/Berlin");
    let all = arguments(&site.path("site.toml"), site.broker.port, "under-test", &site.path("state"));
    let daemon = Process::spawn(program, &all, &Log::default());
    daemon.wait_until_connected(0);
    site.pressures(0..600, 5.0);
    let to = |whom: &str| -> Vec<Value> {
        let whom = serde_json::json!([format!("{whom}@quillhaven.example")]);
        site.mails().into_iter().filter(|mail| mail["to"] == whom).collect()
    };
    wait_for("the alarm for her whom alarms may wake", || to("grace").len() == 1);
    let woken = site.mails().len();
    wait_for("six o'clock", || to("ada").len() == 2);
    assert_eq!(woken, 1, "nobody else was told before six");
    let mut subjects: Vec<_> =
        to("ada").iter().map(|mail| mail["subject"].as_str().expect("a subject").to_owned()).collect();
    subjects.sort();
    assert!(subjects[0].starts_with("Alarm: pump-7"), "{subjects:?}");
    assert_eq!(subjects[1], "quillhaven: 1 alert open, alarm");
    daemon.stop();
}

/// A form by a program that may act, as the page would send it: code and words.
fn post(port: u16, path: &str, token: &str, body: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("it listens");
    let head = format!(
        "POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\nAuthorization: Bearer {token}\r\n\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    stream.write_all(head.as_bytes()).expect("it takes the form");
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let code = text.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0);
    (code, text.split_once("\r\n\r\n").map(|(_, body)| body.to_owned()).unwrap_or_default())
}

#[test]
fn a_report_asked_for_at_the_page_is_mailed_though_the_server_is_down_and_to_nobody_else() {
    const TOKEN: &str = "act-0123456789abcdef";
    let site = Site::new("");
    std::fs::write(site.path("token"), TOKEN).expect("written");
    std::fs::set_permissions(site.path("token"), std::fs::Permissions::from_mode(0o600)).expect("ours");
    // Of alarms elsewhere only: what comes is what was asked for.
    site.configure(&format!(
        "security = \"plain\"\n[[mail.to]]\npeople = [\"Ada <Ada@quillhaven.example>\", \"gone@quillhaven.example\"]\nareas = [\"elsewhere\"]\n\
         [page]\ntoken_file = {:?}",
        site.path("token")
    ));
    let port = free_port();
    let listen = ["--set".to_owned(), format!("http.listen=127.0.0.1:{port}")];
    let listen: Vec<&str> = listen.iter().map(String::as_str).collect();
    let daemon = site.start_with(&listen);
    site.pressures(0..600, 5.0);
    wait_for("the pump in state.db", || site.count("SELECT count(*) FROM assets") > 0);
    wait_for("an alert", || site.count("SELECT count(*) FROM alerts") > 0);
    let send = |token: &str, asset: &str, to: &str| {
        post(port, &format!("/machines/{asset}/send"), token, &format!("by=A.+Berg&to={to}"))
    };
    assert_eq!(send("forged-0123456789abc", "pump-7", "ada@quillhaven.example").0, 401);
    assert_eq!(send(TOKEN, "pump-8", "ada@quillhaven.example").0, 404);
    for stranger in ["mallory@evil.example", "ada@quillhaven.example,mallory@evil.example", "Ada", ""] {
        let (code, words) = send(TOKEN, "pump-7", stranger);
        assert!(code == 422 && words.contains("[mail]"), "{stranger}: {code} {words}");
    }
    assert_eq!(post(port, "/machines/pump-7/send", TOKEN, "to=ada@quillhaven.example").0, 422, "nobody's name");
    assert_eq!(site.count("SELECT count(*) FROM mail_reports"), 0);

    // No server listens yet; the answer waits for the disk only, and the wish outlives the daemon.
    let (code, words) = send(TOKEN, "pump-7", "ada@quillhaven.example");
    assert!(code == 202 && words.contains("as soon as the mail server takes it"), "{code} {words}");
    assert_eq!(send(TOKEN, "pump-7", "GONE@quillhaven.example").0, 202);
    assert_eq!(site.count("SELECT count(*) FROM mail_reports WHERE ended IS NULL"), 2);
    // Who sent what to whom is among what people did, and what nobody could send is not.
    let audited = "accepted = 1 AND by = 'A. Berg' AND asset = 'pump-7' AND received > 0 AND topic = 'page/pump-7'";
    for to in ["ada@quillhaven.example", "gone@quillhaven.example"] {
        let asked =
            format!("action ->> '$.action' = 'mail-report' AND action ->> '$.to' = '{to}' AND answer LIKE '%{to}%'");
        assert_eq!(site.count(&format!("SELECT count(*) FROM audit WHERE {audited} AND {asked}")), 1, "{to}");
    }
    assert_eq!(site.count("SELECT count(*) FROM audit"), 2);
    daemon.kill();
    let daemon = site.start_with(&listen);
    let _sink = Sink::start(site.smtp, &site.path("mails"), None);
    wait_for("the mail", || site.count("SELECT count(*) FROM mail_reports WHERE ended IS NULL") == 0);
    let mails = site.mails();
    let [mail] = &mails[..] else { panic!("one mail, not {mails:?}") };
    assert_eq!(mail["to"], serde_json::json!(["Ada@quillhaven.example"]));
    assert_eq!(mail["subject"], "Report: pump-7 (quillhaven), sent by A. Berg");
    let file = &mail["files"][0];
    assert_eq!(
        (&file["name"], &file["type"], &file["begins"]),
        (&"report-pump-7.pdf".into(), &"application/pdf".into(), &"%PDF-".into())
    );
    assert!(says(mail, "A. Berg sends you") && says(mail, "no machine-protection"), "{mail}");
    assert_eq!(site.count("SELECT count(*) FROM mail_reports WHERE fault IS NULL AND by = 'A. Berg'"), 1);
    assert_eq!(site.count("SELECT count(*) FROM mail_reports WHERE fault LIKE '%550%'"), 1, "why the other was not");
    daemon.stop();
}

#[test]
fn a_password_goes_nowhere_in_the_open_unless_the_file_says_so() {
    let dir = tempfile::tempdir().expect("a folder");
    let file = dir.path().join("site.toml");
    let password = dir.path().join("password");
    std::fs::write(&password, "correct horse").expect("written");
    std::fs::set_permissions(&password, std::fs::Permissions::from_mode(0o600)).expect("ours");
    let check = |mail: &str| {
        let text = format!(
            "site.name = \"quillhaven\"\nbroker.url = \"mqtt://localhost\"\ntopics = [{{ pattern = \"a/{{asset}}/{{point}}\" }}]\n[mail]\n{mail}"
        );
        std::fs::write(&file, text).expect("written");
        let done = support::roundsman().arg("check").arg("--config").arg(&file).output().expect("it starts");
        (done.status.code(), String::from_utf8_lossy(&done.stderr).into_owned())
    };
    let with = |server: &str, more: &str| {
        format!(
            "server = \"{server}\"\nfrom = \"a@b.example\"\nusername = \"u\"\npassword_file = {password:?}\n{more}\n[[mail.to]]\npeople = [\"a@b.example\"]"
        )
    };
    let (code, said) = check(&with("mail.example.org", "security = \"plain\""));
    assert_eq!(code, Some(78), "{said}");
    assert!(said.contains("mail.plaintext_password") && said.contains("I accept that anyone"), "{said}");
    assert!(!said.contains("correct horse"), "{said}");
    assert_eq!(check(&with("127.0.0.1", "security = \"plain\"")).0, Some(0), "this machine");
    let statement = "security = \"plain\"\nplaintext_password = \"I accept that anyone on the network can read it\"";
    assert_eq!(check(&with("mail.example.org", statement)).0, Some(0));
    for (faulty, word) in [
        ("from = \"a@b.example\"", "mail.server"),
        ("server = \"m\"\nfrom = \"nobody\"\n[[mail.to]]\npeople = [\"a@b.example\"]", "mail.from"),
        ("server = \"m\"\nfrom = \"a@b.example\"", "mail.to"),
        ("server = \"m\"\nfrom = \"a@b.example\"\n[[mail.to]]\npeople = [\"x\\r\\nBcc: y@z.example\"]", "people[1]"),
        ("server = \"m\"\nfrom = \"a@b.example\"\n[[mail.to]]\npeople = []", "people"),
        ("server = \"m\"\nfrom = \"a@b.example\"\n[[mail.to]]\npeople = [\"a@b.example\"]\nquiet = \"22-6\"", "quiet"),
        (
            "server = \"m\"\nfrom = \"a@b.example\"\n[[mail.to]]\npeople = [\"a@b.example\"]\nquiet = \"22:00-06:00\"",
            "site.zone",
        ),
        (
            "server = \"m\"\nfrom = \"a@b.example\"\nsecurity = \"ssl\"\n[[mail.to]]\npeople = [\"a@b.example\"]",
            "mail.security",
        ),
    ] {
        let (code, said) = check(faulty);
        assert!(code == Some(78) && said.contains(word), "{faulty}: no {word} in {said}");
    }
}
