//! The kept inputs of the fuzz targets, each through its function: what once broke something breaks nothing now.

#[path = "fuzz/inputs.rs"]
mod inputs;

use std::path::{Path, PathBuf};

type Target = (&'static str, fn(&[u8]));

const TARGETS: [Target; 17] = [
    ("number", inputs::number),
    ("json", inputs::json),
    ("senml", inputs::senml),
    ("time", inputs::time),
    ("topics", inputs::topics),
    ("plant", inputs::plant),
    ("sparkplug", inputs::sparkplug),
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

/// The long form, without coverage: `ROUNDSMAN_FUZZ_INPUTS=1000000 cargo test --release -p roundsman --test corpus -- --nocapture`
/// gives each target so many inputs, made from the kept ones by a fixed seed. `cargo fuzz` (see `tests/fuzz/README.md`) looks
/// for new ways through the code and is the better search; this needs nothing but the tests.
#[test]
fn what_is_made_from_the_kept_inputs_goes_through() {
    let inputs: u64 = std::env::var("ROUNDSMAN_FUZZ_INPUTS").ok().and_then(|n| n.parse().ok()).unwrap_or(200);
    let only = std::env::var("ROUNDSMAN_FUZZ_TARGET").ok();
    let seed: u64 = std::env::var("ROUNDSMAN_FUZZ_SEED").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    for (name, target) in TARGETS.iter().filter(|(name, _)| only.as_deref().is_none_or(|only| only == *name)) {
        let mut kept: Vec<Vec<u8>> = std::fs::read_dir(corpus().join(name))
            .expect("a readable folder")
            .map(|entry| std::fs::read(entry.expect("an entry").path()).expect("a readable file"))
            .collect();
        kept.sort();
        let began = std::time::Instant::now();
        let mut made = Made::new(seed);
        let mut input = Vec::new();
        for number in 0..inputs {
            made.from(&kept, &mut input);
            if let Err(panic) = std::panic::catch_unwind(|| target(&input)) {
                eprintln!("{name}: input {number} of seed {seed}: {input:?}");
                std::panic::resume_unwind(panic);
            }
        }
        println!("{name}: {inputs} inputs in {:.1?}, {} kept", began.elapsed(), kept.len());
    }
}

/// Inputs made from kept ones: bits flipped, pieces cut, doubled, taken over from another, and what hurts put in.
struct Made(u64);

impl Made {
    const HURTS: [&'static [u8]; 24] = [
        b"9223372036854775807",
        b"-9223372036854775808",
        b"1e308",
        b"-1e308",
        b"1e400",
        b"NaN",
        b"null",
        b"\"\"",
        b"{}",
        b"[]",
        b"[[[[",
        b"\0",
        b"\xff",
        b"\xff\xff\xff\xff",
        b"\x00\x00\x00\x80",
        b"\n",
        b"\t",
        b"/",
        b"#",
        b"+",
        b"0",
        b"-",
        b"4102444800",
        b"\xf0\x9f\x92\xa9",
    ];

    fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    /// xorshift64*.
    fn below(&mut self, end: usize) -> usize {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 33) as usize % end.max(1)
    }

    fn from(&mut self, kept: &[Vec<u8>], input: &mut Vec<u8>) {
        let pick = self.below(kept.len());
        input.clone_from(&kept[pick]);
        for _ in 0..=self.below(6) {
            let at = self.below(input.len() + 1);
            let length = self.below(16.min(input.len() - at + 1));
            match self.below(8) {
                0 if at < input.len() => input[at] ^= 1 << self.below(8),
                1 if at < input.len() => input[at] = self.below(256) as u8,
                2 => drop(input.drain(at..at + length)),
                3 => {
                    let piece = input[at..at + length].to_vec();
                    let times = 1 + self.below(8);
                    input.splice(at..at, piece.repeat(times));
                }
                4 => {
                    let other = &kept[self.below(kept.len())];
                    let from = self.below(other.len() + 1);
                    let to = (from + self.below(64)).min(other.len());
                    input.splice(at..at, other[from..to].iter().copied());
                }
                5 => input.truncate(at),
                6 => {
                    let hurt = Self::HURTS[self.below(Self::HURTS.len())];
                    input.splice(at..at + length, hurt.iter().copied());
                }
                _ => {
                    let hurt = Self::HURTS[self.below(Self::HURTS.len())];
                    input.splice(at..at, hurt.iter().copied());
                }
            }
            input.truncate(4096.max(kept[pick].len()));
        }
    }
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
    // The Parquet library panics on damaged files, which we catch; a fuzzer ends at the panic.
    let known = TARGETS.iter().map(|(name, _)| (*name).to_owned()).filter(|name| name != "parquet");
    let mut known: Vec<String> = known.collect();
    known.sort();
    assert_eq!(found, known);
}
