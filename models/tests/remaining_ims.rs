//! Remaining life on a real bearing run to failure. Only sane things are asserted: real damage grows unevenly, and one
//! bearing proves nothing about coverage. Nor is it unseen: the rate spread, the new beginning after a jump and the least
//! number of points after an onset were added after looking at what an earlier version said here. `-- --nocapture` prints every forecast against what came.
//!
//! Source: IMS bearing data, test 2, bearing 1 (Lee, Qiu, Yu, Lin and Rexnord Technical Services 2007, NASA Prognostics
//! Data Repository): mean absolute acceleration of a 1 s snapshot every 10 minutes, outer-race failure at the end.

use roundsman_models::prognose::{NoForecast, RemainingParams, Side, Target, TimeToLimit, forecast};
use roundsman_models::{EventTime, Reading};
use std::path::PathBuf;

const SNAPSHOTS_PER_BLOCK: usize = 6;

fn bearing_1() -> Option<Vec<Reading>> {
    let shared = std::env::var("ROUNDSMAN_SHARED")
        .map_or_else(|_| PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/data")), PathBuf::from);
    let path = shared.join("ims/ims_test2_mean_abs.csv");
    let Ok(text) = std::fs::read_to_string(&path) else {
        eprintln!(
            "SKIPPED: {} is not there. Get the IMS bearing data (2nd test) from the NASA Prognostics Data Repository, \
             write time and mean(|x|) of each bearing per snapshot, and set ROUNDSMAN_SHARED to its folder.",
            path.display()
        );
        return None;
    };
    // The snapshots are 10 minutes apart without a gap; the last two were taken after the machine had stopped.
    let levels: Vec<f64> = text
        .lines()
        .skip(1)
        .map(|line| line.split(',').nth(1).and_then(|v| v.parse().ok()).expect("a number in the second column"))
        .collect();
    let running = &levels[..levels.len() - 2];
    let blocks = running.chunks_exact(SNAPSHOTS_PER_BLOCK).enumerate().map(|(hour, block)| Reading {
        at: EventTime(0).plus_secs(3600.0 * (hour + 1) as f64),
        value: block.iter().sum::<f64>() / block.len() as f64,
    });
    Some(blocks.collect())
}

#[test]
fn bearing_1_gets_no_forecast_before_its_damage_and_ordered_ones_after() {
    let Some(blocks) = bearing_1() else { return };
    assert!(blocks.len() > 160, "{} blocks", blocks.len());
    let params = RemainingParams::default().check().expect("defaults are in range");
    for limit in [0.1, 0.15, 0.2] {
        let target = Target::exact(limit, Side::Upper);
        let reached = blocks.iter().position(|b| b.value >= limit).expect("it failed");
        println!("\nlimit {limit} g, first reached by a block mean after {} h", reached + 1);
        let (mut made, mut inside, mut early, mut late) = (0, 0, 0, 0);
        for hour in 1..=reached {
            let got = forecast(&blocks[..hour], blocks[hour - 1].at, &[target], None, &params);
            if hour <= blocks.len() / 2 {
                assert!(got.is_err(), "a forecast after {hour} h, before any damage: {got:?}");
                continue;
            }
            let left = (reached + 1 - hour) as f64;
            let time: Result<TimeToLimit, NoForecast> = got.as_ref().map_err(|e| *e).and_then(|r| r.targets[0].time);
            match time {
                Ok(t) => {
                    assert!(t.p10_hours >= 0.0 && t.p10_hours <= t.p50_hours);
                    assert!(t.p90_hours.is_none_or(|p90| p90 >= t.p50_hours));
                    made += 1;
                    let (is_early, is_late) = (left < t.p10_hours, t.p90_hours.is_some_and(|p90| left > p90));
                    early += usize::from(is_early);
                    late += usize::from(is_late);
                    inside += usize::from(!is_early && !is_late);
                    println!(
                        "{hour:>4} h: left {left:>4}  P10 {:>7.1}  P50 {:>7.1}  P90 {:>7.1}  {}",
                        t.p10_hours,
                        t.p50_hours,
                        t.p90_hours.unwrap_or(f64::INFINITY),
                        got.map(|r| r.model.name()).unwrap_or_default()
                    );
                }
                Err(why) => println!("{hour:>4} h: left {left:>4}  {why}"),
            }
        }
        println!(
            "limit {limit}: {made} forecasts, {inside} inside P10–P90, {early} sooner than P10, {late} later than P90"
        );
    }
}
