//! A stretch of the simulated site's recording as the site would publish it.

use roundsman::acquire::recording::time::write_rfc3339;
use roundsman::acquire::recording::{self, Merge, Progress, ReadOptions};
use roundsman::config::{self, Sources};
use roundsman_models::EventTime;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// One message.
#[derive(Debug, Clone)]
pub struct Sent {
    pub topic: String,
    pub payload: String,
    /// Its time, microseconds.
    pub at: i64,
}

/// A file of the simulated site.
pub fn site(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../replay-data/quillhaven").join(name)
}

/// Readings of these assets (of all when none is named) between two times: one payload per reading, in the recording's
/// order.
pub fn stretch(assets: &[&str], from: &str, to: &str) -> Vec<Sent> {
    let file = site("roundsman.toml");
    let sources = Sources { file: Some(&file), zones: config::zone_names(), ..Sources::default() };
    let site_config = config::load(&sources).expect("the site's configuration has no faults");
    let areas: HashMap<&str, &str> = (site_config.assets.iter())
        .filter(|asset| assets.is_empty() || assets.contains(&asset.spec.name.as_str()))
        .filter_map(|asset| Some((asset.spec.name.as_str(), asset.spec.area.as_deref()?)))
        .collect();
    let micros = |text: &str| text.parse::<jiff::Timestamp>().expect("a time").as_microsecond();
    let (from, to) = (EventTime(micros(from)), EventTime(micros(to)));
    let path = site("readings.parquet");
    let opened = recording::open(&path, &ReadOptions::default(), 1, &|| None, &Progress::default());
    let mut merge = Merge::new(vec![opened.expect("the recording opens")]);
    let mut messages = Vec::new();
    while let Some(run) = merge.next_run().expect("the recording can be read") {
        for raw in run.readings.iter().filter(|raw| from <= raw.at && raw.at < to) {
            let names = &run.series[raw.series as usize];
            let Some(area) = areas.get(&*names.asset) else { continue };
            let mut time = Vec::new();
            write_rfc3339(&mut time, raw.at);
            let time = String::from_utf8(time).expect("ASCII");
            messages.push(Sent {
                topic: format!("plant/{area}/{}/{}", names.asset, names.point),
                // The shortest digits that give the same bits again.
                payload: format!(r#"{{"v":{},"t":"{time}"}}"#, raw.value),
                at: raw.at.0,
            });
        }
    }
    messages
}
