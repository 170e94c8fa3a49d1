use super::*;

/// 2031-03-04T06:15:00Z.
pub(crate) const AT: EventTime = EventTime(1_930_371_300_000_000);

/// A complete alert of an invented pump.
pub(crate) fn alert() -> Alert {
    let velocity = |value| Measured { value, unit: "mm/s".into() };
    let limit = LimitSource { limit: velocity(4.5), source: "ISO 20816-3:2022 group 2, rigid".into() };
    Alert {
        id: alert_id("north", "pump-7", &Finding::Machine, 3),
        revision: 1,
        site: "north".into(),
        asset: "pump-7".into(),
        finding: Finding::Machine,
        change: Change::Raised,
        state: LifeState::Unacknowledged,
        severity: Severity::Warning,
        worst: Severity::Warning,
        sensor_status: None,
        at: AT,
        raised_at: AT,
        onset: Some(AT.plus_secs(-3.0 * 86_400.0)),
        operating_state: Some("2".into()),
        deviation: Some(8.123_456_789),
        confidence: Some(0.999),
        contributions: vec![Contribution {
            point: "de-vib".into(),
            evidence: Evidence::Limit,
            observed: velocity(5.4),
            expected: Some(velocity(1.8)),
            band: Some(0.6),
            sigmas: Some(8.0),
            share: 0.8,
            limit: Some(limit.clone()),
            onset: Some(AT.plus_secs(-3.0 * 86_400.0)),
        }],
        remaining_life: Some(RemainingLife {
            forecasts: vec![Forecast {
                point: "de-vib".into(),
                target: "alarm".into(),
                limit,
                p10_hours: Some(120.0),
                p50_hours: Some(200.0),
                p90_hours: None,
            }],
            model: Some("linear".into()),
            none_because: None,
            past_intervals: 12,
            past_intervals_held: 10,
            history: None,
        }),
        likely_fault: None,
        held_back: None,
        neighbours: Vec::new(),
        set_up: None,
        message: "m".into(),
        by: None,
        note: None,
    }
}

pub(crate) fn condition() -> Condition {
    Condition {
        site: "north".into(),
        asset: "pump-7".into(),
        at: AT,
        zone: Zone::Warning,
        operating_state: Some("2".into()),
        run_hours: 1234.5,
        learned: 1.0,
        deviation: None,
        thresholds: None,
        open_alerts: vec!["north/pump-7/machine/3".into()],
        sensor_faults: vec![("de-temp".into(), "failure".into())],
        points: Vec::new(),
        maintenance: None,
        told_by: None,
        message: "m".into(),
    }
}

#[test]
fn documents_read_back_as_they_were() {
    let mut alert = alert();
    alert.deviation = Some(8.12346);
    assert_eq!(Alert::from_json(&alert.to_json()).expect("our own"), alert);
    assert_eq!(Condition::from_json(&condition().to_json()).expect("our own"), condition());
    let statement = RemainingLifeStatement {
        site: "north".into(),
        asset: "pump-7".into(),
        at: AT,
        remaining_life: RemainingLife {
            forecasts: vec![],
            model: None,
            none_because: Some("no trend".into()),
            past_intervals: 0,
            past_intervals_held: 0,
            history: Some("2 past cases of its class, 3 needed".into()),
        },
    };
    assert_eq!(RemainingLifeStatement::from_json(&statement.to_json()).expect("our own"), statement);
}

#[test]
fn writing_reading_and_writing_again_changes_no_byte() {
    let mut alert = alert();
    alert.contributions[0].observed.value = 1.0 / 3.0;
    alert.contributions[0].share = f64::NAN;
    let once = alert.to_json();
    assert_eq!(Alert::from_json(&once).expect("our own").to_json(), once);
}

#[test]
fn a_binary_store_keeps_every_bit() {
    let mut alert = alert();
    alert.at = EventTime(AT.0 + 1);
    alert.deviation = Some(1.0 / 3.0);
    alert.finding = Finding::Sensor("de-vib".into());
    let bytes = postcard::to_stdvec(&(&alert, condition())).expect("plain data");
    let back: (Alert, Condition) = postcard::from_bytes(&bytes).expect("what was written");
    assert_eq!(back, (alert, condition()));
}

#[test]
fn schema_comes_first_and_every_key_is_there() {
    let mut alert = alert();
    alert.onset = None;
    alert.remaining_life = None;
    let text = alert.to_json();
    assert!(text.starts_with(r#"{"schema":"roundsman.alert/1","id":"north/pump-7/machine/3","revision":1,"#), "{text}");
    for key in [r#""onset":null"#, r#""remaining_life":null"#, r#""by":null"#, r#""sensor_status":null"#] {
        assert!(text.contains(key), "{key} in {text}");
    }
    assert!(!text.contains('\n'));
}

#[test]
fn another_schema_is_refused_by_name() {
    let fault = Condition::from_json(&alert().to_json()).expect_err("an alert is no condition").to_string();
    assert_eq!(fault, r#"schema is "roundsman.alert/1", wanted "roundsman.condition/1""#);
    let newer = alert().to_json().replace("alert/1", "alert/2");
    assert!(matches!(Alert::from_json(&newer), Err(DocumentFault::Schema { .. })));
    for text in ["", "{}", "[]", r#"{"schema":"roundsman.alert/1"}"#] {
        assert!(matches!(Alert::from_json(text), Err(DocumentFault::Unreadable(_))), "{text}");
    }
}

#[test]
fn numbers_have_six_digits_and_never_nan() {
    let mut alert = alert();
    alert.deviation = Some(8.123_456_789);
    alert.confidence = Some(f64::NAN);
    alert.contributions[0].band = Some(f64::INFINITY);
    alert.contributions[0].observed.value = f64::NEG_INFINITY;
    alert.contributions[0].share = 0.1 + 0.2;
    let text = alert.to_json();
    for part in [r#""deviation":8.12346,"#, r#""confidence":null"#, r#""band":null"#, r#"{"value":null,"#] {
        assert!(text.contains(part), "{part} in {text}");
    }
    assert!(text.contains(r#""share":0.3,"#), "{text}");
    assert!(!text.contains("NaN") && !text.contains("inf"));
    let back = Alert::from_json(&text).expect("null is a number nobody knows");
    assert!(back.contributions[0].observed.value.is_nan() && back.confidence.is_none());
}

#[test]
fn rounding_keeps_six_significant_digits_at_any_size() {
    for (value, want) in [
        (123_456_789.0, 123_457_000.0),
        (-0.000_012_345_678, -0.000_012_345_7),
        (999_999.9, 1_000_000.0),
        (0.0, 0.0),
        (f64::MAX, 1.797_69e308),
        (f64::MIN_POSITIVE, 2.225_07e-308),
    ] {
        assert_eq!(forms::rounded(value), want);
    }
}

/// Source: RFC 3339, and `date -u -d @SECONDS` of GNU coreutils for the days.
#[test]
fn times_are_utc_with_milliseconds_and_microseconds_where_there_are_any() {
    for (micros, text) in [
        (0, "1970-01-01T00:00:00.000Z"),
        (AT.0, "2031-03-04T06:15:00.000Z"),
        (AT.0 + 1_500, "2031-03-04T06:15:00.001500Z"),
        (AT.0 + 2_000, "2031-03-04T06:15:00.002Z"),
        (-1_000, "1969-12-31T23:59:59.999Z"),
        (-1, "1969-12-31T23:59:59.999999Z"),
    ] {
        assert_eq!(forms::rfc3339(EventTime(micros)), text);
        assert_eq!(forms::parse_rfc3339(text).expect("RFC 3339"), EventTime(micros));
    }
    let offset = forms::parse_rfc3339("2031-03-04T08:15:00+02:00").expect("RFC 3339");
    assert_eq!(offset, AT, "an offset is understood");
    assert!(forms::parse_rfc3339("2031-03-04T08:15:00").is_err(), "a time without a zone is not guessed");
    for end in [i64::MIN, i64::MAX] {
        assert!(forms::parse_rfc3339(&forms::rfc3339(EventTime(end))).is_ok(), "the ends of time stay readable");
    }
}

#[test]
fn a_finding_is_an_object_of_two_keys_that_must_agree() {
    for (finding, text, key) in [
        (Finding::Machine, r#"{"about":"machine","point":null}"#, "machine"),
        (Finding::Sensor("de".into()), r#"{"about":"sensor","point":"de"}"#, "sensor:de"),
        (Finding::Silence, r#"{"about":"silence","point":null}"#, "silence"),
    ] {
        assert_eq!(serde_json::to_string(&finding).expect("plain data"), text);
        assert_eq!(serde_json::from_str::<Finding>(text).expect("our own"), finding);
        assert_eq!(finding.key(), key);
    }
    for bad in [r#"{"about":"sensor","point":null}"#, r#"{"about":"machine","point":"de"}"#, r#"{"about":"pump"}"#] {
        assert!(serde_json::from_str::<Finding>(bad).is_err(), "{bad}");
    }
}

#[test]
fn sensor_faults_are_objects() {
    assert!(condition().to_json().contains(r#""sensor_faults":[{"point":"de-temp","status":"failure"}]"#));
}

#[test]
fn a_limit_says_where_it_came_from() {
    let zones = Preset::by_name("iso-10816-7-category-1-to-200-kw").expect("in the table");
    let of = |source| LimitSource::of(&Limit { value: 5.0, source, span: 1.0 }, "mm/s", Some(&zones));
    assert_eq!(of(Source::Zones).source, "ISO 10816-7:2009 category I, up to 200 kW");
    assert_eq!((of(Source::Baseline).source.as_str(), of(Source::Own).source.as_str()), ("baseline", "own"));
    assert_eq!(of(Source::Own).limit, Measured { value: 5.0, unit: "mm/s".into() });
}
