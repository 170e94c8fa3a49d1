//! Decoders against their standards, and against anything at all.

use super::*;
use proptest::prelude::*;

const NOW: EventTime = EventTime(1_700_000_000_000_000);

fn codec(format: Format) -> Codec {
    Codec { format, unit: None, time: TimeFormat::Auto, zone: None, max_bytes: 65_536, max_values: 4096 }
}

fn pointer(text: &str) -> Pointer {
    Pointer::parse(text).unwrap()
}

fn json(points: Points) -> Json {
    Json {
        points,
        time: None,
        quality: None,
        good: GOOD.iter().map(|w| (*w).to_owned()).collect(),
        unit: None,
        numbers_in_strings: false,
    }
}

fn topic<'a>() -> TopicNames<'a> {
    TopicNames { area: Some("north".into()), asset: Some("pump-7".into()), point: Some("vib_de".into()) }
}

type Row = (String, String, Option<String>, i64, f64, Quality);

fn rows(codec: &Codec, payload: &str) -> (Vec<Row>, Result<(), Refusal>) {
    let mut out = Vec::new();
    let result = decode(codec, &topic(), payload.as_bytes(), NOW, &mut out);
    let row = |d: Decoded<'_>| {
        (d.asset.into_owned(), d.point.into_owned(), d.unit.map(Cow::into_owned), d.at.0, d.value, d.quality)
    };
    (out.into_iter().map(row).collect(), result)
}

fn values(codec: &Codec, payload: &str) -> Vec<(String, f64)> {
    let (rows, result) = rows(codec, payload);
    assert_eq!(result, Ok(()), "{payload}");
    rows.into_iter().map(|r| (r.1, r.4)).collect()
}

fn refused(codec: &Codec, payload: &str) -> Rejection {
    rows(codec, payload).1.unwrap_err().reason
}

#[test]
fn one_value_with_time_quality_and_unit() {
    let codec = codec(Format::Json(Json {
        time: Some(pointer("/meta/t")),
        quality: Some(pointer("/meta/q")),
        unit: Some(pointer("/meta/u")),
        ..json(Points::One(pointer("/v")))
    }));
    let (got, result) = rows(&codec, r#"{"v":7.1,"meta":{"t":"2023-11-14T22:13:20Z","q":"Good","u":"mm/s"}}"#);
    assert_eq!(result, Ok(()));
    let want = ("pump-7".into(), "vib_de".into(), Some("mm/s".into()), 1_700_000_000_000_000, 7.1, Quality::Good);
    assert_eq!(got, [want]);
    let (got, _) = rows(&codec, r#"{"v":7.1,"meta":{"t":1700000000123,"q":"uncertain"}}"#);
    assert_eq!(got.first().map(|r| (r.3, r.5)), Some((1_700_000_000_123_000, Quality::Bad)));
}

#[test]
fn a_time_that_should_be_there_is_not_replaced_by_arrival() {
    let codec = codec(Format::Json(Json { time: Some(pointer("/t")), ..json(Points::One(pointer("/v"))) }));
    for payload in
        [r#"{"v":1}"#, r#"{"v":1,"t":null}"#, r#"{"v":1,"t":"soon"}"#, r#"{"v":1,"t":"2024-01-01T00:00:00"}"#]
    {
        assert_eq!(refused(&codec, payload), Rejection::BadTime, "{payload}");
    }
}

#[test]
fn zero_is_not_good_unless_somebody_says_so() {
    let mut json = Json { quality: Some(pointer("/q")), ..json(Points::One(pointer("/v"))) };
    let quality = |json: &Json, q: &str| {
        let codec = codec(Format::Json(json.clone()));
        rows(&codec, &format!(r#"{{"v":1,"q":{q}}}"#)).0.first().map(|r| r.5)
    };
    for (q, want) in [
        ("192", Quality::Good),
        ("0", Quality::Bad),
        ("true", Quality::Good),
        ("\"OK\"", Quality::Good),
        ("null", Quality::Good),
        ("[]", Quality::Bad),
    ] {
        assert_eq!(quality(&json, q), Some(want), "{q}");
    }
    json.good = vec!["0".into()];
    assert_eq!(quality(&json, "0"), Some(Quality::Good));
    assert_eq!(quality(&json, "192"), Some(Quality::Bad));
}

#[test]
fn several_points_in_one_payload_each_where_it_is() {
    let named = |name: &str, at: &str, unit: Option<&str>| NamedPoint {
        name: name.into(),
        value: pointer(at),
        unit: unit.map(str::to_owned),
    };
    let points = vec![named("vib", "/a/0", Some("mm/s")), named("temp", "/b/c", None)];
    let codec = codec(Format::Json(json(Points::Named(points))));
    assert_eq!(values(&codec, r#"{"a":[1.5],"b":{"c":60}}"#), [("vib".into(), 1.5), ("temp".into(), 60.0)]);
    // By exception: one of them is enough.
    assert_eq!(values(&codec, r#"{"b":{"c":61}}"#), [("temp".into(), 61.0)]);
    assert_eq!(refused(&codec, r#"{"x":1}"#), Rejection::Unreadable);
    // The good half of a bad payload is used.
    let (rows, result) = rows(&codec, r#"{"a":["much"],"b":{"c":62}}"#);
    assert_eq!((rows.len(), result.unwrap_err().values), (1, 1));
}

#[test]
fn every_number_of_an_object() {
    let codec = codec(Format::Json(Json { time: Some(pointer("/d/ts")), ..json(Points::All(pointer("/d"))) }));
    let payload = r#"{"d":{"ts":1700000000,"vib":1.5,"name":"x","running":true,"acked":true,"temp":60,"more":{}}}"#;
    let mut got = values(&codec, payload);
    got.sort_by(|a, b| a.0.cmp(&b.0));
    assert_eq!(got, [("running".into(), 1.0), ("temp".into(), 60.0), ("vib".into(), 1.5)]);
}

#[test]
fn numbers_in_text_count_only_where_the_setting_says_so() {
    let strict = codec(Format::Json(json(Points::One(pointer("")))));
    assert_eq!(refused(&strict, r#""7.1""#), Rejection::Unreadable);
    assert_eq!(values(&strict, "7.1"), [("vib_de".into(), 7.1)]);
    let lenient = codec(Format::Json(Json { numbers_in_strings: true, ..json(Points::One(pointer(""))) }));
    assert_eq!(values(&lenient, r#""7.1""#), [("vib_de".into(), 7.1)]);
}

#[test]
fn null_is_a_number_that_is_none() {
    let codec = codec(Format::Json(json(Points::One(pointer("/v")))));
    assert!(values(&codec, r#"{"v":null}"#).first().is_some_and(|(_, v)| v.is_nan()));
}

fn senml(rule: NameRule) -> Codec {
    codec(Format::Senml(rule))
}

/// Source: RFC 8428, section 5.1.1, a single point with a base name's worth of device in its name.
#[test]
fn rfc_8428_single_datapoint() {
    let got = values(&senml(NameRule::AssetAndPoint), r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#);
    assert_eq!(got, [("10e2073a01080063".into(), 23.1)]);
}

/// Source: RFC 8428, section 5.1.2, voltage and current with base name and base time; read in a copy of the RFC.
#[test]
fn rfc_8428_multiple_datapoints() {
    let payload =
        r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]"#;
    let (got, result) = rows(&senml(NameRule::AssetAndPoint), payload);
    assert_eq!(result, Ok(()));
    let device = "urn:dev:ow:10e2073a01080063";
    assert_eq!(
        got,
        [
            (device.into(), "voltage".into(), Some("V".into()), NOW.0, 120.1, Quality::Good),
            (device.into(), "current".into(), Some("A".into()), NOW.0, 1.2, Quality::Good),
        ]
    );
}

/// Source: RFC 8428, section 5.1.2, second example: base time 1.276020076001e+09, times −5 to 0, base unit A.
#[test]
fn rfc_8428_base_fields_hold_for_all_that_follows() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","v":1.7}]"#;
    let (got, result) = rows(&senml(NameRule::AssetAndPoint), payload);
    assert_eq!(result, Ok(()));
    let base = 1_276_020_076_001_000;
    let short: Vec<_> = got.into_iter().map(|r| (r.1, r.2.unwrap_or_default(), r.3, r.4)).collect();
    assert_eq!(
        short,
        [
            ("voltage".into(), "V".into(), base, 120.1),
            ("current".into(), "A".into(), base - 5_000_000, 1.2),
            ("current".into(), "A".into(), base - 4_000_000, 1.3),
            ("current".into(), "A".into(), base, 1.7),
        ]
    );
}

/// Source: RFC 8428, section 6, the CBOR of the example above in hexadecimal (from memory; its JSON is in section 5.1.2).
const RFC_8428_CBOR: &str = "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b0010622361\
    41200500 67766f6c7461676501615602fb405e066666666666 a3006763757272656e74062402fb3ff3333333333333\
    a3006763757272656e74062302fb3ff4cccccccccccd a3006763757272656e74062202fb3ff6666666666666\
    a3006763757272656e74062102f93e00 a3006763757272656e74062002fb3ff999999999999a a3006763757272656e74060002fb3ffb333333333333";

fn from_hex(text: &str) -> Vec<u8> {
    let digits: Vec<u32> = text.chars().filter_map(|c| c.to_digit(16)).collect();
    digits.chunks(2).map(|pair| (pair[0] * 16 + pair[1]) as u8).collect()
}

type Whole = (String, String, Option<String>, i64, f64);

fn of_bytes(codec: &Codec, payload: &[u8]) -> (Vec<Whole>, Result<(), Refusal>) {
    let mut out = Vec::new();
    let result = decode(codec, &topic(), payload, NOW, &mut out);
    let row =
        |d: Decoded<'_>| (d.asset.into_owned(), d.point.into_owned(), d.unit.map(Cow::into_owned), d.at.0, d.value);
    (out.into_iter().map(row).collect(), result)
}

#[test]
fn rfc_8428_in_cbor_is_what_it_is_in_json() {
    let json = r#"[
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"#;
    let codec = senml(NameRule::AssetAndPoint);
    let (from_json, from_cbor) = (of_bytes(&codec, json.as_bytes()), of_bytes(&codec, &from_hex(RFC_8428_CBOR)));
    assert_eq!(from_cbor.1, Ok(()));
    assert_eq!(from_cbor, from_json);
    assert_eq!(from_cbor.0.len(), 7);
    assert_eq!(from_cbor.0[0].4, 120.1);
}

#[test]
fn cbor_has_more_kinds_of_number_than_json() {
    let codec = senml(NameRule::Point);
    let value = |hex: &str| of_bytes(&codec, &from_hex(hex)).0.first().map(|row| row.4);
    // [{0: "a", 2: …}]: an integer, a negative one, a half float, the decimal fraction 273.15 of RFC 8949, section 3.4.4.
    assert_eq!(value("81a2006161021903e8"), Some(1000.0));
    assert_eq!(value("81a200616102 3863"), Some(-100.0));
    assert_eq!(value("81a200616102f93e00"), Some(1.5));
    assert_eq!(value("81a200616102c48221196ab3"), Some(273.15));
    assert!(value("81a200616102f97e00").is_some_and(f64::is_nan), "NaN is no value, and is counted as such later");
    // A pack of no known length, and true.
    assert_eq!(value("9fbf0061610 4f5ffff"), Some(1.0));
    // What must be understood and is not; data; what is no record; what ends too early.
    for (hex, why) in [
        ("81a300616102016274 5f01", Rejection::Unreadable),
        ("81a2006161084101", Rejection::Unreadable),
        ("8101", Rejection::Unreadable),
        ("81a2006161", Rejection::Unreadable),
    ] {
        assert_eq!(of_bytes(&codec, &from_hex(hex)).1.unwrap_err().reason, why, "{hex}");
    }
}

#[test]
fn small_times_are_relative_to_now() {
    let (got, _) = rows(&senml(NameRule::Point), r#"[{"n":"x","t":-10,"v":1},{"n":"x","bt":2.68435456e8,"v":1}]"#);
    assert_eq!(got.iter().map(|r| r.3).collect::<Vec<_>>(), [NOW.0 - 10_000_000, 268_435_456_000_000]);
}

#[test]
fn a_base_value_is_added_and_a_gram_stays_a_gram() {
    let (got, result) = rows(&senml(NameRule::Point), r#"[{"bv":20,"n":"a","v":1.5,"u":"g"},{"n":"b","vb":true}]"#);
    assert_eq!(result, Ok(()));
    assert_eq!(got.iter().map(|r| r.4).collect::<Vec<_>>(), [21.5, 1.0]);
    assert_eq!(got.first().and_then(|r| r.2.clone()).as_deref(), Some("gram"));
}

#[test]
fn senml_that_must_be_understood_and_is_not_is_refused() {
    let codec = senml(NameRule::Point);
    for payload in [
        r#"[{"n":"a","v":1,"future_":1}]"#,
        r#"[{"bver":11,"n":"a","v":1}]"#,
        r#"{"n":"a","v":1}"#,
        r#"[{"n":"a","vs":"open"}]"#,
        r#"[{"n":"a"}]"#,
        r#"[{"n":"a","v":1,"vb":true}]"#,
        r#"[{"bn":7}]"#,
    ] {
        assert_eq!(refused(&codec, payload), Rejection::Unreadable, "{payload}");
    }
    // Base fields alone, or a sum alone, are fine and give nothing.
    assert_eq!(values(&codec, r#"[{"bn":"a"},{"n":"e","s":3}]"#), []);
    // One bad record does not cost the others.
    let (got, result) = rows(&codec, r#"[{"n":"a","v":1},{"n":"b","vs":"x"},{"n":"c","v":3}]"#);
    assert_eq!((got.len(), result.unwrap_err().values), (2, 1));
}

#[test]
fn size_and_depth_are_bounded() {
    let mut codec = codec(Format::Json(json(Points::All(pointer("")))));
    let deep = "[".repeat(10_000);
    assert_eq!(refused(&codec, &deep), Rejection::Unreadable);
    codec.max_bytes = 10;
    assert_eq!(refused(&codec, r#"{"vib":1.0}"#), Rejection::Unreadable);
}

fn all_codecs() -> Vec<Codec> {
    let full = |points| Json {
        time: Some(pointer("/t")),
        quality: Some(pointer("/q")),
        unit: Some(pointer("/u")),
        numbers_in_strings: true,
        ..json(points)
    };
    vec![
        codec(Format::Number),
        codec(Format::Json(full(Points::One(pointer("/v"))))),
        codec(Format::Json(json(Points::All(pointer(""))))),
        senml(NameRule::Point),
        senml(NameRule::AssetAndPoint),
    ]
}

proptest! {
    #[test]
    fn no_bytes_make_a_decoder_panic(payload in proptest::collection::vec(any::<u8>(), 0..300)) {
        for codec in all_codecs() {
            let mut out = Vec::new();
            let _ = decode(&codec, &topic(), &payload, NOW, &mut out);
        }
    }

    #[test]
    fn nothing_near_json_makes_a_decoder_panic(payload in r#"[\[{]{0,2}("(v|t|u|q|n|bn|bt|bv|bu|vs)":("[^"]{0,4}"|-?[0-9]{1,20}(e[0-9]{1,3})?|null|true|\{\}),?){0,6}[}\]]{0,2}"#) {
        for codec in all_codecs() {
            let mut out = Vec::new();
            let _ = decode(&codec, &topic(), payload.as_bytes(), NOW, &mut out);
        }
    }

    #[test]
    fn a_number_comes_back_as_it_was_written(value in any::<f64>()) {
        let codec = codec(Format::Number);
        let text = format!(" {value:?}\n");
        let (rows, result) = rows(&codec, &text);
        prop_assert_eq!(result, Ok(()));
        let got = rows.first().map(|r| r.4);
        prop_assert!(got.is_some_and(|g| g.to_bits() == value.to_bits() || (g.is_nan() && value.is_nan())));
    }
}
