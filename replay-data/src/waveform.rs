//! Simulated waveforms of the machines that carry fixed acceleration sensors: what a sensor would send when it is asked.
//!
//! Three directions at the drive-end bearing, 4 s each, as 16-bit integers. A healthy machine shows its once-per-turn part,
//! two small harmonics and noise from flow. Two faults are put into waveforms:
//!
//! - *imbalance*: the once-per-turn part grows as the readings say;
//! - *bearing wear*: the outer race is damaged. Every rolling element that passes strikes, a little early or late (slip,
//!   so that the strikes drift and never repeat), each strike of another strength, and the housing rings at its own
//!   frequency. No line at the strike's rate is put in: it is in the envelope only, as on a machine.
//!
//! Other faults show in the readings alone. Nothing here was measured.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use crate::fault::{DAY, FaultKind, Planted};
use crate::machine::Machine;
use crate::noise::Chance;
use crate::physics::{self, Effect};
use crate::truth::stamp;

/// Machines with fixed sensors.
pub(crate) const WITH_SENSORS: [&str; 3] = ["id-fan", "stock-pump", "lift-pump"];
/// Bearing at the drive end of all three: elements, their diameter and the pitch diameter, mm; rating and load, kN.
pub(crate) const BEARING: (u32, f64, f64, f64, f64) = (9, 15.1, 72.0, 62.0, 5.5);
/// Sensor names with their direction, and the reading beside them.
pub(crate) const SENSORS: [(&str, &str, &str); 3] =
    [("de_h", "horizontal", "vib_de_h"), ("de_v", "vertical", "vib_de_v"), ("de_a", "axial", "vib_de_a")];

const RATE_HZ: usize = 8192;
const SECS: usize = 4;
/// Full scale of the converter, g.
const FULL_G: f64 = 16.0;
/// The housing rings at this frequency, with this decay.
const RINGS_HZ: f64 = 2870.0;
const DECAY_SECS: f64 = 0.0012;
/// Spread of the time between two strikes, as a share of it.
const SLIP: f64 = 0.008;
/// The healthy waveform is of this day: something is learned by then.
const HEALTHY_DAY: f64 = 9.4;
/// A worn bearing is heard this long after its wear began, days; imbalance after half its ramp.
const WEAR_HEARD_DAYS: f64 = 6.0;
const IMBALANCE_HEARD_DAYS: f64 = 0.02;

/// One simulated waveform.
#[derive(Debug, Clone, PartialEq)]
pub struct Waveform {
    /// Name of its record and, with `.i16`, of its file.
    pub record: String,
    /// Line of the index, without its end.
    pub line: String,
    /// Samples, little-endian.
    pub bytes: Vec<u8>,
}

/// Head of the index.
pub const INDEX_HEAD: &str = "record,asset,area,point,axis,time,rpm,rate_hz,scale_g,file";

/// The waveforms of a recording: `planted` are the machines' faults, with the mean air at the machine.
pub(crate) fn all(seed: u64, machines: &[Machine], planted: &[(usize, Planted<'_>, f64)]) -> Vec<Waveform> {
    let mut waveforms = Vec::new();
    for (number, machine) in machines.iter().enumerate().filter(|(_, m)| WITH_SENSORS.contains(&m.name)) {
        let on = planted.iter().find(|(at, ..)| *at == number);
        let air = on.map_or(20.0, |(.., air)| *air);
        waveforms.extend(three(seed, machine, air, "healthy", HEALTHY_DAY, &Effect::NONE, false));
        let Some((_, planted, _)) = on else { continue };
        let heard = match planted.fault.kind {
            FaultKind::Imbalance => planted.fault.start_day + IMBALANCE_HEARD_DAYS,
            FaultKind::BearingWear => planted.fault.start_day + WEAR_HEARD_DAYS,
            _ => continue,
        };
        let worn = planted.fault.kind == FaultKind::BearingWear;
        // As strong as it is a day later, when somebody is asked to look.
        let effect = planted.effect((heard + 1.0) * DAY);
        waveforms.extend(three(seed, machine, air, "faulty", heard, &effect, worn));
    }
    waveforms
}

fn three(
    seed: u64,
    machine: &Machine,
    air: f64,
    condition: &str,
    day: f64,
    effect: &Effect,
    worn: bool,
) -> Vec<Waveform> {
    let state = machine.reference_state();
    let now = physics::nominal(machine, state, air);
    let rpm = machine.rated_speed_rpm * now.speed;
    let one = |(sensor, axis, reading): (&str, &str, &str)| {
        let level = machine.point(reading).map_or(1.0, |point| physics::level(machine, point, &now, effect));
        let healthy = machine.point(reading).map_or(1.0, |point| physics::level(machine, point, &now, &Effect::NONE));
        let record = format!("{}-{condition}-{sensor}", machine.name);
        let mut chance = Chance::new(seed, &["waveform", &record]);
        // What wear adds is the rattle of the strikes, not the turning.
        let turning = if worn { healthy } else { level };
        let strikes_g = if !worn {
            0.0
        } else if axis == "axial" {
            0.9
        } else {
            2.4
        };
        let samples = samples(turning, rpm, strikes_g, &mut chance);
        let scale = FULL_G / 32_768.0;
        let bytes = samples
            .iter()
            // The converter's range; a sample beyond it would be clipped as on a machine.
            .flat_map(|x| ((x / scale).round().clamp(-32_768.0, 32_767.0) as i16).to_le_bytes())
            .collect();
        let mut line = String::new();
        // Writing to a string does not fail.
        let _ = write!(
            line,
            "{record},{},{},{sensor},{axis},{},{rpm:.1},{RATE_HZ},{scale},{record}.i16",
            machine.name,
            machine.area,
            stamp(day * DAY)
        );
        Waveform { record, line, bytes }
    };
    SENSORS.into_iter().map(one).collect()
}

/// Acceleration in g: `level_mm_s` r.m.s. of velocity, most of it once per turn, and strikes of this size.
fn samples(level_mm_s: f64, rpm: f64, strikes_g: f64, chance: &mut Chance) -> Vec<f64> {
    let hz = rpm / 60.0;
    let per_mm_s = |order: f64| TAU * hz * order * 1e-3 / 9.806_65;
    // Root-sum-square of the three is the level.
    let lines = [(1.0, 0.95), (2.0, 0.2), (3.0, 0.1)];
    let phases: Vec<f64> = lines.iter().map(|_| chance.between(0.0, TAU)).collect();
    let mut samples: Vec<f64> = (0..SECS * RATE_HZ)
        .map(|n| {
            let angle = TAU * hz * n as f64 / RATE_HZ as f64;
            let turning: f64 = lines
                .iter()
                .zip(&phases)
                .map(|((order, share), phase)| {
                    std::f64::consts::SQRT_2 * level_mm_s * share * per_mm_s(*order) * (order * angle + phase).sin()
                })
                .sum();
            turning + 0.08 * chance.normal()
        })
        .collect();
    if strikes_g > 0.0 {
        let (elements, diameter, pitch, ..) = BEARING;
        let rate = 0.5 * f64::from(elements) * (1.0 - diameter / pitch) * hz;
        let mut at = chance.between(0.0, 1.0 / rate);
        while at < SECS as f64 {
            let size = strikes_g * (1.0 + 0.2 * chance.normal());
            let first = (at * RATE_HZ as f64).ceil() as usize;
            let rings = (8.0 * DECAY_SECS * RATE_HZ as f64) as usize;
            for (n, sample) in samples.iter_mut().enumerate().skip(first).take(rings) {
                let since = n as f64 / RATE_HZ as f64 - at;
                *sample += size * (-since / DECAY_SECS).exp() * (TAU * RINGS_HZ * since).sin();
            }
            at += (1.0 + SLIP * chance.normal()) / rate;
        }
    }
    samples
}
