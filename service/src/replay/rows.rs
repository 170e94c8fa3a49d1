//! Rows of the CSV results, and how numbers and names are put into them.

use crate::acquire::AssetId;
use crate::acquire::recording::time::write_rfc3339;
use crate::advise::document::Zone;
use crate::engine::Score;
use crate::spill::Record;
use roundsman_models::EventTime;

/// First line of `scores.csv`.
pub(super) const SCORES: &str = "time,asset,operating_state,deviation,zone,step,drift\n";
/// First line of `remaining-life.csv`.
pub(super) const REMAINING_LIFE: &str = "time,asset,point,target,p10_hours,p50_hours,p90_hours\n";

/// One row of `scores.csv`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ScoreRow {
    pub(super) asset: AssetId,
    pub(super) score: Score,
}

const ZONES: [(Zone, &str); 7] = [
    (Zone::Learning, "learning"),
    (Zone::Stopped, "stopped"),
    (Zone::Settling, "settling"),
    (Zone::Normal, "normal"),
    (Zone::Advisory, "advisory"),
    (Zone::Warning, "warning"),
    (Zone::Alarm, "alarm"),
];

impl ScoreRow {
    pub(super) fn write(&self, name: &[u8], out: &mut Vec<u8>) {
        let Score { at, operating_state, deviation, zone, step, drift } = self.score;
        write_rfc3339(out, at);
        out.push(b',');
        out.extend_from_slice(name);
        out.push(b',');
        integer(out, u64::from(operating_state));
        out.push(b',');
        fixed(out, deviation);
        out.push(b',');
        out.extend_from_slice(ZONES.iter().find(|(known, _)| *known == zone).map_or("", |(_, word)| word).as_bytes());
        out.push(b',');
        fixed(out, step);
        out.push(b',');
        fixed(out, drift);
        out.push(b'\n');
    }
}

impl Record for ScoreRow {
    /// By time only; assets of the same time are put in the order of their names when they are written, since a name's
    /// place is only known at the end.
    type Key = EventTime;
    const BYTES: usize = 39;

    fn key(&self) -> EventTime {
        self.score.at
    }

    fn encode(&self, out: &mut [u8]) {
        let Score { at, operating_state, deviation, zone, step, drift } = self.score;
        let zone = ZONES.iter().position(|(known, _)| *known == zone).unwrap_or(0) as u8;
        let mut rest = out;
        for bytes in [
            &at.0.to_le_bytes()[..],
            &deviation.to_le_bytes(),
            &step.to_le_bytes(),
            &drift.to_le_bytes(),
            &self.asset.0.to_le_bytes(),
            &operating_state.to_le_bytes(),
            &[zone],
        ] {
            let (here, after) = rest.split_at_mut(bytes.len());
            here.copy_from_slice(bytes);
            rest = after;
        }
    }

    fn decode(bytes: &[u8]) -> Self {
        fn part<const N: usize>(bytes: &[u8], from: usize) -> [u8; N] {
            bytes.get(from..).and_then(|rest| rest.first_chunk::<N>()).copied().unwrap_or([0; N])
        }
        let float = |from| f64::from_le_bytes(part(bytes, from));
        Self {
            asset: AssetId(u32::from_le_bytes(part(bytes, 32))),
            score: Score {
                at: EventTime(i64::from_le_bytes(part(bytes, 0))),
                operating_state: u16::from_le_bytes(part(bytes, 36)),
                deviation: float(8),
                zone: ZONES.get(usize::from(part::<1>(bytes, 38)[0])).map_or(Zone::Learning, |&(zone, _)| zone),
                step: float(16),
                drift: float(24),
            },
        }
    }
}

/// Four decimals: a deviation, step or drift is in standard deviations, and what is beyond a thousandth of one is noise.
/// Nothing for NaN. Not `format!`: three of these per row would cost more than the rest of the replay's output.
pub(super) fn fixed(out: &mut Vec<u8>, value: f64) {
    let scaled = (value.abs() * 1e4).round();
    // False for NaN and infinity as well.
    if scaled < 9e15 {
        let scaled = scaled as u64;
        if value < 0.0 && scaled > 0 {
            out.push(b'-');
        }
        integer(out, scaled / 10_000);
        let fraction = scaled % 10_000;
        out.extend_from_slice(&[
            b'.',
            b'0' + (fraction / 1000) as u8,
            b'0' + (fraction / 100 % 10) as u8,
            b'0' + (fraction / 10 % 10) as u8,
            b'0' + (fraction % 10) as u8,
        ]);
    } else if !value.is_nan() {
        // Wider than any score should be, or `inf`.
        out.extend_from_slice(format!("{value:e}").as_bytes());
    }
}

fn integer(out: &mut Vec<u8>, mut number: u64) {
    let mut digits = [0; 20];
    let mut from = digits.len();
    loop {
        from -= 1;
        digits[from] = b'0' + (number % 10) as u8;
        number /= 10;
        if number == 0 {
            break;
        }
    }
    out.extend_from_slice(&digits[from..]);
}

/// A text as a CSV cell (RFC 4180).
pub(super) fn cell(text: &str) -> Vec<u8> {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\"")).into_bytes()
    } else {
        text.as_bytes().to_vec()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn shown(value: f64) -> String {
        let mut out = Vec::new();
        fixed(&mut out, value);
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn numbers_are_short_and_exact() {
        for (value, want) in [
            (0.0, "0.0000"),
            (-0.0, "0.0000"),
            (-0.00001, "0.0000"),
            (1.5, "1.5000"),
            (-12.34567, "-12.3457"),
            (0.00005, "0.0001"),
            (1234567.0, "1234567.0000"),
            (f64::NAN, ""),
            (f64::INFINITY, "inf"),
            (f64::NEG_INFINITY, "-inf"),
            (1e20, "1e20"),
        ] {
            assert_eq!(shown(value), want);
        }
        assert_eq!(cell("a,\"b\""), b"\"a,\"\"b\"\"\"");
    }

    proptest! {
        /// Source: the standard library's formatting, which rounds the exact value; ours may differ by the last digit
        /// where the product with 10⁴ is itself rounded onto a tie.
        #[test]
        fn as_the_standard_library(value in -1e9f64..1e9) {
            let ours: f64 = shown(value).parse().unwrap();
            let theirs: f64 = format!("{value:.4}").parse().unwrap();
            prop_assert!((ours - theirs).abs() < 1.01e-4);
            prop_assert!((ours - value).abs() <= 0.500_001e-4 + value.abs() * 1e-15);
        }

        #[test]
        fn a_row_comes_back(at in any::<i64>(), asset in any::<u32>(), operating_state in any::<u16>(),
                            numbers in any::<[i32; 3]>(), zone in 0usize..7) {
            let [deviation, step, drift] = numbers.map(|n| f64::from(n) / 7.0);
            let score = Score { at: EventTime(at), operating_state, deviation, zone: ZONES[zone].0, step, drift };
            let row = ScoreRow { asset: AssetId(asset), score };
            let mut bytes = [0; ScoreRow::BYTES];
            row.encode(&mut bytes);
            prop_assert_eq!(ScoreRow::decode(&bytes), row);
        }
    }
}
