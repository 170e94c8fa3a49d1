//! Are the intervals of remaining life honest? Wear and noise simulated here, from seeds written here, forecast at 70 to
//! 95 % of the time from onset to the limit.
//!
//! Not an independent check: the evidence power, the prior of linear wear and the rate spread were chosen by looking at
//! these tables (seed 20240117, some fifteen combinations). Four seeds drawn afterwards gave 0.77 to 0.97 on every row
//! that is asserted; "linear, white noise" came out at 0.95 to 0.97, so the stored seed's 0.947 flatters it.
//!
//! Coverage counts against the crossing of the level. The column "by block" counts against the first single block mean
//! across the limit, which with little but white noise comes earlier: printed, not promised.
//!
//! `cargo test -p roundsman-models --test remaining_calibration -- --nocapture` prints the tables.

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{RngCore, SeedableRng};
use roundsman_models::prognose::{CheckedRemaining, NoForecast, RemainingParams, Side, Target, TimeToLimit, forecast};
use roundsman_models::{EventTime, Reading};

const RUNS: usize = 600;

struct Random(Xoshiro256PlusPlus);

impl Random {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Box–Muller.
    fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.between(0.0, 1.0), self.between(0.0, 1.0));
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

#[derive(Clone, Copy)]
enum Wear {
    Linear,
    /// Growth rate times the time from onset to the limit, between these.
    Exponential(f64, f64),
    /// Rise as this power of time: neither of the two models.
    Power(f64),
}

struct Scenario {
    name: &'static str,
    wear: Wear,
    memory: f64,
    /// Standard deviation of the level's own wander, per rise to the limit, over the time from onset to the limit.
    wander: f64,
    /// Rise to the limit in standard deviations of the noise, between these.
    rise: (f64, f64),
}

struct Life {
    blocks: Vec<Reading>,
    now: EventTime,
    limit: f64,
    left_hours: f64,
    /// The same until a single block mean, with its scatter, is across.
    left_to_block_hours: f64,
}

fn hours(h: f64) -> EventTime {
    EventTime(1_700_000_000_000_000).plus_secs(h * 3600.0)
}

/// One machine: a healthy stretch, then wear up to the limit (rise 1 on a level of 2); blocks every hour.
fn live(scenario: &Scenario, random: &mut Random) -> Life {
    let healthy = random.between(5.0, 80.0).round();
    let wear_hours = random.between(80.0, 240.0);
    let noise_sd = 1.0 / random.between(scenario.rise.0, scenario.rise.1);
    let shape: Box<dyn Fn(f64) -> f64> = match scenario.wear {
        Wear::Linear => Box::new(|s| s),
        Wear::Exponential(low, high) => {
            let growth = random.between(low, high);
            Box::new(move |s| (growth * s).exp_m1() / growth.exp_m1())
        }
        Wear::Power(power) => Box::new(move |s| s.powf(power)),
    };
    let now_hours = healthy + random.between(0.70, 0.95) * wear_hours;
    let mut blocks = Vec::new();
    let (mut memory, mut wander) = (random.normal(), 0.0);
    let (mut now, mut crossed, mut block_crossed) = (0.0, None, None);
    let mut hour = 0.0;
    // The truth is the first crossing of the level, interpolated between hours.
    let mut level_before = 0.0;
    while crossed.is_none() && hour < 20.0 * wear_hours {
        let passed = (hour - healthy) / wear_hours;
        if passed > 0.0 {
            // In the time in which the wear itself is linear it wanders evenly.
            let grown = shape(passed) - shape((passed - 1.0 / wear_hours).max(0.0));
            wander += random.normal() * scenario.wander * grown.sqrt();
        }
        let level = if passed > 0.0 { shape(passed) } else { 0.0 } + wander;
        memory = scenario.memory * memory + (1.0 - scenario.memory * scenario.memory).sqrt() * random.normal();
        if hour <= now_hours {
            blocks.push(Reading { at: hours(hour), value: 2.0 + level + noise_sd * memory });
            now = hour;
        } else if 2.0 + level + noise_sd * memory >= 3.0 {
            block_crossed = block_crossed.or(Some(hour));
        }
        if level >= 1.0 {
            crossed = Some(hour - (level - 1.0) / (level - level_before));
        }
        level_before = level;
        hour += 1.0;
    }
    let keep_from = blocks.len().saturating_sub(256);
    let crossed = crossed.unwrap_or(hour);
    Life {
        blocks: blocks.split_off(keep_from),
        now: hours(now),
        limit: 3.0,
        left_hours: crossed - now,
        left_to_block_hours: block_crossed.unwrap_or(crossed) - now,
    }
}

fn checked() -> CheckedRemaining {
    RemainingParams::default().check().expect("defaults are in range")
}

fn first(life: &Life, params: &CheckedRemaining) -> Result<TimeToLimit, NoForecast> {
    let target = Target::exact(life.limit, Side::Upper);
    forecast(&life.blocks, life.now, &[target], None, params).and_then(|r| r.targets[0].time)
}

#[derive(Default)]
struct Outcome {
    made: usize,
    early: usize,
    late: usize,
    block_inside: usize,
    /// |ln(P50 / truth)|, sorted.
    errors: Vec<f64>,
    /// P90 / P10, unbounded ones as infinite; sorted.
    widths: Vec<f64>,
    refused: std::collections::BTreeMap<&'static str, usize>,
}

fn reason(why: &NoForecast) -> &'static str {
    match why {
        NoForecast::NoLimit => "no limit",
        NoForecast::TooFewBlocks { .. } => "too few",
        NoForecast::NoTrend { .. } => "no trend",
        NoForecast::Jump { .. } => "jump",
        NoForecast::TrendStopped => "stopped",
        NoForecast::TrendAway => "away",
        NoForecast::AlreadyPast { .. } => "past",
        NoForecast::BeyondHorizon { .. } => "beyond",
        NoForecast::TooUncertain { .. } => "uncertain",
        NoForecast::Stale { .. } => "stale",
        NoForecast::NoBetterThanGuess { .. } => "guess",
    }
}

impl Outcome {
    fn coverage(&self) -> f64 {
        1.0 - (self.early + self.late) as f64 / self.made as f64
    }

    fn median(sorted: &[f64]) -> f64 {
        sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
    }
}

fn run(scenario: &Scenario) -> Outcome {
    let params = checked();
    let mut random = Random(Xoshiro256PlusPlus::seed_from_u64(20_240_117));
    let mut outcome = Outcome::default();
    for _ in 0..RUNS {
        let life = live(scenario, &mut random);
        // A level that wandered across before "now" has no remaining life to forecast.
        if life.left_hours <= 0.0 {
            continue;
        }
        match first(&life, &params) {
            Ok(time) => {
                outcome.made += 1;
                outcome.early += usize::from(life.left_hours < time.p10_hours);
                outcome.late += usize::from(time.p90_hours.is_some_and(|p90| life.left_hours > p90));
                outcome.block_inside += usize::from(
                    life.left_to_block_hours >= time.p10_hours
                        && time.p90_hours.is_none_or(|p90| life.left_to_block_hours <= p90),
                );
                outcome.errors.push((time.p50_hours / life.left_hours).ln().abs());
                outcome.widths.push(time.p90_hours.map_or(f64::INFINITY, |p90| p90 / time.p10_hours));
            }
            Err(why) => *outcome.refused.entry(reason(&why)).or_default() += 1,
        }
    }
    outcome.errors.sort_by(f64::total_cmp);
    outcome.widths.sort_by(f64::total_cmp);
    println!(
        "{:<34} {:>5} {:>8.3} {:>7.3} {:>7.3} {:>8.3} {:>8.2} {:>8.2}  {:?}",
        scenario.name,
        outcome.made,
        outcome.coverage(),
        outcome.early as f64 / outcome.made as f64,
        outcome.late as f64 / outcome.made as f64,
        outcome.block_inside as f64 / outcome.made as f64,
        Outcome::median(&outcome.errors).exp(),
        Outcome::median(&outcome.widths),
        outcome.refused
    );
    outcome
}

fn header() {
    println!(
        "{:<34} {:>5} {:>8} {:>7} {:>7} {:>8} {:>8} {:>8}  refused",
        "simulated wear", "made", "coverage", "< P10", "> P90", "by block", "P50 off", "P90/P10"
    );
}

const fn scenario(name: &'static str, wear: Wear, memory: f64, wander: f64) -> Scenario {
    Scenario { name, wear, memory, wander, rise: (8.0, 25.0) }
}

const GROWING: Wear = Wear::Exponential(2.0, 5.0);

/// The two wear models themselves: nominal coverage of P10–P90 is 0.8.
#[test]
fn intervals_cover_linear_and_exponential_wear() {
    header();
    for scenario in [
        scenario("linear, white noise", Wear::Linear, 0.0, 0.0),
        scenario("linear, correlation 0.5", Wear::Linear, 0.5, 0.0),
        scenario("linear, correlation 0.8", Wear::Linear, 0.8, 0.0),
        scenario("exponential, white noise", GROWING, 0.0, 0.0),
        scenario("exponential, correlation 0.5", GROWING, 0.5, 0.0),
        scenario("exponential, correlation 0.8", GROWING, 0.8, 0.0),
        scenario("linear, level wanders", Wear::Linear, 0.5, 0.15),
        scenario("exponential, level wanders", GROWING, 0.5, 0.15),
    ] {
        judge(&scenario, 1.5);
    }
}

/// Accelerating wear that is neither: what real wear is.
#[test]
fn intervals_cover_wear_that_is_neither_linear_nor_exponential() {
    header();
    for scenario in [
        scenario("time^1.5, correlation 0.5", Wear::Power(1.5), 0.5, 0.0),
        scenario("time^2, white noise", Wear::Power(2.0), 0.0, 0.0),
        scenario("time^2, correlation 0.5", Wear::Power(2.0), 0.5, 0.0),
        scenario("time^2, correlation 0.8", Wear::Power(2.0), 0.8, 0.0),
        scenario("time^3, correlation 0.5", Wear::Power(3.0), 0.5, 0.0),
    ] {
        judge(&scenario, 1.4);
    }
}

/// Wear that slows down is outside of what the models say. Then the forecast is too early, never too late: that is all
/// that is asked.
#[test]
fn slowing_wear_is_forecast_too_early_rather_than_too_late() {
    header();
    let outcome = run(&scenario("time^0.7, correlation 0.5", Wear::Power(0.7), 0.5, 0.0));
    assert!(outcome.made > RUNS / 2);
    assert!(
        (outcome.early as f64) < 0.1 * outcome.made as f64,
        "{} of {} sooner than P10",
        outcome.early,
        outcome.made
    );
}

/// `off`: the median factor between P50 and the truth that is allowed.
fn judge(scenario: &Scenario, off: f64) {
    let outcome = run(scenario);
    let coverage = outcome.coverage();
    assert!(outcome.made > RUNS * 3 / 4, "{}: only {} forecasts", scenario.name, outcome.made);
    // Nominal is 0.8. Wider than needed is accepted, so the upper end is what any seed keeps, not what this one gives.
    assert!((0.75..=0.975).contains(&coverage), "{}: coverage {coverage}", scenario.name);
    assert!(Outcome::median(&outcome.errors) < off.ln(), "{}: P50 is off", scenario.name);
}

/// Stationary noise, however correlated, up to a memory of 20 blocks: at most two forecasts in a hundred series.
#[test]
fn noise_alone_gets_no_forecast() {
    let params = checked();
    for memory in [0.0, 0.5, 0.8, 0.95] {
        let mut random = Random(Xoshiro256PlusPlus::seed_from_u64(7));
        let mut made = 0;
        for _ in 0..RUNS {
            let n = random.between(20.0, 256.0) as usize;
            let mut state = random.normal();
            let blocks: Vec<Reading> = (0..n)
                .map(|h| {
                    state = memory * state + (1.0_f64 - memory * memory).sqrt() * random.normal();
                    Reading { at: hours(h as f64), value: state }
                })
                .collect();
            let target = Target::exact(6.0, Side::Upper);
            made += usize::from(forecast(&blocks, hours(n as f64), &[target], None, &params).is_ok());
        }
        println!("noise, correlation {memory}: {made} forecasts for {RUNS} series");
        assert!(made * 50 <= RUNS, "{made} of {RUNS} at correlation {memory}");
    }
}
