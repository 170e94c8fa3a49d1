//! `deploy/schema/` and `deploy/asyncapi.yaml` against the program: the files are what the types say, everything the demo
//! publishes validates, what is broken does not, and the official AsyncAPI parser takes the document.
//!
//! The validator is Python's jsonschema. Published schemas are open to fields that may come; here they are closed, so
//! that a field nobody described fails.

mod common;

use common::{free_port, python_client};
use roundsman::advise::command;
use roundsman::advise::document::Document;
use roundsman::advise::topics::{DEFAULT_TEMPLATE, Topics};
use roundsman::schema;
use roundsman_models::EventTime;
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Cargo's folder for what tests make: `target/tmp`.
fn build_folder() -> &'static Path {
    Path::new(env!("CARGO_TARGET_TMPDIR"))
}

/// With ROUNDSMAN_WRITE_SCHEMA=1 they are written instead.
#[test]
fn the_files_are_what_the_types_say() {
    let folder = root().join("deploy/schema");
    let write = std::env::var_os("ROUNDSMAN_WRITE_SCHEMA").is_some();
    let mut names = Vec::new();
    for (name, value) in schema::all() {
        let (path, text) = (folder.join(name), schema::text(&value));
        if write {
            std::fs::create_dir_all(&folder).expect("the folder");
            std::fs::write(&path, &text).expect(name);
        }
        let stored = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            stored == text,
            "deploy/schema/{name} is not what the types say: ROUNDSMAN_WRITE_SCHEMA=1 cargo test -p roundsman --test schema \
             writes it anew. Where a field changed its meaning or went, the number in its `schema` goes up."
        );
        names.push(name.to_owned());
    }
    let files: Vec<String> = std::fs::read_dir(&folder)
        .expect("deploy/schema")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    for file in files {
        assert!(names.contains(&file), "deploy/schema/{file} belongs to no type");
    }
}

/// A schema that knows no field it does not describe.
fn closed(mut schema: Value) -> Value {
    match &mut schema {
        Value::Object(map) => {
            if map.contains_key("properties") && !map.contains_key("additionalProperties") {
                map.insert("unevaluatedProperties".into(), false.into());
            }
            for value in map.values_mut() {
                *value = closed(value.take());
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| *item = closed(item.take())),
        _ => {}
    }
    schema
}

fn closed_schemas() -> Value {
    schema::all()
        .into_iter()
        .map(|(name, value)| (name.to_owned(), closed(value)))
        .collect::<serde_json::Map<_, _>>()
        .into()
}

/// First line: the schemas. Then lines of `[schema, document]`; answers a line each, `null` or what is wrong.
const VALIDATE: &str = r#"
import json, sys
try:
    from jsonschema import Draft202012Validator, FormatChecker
    import rfc3339_validator  # without it no time is looked at
except ImportError:
    sys.exit("this test needs jsonschema in ROUNDSMAN_PYTHON: pip install 'jsonschema>=4,<5' rfc3339-validator; tests/run does that")
schemas = json.loads(sys.stdin.readline())
for schema in schemas.values():
    Draft202012Validator.check_schema(schema)
judges = {name: Draft202012Validator(schema, format_checker=FormatChecker()) for name, schema in schemas.items()}
for line in sys.stdin:
    name, document = json.loads(line)
    fault = next(judges[name].iter_errors(document), None)
    print(json.dumps(fault and f"{fault.json_path}: {fault.message}"[:600]))
"#;

/// What jsonschema says of each document.
fn judged(schemas: &Value, documents: &[(String, Value)]) -> Vec<Option<String>> {
    let mut python = Command::new(python_client())
        .args(["-c", VALIDATE])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut input = python.stdin.take().expect("its input");
    let mut text = format!("{schemas}\n");
    for (name, document) in documents {
        text += &format!("{}\n", json!([name, document]));
    }
    let writer = std::thread::spawn(move || input.write_all(text.as_bytes()));
    let output = python.wait_with_output().expect("it ends");
    assert!(output.status.success(), "python: {}", output.status);
    writer.join().expect("no panic").expect("it reads");
    let verdicts: Vec<Option<String>> = String::from_utf8(output.stdout)
        .expect("text")
        .lines()
        .map(|line| serde_json::from_str(line).expect("a verdict"))
        .collect();
    assert_eq!(verdicts.len(), documents.len());
    verdicts
}

#[track_caller]
fn all_valid(documents: &[(String, Value)]) {
    for ((name, document), verdict) in documents.iter().zip(judged(&closed_schemas(), documents)) {
        assert_eq!(verdict, None, "against {name}: {document}");
    }
}

/// Everything on `roundsman/#` of the demo's broker: a line `topic payload` each.
const LISTEN: &str = r#"
import sys, time
import paho.mqtt.client as mqtt
port = int(sys.argv[1])
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "listener", protocol=mqtt.MQTTv311)
def on_message(client, _, message):
    print(message.topic, message.payload.decode(), flush=True)
client.on_connect = lambda client, *_: client.subscribe("roundsman/#", 1)
client.on_message = on_message
for _ in range(1200):
    try:
        client.connect("127.0.0.1", port)
        break
    except OSError:
        time.sleep(0.1)
else:
    sys.exit("the demo's broker did not come up")
client.on_disconnect = lambda *_: sys.exit(0)
client.loop_forever(retry_first_connection=False)
"#;

/// The file of the schema by a document's own word; `None`: it names none.
fn file_of(document: &Value) -> Option<String> {
    let name = document["schema"].as_str()?.strip_prefix("roundsman.")?;
    Some(format!("{}.json", name.split_once('/')?.0))
}

#[test]
fn everything_the_demo_publishes_validates_and_broken_documents_do_not() {
    let port = free_port();
    // A file and no pipe: nobody reads while the demo runs, and a full pipe would stop the listener.
    let dir = tempfile::tempdir().expect("a temporary directory");
    let heard = dir.path().join("heard");
    let mut listener = Command::new(python_client())
        .args(["-c", LISTEN, &port.to_string()])
        .stdout(std::fs::File::create(&heard).expect("a file"))
        .spawn()
        .expect("python starts");
    // Five weeks: the first faults are in them, and waveforms with their requests.
    let demo = Command::new(env!("CARGO_BIN_EXE_roundsman"))
        .args(["demo", "--days", "37", "--port", &port.to_string()])
        .stdout(Stdio::null())
        .output()
        .expect("the demo starts");
    assert!(demo.status.success(), "{}", String::from_utf8_lossy(&demo.stderr));
    let ended = listener.wait().expect("it ends with the broker");
    assert!(ended.success(), "the listener: {ended}");
    let heard = std::fs::read_to_string(&heard).expect("what was heard");
    let mut documents = Vec::new();
    for line in heard.lines() {
        let (_, payload) = line.split_once(' ').expect("topic and payload");
        let document: Value = serde_json::from_str(payload).unwrap_or_else(|fault| panic!("{fault}: {line}"));
        let file = file_of(&document).unwrap_or_else(|| panic!("names no schema: {line}"));
        documents.push((file, document));
    }
    documents.extend(histories());
    documents.extend(replies());
    for (file, _) in schema::all() {
        let count = documents.iter().filter(|(name, _)| name == file).count();
        println!("{count:6} {file}");
        assert!(count > 0 || file == "command.json", "nothing came that {file} is about");
    }
    all_valid(&documents);
    broken(&documents);
}

/// Answers to commands. The demo takes none, so they are worded here by the code that words them for the daemon.
fn replies() -> Vec<(String, Value)> {
    let (at, command) = (EventTime(1_900_000_000_000_000), br#"{"action":"shelve","by":"A. Reader","for":"8 h"}"#);
    let command = command::parse(command).expect("a command").command;
    let fault = command::parse(b"{}").expect_err("no command");
    [
        command::Reply::answer("s", "a", at, &command, &Ok("shelved until noon".into())),
        command::Reply::answer("s", "a", at, &command, &Err("nothing is open".into())),
        command::Reply::unreadable("s", "a", at, &fault),
    ]
    .map(|reply| ("command-reply.json".to_owned(), serde_json::from_str(&reply.to_json()).expect("JSON")))
    .into()
}

/// Past cases, as `replay --as-history` writes them.
fn histories() -> Vec<(String, Value)> {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let site = root().join("replay-data/quillhaven");
    let output = Command::new(env!("CARGO_BIN_EXE_roundsman"))
        .args(["replay", "--config"])
        .arg(site.join("roundsman.toml"))
        .arg("--out")
        .arg(dir.path().join("found"))
        .arg("--as-history")
        .arg(dir.path().join("cases"))
        .arg(site.join("readings.parquet"))
        .output()
        .expect("the replay starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let alerts = std::fs::read_to_string(dir.path().join("found/alerts.jsonl")).expect("alerts.jsonl");
    let files = std::fs::read_dir(dir.path().join("cases")).expect("the folder");
    let cases = files.map(|file| std::fs::read_to_string(file.expect("an entry").path()).expect("a case"));
    let of = |text: &str| {
        let document: Value = serde_json::from_str(text).expect("JSON");
        (file_of(&document).expect("a schema"), document)
    };
    alerts.lines().map(of).chain(cases.map(|text| of(&text))).collect()
}

/// One document of each kind with each of its keys taken away, and with one nobody knows: all refused.
fn broken(documents: &[(String, Value)]) {
    let mut cases: Vec<(String, Value)> = Vec::new();
    for (file, _) in schema::all() {
        let Some((_, document)) = documents.iter().find(|(name, _)| name == file) else { continue };
        let keys: Vec<String> = document.as_object().expect("an object").keys().cloned().collect();
        for key in keys {
            let mut less = document.clone();
            less.as_object_mut().expect("an object").remove(&key);
            cases.push((file.to_owned(), less));
            let mut wrong = document.clone();
            wrong[&key] = json!({ "nobody": ["knows", "this"] });
            cases.push((file.to_owned(), wrong));
        }
        let mut more = document.clone();
        more["nobody-knows"] = json!(1);
        cases.push((file.to_owned(), more));
    }
    let (_, alert) = documents.iter().find(|(name, _)| name == "alert.json").expect("an alert");
    for (key, value) in [
        ("severity", json!("panic")),
        ("at", json!("yesterday")),
        ("finding", json!({ "about": "sensor", "point": null })),
        ("finding", json!({ "about": "machine", "point": "de" })),
        ("revision", json!(-1)),
        ("schema", json!("roundsman.alert/0")),
    ] {
        let mut wrong = alert.clone();
        wrong[key] = value;
        cases.push(("alert.json".to_owned(), wrong));
    }
    println!("{:6} broken documents", cases.len());
    for ((name, document), verdict) in cases.iter().zip(judged(&closed_schemas(), &cases)) {
        assert!(verdict.is_some(), "{name} takes {document}");
    }
}

/// The schema of a command and the reader of commands are two descriptions of one thing.
#[test]
fn commands_are_taken_by_the_schema_as_by_the_program() {
    let mut cases = Vec::new();
    let keys = [
        ("alert", json!("n/p/machine/3")),
        ("for", json!("8 h")),
        ("point", json!("de")),
        ("limit", json!("alarm-high")),
        ("value", json!(7.1)),
        ("unit", json!("mm/s")),
        ("verdict", json!("confirmed")),
        ("kind", json!("bearing")),
        ("note", json!("seen")),
        ("reply_to", json!("panel/answers")),
        ("fro", json!("8 h")),
    ];
    // Every action with every set of keys.
    for action in command::ActionName::ALL.map(command::ActionName::name).into_iter().chain(["dance"]) {
        for set in 0..1_u32 << keys.len() {
            let mut document = json!({ "action": action, "by": "A" });
            for (place, (key, value)) in keys.iter().enumerate() {
                if set & (1 << place) != 0 {
                    document[key] = value.clone();
                }
            }
            cases.push(document);
        }
    }
    let with = |extra: Value| {
        let mut document =
            json!({ "action": "set-limit", "by": "A", "point": "d", "limit": "warning-low", "value": 1 });
        document.as_object_mut().expect("an object").extend(extra.as_object().expect("an object").clone());
        document
    };
    cases.extend([
        with(json!({ "value": null })),
        with(json!({ "value": "7" })),
        with(json!({ "limit": "top" })),
        with(json!({ "by": " " })),
        with(json!({ "by": "x".repeat(101) })),
        with(json!({ "note": "x".repeat(1001) })),
        with(json!({ "note": null })),
        with(json!({ "unit": null })),
        with(json!({ "point": null })),
        with(json!({ "reply_to": "a/#" })),
        with(json!({ "reply_to": "$SYS/a" })),
        with(json!({ "reply_to": "" })),
        with(json!({ "action": null })),
        json!([]),
        json!(null),
    ]);
    let documents: Vec<(String, Value)> = cases.into_iter().map(|case| ("command.json".to_owned(), case)).collect();
    let verdicts = judged(&closed_schemas(), &documents);
    let mut taken = 0;
    for ((_, document), verdict) in documents.iter().zip(verdicts) {
        let parsed = command::parse(document.to_string().as_bytes());
        assert_eq!(parsed.is_ok(), verdict.is_none(), "{document}: {parsed:?}, {verdict:?}");
        taken += usize::from(parsed.is_ok());
    }
    println!("{} commands, {taken} of them taken by both", documents.len());
    assert!(taken > 50);
}

/// Examples people copy from the README are documents of their schema.
#[test]
fn the_documents_in_the_readme_validate() {
    let readme = std::fs::read_to_string(root().join("README.md")).expect("README.md");
    let mut documents = Vec::new();
    for block in readme.split("```json\n").skip(1) {
        let block = block.split("```").next().unwrap_or_default();
        let Ok(document) = serde_json::from_str::<Value>(block) else { continue };
        if let Some(file) = file_of(&document) {
            documents.push((file, document));
        } else if document.get("action").is_some() {
            documents.push(("command.json".to_owned(), document));
        }
    }
    assert!(!documents.is_empty(), "no document in README.md names its schema");
    println!("{} documents of the README", documents.len());
    all_valid(&documents);
}

/// Prints `{"faults": [...], "addresses": {...}, "schemas": [...]}`.
const PARSE: &str = r#"
const { Parser, fromFile } = require('@asyncapi/parser');
fromFile(new Parser(), process.argv[2]).parse().then(({ document, diagnostics }) => {
  const faults = diagnostics.filter(d => d.severity < 2).map(d => `${d.path.join('.')}: ${d.message}`);
  const channels = document ? document.channels().all() : [];
  console.log(JSON.stringify({
    faults,
    notes: diagnostics.filter(d => d.severity >= 2).map(d => `${d.path.join('.')}: ${d.message}`),
    addresses: Object.fromEntries(channels.map(c => [c.id(), c.address()])),
    titles: channels.flatMap(c => c.messages().all().map(m => m.payload() && m.payload().json().title)),
  }));
});
"#;

/// The AsyncAPI project's own parser, from npm, in the build folder.
fn asyncapi(document: &Path) -> Value {
    let folder = build_folder().join("asyncapi");
    std::fs::create_dir_all(&folder).expect("a folder");
    if !folder.join("node_modules/@asyncapi/parser/package.json").is_file() {
        let npm = Command::new("npm")
            .args(["install", "--no-audit", "--no-fund", "--silent", "--prefix"])
            .arg(&folder)
            .arg("@asyncapi/parser@3")
            .status();
        let wanted = "this test needs npm and its registry, for @asyncapi/parser: apt-get install npm";
        assert!(npm.expect(wanted).success(), "{wanted}");
    }
    std::fs::write(folder.join("parse.js"), PARSE).expect("the script");
    let output = Command::new("node").arg(folder.join("parse.js")).arg(document).output().expect("node starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

#[test]
fn the_asyncapi_document_passes_its_parser_and_names_our_topics() {
    let page = root().join("deploy/asyncapi.yaml");
    let parsed = asyncapi(&page);
    println!("notes: {}", parsed["notes"]);
    assert_eq!(parsed["faults"], json!([]));

    // Topics are written with the parameters' names, which are names like others to the code that forms them.
    let topics = Topics::new(DEFAULT_TEMPLATE, "{site}").expect("our own default");
    let asset = "{asset}";
    let ours = json!({
        "alert": topics.alert(asset),
        "condition": topics.condition(asset),
        "remainingLife": topics.remaining_life(asset),
        "diagnosis": topics.diagnosis(asset),
        "captureRequest": topics.capture_request(asset),
        "service": topics.service(),
        "command": topics.command(asset),
        "commandOnChannel": topics.command_filter(Some(asset), Some("{channel}")),
        "reply": null,
    });
    assert_eq!(parsed["addresses"], ours);

    // Every schema but that of a file is a payload there.
    let titles = parsed["titles"].as_array().expect("a list");
    for (name, schema) in schema::all() {
        assert!(
            titles.contains(&schema["title"]) || name == "history.json",
            "{name} is no payload of the AsyncAPI document"
        );
    }

    // And the parser does find faults.
    let text = std::fs::read_to_string(&page).expect("the page");
    let broken = page.with_file_name(".asyncapi-broken.yaml");
    std::fs::write(&broken, text.replace("#/channels/diagnosis", "#/channels/nowhere")).expect("a file");
    let parsed = asyncapi(&broken);
    std::fs::remove_file(&broken).expect("it can go");
    assert_ne!(parsed["faults"], json!([]));
}
