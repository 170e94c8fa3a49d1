use super::*;
use crate::advise::document::tests::{AT, alert, condition};
use crate::advise::document::{Alert, Condition, Document};
use crate::keep::Store;
use crate::keep::plate::Plate;
use crate::keep::store::{
    TrendTable, write_alert, write_asset, write_document, write_period, write_plate, write_trend,
};
use crate::keep::trend::{Sample, Trends};
use crate::keep::{Changed, Record, prune, store};
use roundsman_models::EventTime;

const DAY: i64 = 86_400;
/// 2029-01-01T00:00:00Z, a Monday (`date -u -d 2029-01-01 +%s`).
const BEGIN: i64 = 1_861_920_000;

fn micros(secs: i64) -> EventTime {
    EventTime(secs * 1_000_000)
}

fn observed(n: i64) -> f64 {
    f64::from((n % 1000) as i32)
}

/// So many days of a sample every 20 minutes, kept and pruned as the keeper does it; one day without any.
fn kept(days: i64, silent_day: i64) -> (tempfile::TempDir, Store, i64) {
    kept_from(BEGIN, days, silent_day)
}

fn kept_from(begin: i64, days: i64, silent_day: i64) -> (tempfile::TempDir, Store, i64) {
    let dir = tempfile::tempdir().expect("a folder");
    let mut store = Store::open(&dir.path().join("state")).expect("it opens");
    let transaction = store.connection.transaction().expect("begins");
    write_asset(&transaction, 1, "pump-7", &[("vib".into(), "mm/s".into())]).expect("writes");
    let (mut trends, mut closed, mut count) = (Trends::default(), Vec::new(), 0);
    for n in 0..days * 72 {
        let at = begin + n * 1200;
        if (at - begin) / DAY == silent_day {
            continue;
        }
        count += 1;
        let sample = Sample { at_micros: at * 1_000_000, observed: observed(n), expected: observed(n), band: 2.0 };
        trends.add(1, 0, &sample, &mut closed);
        for (tier, bucket) in closed.drain(..) {
            write_trend(&transaction, TrendTable::Closed, 1, 0, tier, &bucket).expect("writes");
            prune::trend(&transaction, 1, 0, tier, bucket.t).expect("prunes");
        }
    }
    for (point, tier, bucket) in trends.open_of(1) {
        write_trend(&transaction, TrendTable::Open, 1, point, tier, bucket).expect("writes");
    }
    transaction.commit().expect("commits");
    (dir, store, count)
}

/// Every sample is in one row, whatever tiers the range and the width bring together.
#[test]
fn a_trend_over_all_tiers_holds_every_sample_once() {
    for days in [1, 20, 100, 460] {
        let (dir, _store, count) = kept(days, 5);
        let reader = Reader::open(&dir.path().join("state")).expect("beside the store that is open");
        let end = BEGIN + days * DAY;
        for rows in [4, 50, 300, 1000, 5000] {
            let found = reader.trend(1, 0, micros(BEGIN), micros(end), rows).expect("reads");
            let held: u64 = found.iter().map(|row| row.count).sum();
            assert_eq!(held, count.cast_unsigned(), "{days} days in {rows} rows");
            assert!(found.len() <= rows + 2, "{days} days in {rows} rows: {}", found.len());
            assert!(
                found.is_sorted_by(|a, b| a.to <= b.from),
                "{days} days in {rows} rows: in order, none over another"
            );
            let mean = found.iter().map(|row| row.mean * row.count as f64).sum::<f64>() / held as f64;
            let want = (0..days * 72).filter(|n| n / 72 != 5).map(observed).sum::<f64>() / count as f64;
            assert!((mean - want).abs() < 1e-6, "{mean} {want}: rounding of a running mean only");
            for row in &found {
                let expected = row.expected.expect("all had one");
                assert_eq!((expected.low, expected.high), (Some(row.min - 2.0), Some(row.max + 2.0)));
                assert!((expected.mean - row.mean).abs() < 1e-9);
            }
        }
    }
}

/// Few machines are first heard of on a Monday at midnight.
#[test]
fn a_trend_that_begins_within_an_hour_and_a_week_holds_every_sample_once() {
    for begin in [BEGIN + 1500, BEGIN + 3 * DAY + 7500] {
        for days in [1, 20, 100, 460] {
            let (dir, _store, count) = kept_from(begin, days, 5);
            let reader = Reader::open(&dir.path().join("state")).expect("opens");
            for rows in [4, 50, 300, 1000, 5000] {
                // From long before it began, too.
                for from in [begin, begin - 2 * DAY] {
                    let found = reader.trend(1, 0, micros(from), micros(begin + days * DAY), rows).expect("reads");
                    let held: u64 = found.iter().map(|row| row.count).sum();
                    assert_eq!(held, count.cast_unsigned(), "{days} days in {rows} rows");
                    assert!(found.is_sorted_by(|a, b| a.to <= b.from), "{days} days in {rows} rows: none over another");
                }
            }
        }
    }
}

#[test]
fn a_part_of_a_trend_is_the_same_as_that_part_of_the_whole() {
    let (dir, _store, _) = kept(100, 5);
    let reader = Reader::open(&dir.path().join("state")).expect("opens");
    // The last ten days are whole five-minute rows; a narrower window gives those of them it covers.
    let all = reader.trend(1, 0, micros(BEGIN + 90 * DAY), micros(BEGIN + 100 * DAY), 20_000).expect("reads");
    let part = reader.trend(1, 0, micros(BEGIN + 92 * DAY), micros(BEGIN + 93 * DAY), 20_000).expect("reads");
    let (low, high) = (BEGIN + 92 * DAY, BEGIN + 93 * DAY);
    let want: Vec<_> = all.into_iter().filter(|row| row.to > low && row.from < high).collect();
    assert_eq!(part, want);
    assert_eq!(part.len(), 72);
    // A gap is a gap: no row, on any tier that can show it.
    let gap = reader.trend(1, 0, micros(BEGIN + 5 * DAY), micros(BEGIN + 6 * DAY), 500).expect("reads");
    assert_eq!(gap, []);
    assert_eq!(reader.trend(1, 0, micros(BEGIN + DAY), micros(BEGIN), 500).expect("reads"), [], "backwards");
    assert_eq!(reader.trend(1, 9, micros(BEGIN), micros(BEGIN + DAY), 500).expect("reads"), [], "no such point");
}

#[test]
fn the_folder_of_nobody_is_not_made_and_another_version_refused_by_name() {
    let dir = tempfile::tempdir().expect("a folder");
    let state = dir.path().join("state");
    assert!(Reader::open(&state).is_err());
    assert!(!state.exists());
    let store = Store::open(&state).expect("opens");
    assert!(Reader::open(&state).is_ok());
    store.connection.execute("UPDATE meta SET value = '3' WHERE key = 'schema'", []).expect("updates");
    let fault = Reader::open(&state).err().expect("refused").to_string();
    assert!(fault.contains("schema version 3"), "{fault}");
    store.connection.execute("DROP TABLE meta", []).expect("drops");
    assert!(matches!(Reader::open(&state), Err(KeepError::Version { found, .. }) if found == "unknown"));
}

#[test]
fn assets_documents_and_alerts_come_back_as_they_were_kept() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut store = Store::open(dir.path()).expect("opens");
    let plate = Plate { area: Some("north hall".into()), rating_kw: Some(45.0), ..Plate::default() };
    let raised = alert();
    let mut returned = Alert { revision: 2, ..alert() };
    returned.at = AT.plus_secs(60.0);
    let transaction = store.connection.transaction().expect("begins");
    write_asset(&transaction, 2, "pump-7", &[("vib".into(), "mm/s".into()), ("temp".into(), "Cel".into())])
        .expect("writes");
    write_asset(&transaction, 1, "fan-2", &[("vib".into(), "mm/s".into())]).expect("writes");
    write_plate(&transaction, "pump-7", &plate).expect("writes");
    let older = Condition { at: AT, ..condition() };
    let newer = Condition { at: AT.plus_secs(9.0), run_hours: 7.0, ..condition() };
    for document in [&older, &newer] {
        write_document(&transaction, "pump-7", "condition", document.at, document.to_json().as_bytes())
            .expect("writes");
    }
    for alert in [&raised, &returned] {
        write_alert(&transaction, &kept_alert(alert)).expect("writes");
    }
    let answer = |position, asset: Option<&str>| Record::Answer {
        position,
        part: 0,
        at: None,
        received: EventTime(position as i64),
        asset: asset.map(Into::into),
        by: "A. B.".into(),
        note: None,
        action: "{}".into(),
        accepted: true,
        answer: "done".into(),
        changed: Box::new(Changed { topic: "t".into(), old: None, new: Some("new".into()), given: None }),
        reply: None,
    };
    for record in [answer(1, Some("pump-7")), answer(2, None), answer(3, Some("pump-7")), answer(4, Some("pump-7"))] {
        store::write_audit(&transaction, &record).expect("writes");
    }
    transaction.commit().expect("commits");

    let reader = Reader::open(dir.path()).expect("opens");
    let assets = reader.assets().expect("reads");
    let names: Vec<_> = assets.iter().map(|a| (a.name.as_str(), a.points.len())).collect();
    assert_eq!(names, [("fan-2", 1), ("pump-7", 2)]);
    assert_eq!((&assets[0].plate, &assets[1].plate), (&Plate::default(), &plate));
    assert_eq!(reader.asset("pump-7").expect("reads").as_ref(), assets.last());
    assert_eq!(reader.asset("none").expect("reads"), None);
    assert_eq!(reader.condition("pump-7").expect("reads"), Some(newer.clone()));
    assert_eq!(reader.conditions().expect("reads"), [newer]);
    assert_eq!(reader.diagnosis("pump-7").expect("reads"), None);
    let as_published = |alert: &Alert| Alert::from_json(&alert.to_json()).expect("our own");
    let both = [as_published(&raised), as_published(&returned)];
    assert_eq!(reader.alert(&raised.id).expect("reads"), both);
    assert_eq!(reader.alerts(Span::newest("pump-7", 10)).expect("reads"), both);
    assert_eq!(reader.alerts(Span::newest("pump-7", 1)).expect("reads"), both[1..], "the newest");
    assert_eq!(reader.alerts(Span::newest("fan-2", 10)).expect("reads"), []);
    let all = Span { asset: None, from: AT, to: AT, most: 10 };
    assert_eq!(reader.alerts(all).expect("reads"), both[..1]);
    let audit = reader.audit(Span::newest("pump-7", 2)).expect("reads");
    assert_eq!(audit.iter().map(|row| row.received.0).collect::<Vec<_>>(), [3, 4]);
    assert_eq!(audit[0].new.as_deref(), Some("new"));
}

fn kept_alert(alert: &Alert) -> Record {
    Record::Alert {
        id: alert.id.clone(),
        revision: alert.revision,
        at: alert.at,
        asset: alert.asset.as_str().into(),
        change: "raised".into(),
        state: "unacknowledged".into(),
        severity: "warning".into(),
        publication: crate::acquire::mqtt::link::Publication {
            topic: "t".into(),
            payload: alert.to_json().into_bytes(),
            retain: false,
            correlation: None,
            about: crate::acquire::mqtt::link::About::default(),
        },
        document: None,
    }
}

#[test]
fn periods_reach_into_the_range_and_many_become_what_can_be_seen() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut store = Store::open(dir.path()).expect("opens");
    let transaction = store.connection.transaction().expect("begins");
    let at = |n: i64| micros(BEGIN + n * 600);
    for (n, state) in [(0, "stopped"), (10, "1"), (20, "2"), (30, "")] {
        write_period(&transaction, "pump-7", at(n), state).expect("writes");
    }
    // What recovery makes again.
    write_period(&transaction, "pump-7", at(20), "2").expect("writes");
    // One that changes all the time: nine minutes on, one off.
    for n in 0..2000 {
        write_period(&transaction, "busy", micros(BEGIN + n / 2 * 600 + n % 2 * 540), ["on", "off"][(n % 2) as usize])
            .expect("writes");
    }
    transaction.commit().expect("commits");
    let reader = Reader::open(dir.path()).expect("opens");
    let period =
        |began, ended: Option<i64>, state: &str| Period { began: at(began), ended: ended.map(at), state: state.into() };
    let found = reader.periods("pump-7", at(12), at(25), 100).expect("reads");
    assert_eq!(found, [period(10, Some(20), "1"), period(20, None, "2")]);
    let found = reader.periods("pump-7", at(-5), at(40), 100).expect("reads");
    assert_eq!(found.len(), 4);
    assert_eq!(reader.periods("pump-7", at(-9), at(-5), 100).expect("reads"), []);
    let busy = reader.periods("busy", at(0), at(1000), 100).expect("reads");
    assert_eq!(busy.iter().map(|p| p.state.as_str()).collect::<Vec<_>>(), ["on"]);
    assert_eq!(reader.periods("busy", at(0), at(2), 100).expect("reads").len(), 5);
}

#[test]
fn periods_go_with_the_hourly_rows() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut store = Store::open(dir.path()).expect("opens");
    let transaction = store.connection.transaction().expect("begins");
    for day in 0..800 {
        write_period(&transaction, "pump-7", micros(BEGIN + day * DAY), "1").expect("writes");
    }
    transaction.commit().expect("commits");
    let kept: i64 = store.connection.query_row("SELECT count(*) FROM periods", [], |row| row.get(0)).expect("reads");
    assert_eq!(kept, 397, "396 days and the one that begins them");
}
