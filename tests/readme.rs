//! What README.md and DEVELOPERS.md claim, held against the code: settings, commands, examples, paths.

use clap::Parser;
use roundsman::advise::command;
use roundsman::advise::document::{Alert, Document};
use roundsman::cli::Cli;
use roundsman::config::{Sources, from_text, settings, zone_names};
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn text(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).expect(name)
}

/// Fenced blocks of a language.
fn blocks(text: &str, language: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        let Some(named) = line.strip_prefix("```") else { continue };
        let block: Vec<&str> = lines.by_ref().take_while(|line| *line != "```").collect();
        if named == language {
            found.push(block.join("\n"));
        }
    }
    found
}

/// Commands of all shell blocks, a word each; cut at a pipe or a redirection.
fn commands(text: &str) -> Vec<Vec<String>> {
    let blocks = blocks(text, "sh").join("\n").replace("\\\n", " ");
    blocks.lines().filter(|line| !line.trim().is_empty() && !line.starts_with('#')).map(words).collect()
}

/// Splits as a shell does, as far as the README needs it: blanks, single and double quotes.
fn words(line: &str) -> Vec<String> {
    let (mut words, mut word, mut quote) = (Vec::new(), None::<String>, None);
    for c in line.chars() {
        match (quote, c) {
            (Some(q), c) if c == q => quote = None,
            (None, '\'' | '"') => {
                quote = Some(c);
                word.get_or_insert_default();
            }
            (None, '|' | '>' | '#') if word.is_none() => break,
            (None, ' ') => words.extend(word.take()),
            _ => word.get_or_insert_default().push(c),
        }
    }
    assert!(quote.is_none(), "a quote is left open: {line}");
    words.extend(word);
    words
}

/// The part of a command that `roundsman` gets, its name included.
fn ours(words: &[String]) -> Option<Vec<String>> {
    if words.first()? == "roundsman" {
        return Some(words.to_vec());
    }
    let starts = words.starts_with(&["cargo".into(), "run".into()]) && !words.contains(&"-p".into());
    let at = words.iter().position(|word| word == "--").filter(|_| starts)?;
    Some(std::iter::once("roundsman".to_owned()).chain(words[at + 1..].iter().cloned()).collect())
}

#[test]
fn the_settings_table_is_the_one_the_code_writes() {
    let readme = text("README.md");
    let from = readme.split_once("<!-- settings:begin").expect("a begin").1.split_once('\n').expect("a line").1;
    let table = from.split_once("<!-- settings:end").expect("an end").0;
    let want = settings::markdown();
    assert!(table.trim() == want.trim(), "put this between the two marks of README.md:\n\n{want}");
}

#[test]
fn every_command_of_ours_has_arguments_the_program_takes() {
    for name in ["README.md", "DEVELOPERS.md"] {
        let ours: Vec<_> = commands(&text(name)).iter().filter_map(|words| ours(words)).collect();
        for words in &ours {
            if let Err(fault) = Cli::try_parse_from(words) {
                panic!("{name}: {}: {fault}", words.join(" "));
            }
        }
        assert!(name != "README.md" || ours.len() >= 8, "only {} commands found in {name}", ours.len());
    }
}

#[test]
fn configurations_that_commands_name_have_no_faults() {
    let mut seen = 0;
    for words in commands(&text("README.md")).iter().filter_map(|words| ours(words)) {
        for pair in words.windows(2).filter(|pair| pair[0] == "--config") {
            let sources = Sources { zones: zone_names(), needs_broker: true, ..Sources::default() };
            let file = std::fs::read_to_string(root().join(&pair[1])).expect("the file is there");
            if let Err(faults) = from_text(Some(&file), &sources) {
                panic!("{}: {faults:?}", pair[1]);
            }
            seen += 1;
        }
    }
    assert!(seen >= 4, "{seen}");
}

#[test]
fn every_piece_of_configuration_is_taken() {
    let readme = text("README.md");
    let blocks = blocks(&readme, "toml");
    assert!(blocks.contains(&text("deploy/minimal.toml").trim().to_owned()), "deploy/minimal.toml is quoted in full");
    for block in &blocks {
        let whole = if block.contains("[site]") {
            block.clone()
        } else {
            let topics =
                if block.contains("[[topics]]") { "" } else { "topics = [{ pattern = \"a/{asset}/{point}\" }]" };
            format!("{topics}\nsite.name = \"quillhaven\"\nbroker.url = \"mqtt://localhost\"\n{block}")
        };
        let sources = Sources { zones: zone_names(), needs_broker: true, ..Sources::default() };
        if let Err(faults) = from_text(Some(&whole), &sources) {
            panic!("{block}\n{faults:?}");
        }
    }
}

#[test]
fn every_command_to_a_machine_is_understood() {
    let readme = text("README.md");
    let mut seen = 0;
    for words in commands(&readme).iter().filter(|words| words[0] == "mosquitto_pub") {
        let payload = words.windows(2).find(|pair| pair[0] == "-m").expect("a payload");
        if let Err(fault) = command::parse(payload[1].as_bytes()) {
            panic!("{}: {fault}", payload[1]);
        }
        seen += 1;
    }
    assert!(seen >= 6, "{seen}");
}

#[test]
fn the_example_alert_is_one_and_each_of_its_fields_is_explained() {
    let readme = text("README.md");
    let example = &blocks(&readme, "json")[0];
    Alert::from_json(example).expect("an alert");
    let object: serde_json::Value = serde_json::from_str(example).expect("JSON");
    let table = readme.split_once("The fields. Every key").expect("the table").1;
    let table = table.split_once("Beside it").expect("its end").0;
    let parts = [&object, &object["contributions"][0], &object["remaining_life"]];
    for key in parts.iter().flat_map(|part| part.as_object().expect("an object").keys()) {
        assert!(table.contains(&format!("`{key}`")), "`{key}` is not explained");
    }
}

/// The README says that its example is a replay's own output.
#[test]
fn the_example_alert_is_what_the_replay_above_it_gives() {
    let readme = text("README.md");
    let example: serde_json::Value = serde_json::from_str(&blocks(&readme, "json")[0]).expect("JSON");
    let out = tempfile::tempdir().expect("a folder");
    let data = root().join("replay-data/quillhaven");
    let done = std::process::Command::new(env!("CARGO_BIN_EXE_roundsman"))
        .arg("replay")
        .args([Path::new("--config"), &data.join("roundsman.toml"), Path::new("--out"), out.path()])
        .arg(data.join("readings.parquet"))
        .output()
        .expect("it starts");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let alerts = std::fs::read_to_string(out.path().join("alerts.jsonl")).expect("alerts");
    let same = |one: &serde_json::Value| ["id", "revision"].iter().all(|key| one[key] == example[key]);
    let now = alerts.lines().map(|line| serde_json::from_str(line).expect("JSON")).find(same);
    let now = now.expect("the replay gives an alert of this id and revision");
    assert!(
        now == example,
        "put this into README.md, and look whether the words below it still hold:\n{}",
        serde_json::to_string_pretty(&now).expect("JSON")
    );
}

/// The commands of the section on evaluation, run as they stand there; what they print is what the README shows.
#[test]
fn the_evaluation_is_what_its_commands_give() {
    let readme = text("README.md");
    let section = readme.split_once("## Test your settings on your own recordings").expect("the section").1;
    let section = section.split_once("\n## ").expect("its end").0;
    let out = tempfile::tempdir().expect("a folder");
    std::os::unix::fs::symlink(
        root().join("replay-data").canonicalize().expect("it is there"),
        out.path().join("replay-data"),
    )
    .expect("a link");
    let mut printed = Vec::new();
    for words in commands(section).iter().filter_map(|words| ours(words)) {
        if !words.iter().any(|word| word.starts_with("replay-data/")) {
            continue;
        }
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_roundsman"));
        for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("ROUNDSMAN__")) {
            command.env_remove(name);
        }
        let done = command.args(&words[1..]).current_dir(out.path()).output().expect("it starts");
        assert!(done.status.success(), "{}: {}", words.join(" "), String::from_utf8_lossy(&done.stderr));
        printed.push(String::from_utf8(done.stdout).expect("text"));
    }
    assert_eq!(printed.len(), 4, "replay, evaluate, a sweep, and two of its folders side by side");
    let shown = blocks(section, "text");
    assert_eq!(shown.len(), 2);
    for (shown, printed) in shown.iter().zip(printed.iter().filter(|text| !text.is_empty())) {
        let printed = printed.trim_end().trim_start_matches('\n');
        assert!(
            shown == printed,
            "put this into README.md, and look whether the words round it still hold:\n{printed}"
        );
    }
    for file in ["found/evaluation.json", "tried/sweep.csv", "tried/sweep.svg", "tried/01/comparison.json"] {
        assert!(out.path().join(file).exists(), "{file} was not written");
    }
}

#[test]
fn every_path_that_is_named_is_there() {
    const FOLDERS: [&str; 6] = ["deploy/", "models/", "service/", "tests/", "replay-data/", ".ci/"];
    for name in ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "deploy/SECURITY.md"] {
        let text = text(name);
        let code = text.split('`').skip(1).step_by(2);
        let links = text.split("](").skip(1).filter_map(|rest| rest.split(')').next());
        let mut seen = 0;
        for path in code.chain(links) {
            let path = path.split('#').next().unwrap_or_default();
            let a_path = FOLDERS.iter().any(|folder| path.starts_with(folder)) || path.ends_with(".md");
            if !a_path || path.contains([' ', '*', '{', '<', '\n']) {
                continue;
            }
            assert!(root().join(path).exists(), "{name} names {path}, which is not there");
            seen += 1;
        }
        assert!(
            name == "CHANGELOG.md" || seen >= if name.starts_with("deploy/") { 2 } else { 5 },
            "{name}: only {seen} paths found"
        );
    }
}

#[test]
fn no_mark_is_left_to_be_filled_by_hand_twice() {
    let readme = text("README.md");
    for mark in ["demo-output", "results:skab", "results:ims", "results:demo", "results:speed"] {
        assert!(readme.matches(&format!("<!-- {mark} -->")).count() <= 1, "{mark}");
    }
}
