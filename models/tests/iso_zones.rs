//! Source: ISO 20816-3:2022, ISO 10816-3:2009, ISO 10816-7:2009 (zones) and ISO 20816-1:2016 (setting of ALARM,
//! criterion II), all from memory; group 1 rigid agrees with a public machine manual.

use roundsman_models::detect::zones::{Boundaries, MachineKind, Mounting, Preset, SeverityZone, suggest};

fn preset(name: &str) -> Preset {
    Preset::by_name(name).unwrap_or_else(|| panic!("no preset {name}"))
}

/// Source: ISO 10816-7:2009, from memory: the standard prints its ALARM and TRIP figures beside the zones. They
/// were remembered apart from the boundaries, so this checks one memory against the other.
#[test]
fn pump_boundaries_times_one_and_a_quarter_are_the_printed_alarm_and_trip() {
    for (name, alarm, trip) in [
        ("iso-10816-7-category-1-to-200-kw", 5.0, 8.3),
        ("iso-10816-7-category-1-above-200-kw", 6.3, 9.5),
        ("iso-10816-7-category-2-to-200-kw", 6.4, 10.6),
        ("iso-10816-7-category-2-above-200-kw", 7.6, 11.9),
    ] {
        let Boundaries { bc, cd, .. } = preset(name).boundaries();
        // The printed figures have one decimal.
        assert!((1.25 * bc - alarm).abs() <= 0.051, "{name}: 1.25 × {bc} against {alarm}");
        assert!((1.25 * cd - trip).abs() <= 0.051, "{name}: 1.25 × {cd} against {trip}");
    }
}

#[test]
fn both_editions_of_part_three_carry_the_same_figures() {
    for group in ["group-1-rigid", "group-1-flexible", "group-2-rigid", "group-2-flexible"] {
        let (new, old) = (preset(&format!("iso-20816-3-{group}")), preset(&format!("iso-10816-3-{group}")));
        assert_eq!(new.boundaries(), old.boundaries(), "{group}");
        assert_ne!(new.edition(), old.edition(), "{group}");
    }
}

#[test]
fn a_value_on_a_boundary_belongs_to_the_milder_zone() {
    let rigid = preset("iso-20816-3-group-1-rigid");
    let zones = [0.0, 2.3, 2.31, 4.5, 4.51, 7.1, 7.11].map(|v| rigid.zone_of(v));
    use SeverityZone::{A, B, C, D};
    assert_eq!(zones, [A, A, B, B, C, C, D].map(Some));
    assert_eq!([f64::NAN, f64::INFINITY, -0.1].map(|v| rigid.zone_of(v)), [None; 3]);
}

/// Source: the setting rule worked out for group 2, rigid: baseline + 0.70 mm/s, at most 3.5 mm/s.
#[test]
fn warning_of_group_2_rigid_is_baseline_plus_0_70_and_at_most_3_5() {
    let zones = preset("iso-20816-3-group-2-rigid");
    for (baseline, warning) in [(0.4, 1.1), (1.0, 1.7), (2.8, 3.5), (2.9, 3.5), (6.0, 3.5)] {
        let got = zones.warning(Some(baseline));
        assert!((got - warning).abs() < 1e-12, "baseline {baseline}: {got}");
    }
    assert_eq!(zones.warning(None), 2.8, "without a baseline: entry into zone C");
    assert_eq!(zones.warning(Some(f64::NAN)), 2.8, "a baseline that is not finite is none");
    assert_eq!(zones.alarm(), 4.5);
}

#[test]
fn no_preset_warns_after_it_alarms_whatever_the_baseline() {
    let odd = Preset::custom("flat", Boundaries { ab: 1.0, bc: 4.0, cd: 4.1 }).expect("ordered");
    for zones in Preset::names().map(preset).chain([odd]) {
        for baseline in [None, Some(0.0), Some(2.0), Some(50.0)] {
            assert!(zones.warning(baseline) <= zones.alarm(), "{} {baseline:?}", zones.name());
        }
    }
}

/// Source: criterion II, group 2 rigid: a change of more than 0.70 mm/s, up or down.
#[test]
fn a_fall_is_as_significant_as_a_rise() {
    let zones = preset("iso-20816-3-group-2-rigid");
    let (rise, fall) = (zones.warning(Some(1.0)) - 1.0, 1.0 - zones.fallen(Some(1.0)).expect("0.3 mm/s"));
    assert!((rise - 0.70).abs() < 1e-12 && (fall - 0.70).abs() < 1e-12, "{rise} {fall}");
    assert_eq!(zones.fallen(Some(0.70)), None, "nothing falls below nothing");
    assert_eq!((zones.fallen(None), zones.fallen(Some(f64::NAN))), (None, None));
}

#[test]
fn own_boundaries_are_checked_and_every_fault_is_named() {
    let faults = Preset::custom("x", Boundaries { ab: f64::NAN, bc: 2.0, cd: 1.0 }).expect_err("nothing fits");
    let names: Vec<_> = faults.iter().map(|f| f.name).collect();
    assert_eq!(names, ["ab", "bc", "cd"]);
    let own = Preset::custom("mill", Boundaries { ab: 3.0, bc: 6.0, cd: 10.0 }).expect("ordered");
    assert_eq!((own.name(), own.edition()), ("mill", "own zones mill"));
    assert_eq!(own.significant_change(), 1.5);
}

#[test]
fn names_are_unique_and_every_one_is_found() {
    let mut names: Vec<_> = Preset::names().collect();
    assert!(names.iter().all(|name| Preset::by_name(name).is_some_and(|p| p.name() == *name)));
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), 12);
    assert_eq!(Preset::by_name("iso-20816-3"), None, "half a name is no name");
}

/// Source: scopes of ISO 20816-3 (groups at 300 kW and 15 kW) and ISO 10816-7 (200 kW, from 1 kW), from memory.
#[test]
fn suggestions_follow_the_groups_and_stop_at_the_scope() {
    use MachineKind::{Other, PumpCategory1, PumpCategory2};
    use Mounting::{Flexible, Rigid};
    for (kind, kw, mounting, want) in [
        (Other, 301.0, Rigid, Some("iso-20816-3-group-1-rigid")),
        (Other, 300.0, Flexible, Some("iso-20816-3-group-2-flexible")),
        (Other, 15.0, Rigid, None),
        (Other, f64::NAN, Rigid, None),
        (PumpCategory1, 200.0, Rigid, Some("iso-10816-7-category-1-to-200-kw")),
        (PumpCategory2, 200.1, Flexible, Some("iso-10816-7-category-2-above-200-kw")),
        (PumpCategory2, 1.0, Rigid, None),
    ] {
        assert_eq!(suggest(kind, kw, mounting), want, "{kind:?} {kw} {mounting:?}");
        assert!(want.is_none_or(|name| Preset::by_name(name).is_some()));
    }
}
