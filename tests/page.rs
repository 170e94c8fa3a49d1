//! The page with a real browser: from the list to a machine and what is done about it, at a desk and on a phone; a list that
//! follows the plant over a restart of the daemon; and every way in that must stay shut.

#[path = "common/browser.rs"]
mod browser;
mod common;
mod support;

use browser::{Driver, Eyes, Page};
use common::process::{Log, Process, arguments};
use common::{Broker, free_port, wait_for};
use fantoccini::key::Key;
use roundsman::advise::document::{Alert, Document};
use roundsman::keep::read::{Reader, Span};
use roundsman::web::passwords;
use roundsman_models::EventTime;
use serde_json::Value;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::Duration;

const PASSWORD: &str = "seven quiet pumps";
const LOOK_TOKEN: &str = "look-0123456789abcdef";
const ACT_TOKEN: &str = "act-0123456789abcdef";

/// A simulated site with a pump past its limit.
struct Site {
    broker: Broker,
    dir: tempfile::TempDir,
    port: u16,
    sets: Vec<String>,
    daemon: Option<Process>,
}

impl Site {
    /// `more`: added to the configuration.
    fn start(more: &str) -> Self {
        Self::start_with(more, &[])
    }

    /// `sets`: settings by `--set`.
    fn start_with(more: &str, sets: &[&str]) -> Self {
        let (broker, dir, port) = (Broker::start(""), tempfile::tempdir().expect("a folder"), free_port());
        let text = format!(
            "site.name = \"quillhaven\"\nsite.zone = \"Europe/Berlin\"\nbroker.url = \"mqtt://127.0.0.1\"\nbroker.clock = \"stream\"\n\
             journal.keep_days = 1\nalign.cadence = \"10 s\"\n\
             [[topics]]\npattern = \"plant/{{area}}/{{asset}}/{{point}}\"\n\
             payload = {{ format = \"json\", value = \"/v\", time = \"/t\", time_format = \"s\" }}\n\
             [assets.pump-7]\nclass = \"pump\"\n[assets.pump-7.points.pressure]\nunit = \"bar\"\nalarm_high = 4\n{more}"
        );
        std::fs::write(dir.path().join("site.toml"), text).expect("written");
        let sets = sets.iter().map(|set| (*set).to_owned()).collect();
        let mut site = Self { broker, dir, port, sets, daemon: None };
        site.up();
        site
    }

    fn up(&mut self) {
        let mut arguments = arguments(
            &self.dir.path().join("site.toml"),
            self.broker.port,
            "under-test",
            &self.dir.path().join("state"),
        );
        arguments.extend(["--set".into(), format!("http.listen=127.0.0.1:{}", self.port)]);
        arguments.extend(self.sets.iter().flat_map(|set| ["--set".to_owned(), set.clone()]));
        let daemon = Process::spawn(support::roundsman(), &arguments, &Log::default());
        daemon.wait_until_connected(0);
        self.daemon = Some(daemon);
    }

    fn down(&mut self) {
        self.daemon.take().expect("running").stop();
    }

    /// Pressures of a machine at these seconds, every ten. 2031: simulated.
    fn press(&self, asset: &str, seconds: std::ops::Range<u64>, bar: f64) {
        let line = |t| format!(r#"{{"v":{},"t":{}}}"#, bar + 0.01 * (t % 7) as f64, 1_930_000_000 + t);
        self.broker.publish_lines(&format!("plant/hall/{asset}/pressure"), seconds.step_by(10).map(line));
    }

    fn address(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// A request by hand: no client crate, and nothing it would mend for us.
    fn ask(&self, method: &str, path: &str, headers: &[&str], body: &str) -> Answer {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).expect("it listens");
        stream.set_read_timeout(Some(Duration::from_secs(20))).expect("a time");
        let mut head = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\n");
        if !headers.iter().any(|header| header.starts_with("Host:")) {
            head += &format!("Host: 127.0.0.1:{}\r\n", self.port);
        }
        for header in headers {
            head += &format!("{header}\r\n");
        }
        if method == "POST" {
            head += &format!("Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n", body.len());
        }
        // A refusal may come before all of the body is taken.
        let _ = stream.write_all(format!("{head}\r\n{body}").as_bytes());
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let code = head.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0);
        Answer { code, head: head.to_owned(), body: body.to_owned() }
    }

    /// The body of an answer that is no text.
    fn ask_bytes(&self, path: &str, headers: &[&str]) -> Vec<u8> {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).expect("it listens");
        stream.set_read_timeout(Some(Duration::from_secs(20))).expect("a time");
        let mut head = format!("GET {path} HTTP/1.1\r\nConnection: close\r\nHost: 127.0.0.1:{}\r\n", self.port);
        for header in headers {
            head += &format!("{header}\r\n");
        }
        stream.write_all(format!("{head}\r\n").as_bytes()).expect("asked");
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        let end = bytes.windows(4).position(|four| four == b"\r\n\r\n").expect("a head") + 4;
        assert!(bytes.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&bytes[..end]));
        bytes.split_off(end)
    }

    fn ours(&self) -> String {
        format!("Origin: {}", self.address())
    }

    /// Signs in and gives the cookie and the form token.
    fn sign_in(&self, name: &str, password: &str) -> (String, String) {
        let body = format!("name={name}&password={}&next=/watch", password.replace(' ', "+"));
        let answer = self.ask("POST", "/sign-in", &[&self.ours()], &body);
        assert_eq!(answer.code, 303, "{}", answer.head);
        assert_eq!(answer.header("location"), Some("/watch"));
        let cookie = answer.header("set-cookie").expect("a cookie");
        for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
            assert!(cookie.contains(part), "{cookie}");
        }
        let cookie = format!("Cookie: {}", cookie.split(';').next().expect("its value"));
        let page = self.ask("GET", "/watch", &[&cookie, "Accept: text/html"], "");
        assert_eq!(page.code, 200);
        let token = page.body.split("name=\"form_token\" value=\"").nth(1).expect("a form of ours");
        (cookie, token.split('"').next().expect("its value").to_owned())
    }
}

#[derive(Debug)]
struct Answer {
    code: u16,
    head: String,
    body: String,
}

impl Answer {
    fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| {
            let (key, value) = line.split_once(": ")?;
            key.eq_ignore_ascii_case(name).then_some(value)
        })
    }
}

fn users(dir: &Path) -> String {
    use std::os::unix::fs::PermissionsExt;
    let hash = passwords::hash(PASSWORD).expect("hashed");
    let mut text = String::new();
    for (name, role) in [("berg", "act"), ("wall", "look")] {
        text += &format!("[[users]]\nname = \"{name}\"\nrole = \"{role}\"\npassword_hash = \"{hash}\"\n");
    }
    for (table, token) in [("http", LOOK_TOKEN), ("page", ACT_TOKEN)] {
        let file = dir.join(table);
        std::fs::write(&file, token).expect("written");
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600)).expect("its mode");
        text += &format!("[{table}]\ntoken_file = \"{}\"\n", file.display());
    }
    text
}

fn alerts_of(site: &Site) -> Vec<Alert> {
    let reader = Reader::open(&site.dir.path().join("state")).expect("state.db");
    let span = Span { asset: None, from: EventTime(i64::MIN), to: EventTime(i64::MAX), most: 1000 };
    reader.alerts(span).expect("alerts")
}

/// Each refusal, and beside it that the same with the right would have been let in.
#[test]
fn who_has_no_right_is_refused() {
    let secrets = tempfile::tempdir().expect("a folder");
    let site = Site::start(&users(secrets.path()));
    site.press("pump-7", 0..300, 5.0);
    let (look, act) = (format!("Authorization: Bearer {LOOK_TOKEN}"), format!("Authorization: Bearer {ACT_TOKEN}"));
    wait_for("the pump", || site.ask("GET", "/", &[&look], "").body.contains("pump-7"));
    let page = "/machines/pump-7/act";

    // Nobody.
    let asked = site.ask("GET", "/?q=a", &["Accept: text/html"], "");
    assert_eq!((asked.code, asked.header("location")), (303, Some("/sign-in?next=/%3Fq%3Da")));
    for path in ["/", "/live", "/watch", page] {
        assert_eq!(site.ask("GET", path, &[], "").code, 401, "{path}");
        assert_eq!(site.ask("GET", path, &["Authorization: Bearer forged-0123456789"], "").code, 401, "{path}");
        assert_eq!(site.ask("GET", path, &["Cookie: roundsman=0000"], "").code, 401, "{path}");
    }
    let body = "action=acknowledge&by=Mallory";
    for headers in [vec![], vec!["Authorization: Bearer forged-0123456789"], vec!["Cookie: roundsman=0000"]] {
        assert_eq!(site.ask("POST", page, &headers, body).code, 401, "{headers:?}");
    }
    // A waveform, as if it had come.
    let state = rusqlite::Connection::open(site.dir.path().join("state/state.db")).expect("state.db");
    state.busy_timeout(Duration::from_secs(10)).expect("set");
    let samples = [0.5, -0.25, 0.125, 0.0].repeat(16);
    let payload = format!(r#"{{"rate_hz":1000,"unit":"g","samples":{samples:?}}}"#).into_bytes();
    let row = rusqlite::params![1_930_000_100_000_000_i64, payload];
    state.execute("INSERT INTO waveforms VALUES ('pump-7', 1, ?1, 'acc', ?2)", row).expect("a row");
    // What can be taken along is behind the same door; who may look may take it, and may not have it mailed.
    for (file, kind, name) in [
        ("report.pdf?paper=letter", "application/pdf", "report-pump-7.pdf"),
        ("trends.csv?from=1930000000&to=1930000290", "text/csv; charset=utf-8", "trends-pump-7-20310228-20310228.csv"),
        ("scores.csv?from=1930000000&to=1930000290", "text/csv; charset=utf-8", "scores-pump-7-20310228-20310228.csv"),
        (
            "alerts.csv?from=2031-02-01T00:00:00Z&to=2031-03-01T12:00:00%2B01:00",
            "text/csv; charset=utf-8",
            "alerts-pump-7-20310201-20310301.csv",
        ),
        (
            "waveforms.csv?from=1930000000&to=1930000290",
            "text/csv; charset=utf-8",
            "waveforms-pump-7-20310228-20310228.csv",
        ),
        ("waveform.wav?number=1", "audio/wav", "waveform-pump-7-1.wav"),
    ] {
        let path = format!("/machines/pump-7/{file}");
        assert_eq!(site.ask("GET", &path, &[], "").code, 401, "{path}");
        assert_eq!(site.ask("GET", &path, &["Cookie: roundsman=0000"], "").code, 401, "{path}");
        let got = site.ask("GET", &path, &[&look], "");
        assert_eq!((got.code, got.header("content-type")), (200, Some(kind)), "{path}: {}", got.body);
        assert_eq!(got.header("content-disposition"), Some(format!("attachment; filename=\"{name}\"").as_str()));
    }
    for (file, code) in [
        ("report.pdf?paper=a5", 400),
        ("trends.csv?from=x", 400),
        ("trends.csv?from=2&to=1", 400),
        ("alerts.csv?from=1e99", 400),
        ("readings.csv", 404),
        ("waveform.wav?number=2", 404),
        ("waveform.wav?number=x", 400),
        ("waveform.wav", 400),
    ] {
        assert_eq!(site.ask("GET", &format!("/machines/pump-7/{file}"), &[&look], "").code, code, "{file}");
    }
    let list = site.ask("GET", "/machines/pump-7/waveforms.csv?from=1930000000&to=1930000290", &[&look], "").body;
    assert!(list.contains(",1000,64,m/s2,,waveform-pump-7-1.wav,"), "{list}");
    let wav = site.ask_bytes("/machines/pump-7/waveform.wav?number=1", &[&look]);
    let samples: Vec<f32> =
        hound::WavReader::new(wav.as_slice()).expect("a WAV").samples().collect::<Result<_, _>>().expect("samples");
    // 1 g = 9.80665 m/s² by definition.
    assert_eq!(samples, [0.5_f64, -0.25, 0.125, 0.0].map(|g| (g * 9.80665) as f32).repeat(16));
    for asset in ["pump-8", "..%2f..%2fetc", "a%0d%0aX-Evil:%201"] {
        let got = site.ask("GET", &format!("/machines/{asset}/report.pdf"), &[&look], "");
        assert!(got.code == 404 && got.header("x-evil").is_none(), "{asset}: {}", got.head);
    }
    let sent = |headers: &[&str]| site.ask("POST", "/machines/pump-7/send", headers, "by=A&to=a@b.example").code;
    assert_eq!(
        (sent(&[]), sent(&[&look, &site.ours()]), sent(&[&act])),
        (401, 403, 404),
        "nobody is configured to be mailed to"
    );
    // The tokens: one looks, one acts.
    assert_eq!(site.ask("GET", page, &[&look], "").code, 200);
    assert_eq!(site.ask("POST", page, &[&look, &site.ours()], body).code, 403);
    // A browser that does not say where a form is from has no way in without a token.
    assert_eq!(site.ask("POST", page, &[&look], body).code, 403);

    // Signing in.
    let wrong = site.ask("POST", "/sign-in", &[&site.ours()], "name=berg&password=seven+loud+pumps&next=/");
    assert_eq!((wrong.code, wrong.header("set-cookie")), (401, None));
    for from in ["Origin: http://evil.example", "Sec-Fetch-Site: cross-site", "X: none"] {
        let body = format!("name=berg&password={}", PASSWORD.replace(' ', "+"));
        assert_eq!(site.ask("POST", "/sign-in", &[from], &body).code, 403, "{from}");
    }
    let away = format!("name=wall&password={}&next=//evil.example/", PASSWORD.replace(' ', "+"));
    assert_eq!(site.ask("POST", "/sign-in", &[&site.ours()], &away).header("location"), Some("/"));
    let (cookie, token) = site.sign_in("berg", PASSWORD);

    // A session's form from elsewhere, without its token, with a forged one, with somebody else's.
    let with = |token: &str| format!("action=acknowledge&form_token={token}");
    let (others_cookie, others_token) = site.sign_in("wall", PASSWORD);
    for (headers, body) in [
        (vec![cookie.as_str(), "Origin: http://evil.example"], with(&token)),
        (vec![cookie.as_str(), "Sec-Fetch-Site: cross-site"], with(&token)),
        (vec![cookie.as_str()], with(&token)),
        (vec![cookie.as_str(), &site.ours()], with("")),
        (vec![cookie.as_str(), &site.ours()], "action=acknowledge".into()),
        (vec![cookie.as_str(), &site.ours()], with(&"0".repeat(token.len()))),
        (vec![cookie.as_str(), &site.ours()], with(&others_token)),
        // Who may look may not act.
        (vec![others_cookie.as_str(), &site.ours()], with(&others_token)),
    ] {
        assert_eq!(site.ask("POST", page, &headers, &body).code, 403, "{headers:?} {body}");
    }
    let untouched = alerts_of(&site);
    assert!(untouched.iter().all(|alert| alert.by.is_none()), "something was done: {untouched:?}");

    // Oversized, elsewhere, another name for this machine, tricks with paths.
    let large = with(&token) + "&note=" + &"x".repeat(20_000);
    assert_eq!(site.ask("POST", page, &[&cookie, &site.ours()], &large).code, 413);
    assert_eq!(site.ask("POST", "/sign-in", &[&site.ours()], &large).code, 413);
    for path in ["/", "/sign-in", "/healthz"] {
        assert_eq!(site.ask("GET", path, &["Host: evil.example", &look], "").code, 421, "{path}");
    }
    for path in [
        "/fixed/../../etc/passwd",
        "/fixed/..%2f..%2f..%2fetc%2fpasswd",
        "/fixed/%2e%2e/page.css",
        "/machines/..%2f..%2fstate%2fstate.db/act",
        "/machines/%00/act",
        "/machines/pump-7%2f/act",
        "//evil.example/",
        "/nothing",
    ] {
        let answer = site.ask("GET", path, &[&look], "");
        assert_eq!(answer.code, 404, "{path}");
        assert!(!answer.body.contains("root:") && !answer.body.contains("SQLite"), "{path}");
    }
    assert_eq!(site.ask("GET", "/machines/%ff/act", &[&look], "").code, 400);
    assert_eq!(site.ask("DELETE", page, &[&act], "").code, 405);
    let nobody = site.ask("POST", "/machines/pump-8/act", &[&act], "action=acknowledge&by=A");
    assert_eq!(nobody.code, 404, "{}", nobody.body);

    // What browsers are told.
    let answer = site.ask("GET", "/", &[&cookie, "Accept: text/html"], "");
    let policy = answer.header("content-security-policy").expect("a policy");
    assert!(policy.contains("frame-ancestors 'none'") && !policy.contains("unsafe"), "{policy}");
    for (name, value) in
        [("x-content-type-options", "nosniff"), ("referrer-policy", "same-origin"), ("cache-control", "no-store")]
    {
        assert_eq!(answer.header(name), Some(value));
    }

    // A program with the right acts, under the name it gives; what is refused by the engine says so.
    assert_eq!(site.ask("POST", page, &[&act], "action=acknowledge").code, 422, "nobody's name");
    let refused = site.ask("POST", page, &[&act], "action=acknowledge&by=script&alert=no/such/alert/1");
    assert_eq!(refused.code, 409, "{}", refused.body);
    let done = site.ask("POST", page, &[&act], "action=acknowledge&by=script");
    assert_eq!(done.code, 200, "{}", done.body);
    wait_for("the acknowledgement", || alerts_of(&site).iter().any(|alert| alert.by.as_deref() == Some("script")));

    // Signed out, the cookie opens nothing.
    let out = site.ask("POST", "/sign-out", &[&cookie, &site.ours()], &format!("form_token={token}"));
    assert_eq!(out.code, 303);
    assert_eq!(site.ask("GET", "/watch", &[&cookie], "").code, 401);

    // Who tries passwords is slowed down, right or wrong.
    let codes: Vec<u16> = (0..12)
        .map(|_| site.ask("POST", "/sign-in", &[&site.ours()], "name=berg&password=guessing+on&next=/").code)
        .collect();
    assert_eq!((codes[0], codes.last()), (401, Some(&429)), "{codes:?}");
}

/// On this machine and with no users, everybody may look and nobody may act.
#[test]
fn without_users_the_page_can_be_looked_at_and_no_more() {
    let site = Site::start("");
    site.press("pump-7", 0..300, 5.0);
    wait_for("the pump", || site.ask("GET", "/", &[], "").body.contains("pump-7"));
    assert_eq!(site.ask("GET", "/watch", &[], "").code, 200);
    assert_eq!(site.ask("POST", "/machines/pump-7/act", &[&site.ours()], "action=acknowledge&by=A").code, 403);
    let signed = site.ask("POST", "/sign-in", &[&site.ours()], "name=a&password=&next=/");
    assert_eq!(signed.code, 401, "there is nobody to sign in as");
}

/// What is kept and published stays metric and in UTC; what people read is in the site's units and by its clock.
#[test]
fn on_an_inch_site_people_read_inch_units_and_the_sites_clock_everywhere() {
    let secrets = tempfile::tempdir().expect("a folder");
    let site = Site::start_with(&users(secrets.path()), &["site.units=inch"]);
    site.press("pump-7", 0..300, 5.0);
    let (look, act) = (format!("Authorization: Bearer {LOOK_TOKEN}"), format!("Authorization: Bearer {ACT_TOKEN}"));
    wait_for("the alert", || site.ask("GET", "/", &[&look], "").body.contains("alarm"));
    // 1 psi = 6.894757 kPa (NIST SP 811, appendix B.8, from memory): 4 bar are 58.0 psi, 100 psi are 6.894757 bar.
    let form = "action=set-limit&by=A.+Berg&point=pressure&limit=alarm-high&value=100&unit=psi";
    let done = site.ask("POST", "/machines/pump-7/act", &[&act], form);
    assert_eq!(done.code, 200, "{}", done.body);
    let state = site.dir.path().join("state");
    wait_for("the limit", || query_rows(&state, "SELECT count(*) FROM audit") == [1.0]);

    let report = site.ask_bytes("/machines/pump-7/report.pdf", &[&look]);
    let pdf = site.dir.path().join("report.pdf");
    std::fs::write(&pdf, report).expect("written");
    let words = std::process::Command::new("pdftotext").args(["-layout"]).arg(&pdf).arg("-").output();
    let words = words.expect("this test needs pdftotext: install Debian's package poppler-utils, as tests/run does");
    let words = String::from_utf8_lossy(&words.stdout).into_owned();
    let get = |path: &str| site.ask("GET", path, &[&look], "").body;
    let trend = "/machines/pump-7/trend.json?point=pressure&from=1929999000&to=1930001000";
    for (name, text, parts) in [
        ("the list", get("/"), vec!["Pressure at pressure is 7", "the limit of 58 psi"]),
        ("the machine", get("/machines/pump-7"), vec!["the limit of 58 psi", "limit changed from 58 psi to 100 psi"]),
        (
            "the trend",
            get(trend),
            vec!["\"sign\":\"psi\"", "alarm above 58 psi", "limit changed from 58 psi to 100 psi"],
        ),
        (
            "what to do",
            get("/machines/pump-7/act"),
            vec!["the limit of 58 psi", "limit changed from 58 psi to 100 psi"],
        ),
        (
            "the report",
            words,
            vec!["the limit of 58 psi", "limit changed from 58 psi to 100 psi", "58 psi (set by the"],
        ),
    ] {
        for part in parts {
            assert!(text.contains(part), "{name}: no {part:?} in {text}");
        }
        assert!(!text.contains(" bar"), "{name}: {text}");
        // By UTC it is the day before.
        assert!(!text.contains("2031-02-27 2"), "{name}: {text}");
    }
    let published = alerts_of(&site);
    let raised = published.first().expect("an alert");
    assert!(raised.message.contains("the limit of 4 bar"), "{raised:?}");
    let kept = query_rows(&state, "SELECT json_extract(action, '$.value') FROM audit");
    assert!((kept[0] - 6.894757).abs() < 1e-5, "{kept:?}");
}

/// From when to when the trends are shown, by the page's address; seconds since 1970.
async fn range_of(page: &Page) -> (f64, f64) {
    let range = page
        .run("const asked = new URLSearchParams(location.search); return [asked.get('from'), asked.get('to')]")
        .await;
    let number = |n: usize| range[n].as_str().and_then(|text| text.parse().ok()).unwrap_or_default();
    (number(0), number(1))
}

/// Zooms into the trend by a drag and holds what the cursor reads against what is stored.
async fn the_trend_is_gone_into(site: &Site, page: &Page, eyes: Eyes) {
    const PICTURE: &str = ".trend[data-point=pressure] .picture";
    const READING: &str = ".trend[data-point=pressure] .reading";
    page.click(".ranges [data-secs='21600']").await;
    page.until(".ranges [aria-pressed=true]", "6 hours").await;
    let before = range_of(page).await;
    assert_eq!(before.1 - before.0, 21_600.0);
    page.until_still(PICTURE).await;
    // The last quarter, where the readings are.
    page.drag(PICTURE, 0.45, Some(0.93)).await;
    page.until_still(PICTURE).await;
    let after = range_of(page).await;
    let share = (after.1 - after.0) / (before.1 - before.0);
    assert!(share > 0.1 && share < 0.5 && after.0 > before.0 && after.1 <= before.1 + 1.0, "{before:?} → {after:?}");

    let mut seen = Vec::new();
    for place in [0.1, 0.3, 0.5, 0.7] {
        let mut words = String::new();
        // A picture that is drawn once more under the cursor says its own words again: then the hand moves on a little.
        for jitter in 0..20 {
            let place = place + 0.01 * f64::from(jitter % 2);
            // A mouse stands over it, a finger taps it.
            page.drag(PICTURE, place, (eyes == Eyes::Phone).then_some(place)).await;
            words = page.text(READING).await;
            if words.contains(": ") {
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        let (time, rest) = words.split_once(": ").unwrap_or_else(|| panic!("{words}"));
        let time = seconds_in_berlin(time);
        let value: f64 = rest.split(' ').next().and_then(|text| text.parse().ok()).unwrap_or_else(|| panic!("{words}"));
        // Each five-minute row whose readings the cursor may stand over; the words say the minute only.
        let stored = query_rows(
            &site.dir.path().join("state"),
            &format!(
                "SELECT mean FROM (SELECT * FROM trend UNION ALL SELECT * FROM trend_open) AS rows
                 JOIN assets ON assets.id = rows.asset WHERE assets.name = 'pump-7' AND tier = 300
                 AND t <= {time} AND t + 300 > {time}"
            ),
        );
        let three_digits = |stored: &f64| (stored - value).abs() <= 0.005 * (1.0 + 1e-9);
        assert!(stored.iter().any(three_digits), "{words}: stored are {stored:?}");
        assert!(time as f64 >= after.0 - 60.0 && time as f64 <= after.1 + 60.0, "{words} in {after:?}");
        seen.push(value);
    }
    assert!(
        seen.windows(2).any(|pair| (pair[0] - pair[1]).abs() > 0.2),
        "the cursor reads other values elsewhere: {seen:?}"
    );
    // And back.
    page.click("#back").await;
    assert_eq!(range_of(page).await, before);
    page.until_still(PICTURE).await;
    if eyes == Eyes::Phone {
        the_trend_is_pinched(page, PICTURE, before).await;
    }
}

/// Two fingers apart go nearer, together farther; what lay between them stays there.
async fn the_trend_is_pinched(page: &Page, picture: &str, before: (f64, f64)) {
    let wide = |range: (f64, f64)| range.1 - range.0;
    page.pinch(picture, 0.2, 0.6).await;
    page.until_still(picture).await;
    let near = range_of(page).await;
    // Three times as far apart: a third of the range, but for whole pixels.
    assert!((wide(near) / wide(before) - 1.0 / 3.0).abs() < 0.05, "{before:?} → {near:?}");
    assert!(near.0 > before.0 && near.1 < before.1, "{before:?} → {near:?}");
    page.pinch(picture, 0.6, 0.3).await;
    page.until_still(picture).await;
    let far = range_of(page).await;
    assert!((wide(far) / wide(near) - 2.0).abs() < 0.2, "{near:?} → {far:?}");
    for want in [near, before] {
        let stood = range_of(page).await;
        page.click("#back").await;
        // This browser gives no click for the first tap after two fingers.
        if range_of(page).await == stood {
            page.click("#back").await;
        }
        assert_eq!(range_of(page).await, want);
    }
    page.until_still(picture).await;
}

/// The report and the tables, saved by the browser from the machine's page.
async fn what_is_taken_along(site: &Site, driver: &Driver, page: &Page) {
    page.click("a.report").await;
    let pdf = driver.saved("report-pump-7", ".pdf");
    let words = std::process::Command::new("pdftotext").args(["-layout"]).arg(&pdf).arg("-").output();
    let words = words.expect("this test needs pdftotext: install Debian's package poppler-utils, as tests/run does");
    assert!(words.status.success(), "{}", String::from_utf8_lossy(&words.stderr));
    let words = String::from_utf8_lossy(&words.stdout).into_owned();
    for part in
        ["pump-7", "quillhaven", "ALARM", "Made by berg", "Europe/Berlin", "alarm above 4", "lock out", "Page 2 of 2"]
    {
        assert!(words.contains(part), "{part} in {words}");
    }

    for (n, table) in ["trends", "scores", "alerts"].into_iter().enumerate() {
        page.click(&format!("a.of-range:nth-of-type({})", n + 1)).await;
        let csv = driver.saved(&format!("{table}-pump-7-2031022"), ".csv");
        let text = std::fs::read_to_string(&csv).expect("a file");
        let mut lines = text.trim_start_matches('\u{feff}').lines();
        let head = lines.next().expect("a head").to_owned();
        let rows: Vec<&str> = lines.collect();
        assert!(
            rows.iter().all(|row| row.contains("pump-7")) && !text.contains("fan-"),
            "only what was asked for: {text}"
        );
        assert!(rows.first().is_some_and(|row| row.starts_with("2031-02-2") && row.contains("+01:00,")), "{text}");
        let state = site.dir.path().join("state");
        let stored = match table {
            "trends" | "scores" => {
                let (kept, begins) = match table {
                    "trends" => ("trend", "time,seconds,asset,point,unit,count,min,mean,max,expected"),
                    _ => ("scores", "time,seconds,asset,count,operating_state,zone,deviation"),
                };
                assert!(head.starts_with(begins), "{head}");
                let (from, to) = range_of(page).await;
                let kept = format!("SELECT * FROM {kept} UNION ALL SELECT * FROM {kept}_open");
                format!(
                    "SELECT count(*) FROM ({kept}) AS rows JOIN assets ON assets.id = rows.asset WHERE name = 'pump-7' AND t >= {from} AND t < {to} + 1"
                )
            }
            _ => {
                assert!(head.starts_with("time,asset,id,revision,change,state,severity"), "{head}");
                "SELECT count(*) FROM alerts WHERE asset = 'pump-7'".to_owned()
            }
        };
        let stored = query_rows(&state, &stored);
        assert_eq!(stored, [rows.len() as f64], "{table}: every row that is kept");
    }
}

/// A column of numbers out of `state.db`.
fn query_rows(state: &Path, sql: &str) -> Vec<f64> {
    let connection = rusqlite::Connection::open(state.join("state.db")).expect("state.db");
    let mut statement = connection.prepare(sql).expect(sql);
    let rows = statement.query_map([], |row| row.get::<_, f64>(0).or_else(|_| row.get::<_, i64>(0).map(|n| n as f64)));
    rows.expect(sql).map(|row| row.expect(sql)).collect()
}

/// `28 Feb 2031, 01:02` as a clock in Berlin has it, in seconds since 1970.
fn seconds_in_berlin(words: &str) -> i64 {
    let civil =
        jiff::civil::DateTime::strptime("%d %b %Y, %H:%M", words).unwrap_or_else(|error| panic!("{words}: {error}"));
    civil.in_tz("Europe/Berlin").expect("a time").timestamp().as_second()
}

/// The journey of a technician, and what is written down of it.
async fn journey(eyes: Eyes) {
    let secrets = tempfile::tempdir().expect("a folder");
    let text = users(secrets.path());
    let without_look_token = text.split("[http]").next().expect("users").to_owned();
    // A mail server that is not there: the page does not wait for it.
    let mail = format!(
        "[mail]\nserver = \"127.0.0.1\"\nport = {}\nsecurity = \"plain\"\nfrom = \"machines@quillhaven.example\"\n\
         [[mail.to]]\npeople = [\"Ada <ada@quillhaven.example>\", \"grace@quillhaven.example\"]\n",
        free_port()
    );
    let mut site = Site::start(&(without_look_token + &mail));
    site.press("pump-7", 0..300, 5.0);
    site.press("fan-2", 0..300, 1.0);
    let driver = Driver::start();
    let page = driver.open(eyes).await;
    let shot = |name: &str| format!("{name}-{eyes:?}");

    // In.
    page.goto(&site.address()).await;
    page.until("h1", "Sign in").await;
    page.assert_well_made("the sign-in").await;
    page.picture(&shot("sign-in")).await;
    page.fill("#name", "berg").await;
    page.fill("#password", PASSWORD).await;
    page.click("form.stacked button").await;
    page.until("h1", "Where do I go first?").await;

    // The list, most urgent first; live.
    page.until("#rows tr:first-child", "pump-7").await;
    page.until("#rows tr:first-child", "alarm").await;
    page.until("#live", "live").await;
    page.until("#rows tr:nth-child(2)", "fan-2").await;
    let hour = page.text("#rows tr:first-child time").await;
    assert!(hour.starts_with("2031-02-28 00:0"), "the site's zone: {hour}");
    page.assert_well_made("the list").await;
    page.picture(&shot("list")).await;
    let (paper, pages) = page.printed(&shot("list-on-paper")).await;
    assert!(paper.contains("pump-7") && paper.contains("fan-2") && paper.contains("alarm"), "{paper}");
    assert!(!paper.contains("Sign out") && pages == 1, "{pages} pages: {paper}");

    // It follows: a machine that was not there comes in without loading, and the page was not loaded anew.
    page.run("window.marked = true").await;
    site.press("fan-3", 300..600, 1.0);
    page.until("#rows", "fan-3").await;

    // Over a restart of the daemon.
    site.down();
    page.until("#live", "Not live any more").await;
    site.up();
    // Two hours more, at another level each quarter of an hour.
    for (n, begin) in (600..7800).step_by(900).enumerate() {
        site.press("pump-7", begin..begin + 900, 4.6 + 0.3 * n as f64);
    }
    // The session ended with the daemon: who was signed in has to sign in again, and is told.
    page.until("#live", "ign in").await;
    assert_eq!(page.run("return window.marked === true").await, true, "the page was loaded again");
    page.goto(&site.address()).await;
    page.fill("#name", "berg").await;
    page.fill("#password", PASSWORD).await;
    page.click("form.stacked button").await;
    // What was known before the restart is known.
    page.until("#rows tr:first-child", "alarm").await;

    // The machine, and what is done about it.
    page.click("#rows tr:first-child a").await;
    page.until("h1", "pump-7").await;
    page.until("h2", "Trend").await;
    page.assert_well_made("the machine").await;
    page.picture(&shot("machine")).await;
    let (paper, _) = page.printed(&shot("machine-on-paper")).await;
    for part in ["pump-7", "alarm", "Trends", "alarm above 4 bar", "Who did what", "Plate"] {
        assert!(paper.contains(part), "{part} on {paper}");
    }
    assert!(!paper.contains("Sign out") && !paper.contains("6 hours"), "nothing to press on paper: {paper}");
    the_trend_is_gone_into(&site, &page, eyes).await;
    page.assert_well_made("the machine, zoomed").await;
    page.picture(&shot("zoomed")).await;
    what_is_taken_along(&site, &driver, &page).await;
    page.goto(&format!("{}/machines/pump-7/act", site.address())).await;
    page.until("h1", "what do I do about it?").await;
    page.assert_well_made("what to do").await;
    page.picture(&shot("act")).await;
    page.fill("section.alert input[name=note]", "seen, going there").await;
    page.click("section.alert button[value=acknowledge]").await;
    page.until("p.said", "cknowledged").await;
    page.until("section.alert", "acknowledged").await;
    page.click("section.alert button[value=shelve]").await;
    page.until("section.alert", "shelved").await;
    page.fill("section.alert input[name=kind]", "valve shut").await;
    page.click("section.alert button[value=finding]").await;
    page.until("table", "finding").await;
    page.assert_well_made("what was done").await;
    page.picture(&shot("done")).await;
    let history = page.text("table").await;
    for part in ["berg", "acknowledge", "seen, going there", "shelve", "finding", "this page"] {
        assert!(history.contains(part), "{part} in {history}");
    }

    // Somebody is sent the report, when the mail server is there again.
    page.click("form.send option[value='grace@quillhaven.example']").await;
    page.click("form.send button").await;
    page.until("p.said", "grace@quillhaven.example as soon as the mail server takes it").await;
    for part in ["berg", "grace@quillhaven.example", "waits for the mail server"] {
        page.until("table.letters", part).await;
    }
    page.assert_well_made("a report on its way").await;

    // The watch itself.
    page.goto(&format!("{}/watch", site.address())).await;
    page.until("h1", "Is the watch itself all right?").await;
    page.assert_well_made("the watch's own page").await;
    page.picture(&shot("watch")).await;
    page.0.close().await.expect("it closes");

    // What people did is in the journal: a replay of it gives the same alerts, to the byte.
    site.down();
    let found = alerts_of(&site);
    let by: Vec<_> = found.iter().filter_map(|alert| alert.by.clone()).collect();
    assert_eq!(by, ["berg", "berg"], "acknowledged and shelved");
    let out = site.dir.path().join("replayed");
    let journal = site.dir.path().join("state/journal.db");
    let done = support::roundsman().arg("replay").arg("--out").arg(&out).arg(&journal).output().expect("it starts");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let replayed = std::fs::read_to_string(out.join("alerts.jsonl")).expect("alerts");
    let mut lived: Vec<String> = found.iter().map(Document::to_json).collect();
    let mut replayed: Vec<String> = replayed.lines().map(str::to_owned).collect();
    lived.sort();
    replayed.sort();
    assert_eq!(lived, replayed);

    // What was found is a label for `evaluate`.
    let judged = site.dir.path().join("evaluation.json");
    let done = support::roundsman()
        .args(["evaluate", "--findings"])
        .arg(site.dir.path().join("state"))
        .arg("--out")
        .arg(&judged)
        .arg(&out)
        .output()
        .expect("it starts");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let judged: Value = serde_json::from_slice(&std::fs::read(&judged).expect("a file")).expect("JSON");
    let labels: Vec<_> = judged["labels"].as_array().into_iter().flatten().collect();
    let [label] = labels[..] else { panic!("one label, of what berg found: {judged}") };
    assert_eq!((&label["asset"], &label["kind"]), (&"pump-7".into(), &"valve shut".into()), "{judged}");
    let found = label["found"].as_array().expect("a list").iter().find(|found| found["severity"] == "alarm");
    assert!(found.is_some_and(|found| found["at"].is_string()), "the alarm was right: {judged}");
    assert_eq!(judged["false_alerts"], Value::Array(Vec::new()), "{judged}");
}

/// From the first screen to a chart that is gone into and an alert that is acknowledged, with no mouse and no finger; wherever
/// the focus goes it can be seen (WCAG 2.2, 2.1.1 and 2.4.7).
async fn by_keyboard(eyes: Eyes) {
    const PICTURE: &str = ".trend[data-point=pressure] .picture";
    const READING: &str = ".trend[data-point=pressure] .reading";
    let secrets = tempfile::tempdir().expect("a folder");
    let text = users(secrets.path());
    let site = Site::start(text.split("[http]").next().expect("users"));
    // More than the hour that is looked at: the cursor goes from row to row, and there must be some.
    site.press("pump-7", 0..4000, 5.0);
    site.press("fan-2", 0..4000, 1.0);
    let driver = Driver::start();
    let page = driver.open(eyes).await;
    page.goto(&site.address()).await;
    page.until("h1", "Sign in").await;
    page.tab_to("#name").await;
    page.write("berg").await;
    page.tab_to("#password").await;
    page.write(PASSWORD).await;
    page.key(Key::Enter).await;
    page.until("h1", "Where do I go first?").await;
    page.until("#rows tr:first-child", "alarm").await;

    // Past all that every page has.
    page.tab_to(".skip").await;
    page.key(Key::Enter).await;
    let led = "const at = document.activeElement; return [at.id, parseFloat(getComputedStyle(at).outlineWidth) >= 2
        && getComputedStyle(at).outlineStyle !== 'none']";
    assert_eq!(
        page.run(led).await,
        serde_json::json!(["main", true]),
        "the content it leads to shows that it has the focus"
    );
    page.tab_to("#q").await;
    page.write("pump").await;
    page.key(Key::Enter).await;
    page.until("#rows tr:first-child", "pump-7").await;
    page.tab_to("#rows a[href='/machines/pump-7']").await;
    // The list goes on under whoever stands on it.
    site.press("pump-7", 4000..4100, 5.0);
    tokio::time::sleep(Duration::from_secs(2)).await;
    assert_eq!(page.run("return document.activeElement.getAttribute('href')").await, "/machines/pump-7");
    page.key(Key::Enter).await;
    page.until("h1", "pump-7").await;

    // Into the picture and back.
    page.tab_to(".ranges [data-secs='3600']").await;
    page.key(' ').await;
    page.until(".ranges [aria-pressed=true]", "1 hour").await;
    page.tab_to(".trend[data-point=pressure]").await;
    page.until_still(PICTURE).await;
    let before = range_of(&page).await;
    page.key('+').await;
    page.until_still(PICTURE).await;
    let nearer = range_of(&page).await;
    assert_eq!((before.1 - before.0, nearer.1 - nearer.0), (3600.0, 1800.0), "{before:?} → {nearer:?}");
    for arrow in [Key::Left, Key::Right] {
        page.key(arrow).await;
        page.until(READING, ": ").await;
        let (time, value) =
            page.text(READING).await.split_once(": ").map(|(a, b)| (a.to_owned(), b.to_owned())).expect("both");
        assert!(seconds_in_berlin(&time) > 1_930_000_000 - 3600 && value.contains("bar"), "{time}: {value}");
    }
    page.key(Key::Escape).await;
    page.until_still(PICTURE).await;
    assert_eq!(range_of(&page).await, before);

    // To what is done about it, and do it.
    page.0.refresh().await.expect("loaded anew");
    page.until("h1", "pump-7").await;
    page.tab_to("a[href='/machines/pump-7/act']").await;
    page.key(Key::Enter).await;
    page.until("h1", "what do I do about it?").await;
    page.tab_to("section.alert input[name=note]").await;
    page.write("on my way").await;
    page.tab_to("section.alert button[value=acknowledge]").await;
    page.key(Key::Enter).await;
    page.until("[role=status]", "cknowledged").await;
    wait_for("the acknowledgement", || alerts_of(&site).iter().any(|alert| alert.by.as_deref() == Some("berg")));
    let told = alerts_of(&site).into_iter().find(|alert| alert.by.is_some()).expect("just seen");
    assert_eq!(told.note.as_deref(), Some("on my way"));
    // What it came to is where one looks next, and the way out is there.
    page.tab_to(".who button").await;
    page.key(Key::Enter).await;
    page.until("h1", "Sign in").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn with_the_keyboard_alone_at_a_desk() {
    by_keyboard(Eyes::Desk).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn with_the_keyboard_alone_on_a_narrow_screen() {
    by_keyboard(Eyes::Phone).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn at_a_desk() {
    journey(Eyes::Desk).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn on_a_phone() {
    journey(Eyes::Phone).await;
}

/// Where nobody has to sign in, the list comes back to life by itself.
#[tokio::test(flavor = "multi_thread")]
async fn the_list_lives_on_over_a_restart_of_the_daemon() {
    let mut site = Site::start("");
    site.press("pump-7", 0..300, 5.0);
    let driver = Driver::start();
    let page = driver.open(Eyes::Desk).await;
    page.goto(&site.address()).await;
    page.until("#live", "live").await;
    page.until("#rows", "pump-7").await;
    page.run("window.marked = true").await;
    site.down();
    page.until("#live", "Not live any more").await;
    page.picture("not-live").await;
    site.up();
    page.until("#live.lost, #live", "live").await;
    site.press("fan-9", 300..600, 1.0);
    page.until("#rows", "fan-9").await;
    assert_eq!(
        page.run("return window.marked === true && !document.querySelector('#live').classList.contains('lost')").await,
        true
    );
    page.0.close().await.expect("it closes");
}
