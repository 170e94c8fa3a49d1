//! Units as people and devices write them → the one unit a point is kept in, converted once, here.
//!
//! Every unit belongs to a dimension; a factor leads from it to the dimension's kept unit, which is also the kept
//! unit of the quantities of that dimension (`mm/s` for vibration velocity, `Cel` for temperature ...). A point whose
//! quantity nobody knows keeps the unit it came with.
//!
//! How a vibration value was formed (r.m.s., peak, peak to peak) may stand behind the unit: `mm/s rms`, `g pk`,
//! `um pp`. It is part of what is measured and is never converted.
//!
//! Codes are UCUM's (ucum.org). Factors: NIST SP 811 (2008), Appendix B.8.
//!
//! Two spellings are read against their UCUM meaning, because nobody in a plant means the other: `C` and `F` are
//! degrees (not coulomb, farad), `g` is the acceleration of gravity (not gram; SenML's `g` is taken care of in
//! [`super::payload`]).

use crate::asset::spec::{Detection, Quantity};

/// What kind of thing a unit measures; only units of one dimension convert into one another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dimension {
    /// Kept in mm/s.
    Velocity,
    /// Kept in m/s2.
    Acceleration,
    /// Kept in um.
    Length,
    /// Kept in Cel.
    Temperature,
    /// Kept in /min.
    Frequency,
    /// Kept in A.
    Current,
    /// Kept in V.
    Voltage,
    /// Kept in kW.
    Power,
    /// Kept in bar.
    Pressure,
    /// Kept in m3/h.
    Flow,
    /// Kept in %.
    Ratio,
    /// Everything we only carry along: converts into nothing but itself. The number tells them apart.
    Carried(u8),
}

/// A unit that was understood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// UCUM code.
    pub code: &'static str,
    /// What it measures.
    pub dimension: Dimension,
    /// Kept value = value × `scale` + `offset`, in the dimension's kept unit.
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// The quantity this unit alone gives away; `None` when it takes the point's name to tell.
    pub quantity: Option<Quantity>,
    /// What was written behind the unit; [`Detection::Unstated`] when nothing was.
    pub detection: Detection,
}

/// kept = value × `scale` + `offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conversion {
    /// Factor.
    pub scale: f64,
    /// Added after it.
    pub offset: f64,
}

impl Conversion {
    /// Values are kept as they come.
    pub const NONE: Conversion = Conversion { scale: 1.0, offset: 0.0 };

    /// The value in the kept unit.
    pub fn apply(self, value: f64) -> f64 {
        value * self.scale + self.offset
    }
}

impl Unit {
    /// Reads a unit, with or without brackets round it and with or without a word on how the value was formed.
    /// `None`: nobody knows it.
    pub fn parse(text: &str) -> Option<Unit> {
        let text = text.trim().trim_matches(['[', ']']).trim();
        let text = match text.strip_prefix('(').and_then(|t| t.strip_suffix(')')) {
            Some(inner) => inner.trim(),
            None => text,
        };
        if let Some(unit) = lookup(text) {
            return Some(unit);
        }
        let (rest, detection) = split_detection(text)?;
        let unit = lookup(rest)?;
        // "bar rms" is not a vibration, but a level all the same; "Cel pk" is nonsense we need not judge here.
        Some(Unit { detection, ..unit })
    }

    /// Converts into the unit a quantity is kept in. `None`: another dimension.
    pub fn to_quantity(&self, quantity: Quantity) -> Option<Conversion> {
        let (_, dimension) = kept(quantity)?;
        (dimension == self.dimension).then_some(Conversion { scale: self.scale, offset: self.offset })
    }

    /// Converts into another unit. `None`: another dimension.
    pub fn to_unit(&self, other: &Unit) -> Option<Conversion> {
        if self.dimension != other.dimension {
            return None;
        }
        if self.scale == other.scale && self.offset == other.offset {
            return Some(Conversion::NONE);
        }
        Some(Conversion { scale: self.scale / other.scale, offset: (self.offset - other.offset) / other.scale })
    }
}

/// The UCUM code and dimension a quantity is kept in; `None` for those that have none.
pub fn kept(quantity: Quantity) -> Option<(&'static str, Dimension)> {
    Some(match quantity {
        Quantity::VibrationVelocity => ("mm/s", Dimension::Velocity),
        Quantity::VibrationAcceleration => ("m/s2", Dimension::Acceleration),
        Quantity::VibrationDisplacement => ("um", Dimension::Length),
        Quantity::Temperature => ("Cel", Dimension::Temperature),
        Quantity::Speed => ("/min", Dimension::Frequency),
        Quantity::Current => ("A", Dimension::Current),
        Quantity::Voltage => ("V", Dimension::Voltage),
        Quantity::Power => ("kW", Dimension::Power),
        Quantity::Pressure => ("bar", Dimension::Pressure),
        Quantity::Flow => ("m3/h", Dimension::Flow),
        Quantity::Load => ("%", Dimension::Ratio),
        Quantity::State | Quantity::Other => return None,
    })
}

/// Cuts `rms`, `peak` or `peak to peak` in one of its spellings off the end.
pub fn split_detection(text: &str) -> Option<(&str, Detection)> {
    // Longest first, so that "pk-pk" is not read as a "pk" behind "pk-".
    const WORDS: [(&str, Detection); 18] = [
        ("peak to peak", Detection::PeakToPeak),
        ("peak-to-peak", Detection::PeakToPeak),
        ("peak-peak", Detection::PeakToPeak),
        ("r.m.s.", Detection::Rms),
        ("pk-pk", Detection::PeakToPeak),
        ("pkpk", Detection::PeakToPeak),
        ("p2p", Detection::PeakToPeak),
        ("ptp", Detection::PeakToPeak),
        ("p-p", Detection::PeakToPeak),
        ("pp", Detection::PeakToPeak),
        ("zero to peak", Detection::Peak),
        ("zero-peak", Detection::Peak),
        ("0-peak", Detection::Peak),
        ("0-pk", Detection::Peak),
        ("0-p", Detection::Peak),
        ("peak", Detection::Peak),
        ("pk", Detection::Peak),
        ("rms", Detection::Rms),
    ];
    WORDS
        .iter()
        .find_map(|&(word, detection)| {
            let cut = text.len().checked_sub(word.len())?;
            let (rest, end) = (text.get(..cut)?, text.get(cut..)?);
            let rest = rest.trim_end_matches([' ', '_', '-', ',', '(']);
            (end.eq_ignore_ascii_case(word) && !rest.is_empty()).then_some((rest, detection))
        })
        .or_else(|| {
            let inner = text.strip_suffix(')')?;
            (inner != text).then(|| split_detection(inner)).flatten()
        })
}

fn lookup(text: &str) -> Option<Unit> {
    let row = TABLE.iter().find(|row| row.code == text || row.spellings.contains(&text));
    if let Some(row) = row {
        return Some(row.unit());
    }
    // Capitals are typed at random ("RPM", "MM/S", "degc"). Accepted only where no two units differ by them alone,
    // as mW and MW do.
    let mut found: Option<&Row> = None;
    for row in TABLE {
        let hit = std::iter::once(&row.code).chain(row.spellings).any(|s| s.eq_ignore_ascii_case(text));
        if hit {
            if found.is_some() {
                return None;
            }
            found = Some(row);
        }
    }
    found.map(Row::unit)
}

struct Row {
    code: &'static str,
    spellings: &'static [&'static str],
    dimension: Dimension,
    scale: f64,
    offset: f64,
    quantity: Option<Quantity>,
}

impl Row {
    fn unit(&self) -> Unit {
        Unit {
            code: self.code,
            dimension: self.dimension,
            scale: self.scale,
            offset: self.offset,
            quantity: self.quantity,
            detection: Detection::Unstated,
        }
    }
}

const fn row(
    code: &'static str,
    spellings: &'static [&'static str],
    dimension: Dimension,
    scale: f64,
    offset: f64,
    quantity: Option<Quantity>,
) -> Row {
    Row { code, spellings, dimension, scale, offset, quantity }
}

use Dimension as D;
use Quantity as Q;

// The quantity is left open where the unit is at home elsewhere too: m/s is also wind and belt speed, mm also a
// level or a gap, Hz also the grid, % everything. There the point's name decides, and else the value stays as it is.
#[rustfmt::skip]
const TABLE: &[Row] = &[
    row("mm/s", &["mm.s-1", "mm/sec", "mmps", "mm·s⁻¹"], D::Velocity, 1.0, 0.0, Some(Q::VibrationVelocity)),
    row("um/s", &["µm/s", "μm/s"], D::Velocity, 1e-3, 0.0, Some(Q::VibrationVelocity)),
    row("cm/s", &[], D::Velocity, 10.0, 0.0, None),
    row("m/s", &["m.s-1", "mps"], D::Velocity, 1e3, 0.0, None),
    row("[in_i]/s", &["in/s", "ips", "inch/s", "in/sec", "\"/s"], D::Velocity, 25.4, 0.0, Some(Q::VibrationVelocity)),
    row("[ft_i]/min", &["ft/min", "fpm"], D::Velocity, 5.08, 0.0, None),

    row("m/s2", &["m/s²", "m/s^2", "m/s**2", "m.s-2", "m/s/s", "m·s⁻²"], D::Acceleration, 1.0, 0.0, Some(Q::VibrationAcceleration)),
    row("mm/s2", &["mm/s²", "mm/s^2"], D::Acceleration, 1e-3, 0.0, Some(Q::VibrationAcceleration)),
    row("[g]", &["g", "gn", "g_n", "g's"], D::Acceleration, 9.80665, 0.0, Some(Q::VibrationAcceleration)),
    row("m[g]", &["mg"], D::Acceleration, 9.80665e-3, 0.0, Some(Q::VibrationAcceleration)),

    row("um", &["µm", "μm", "micron", "microns"], D::Length, 1.0, 0.0, Some(Q::VibrationDisplacement)),
    row("[mil_i]", &["mil", "mils", "thou"], D::Length, 25.4, 0.0, Some(Q::VibrationDisplacement)),
    row("mm", &[], D::Length, 1e3, 0.0, None),
    row("cm", &[], D::Length, 1e4, 0.0, None),
    row("m", &[], D::Length, 1e6, 0.0, None),
    row("[in_i]", &["in", "inch"], D::Length, 25_400.0, 0.0, None),

    row("Cel", &["°C", "C", "degC", "deg C", "℃", "ºC", "celsius"], D::Temperature, 1.0, 0.0, Some(Q::Temperature)),
    row("[degF]", &["degF", "°F", "F", "deg F", "℉", "ºF", "fahrenheit"], D::Temperature, 5.0 / 9.0, -160.0 / 9.0, Some(Q::Temperature)),
    row("K", &["kelvin"], D::Temperature, 1.0, -273.15, Some(Q::Temperature)),

    row("/min", &["rpm", "1/min", "min-1", "r/min", "rev/min", "{rpm}", "{rev}/min", "U/min", "min⁻¹"], D::Frequency, 1.0, 0.0, Some(Q::Speed)),
    row("/s", &["1/s", "s-1", "rps"], D::Frequency, 60.0, 0.0, None),
    row("Hz", &["hertz", "cps"], D::Frequency, 60.0, 0.0, None),
    row("kHz", &[], D::Frequency, 60e3, 0.0, None),

    row("A", &["amp", "amps", "ampere"], D::Current, 1.0, 0.0, Some(Q::Current)),
    row("mA", &[], D::Current, 1e-3, 0.0, Some(Q::Current)),
    row("kA", &[], D::Current, 1e3, 0.0, Some(Q::Current)),
    row("V", &["volt", "volts"], D::Voltage, 1.0, 0.0, Some(Q::Voltage)),
    row("mV", &[], D::Voltage, 1e-3, 0.0, Some(Q::Voltage)),
    row("kV", &[], D::Voltage, 1e3, 0.0, Some(Q::Voltage)),

    row("kW", &["kilowatt"], D::Power, 1.0, 0.0, Some(Q::Power)),
    row("W", &["watt", "watts"], D::Power, 1e-3, 0.0, Some(Q::Power)),
    row("mW", &[], D::Power, 1e-6, 0.0, Some(Q::Power)),
    row("MW", &["megawatt"], D::Power, 1e3, 0.0, Some(Q::Power)),
    row("[HP]", &["hp", "bhp", "horsepower"], D::Power, 0.745_699_9, 0.0, Some(Q::Power)),

    row("bar", &["barg", "bara", "bar(g)", "bar(a)"], D::Pressure, 1.0, 0.0, Some(Q::Pressure)),
    row("mbar", &[], D::Pressure, 1e-3, 0.0, Some(Q::Pressure)),
    row("Pa", &["pascal"], D::Pressure, 1e-5, 0.0, Some(Q::Pressure)),
    row("hPa", &[], D::Pressure, 1e-3, 0.0, Some(Q::Pressure)),
    row("kPa", &[], D::Pressure, 1e-2, 0.0, Some(Q::Pressure)),
    row("mPa", &[], D::Pressure, 1e-8, 0.0, Some(Q::Pressure)),
    row("MPa", &[], D::Pressure, 10.0, 0.0, Some(Q::Pressure)),
    row("[psi]", &["psi", "psig", "psia", "lbf/in2"], D::Pressure, 0.068_947_57, 0.0, Some(Q::Pressure)),
    row("atm", &[], D::Pressure, 1.013_25, 0.0, Some(Q::Pressure)),
    row("kgf/cm2", &["kg/cm2", "kg/cm²", "at"], D::Pressure, 0.980_665, 0.0, Some(Q::Pressure)),
    row("[in_i'Hg]", &["inHg"], D::Pressure, 0.033_863_89, 0.0, Some(Q::Pressure)),
    row("[in_i'H2O]", &["inH2O", "inWC"], D::Pressure, 0.002_490_889, 0.0, Some(Q::Pressure)),
    row("mm[H2O]", &["mmH2O", "mmWC"], D::Pressure, 9.80665e-5, 0.0, Some(Q::Pressure)),

    row("m3/h", &["m³/h", "m^3/h", "m3/hr", "cbm/h", "Nm3/h", "Nm³/h"], D::Flow, 1.0, 0.0, Some(Q::Flow)),
    row("m3/min", &["m³/min", "m^3/min"], D::Flow, 60.0, 0.0, Some(Q::Flow)),
    row("m3/s", &["m³/s", "m^3/s"], D::Flow, 3600.0, 0.0, Some(Q::Flow)),
    row("L/min", &["l/min", "lpm", "ltr/min"], D::Flow, 0.06, 0.0, Some(Q::Flow)),
    row("L/s", &["l/s", "lps"], D::Flow, 3.6, 0.0, Some(Q::Flow)),
    row("L/h", &["l/h"], D::Flow, 1e-3, 0.0, Some(Q::Flow)),
    row("[gal_us]/min", &["gpm", "gal/min", "usgpm"], D::Flow, 0.227_124_72, 0.0, Some(Q::Flow)),
    row("[cft_i]/min", &["cfm", "ft3/min", "scfm"], D::Flow, 1.699_010_64, 0.0, Some(Q::Flow)),

    row("%", &["percent", "pct", "/100", "% load"], D::Ratio, 1.0, 0.0, None),
    row("1", &["-", "/", "{1}", "p.u.", "pu"], D::Ratio, 100.0, 0.0, None),

    row("%RH", &["% RH", "%rH"], D::Carried(0), 1.0, 0.0, None),
    row("dB", &[], D::Carried(1), 1.0, 0.0, None),
    row("dB(A)", &["dBA"], D::Carried(2), 1.0, 0.0, None),
    row("N.m", &["Nm", "N m", "N·m"], D::Carried(3), 1.0, 0.0, None),
    row("kN.m", &["kNm"], D::Carried(3), 1e3, 0.0, None),
    row("N", &[], D::Carried(4), 1.0, 0.0, None),
    row("kN", &[], D::Carried(4), 1e3, 0.0, None),
    row("ms", &[], D::Carried(5), 1e-3, 0.0, None),
    row("s", &["sec"], D::Carried(5), 1.0, 0.0, None),
    row("min", &[], D::Carried(5), 60.0, 0.0, None),
    row("h", &["hr", "hours"], D::Carried(5), 3600.0, 0.0, None),
    row("deg", &["°"], D::Carried(6), 1.0, 0.0, None),
    row("rad", &[], D::Carried(7), 1.0, 0.0, None),
    row("kg/h", &[], D::Carried(8), 1.0, 0.0, None),
    row("kg/s", &[], D::Carried(8), 3600.0, 0.0, None),
    row("t/h", &[], D::Carried(8), 1e3, 0.0, None),
    row("kg", &[], D::Carried(9), 1.0, 0.0, None),
    row("t", &[], D::Carried(9), 1e3, 0.0, None),
    row("gram", &[], D::Carried(9), 1e-3, 0.0, None),
    row("L", &["l", "liter", "litre"], D::Carried(10), 1.0, 0.0, None),
    row("m3", &["m³"], D::Carried(10), 1e3, 0.0, None),
    row("kVA", &[], D::Carried(11), 1.0, 0.0, None),
    row("VA", &[], D::Carried(11), 1e-3, 0.0, None),
    row("kvar", &[], D::Carried(12), 1.0, 0.0, None),
    row("var", &[], D::Carried(12), 1e-3, 0.0, None),
    row("kW.h", &["kWh"], D::Carried(13), 1.0, 0.0, None),
    row("W.h", &["Wh"], D::Carried(13), 1e-3, 0.0, None),
    row("[ppm]", &["ppm"], D::Carried(14), 1.0, 0.0, None),
    row("[pH]", &["pH"], D::Carried(15), 1.0, 0.0, None),
    row("mg/L", &["mg/l"], D::Carried(16), 1.0, 0.0, None),
    row("mm2/s", &["cSt", "mm²/s"], D::Carried(17), 1.0, 0.0, None),
    row("Ohm", &["Ω", "ohms"], D::Carried(18), 1.0, 0.0, None),
    row("MOhm", &["MΩ"], D::Carried(18), 1e6, 0.0, None),
    row("lx", &["lux"], D::Carried(19), 1.0, 0.0, None),
    row("um/m", &["µm/m", "ue", "microstrain"], D::Carried(20), 1.0, 0.0, None),
    row("{count}", &["count", "counts", "pcs"], D::Carried(21), 1.0, 0.0, None),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn converted(value: f64, unit: &str, quantity: Quantity) -> f64 {
        let unit = Unit::parse(unit).unwrap_or_else(|| panic!("{unit} is not known"));
        unit.to_quantity(quantity).unwrap_or_else(|| panic!("{unit:?} is no {quantity:?}")).apply(value)
    }

    /// Source: NIST SP 811 (2008), Appendix B.8, factors to SI as printed (seven digits; those in its bold type are
    /// exact); read in a machine-readable rendition of the table. Our kept unit is the SI unit times the power of
    /// ten (or 3600 s/h) in the last column.
    #[test]
    fn factors_are_those_of_nist_sp_811() {
        let rows: &[(&str, Quantity, f64, f64)] = &[
            ("in/s", Q::VibrationVelocity, 2.54e-2, 1e3),
            ("ft/min", Q::VibrationVelocity, 5.08e-3, 1e3),
            ("g", Q::VibrationAcceleration, 9.80665, 1.0),
            ("mil", Q::VibrationDisplacement, 2.54e-5, 1e6),
            ("in", Q::VibrationDisplacement, 2.54e-2, 1e6),
            ("hp", Q::Power, 7.456999e2, 1e-3),
            ("psi", Q::Pressure, 6.894757e3, 1e-5),
            ("atm", Q::Pressure, 1.01325e5, 1e-5),
            ("kgf/cm2", Q::Pressure, 9.80665e4, 1e-5),
            ("inHg", Q::Pressure, 3.386389e3, 1e-5),
            ("inH2O", Q::Pressure, 2.490889e2, 1e-5),
            ("mmH2O", Q::Pressure, 9.80665, 1e-5),
            ("mbar", Q::Pressure, 1e2, 1e-5),
            ("gpm", Q::Flow, 6.309020e-5, 3600.0),
            ("cfm", Q::Flow, 4.719474e-4, 3600.0),
            ("l/min", Q::Flow, 1.666667e-5, 3600.0),
        ];
        for &(unit, quantity, factor, to_kept) in rows {
            let got = converted(1.0, unit, quantity);
            let want = factor * to_kept;
            // Half a unit in the seventh printed digit.
            assert!((got / want - 1.0).abs() < 5e-7, "{unit}: {got}, NIST {want}");
        }
    }

    /// Source: NIST SP 811 (2008), Appendix B.9: t/°C = (t/°F − 32)/1.8, t/°C = T/K − 273.15. Fixed points: ice and
    /// steam, and −40 where both scales meet.
    #[test]
    fn temperatures_meet_at_their_fixed_points() {
        for (unit, value, want) in
            [("degF", 32.0, 0.0), ("°F", 212.0, 100.0), ("F", -40.0, -40.0), ("K", 273.15, 0.0), ("K", 0.0, -273.15)]
        {
            let got = converted(value, unit, Q::Temperature);
            assert!((got - want).abs() < 1e-12 * 273.15, "{value} {unit}: {got}");
        }
    }

    #[test]
    fn the_kept_unit_itself_is_not_touched_by_a_single_bit() {
        for quantity in [
            Q::VibrationVelocity,
            Q::VibrationAcceleration,
            Q::VibrationDisplacement,
            Q::Temperature,
            Q::Speed,
            Q::Current,
            Q::Voltage,
            Q::Power,
            Q::Pressure,
            Q::Flow,
            Q::Load,
        ] {
            let (code, _) = kept(quantity).unwrap();
            assert_eq!(Unit::parse(code).and_then(|u| u.to_quantity(quantity)), Some(Conversion::NONE), "{code}");
        }
    }

    #[test]
    fn spellings_people_type_are_understood() {
        for (text, code) in [
            ("mm/s", "mm/s"),
            ("[mm/s]", "mm/s"),
            ("MM/S", "mm/s"),
            ("m/s²", "m/s2"),
            ("µm", "um"),
            ("μm", "um"),
            ("°C", "Cel"),
            ("degc", "Cel"),
            ("C", "Cel"),
            ("RPM", "/min"),
            ("1/min", "/min"),
            ("m³/h", "m3/h"),
            ("Bar", "bar"),
            ("PSI", "[psi]"),
            ("G", "[g]"),
            ("KW", "kW"),
            ("(A)", "A"),
            ("%", "%"),
            ("dB(A)", "dB(A)"),
        ] {
            assert_eq!(Unit::parse(text).map(|u| u.code), Some(code), "{text}");
        }
    }

    #[test]
    fn capitals_that_decide_are_not_guessed() {
        assert_eq!(Unit::parse("MW").map(|u| u.code), Some("MW"));
        assert_eq!(Unit::parse("mW").map(|u| u.code), Some("mW"));
        assert_eq!(Unit::parse("mw"), None);
        assert_eq!(Unit::parse("mpa"), None);
    }

    #[test]
    fn a_word_behind_the_unit_says_how_the_value_was_formed() {
        for (text, code, detection) in [
            ("mm/s rms", "mm/s", Detection::Rms),
            ("mm/s RMS", "mm/s", Detection::Rms),
            ("mm/s (rms)", "mm/s", Detection::Rms),
            ("mm/s r.m.s.", "mm/s", Detection::Rms),
            ("g pk", "[g]", Detection::Peak),
            ("g 0-pk", "[g]", Detection::Peak),
            ("gRMS", "[g]", Detection::Rms),
            ("um pp", "um", Detection::PeakToPeak),
            ("um pk-pk", "um", Detection::PeakToPeak),
            ("mil peak to peak", "[mil_i]", Detection::PeakToPeak),
            ("in/s_peak", "[in_i]/s", Detection::Peak),
        ] {
            let unit = Unit::parse(text).unwrap_or_else(|| panic!("{text}"));
            assert_eq!((unit.code, unit.detection), (code, detection), "{text}");
        }
    }

    #[test]
    fn what_nobody_knows_stays_unknown() {
        for text in ["", " ", "furlong", "rms", "pk", "mm/s avg", "²", "é rms", "(", "()", "[]"] {
            assert_eq!(Unit::parse(text), None, "{text:?}");
        }
    }

    #[test]
    fn dimensions_do_not_mix() {
        assert_eq!(Unit::parse("bar").and_then(|u| u.to_quantity(Q::Temperature)), None);
        assert_eq!(Unit::parse("mm/s").and_then(|u| u.to_quantity(Q::VibrationAcceleration)), None);
        assert_eq!(Unit::parse("kg").and_then(|u| u.to_unit(&Unit::parse("kWh")?)), None);
    }

    #[test]
    fn two_units_of_one_dimension_convert_both_ways() {
        let (kelvin, fahrenheit) = (Unit::parse("K").unwrap(), Unit::parse("degF").unwrap());
        let there = kelvin.to_unit(&fahrenheit).unwrap().apply(310.15);
        let back = fahrenheit.to_unit(&kelvin).unwrap().apply(there);
        // 37 °C is 98.6 °F by the formula of SP 811, B.9.
        assert!((there - 98.6).abs() < 1e-9, "{there}");
        assert!((back - 310.15).abs() < 1e-9, "{back}");
    }

    #[test]
    fn no_spelling_stands_for_two_units() {
        let all: Vec<&str> = TABLE.iter().flat_map(|r| std::iter::once(&r.code).chain(r.spellings)).copied().collect();
        for (i, spelling) in all.iter().enumerate() {
            assert!(!all[..i].contains(spelling), "{spelling} twice");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_the_reader_panic(text in "\\PC{0,24}", tail in "(rms|pk-pk|\\)| peak|²|°C)?") {
            let _ = Unit::parse(&format!("{text}{tail}"));
        }
    }
}
