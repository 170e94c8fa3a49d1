//! The units a site reads: what is kept in one unit is shown in another.
//!
//! The table of metric and inch units follows common practice of vibration work in the United States: in/s, mil, g, °F, psi,
//! gal/min, hp. Factors are those of [`crate::acquire::units`].

use crate::acquire::units::{Conversion, Unit};
use crate::advise::wording::unit_sign;

pub use crate::config::people::Units;

/// How values of one kept unit are shown.
#[derive(Debug, Clone, PartialEq)]
pub struct Shown {
    /// Sign of the unit shown.
    pub sign: String,
    conversion: Conversion,
}

/// Kept unit (UCUM), and what it is shown as.
const INCH: [(&str, &str); 8] = [
    ("mm/s", "in/s"),
    ("um", "mil"),
    ("m/s2", "g"),
    ("Cel", "°F"),
    ("bar", "psi"),
    ("m3/h", "gal/min"),
    ("kW", "hp"),
    ("mm", "in"),
];

impl Units {
    /// How a kept unit (its UCUM code) is shown.
    pub fn shown(self, code: &str) -> Shown {
        let as_kept = || Shown { sign: unit_sign(code).to_owned(), conversion: Conversion::NONE };
        if self == Self::Metric {
            return as_kept();
        }
        let Some((_, sign)) = INCH.iter().find(|(kept, _)| *kept == code) else { return as_kept() };
        match Unit::parse(code).zip(Unit::parse(sign)).and_then(|(kept, other)| kept.to_unit(&other)) {
            Some(conversion) => Shown { sign: (*sign).to_owned(), conversion },
            None => as_kept(),
        }
    }
}

impl Shown {
    /// A kept value in the unit shown.
    pub fn value(&self, kept: f64) -> f64 {
        self.conversion.apply(kept)
    }

    /// It is the unit values are kept in.
    pub fn is_kept(&self) -> bool {
        self.conversion == Conversion::NONE
    }

    /// A difference of kept values (half a band, a change) in the unit shown.
    pub fn difference(&self, kept: f64) -> f64 {
        kept * self.conversion.scale
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: NIST SP 811 (2008), appendix B.8 for the factors (from memory: 1 in = 25.4 mm exactly, 1 psi = 6.894757 kPa,
    /// °F = 1.8 °C + 32, 1 hp (550 ft·lbf/s) = 745.6999 W).
    #[test]
    fn kept_values_are_shown_in_inch_units() {
        for (code, kept, sign, shown) in [
            ("mm/s", 7.62, "in/s", 0.3),
            ("um", 50.8, "mil", 2.0),
            ("Cel", 100.0, "°F", 212.0),
            ("bar", 6.894757, "psi", 100.0),
            ("kW", 0.7456999, "hp", 1.0),
            ("m/s2", 9.80665, "g", 1.0),
        ] {
            let inch = Units::Inch.shown(code);
            assert_eq!(inch.sign, sign);
            assert!((inch.value(kept) - shown).abs() < 1e-6 * shown, "{code}: {}", inch.value(kept));
            assert_eq!(Units::Metric.shown(code).value(kept), kept);
        }
        // What a limit is typed in comes back as what is kept.
        for (code, sign) in INCH {
            let back = Unit::parse(sign).and_then(|typed| typed.to_unit(&Unit::parse(code)?)).expect(sign);
            assert!((back.apply(Units::Inch.shown(code).value(3.0)) - 3.0).abs() < 1e-9, "{code} as {sign}");
            assert!(!Units::Inch.shown(code).is_kept() && Units::Metric.shown(code).is_kept(), "{code}");
        }
        assert!((Units::Inch.shown("Cel").difference(10.0) - 18.0).abs() < 1e-9);
        assert_eq!(Units::Inch.shown("/min").sign, "rpm", "the same in both");
        assert_eq!(Units::Metric.shown("m3/h").sign, "m³/h");
    }
}
