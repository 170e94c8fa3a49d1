//! The kept inputs of the fuzz targets, each through its function: what once broke something breaks nothing now.

#[path = "fuzz/inputs.rs"]
mod inputs;

use std::path::{Path, PathBuf};

const TARGETS: [(&str, fn(&[u8])); 16] = [
    ("number", inputs::number),
    ("json", inputs::json),
    ("senml", inputs::senml),
    ("time", inputs::time),
    ("topics", inputs::topics),
    ("plant", inputs::plant),
    ("registry", inputs::registry),
    ("command", inputs::command),
    ("config", inputs::config),
    ("waveform", inputs::waveform),
    ("waveform_file", inputs::waveform_file),
    ("recording", inputs::recording),
    ("parquet", inputs::parquet),
    ("journal", inputs::journal),
    ("snapshot", inputs::snapshot),
    ("documents", inputs::documents),
];

/// What may lie in the repository: enough to be of use, little enough to be read past.
const MOST_BYTES: u64 = 300_000;

fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fuzz/corpus")
}

#[test]
fn every_kept_input_goes_through() {
    let mut bytes = 0;
    for (name, target) in TARGETS {
        let dir = corpus().join(name);
        let entries = std::fs::read_dir(&dir).unwrap_or_else(|error| panic!("{}: {error}", dir.display()));
        let mut count = 0;
        for entry in entries {
            let path = entry.expect("a readable folder").path();
            let input = std::fs::read(&path).expect("a readable file");
            bytes += input.len() as u64;
            if let Err(panic) = std::panic::catch_unwind(|| target(&input)) {
                eprintln!("the input is {}", path.display());
                std::panic::resume_unwind(panic);
            }
            count += 1;
        }
        assert!(count > 0, "no input in {}", dir.display());
    }
    assert!(bytes < MOST_BYTES, "{bytes} bytes of inputs; keep fewer");
}

/// A target that is not in the list above is never replayed.
#[test]
fn every_target_is_replayed() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fuzz/fuzz_targets");
    let mut found: Vec<String> = std::fs::read_dir(dir)
        .expect("the folder of the targets")
        .filter_map(|entry| Some(entry.ok()?.path().file_stem()?.to_str()?.to_owned()))
        .collect();
    found.sort();
    let mut known = TARGETS.map(|(name, _)| name.to_owned());
    known.sort();
    assert_eq!(found, known);
}
