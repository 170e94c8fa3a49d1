//! What a point nobody configured most likely is, from its unit and its name.
//!
//! The unit decides before the name, and the name only where the unit leaves it open (`m/s`, `Hz`, `%`) or is
//! missing. A name is cut into words at everything that is no letter, at digits and at a capital after a small
//! letter: `Accelerometer1RMS` → accelerometer, rms; `bearing_temp_DE` → bearing, temp, de. The first rule of
//! `RULES` one of whose words begins a word of the name wins.
//!
//! Roles: *driven* by the operator or the process, and so explaining the rest, are speed and load, and on an asset
//! that has a vibration point also current and power. Pressure, flow, voltage and temperature tell condition.
//! On an asset without vibration points current and power are all there is to judge it by, so they tell condition.
//! Surroundings explain too but make no operating states. What nobody knows tells condition.

use super::units::{Unit, kept};
use crate::asset::spec::{Detection, PointSpec, Quantity, Role};

/// Range of a point without physical limits. Finite, so that it survives JSON.
pub const UNLIMITED: (f64, f64) = (f64::MIN, f64::MAX);

/// One rule of the table: words that begin a word of the name → quantity.
struct Rule {
    /// A word with `$` at its end must match a whole word of the name.
    words: &'static [&'static str],
    quantity: Quantity,
}

/// Tried in this order.
const RULES: &[Rule] = &[
    Rule { words: &["state$", "mode$", "running$"], quantity: Quantity::State },
    Rule { words: &["acc$", "accel", "acceleration"], quantity: Quantity::VibrationAcceleration },
    Rule { words: &["disp$", "displacement", "prox", "eccentricity"], quantity: Quantity::VibrationDisplacement },
    Rule { words: &["vib", "vel$", "velocity"], quantity: Quantity::VibrationVelocity },
    Rule {
        words: &["temp$", "temps$", "temperat", "thermo", "ambient$", "outdoor$", "pt100$"],
        quantity: Quantity::Temperature,
    },
    Rule { words: &["speed", "rpm", "revs$", "drehzahl"], quantity: Quantity::Speed },
    Rule { words: &["current", "curr$", "amp$", "amps$", "ampere"], quantity: Quantity::Current },
    Rule { words: &["volt"], quantity: Quantity::Voltage },
    Rule { words: &["power", "kw$", "watt"], quantity: Quantity::Power },
    Rule { words: &["press$", "pressure", "bar$", "psi$"], quantity: Quantity::Pressure },
    Rule { words: &["flow", "gpm$"], quantity: Quantity::Flow },
    Rule { words: &["load"], quantity: Quantity::Load },
];

/// Words that mean the surroundings rather than the machine.
const SURROUNDINGS: &[&str] = &["ambient", "outdoor", "outside", "room", "weather"];

/// What a name and a unit say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Guess {
    /// What is measured.
    pub quantity: Quantity,
    /// How the value was formed.
    pub detection: Detection,
    /// Whether it is of the surroundings.
    pub surroundings: bool,
}

/// Guesses a point from its name and, when there is one, its unit.
pub fn guess(name: &str, unit: Option<&Unit>) -> Guess {
    let words = words(name);
    let by_name = by_name(&words);
    let quantity = match unit {
        None => by_name,
        Some(unit) => match unit.quantity {
            Some(quantity) => refine(quantity, by_name),
            None => by_name.filter(|&q| unit.to_quantity(q).is_some()),
        },
    };
    let by_unit = unit.map_or(Detection::Unstated, |u| u.detection);
    let detection = match by_unit {
        Detection::Unstated => by_words(&words),
        stated => stated,
    };
    Guess {
        quantity: quantity.unwrap_or(Quantity::Other),
        detection,
        surroundings: words.iter().any(|w| SURROUNDINGS.contains(&w.as_str())) || is_air_temperature(&words),
    }
}

/// The temperature of the air and of no part of a machine: of air that is sealed or discharged the name says more.
fn is_air_temperature(words: &[String]) -> bool {
    let (air, rest): (Vec<_>, Vec<_>) = words.iter().cloned().partition(|word| word == "air");
    air.len() == 1 && rest.len() == 1 && by_name(&rest) == Some(Quantity::Temperature)
}

/// The unit's word stands, except that a state is a state whatever unit somebody hung on it.
fn refine(by_unit: Quantity, by_name: Option<Quantity>) -> Option<Quantity> {
    match by_name {
        Some(Quantity::State) => by_name,
        _ => Some(by_unit),
    }
}

fn by_name(words: &[String]) -> Option<Quantity> {
    RULES.iter().find(|rule| words.iter().any(|w| rule.words.iter().any(|r| matches(w, r)))).map(|rule| rule.quantity)
}

fn matches(word: &str, rule: &str) -> bool {
    match rule.strip_suffix('$') {
        Some(whole) => word == whole,
        None => word.starts_with(rule),
    }
}

fn by_words(words: &[String]) -> Detection {
    let has = |wanted: &[&str]| words.iter().any(|w| wanted.contains(&w.as_str()));
    let twice = |wanted: &[&str]| words.iter().filter(|w| wanted.contains(&w.as_str())).count() > 1;
    if has(&["rms"]) {
        Detection::Rms
    } else if has(&["pp", "ptp", "pkpk"]) || twice(&["pk", "peak"]) || words.ends_with(&["p".into(), "p".into()]) {
        Detection::PeakToPeak
    } else if has(&["pk", "peak"]) {
        Detection::Peak
    } else {
        Detection::Unstated
    }
}

/// Small-letter words of a name.
fn words(name: &str) -> Vec<String> {
    let mut words = Vec::new();
    let mut word = String::new();
    let chars: Vec<char> = name.chars().collect();
    for (i, &c) in chars.iter().enumerate() {
        let before = i.checked_sub(1).and_then(|j| chars.get(j)).copied();
        let after = chars.get(i + 1).copied();
        let camel = c.is_uppercase()
            && (before.is_some_and(char::is_lowercase)
                || (before.is_some_and(char::is_uppercase) && after.is_some_and(char::is_lowercase)));
        if (camel || !c.is_alphabetic()) && !word.is_empty() {
            words.push(std::mem::take(&mut word));
        }
        if c.is_alphabetic() {
            word.extend(c.to_lowercase());
        }
    }
    if !word.is_empty() {
        words.push(word);
    }
    // PT100 loses its digits above and is too common a name to lose.
    if name.to_ascii_lowercase().contains("pt100") {
        words.push("pt100".into());
    }
    words
}

/// The role a quantity has by default on an asset with or without a vibration point.
pub fn role(quantity: Quantity, surroundings: bool, has_vibration: bool) -> Role {
    match quantity {
        Quantity::State => Role::State,
        _ if surroundings => Role::Ambient,
        Quantity::Speed | Quantity::Load => Role::Operating,
        Quantity::Current | Quantity::Power if has_vibration => Role::Operating,
        _ => Role::Condition,
    }
}

/// Whether a quantity is a vibration.
pub fn is_vibration(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::VibrationVelocity | Quantity::VibrationAcceleration | Quantity::VibrationDisplacement)
}

/// Whether a value says how large a vibration is, and so cannot be below 0. Of an acceleration or a displacement that nobody
/// calls r.m.s., peak or peak to peak it may be the momentary value, which can.
pub fn is_amplitude(quantity: Quantity, detection: Detection) -> bool {
    quantity == Quantity::VibrationVelocity || is_vibration(quantity) && detection != Detection::Unstated
}

/// Values a working sensor can show, in the kept unit: wide, so that only a sensor at fault is outside. Common
/// practice; a point's own `range` replaces it. Without a known unit there is no range.
pub fn physical_range(quantity: Quantity, detection: Detection, unit: &str) -> (f64, f64) {
    if kept(quantity).is_none_or(|(code, _)| code != unit) {
        return UNLIMITED;
    }
    let (low, high) = widest(quantity);
    (if is_amplitude(quantity, detection) { 0.0 } else { low }, high)
}

fn widest(quantity: Quantity) -> (f64, f64) {
    match quantity {
        Quantity::VibrationVelocity => (0.0, 500.0),
        Quantity::VibrationAcceleration => (-50_000.0, 50_000.0),
        Quantity::VibrationDisplacement => (-20_000.0, 20_000.0),
        Quantity::Temperature => (-90.0, 1200.0),
        Quantity::Speed => (-1e6, 1e6),
        Quantity::Current => (-1e5, 1e5),
        Quantity::Voltage => (-1e6, 1e6),
        Quantity::Power => (-1e6, 1e6),
        Quantity::Pressure => (-2.0, 5000.0),
        Quantity::Flow => (-1e6, 1e6),
        Quantity::Load => (-200.0, 400.0),
        Quantity::State | Quantity::Other => UNLIMITED,
    }
}

/// A point nobody configured, as it is registered from its name and the unit of its first reading.
pub fn point(name: &str, unit: Option<&Unit>, has_vibration: bool) -> PointSpec {
    let guess = guess(name, unit);
    let kept_unit = match unit {
        None => "",
        Some(unit) => kept(guess.quantity).map_or(unit.code, |(code, _)| code),
    };
    PointSpec {
        name: name.to_owned(),
        quantity: guess.quantity,
        detection: guess.detection,
        unit: kept_unit.to_owned(),
        role: role(guess.quantity, guess.surroundings, has_vibration || is_vibration(guess.quantity)),
        range: physical_range(guess.quantity, guess.detection, kept_unit),
        stuck_after_secs: None,
        limits: Default::default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guessed(name: &str, unit: &str) -> (Quantity, Detection) {
        let unit = (!unit.is_empty()).then(|| Unit::parse(unit).unwrap());
        let guess = guess(name, unit.as_ref());
        (guess.quantity, guess.detection)
    }

    #[test]
    fn an_amplitude_is_never_below_zero_and_a_momentary_value_may_be() {
        let range = |name: &str, unit: &str| point(name, Some(&Unit::parse(unit).unwrap()), true).range;
        assert_eq!(range("acc_de", "m/s2 rms").0, 0.0);
        assert_eq!(range("acc_de_pk", "m/s2").0, 0.0);
        assert_eq!(range("shaft_disp", "um pp").0, 0.0);
        assert_eq!(range("vib_de", "mm/s").0, 0.0);
        assert!(range("acc_de", "m/s2").0 < 0.0);
        assert!(range("bearing_temp", "Cel").0 < 0.0);
    }

    #[test]
    fn names_without_a_unit() {
        use Quantity::*;
        for (name, want) in [
            ("vib_de", VibrationVelocity),
            ("Accelerometer1RMS", VibrationAcceleration),
            ("acc_x", VibrationAcceleration),
            ("shaftDisplacement", VibrationDisplacement),
            ("Volume Flow RateRMS", Flow),
            ("bearing_1", Other),
            ("bearingTempDE", Temperature),
            ("Thermocouple", Temperature),
            ("Pressure", Pressure),
            ("Voltage", Voltage),
            ("Current", Current),
            ("motor-amps", Current),
            ("n_rpm", Speed),
            ("speed", Speed),
            ("load_pct", Load),
            ("power", Power),
            ("active_kw", Power),
            ("state", State),
            ("running", State),
            ("sensor_7", Other),
            ("template_id", Other),
            ("", Other),
            ("µ", Other),
        ] {
            assert_eq!(guessed(name, "").0, want, "{name}");
        }
    }

    #[test]
    fn the_unit_decides_before_the_name() {
        use Quantity::*;
        assert_eq!(guessed("pressure", "Cel").0, Temperature);
        assert_eq!(guessed("de", "mm/s").0, VibrationVelocity);
        assert_eq!(guessed("x", "rpm").0, Speed);
    }

    #[test]
    fn where_the_unit_leaves_it_open_the_name_decides() {
        use Quantity::*;
        assert_eq!(guessed("vib_de", "m/s").0, VibrationVelocity);
        assert_eq!(guessed("wind", "m/s").0, Other);
        assert_eq!(guessed("speed", "Hz").0, Speed);
        assert_eq!(guessed("grid", "Hz").0, Other);
        assert_eq!(guessed("load", "%").0, Load);
        assert_eq!(guessed("valve", "%").0, Other);
        assert_eq!(guessed("tank_level", "mm").0, Other);
        // "temp" in percent is no temperature.
        assert_eq!(guessed("temp_control", "%").0, Other);
    }

    #[test]
    fn how_a_value_was_formed_is_read_from_unit_or_name() {
        assert_eq!(guessed("Accelerometer1RMS", "").1, Detection::Rms);
        assert_eq!(guessed("Volume Flow RateRMS", "").1, Detection::Rms);
        assert_eq!(guessed("vib_rms_de", "mm/s").1, Detection::Rms);
        assert_eq!(guessed("vib_peak", "mm/s").1, Detection::Peak);
        assert_eq!(guessed("vib_pp", "um").1, Detection::PeakToPeak);
        assert_eq!(guessed("vib_pk-pk", "um").1, Detection::PeakToPeak);
        assert_eq!(guessed("vib", "mm/s pk").1, Detection::Peak);
        assert_eq!(guessed("supply", "").1, Detection::Unstated);
        assert_eq!(guessed("temp_top", "").1, Detection::Unstated);
    }

    #[test]
    fn current_is_driven_only_beside_a_vibration() {
        assert_eq!(role(Quantity::Current, false, true), Role::Operating);
        assert_eq!(role(Quantity::Current, false, false), Role::Condition);
        assert_eq!(role(Quantity::Speed, false, false), Role::Operating);
        assert_eq!(role(Quantity::Pressure, false, true), Role::Condition);
        assert_eq!(role(Quantity::Voltage, false, true), Role::Condition);
        assert_eq!(role(Quantity::Other, false, true), Role::Condition);
    }

    #[test]
    fn surroundings_explain_and_form_no_states() {
        let point = point("ambient_temp", Unit::parse("°C").as_ref(), true);
        assert_eq!((point.quantity, point.role), (Quantity::Temperature, Role::Ambient));
    }

    #[test]
    fn the_air_is_surroundings_and_the_air_of_a_machine_is_not() {
        let role = |name: &str, unit: &str| super::point(name, Unit::parse(unit).as_ref(), true).role;
        for name in ["air_temp", "AirTemperature", "temp.air"] {
            assert_eq!(role(name, "°C"), Role::Ambient, "{name}");
        }
        for name in ["discharge_air_temp", "seal_air_temp", "seal_air", "oil_temp"] {
            assert_eq!(role(name, "°C"), Role::Condition, "{name}");
        }
        assert_eq!(role("air_flow", "m3/h"), Role::Condition);
    }

    #[test]
    fn without_a_unit_nothing_is_out_of_range() {
        assert_eq!(point("vib", None, false).range, UNLIMITED);
        assert_eq!(point("vib", Unit::parse("mm/s").as_ref(), false).range, (0.0, 500.0));
        assert_eq!(point("x", Unit::parse("kg").as_ref(), false).unit, "kg");
    }

    /// Source: column names of the SKAB water-loop data set (github.com/waico/SKAB), which bring no units.
    #[test]
    fn a_real_header_without_units() {
        let names = [
            ("Accelerometer1RMS", Role::Condition),
            ("Accelerometer2RMS", Role::Condition),
            ("Current", Role::Operating),
            ("Pressure", Role::Condition),
            ("Temperature", Role::Condition),
            ("Thermocouple", Role::Condition),
            ("Voltage", Role::Condition),
            ("Volume Flow RateRMS", Role::Condition),
        ];
        for (name, role) in names {
            assert_eq!(point(name, None, true).role, role, "{name}");
        }
    }
}
