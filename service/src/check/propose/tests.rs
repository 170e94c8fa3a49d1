use super::*;

fn seen(topic: &str, payload: &str, secs: i64) -> Seen {
    let received = EventTime(1_900_000_000_000_000 + secs * 1_000_000);
    Seen { topic: topic.into(), payload: payload.as_bytes().to_vec(), received, retained: false }
}

fn place() -> Place {
    Place { url: "mqtt://localhost:1883".into(), version_3: false, username: None, own_prefix: "roundsman".into() }
}

fn proposed(seen: &[Seen]) -> Proposal {
    propose(seen, &place(), 60.0).unwrap_or_else(|faults| panic!("{faults:?}"))
}

#[test]
fn numbers_below_area_machine_and_point() {
    let mut heard = Vec::new();
    for secs in [0, 10, 20, 30] {
        for machine in ["hall/pump-1", "hall/pump-2", "yard/fan"] {
            heard.push(seen(&format!("plant/{machine}/vib_de"), "2.5", secs));
            heard.push(seen(&format!("plant/{machine}/bearing_temp"), "61 degC", secs));
            heard.push(seen(&format!("plant/{machine}/mystery"), "12", secs));
        }
    }
    let proposal = proposed(&heard);
    let text = &proposal.text;
    assert!(text.contains("pattern = \"plant/{area}/{asset}/{point}\""), "{text}");
    assert!(text.contains("payload = \"number\""), "{text}");
    assert!(text.contains("every 10 s"), "{text}");
    assert!(text.contains("unit = \"mm/s\"  # GUESS"), "{text}");
    assert!(text.contains("unit = \"degC\"  # said with the values"), "{text}");
    assert!(text.contains("#unit = \"\"  # nobody says the unit, and the name tells nothing"), "{text}");
    assert_eq!((proposal.assets, proposal.points, proposal.guessed, proposal.left_out), (3, 9, 3, 0));
    let checked = checked(text).expect("it runs as it is");
    assert_eq!(checked.assets.len(), 3);
}

#[test]
fn several_points_in_one_payload_and_a_last_level_that_names_nothing() {
    let payload = r#"{"time":"2030-03-17T17:46:40Z","temp_bearing":55.5,"speed":1480,"serial":"x"}"#;
    let heard: Vec<Seen> =
        ["a", "b"].iter().map(|machine| seen(&format!("lines/7/{machine}/telemetry"), payload, 0)).collect();
    let text = proposed(&heard).text;
    assert!(text.contains("pattern = \"lines/{area}/{asset}/telemetry\""), "{text}");
    assert!(text.contains(r#"payload = { format = "json", points = "*", time = "/time" }"#), "{text}");
    assert!(text.contains("[assets.a.points.speed]") && text.contains("unit = \"/min\"  # GUESS"), "{text}");
    assert!(!text.contains("clock = \"stream\""), "{text}");
}

#[test]
fn one_name_in_two_places_is_two_machines() {
    let heard: Vec<Seen> = ["north/p1", "south/p1", "south/p2"]
        .iter()
        .flat_map(|machine| ["x", "y"].map(|point| seen(&format!("site/{machine}/{point}"), r#"{"v":1,"u":"bar"}"#, 0)))
        .collect();
    let proposal = proposed(&heard);
    assert!(proposal.text.contains("asset = \"{area}-{machine}\""), "{}", proposal.text);
    assert!(
        proposal.text.contains("[assets.north-p1]") && proposal.text.contains("[assets.south-p1]"),
        "{}",
        proposal.text
    );
    assert!(proposal.text.contains(r#"value = "/v", unit = "/u""#), "{}", proposal.text);
}

#[test]
fn a_recording_that_is_played_moves_the_clock_itself() {
    let old = r#"{"v":3.1,"t":"2026-03-01T00:00:00Z"}"#;
    let heard = [seen("p/a/vib_x", old, 0), seen("p/a/vib_y", old, 0), seen("p/b/vib_x", old, 0)];
    assert!(proposed(&heard).text.contains("clock = \"stream\""));
}

#[test]
fn what_is_ours_and_what_cannot_be_read_is_left_out_and_said() {
    let heard = [
        seen("roundsman/site/a/condition", "5", 0),
        seen("elsewhere/site/a/condition", r#"{"schema":"roundsman.condition/1"}"#, 0),
        seen("p/a/vib", "1", 0),
        seen("p/b/vib", "1", 0),
        seen("p/b/name", "Paula", 0),
        seen("q/b/list", "[1,2]", 0),
    ];
    let proposal = proposed(&heard);
    assert!(!proposal.text.contains("/condition"), "{}", proposal.text);
    assert_eq!(proposal.left_out, 2);
    assert!(proposal.text.contains("#   p/b/name: no number"), "{}", proposal.text);
    let fault = propose(&heard[5..], &place(), 60.0).expect_err("nothing readable").remove(0).to_string();
    assert!(fault.contains("q/b/list"), "{fault}");
    let fault = propose(&[], &place(), 60.0).expect_err("nothing heard").remove(0).to_string();
    assert!(fault.contains("nothing came"), "{fault}");
}

#[test]
fn values_decide_between_units_only_where_they_can() {
    for (name, value, unit) in [
        ("temp", "350", Some("K")),
        ("temp", "200", None),
        ("temp", "21", Some("Cel")),
        ("speed", "24.5", None),
        ("speed", "0", None),
        ("accel_de", "3", None),
        ("pressure", "400", None),
    ] {
        let heard = [seen(&format!("p/a/{name}"), value, 0), seen(&format!("p/b/{name}"), value, 0)];
        let text = proposed(&heard).text;
        match unit {
            Some(unit) => assert!(text.contains(&format!("unit = \"{unit}\"  # GUESS")), "{name} {value}: {text}"),
            None => assert!(text.contains("#unit = \"\""), "{name} {value}: {text}"),
        }
    }
}

#[test]
fn names_that_need_quotes_and_arbitrary_bytes_do_no_harm() {
    let topics = ["p/pump 7 \"old\"/vib é", "p/x.y/#odd", "p//", "a", "p/{x}/y", "p/\u{7f}/y", "p/b/vib"];
    for payload in ["1", "{\"value\":2}", "[{\"n\":\"a/b\",\"v\":1}]", "\u{0}", "{}", "nan"] {
        let heard: Vec<Seen> = topics.iter().map(|topic| seen(topic, payload, 0)).collect();
        match propose(&heard, &place(), 1.0) {
            Ok(proposal) => {
                drop(checked(&proposal.text).unwrap_or_else(|faults| panic!("{faults:?} in {}", proposal.text)))
            }
            Err(faults) => assert!(faults.iter().all(|fault| fault.path.starts_with("mqtt")), "{payload}: {faults:?}"),
        }
    }
}
