//! The truth as labels: a table of what was wrong, when, and with what, for `roundsman evaluate`.

use crate::about::{About, AboutFault};

/// Header of the table. An empty end: to the end of the recording. `about`: which alerts are about it. `life_ends`: when
/// the level at `point` reaches the limit `target`, noise left out; it may lie after the end of the recording.
const HEADER: &str = "asset,start,end,kind,about,point,life_ends,target\n";

/// The table as text: planted faults, then a row per machine whose gateway was down.
pub(crate) fn text(about: &About) -> String {
    let mut out = format!("# {}\n{HEADER}", about.note);
    for fault in &about.faults {
        out.push_str(&fault_row(fault));
    }
    for outage in &about.outages {
        for asset in about.assets.iter().filter(|asset| asset.area == outage.area) {
            out.push_str(&format!("{},{},{},gateway-down,silence,,,\n", asset.name, outage.start, outage.end));
        }
    }
    out
}

fn fault_row(fault: &AboutFault) -> String {
    let kind = serde_json::to_value(fault.kind).ok().and_then(|kind| kind.as_str().map(str::to_owned));
    let subject = if fault.of_sensor { "sensor" } else { "machine" };
    let (ends, target) = match &fault.limit {
        Some(limit) => (limit.reaches_alarm_at.as_str(), "alarm"),
        None => ("", ""),
    };
    let (asset, start, point) = (&fault.asset, &fault.start, &fault.point);
    format!("{asset},{start},,{},{subject},{point},{ends},{target}\n", kind.unwrap_or_default())
}
