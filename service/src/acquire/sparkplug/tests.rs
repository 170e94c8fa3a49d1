//! Nodes against the specification's rules, and against anything at all. Section numbers are those of 3.0.0.

use super::nodes::{NamedValue, Nodes, Told};
use super::payload::{Metric, Payload, Property, PropertySet, PropertyValue, Value};
use super::{Kind, NodeKey, address, datatype, is_sparkplug};
use crate::acquire::{Quality, Rejection};
use crate::config::Sparkplug;
use proptest::prelude::*;
use prost::Message as _;
use roundsman_models::EventTime;

const NOW: i64 = 1_900_000_000_000_000;

fn rules(rebirth: bool) -> Sparkplug {
    Sparkplug { groups: vec!["+".into()], rebirth, asset: "{device}".into(), ..Sparkplug::default() }
}

fn metric(name: Option<&str>, alias: Option<u64>, value: Value) -> Metric {
    let datatype = match value {
        Value::Int(_) => datatype::INT32,
        Value::Long(_) => datatype::INT64,
        Value::Boolean(_) => datatype::BOOLEAN,
        Value::Float(_) => datatype::FLOAT,
        _ => datatype::DOUBLE,
    };
    Metric { name: name.map(str::to_owned), alias, datatype: Some(datatype), value: Some(value), ..Metric::default() }
}

fn payload(seq: Option<u64>, metrics: Vec<Metric>) -> Vec<u8> {
    Payload { timestamp: Some(1_900_000_000_000), metrics, seq }.encode_to_vec()
}

fn bd_seq(number: u64) -> Metric {
    metric(Some("bdSeq"), None, Value::Long(number))
}

/// A host with one node.
struct Bench {
    nodes: Nodes,
    rules: Sparkplug,
    now: i64,
}

impl Bench {
    fn new(rebirth: bool) -> Self {
        Self { nodes: Nodes::default(), rules: rules(rebirth), now: NOW }
    }

    fn hear(&mut self, topic: &str, bytes: &[u8]) -> Vec<Told> {
        let mut told = Vec::new();
        let topic = format!("spBv1.0/{topic}");
        let address = address(&topic).expect("a topic").expect("of a node");
        self.nodes.message(&self.rules, address, bytes, EventTime(self.now), 1 << 17, &mut told);
        told
    }

    fn born(rebirth: bool) -> Self {
        let mut bench = Self::new(rebirth);
        assert_eq!(bench.hear("g/NBIRTH/n", &payload(Some(0), vec![bd_seq(3)])), []);
        let birth = vec![metric(Some("vib"), Some(7), Value::Double(1.0))];
        assert_eq!(values(&bench.hear("g/DBIRTH/n/pump", &payload(Some(1), birth))), [1.0]);
        bench
    }

    fn data(&mut self, seq: u64, value: f64) -> Vec<Told> {
        self.hear("g/DDATA/n/pump", &payload(Some(seq), vec![metric(None, Some(7), Value::Double(value))]))
    }
}

fn named(told: &[Told]) -> Vec<&NamedValue> {
    told.iter().filter_map(|told| if let Told::Value(value) = told { Some(value) } else { None }).collect()
}

fn values(told: &[Told]) -> Vec<f64> {
    named(told).iter().map(|value| value.value).collect()
}

fn refused(told: &[Told]) -> Vec<(Rejection, u32)> {
    told.iter().filter_map(|t| if let Told::Refused(why, n, _) = t { Some((*why, *n)) } else { None }).collect()
}

fn asked(told: &[Told]) -> bool {
    told.iter().any(|told| matches!(told, Told::Rebirth(_)))
}

#[test]
fn topics() {
    assert!(is_sparkplug("spBv1.0/g/NBIRTH/n") && !is_sparkplug("spBv1.0x/g") && !is_sparkplug("plant/spBv1.0/g"));
    assert_eq!(address("spBv1.0/STATE/host").expect("known"), None);
    let device = address("spBv1.0/g/DDATA/n/d").expect("known").expect("a device's");
    assert_eq!((device.group, device.kind, device.node, device.device), ("g", Kind::Data, "n", Some("d")));
    let long = format!("spBv1.0/g/NDATA/{}", "n".repeat(129));
    for bad in [
        "spBv1.0",
        "spBv1.0/g/NDATA",
        "spBv1.0/g/DDATA/n",
        "spBv1.0/g/NDATA/n/d",
        "spBv1.0/g/XDATA/n",
        "spBv1.0//NDATA/n",
        "spBv1.0/g/DDATA/n/d/e",
        &long,
    ] {
        assert!(address(bad).is_err(), "{bad}");
    }
}

/// Source: the wire form of Protocol Buffers (encoding guide) worked out by hand with the field numbers of section 6.4.1.
#[test]
fn bytes_written_by_hand_are_read() {
    // timestamp 1: 08 varint; metrics 2: 12 len { name 1: 0a 01 "v"; alias 2: 10 05; datatype 4: 20 0a; double 13: 69 … }; seq 3.
    let mut bytes = vec![0x08, 0xe8, 0x07];
    let mut inner = vec![0x0a, 0x01, b'v', 0x10, 0x05, 0x20, 0x0a, 0x69];
    inner.extend(2.5f64.to_le_bytes());
    // A template in field 18, which is passed over: 92 01 len.
    inner.extend([0x92, 0x01, 0x02, 0x08, 0x01]);
    bytes.extend([0x12, inner.len() as u8]);
    bytes.extend(inner);
    bytes.extend([0x18, 0x09]);
    let read = Payload::decode(bytes.as_slice()).expect("a payload");
    assert_eq!((read.timestamp, read.seq), (Some(1000), Some(9)));
    let metric = &read.metrics[0];
    assert_eq!((metric.name.as_deref(), metric.alias, metric.datatype), (Some("v"), Some(5), Some(10)));
    assert_eq!(metric.value, Some(Value::Double(2.5)));
}

#[test]
fn a_birth_names_what_data_say_by_alias() {
    let mut bench = Bench::born(false);
    let told = bench.data(2, 4.5);
    let value = named(&told)[0];
    assert_eq!((value.asset.as_str(), value.area.as_str(), value.point.as_str()), ("pump", "g/n", "vib"));
    assert_eq!((value.value, value.at), (4.5, EventTime(NOW)));
}

/// Source: section 6.4.16, integers: two's complement in an unsigned field.
#[test]
fn signed_integers_come_as_twos_complement() {
    for (code, value, want) in [
        (datatype::INT8, Value::Int(0xff), -1.0),
        (datatype::INT8, Value::Int(0xffff_ff80), -128.0),
        (datatype::INT16, Value::Int(0xfffe), -2.0),
        (datatype::INT32, Value::Int(0xffff_ffff), -1.0),
        (datatype::INT64, Value::Long(u64::MAX), -1.0),
        (datatype::UINT8, Value::Int(200), 200.0),
        (7, Value::Int(u32::MAX), 4_294_967_295.0),
        (7, Value::Long(4_294_967_295), 4_294_967_295.0),
        (datatype::UINT64, Value::Long(1 << 40), 1_099_511_627_776.0),
        (datatype::BOOLEAN, Value::Boolean(true), 1.0),
    ] {
        let mut bench = Bench::new(false);
        let metric = Metric { datatype: Some(code), ..metric(Some("x"), None, value.clone()) };
        let told = bench.hear("g/NBIRTH/n", &payload(Some(0), vec![metric]));
        assert_eq!(values(&told), [want], "{code} {value:?}");
    }
}

#[test]
fn units_ranges_and_quality_come_from_properties() {
    let property = |value| PropertyValue { value: Some(value), ..PropertyValue::default() };
    let mut birth = metric(Some("vib"), Some(1), Value::Double(2.0));
    birth.properties = Some(PropertySet {
        keys: vec!["Engineering Units".into(), "engLow".into(), "engHigh".into()],
        values: vec![
            property(Property::Text("mm/s".into())),
            property(Property::Int((-5i32).cast_unsigned())),
            property(Property::Double(40.0)),
        ],
    });
    let mut bench = Bench::new(false);
    let told = bench.hear("g/DBIRTH/n/pump", &payload(Some(0), vec![birth]));
    let value = named(&told)[0];
    assert_eq!((value.unit.as_deref(), value.range, value.quality), (Some("mm/s"), Some((-5.0, 40.0)), Quality::Good));
    for (code, want) in [(0, Quality::Bad), (500, Quality::Bad), (192, Quality::Good)] {
        let mut data = metric(None, Some(1), Value::Double(2.0));
        data.properties =
            Some(PropertySet { keys: vec!["Quality".into()], values: vec![property(Property::Int(code))] });
        let told = bench.hear("g/DDATA/n/pump", &payload(None, vec![data]));
        let value = named(&told)[0];
        // The unit of the birth goes with every value.
        assert_eq!((value.quality, value.unit.as_deref()), (want, Some("mm/s")), "{code}");
    }
}

#[test]
fn data_without_a_birth_are_refused_and_the_node_is_asked_once_a_minute() {
    let mut bench = Bench::new(true);
    let told = bench.data(17, 1.0);
    assert_eq!((refused(&told), asked(&told)), (vec![(Rejection::NoBirth, 1)], true));
    assert!(!asked(&bench.data(18, 1.0)), "it was asked a moment ago");
    bench.now += 61_000_000;
    assert!(asked(&bench.data(19, 1.0)));
    // Without leave nobody is asked.
    let mut bench = Bench::new(false);
    let told = bench.data(17, 1.0);
    assert_eq!((refused(&told), asked(&told)), (vec![(Rejection::NoBirth, 1)], false));
}

/// Source: section 6.4.6 (alias) with the birth of another device in between.
#[test]
fn an_alias_of_another_device_or_of_nobody_is_refused() {
    let mut bench = Bench::born(true);
    let other = vec![metric(Some("vib"), Some(8), Value::Double(5.0))];
    bench.hear("g/DBIRTH/n/fan", &payload(Some(2), other));
    let told = bench.hear("g/DDATA/n/pump", &payload(Some(3), vec![metric(None, Some(8), Value::Double(6.0))]));
    assert_eq!((values(&told), refused(&told)), (vec![], vec![(Rejection::Unreadable, 1)]));
    let told = bench.hear("g/DDATA/n/pump", &payload(Some(4), vec![metric(None, Some(99), Value::Double(6.0))]));
    assert_eq!((refused(&told), asked(&told)), (vec![(Rejection::NoBirth, 1)], true));
    // A birth that takes another's alias does not get it.
    let thief = vec![metric(Some("temp"), Some(7), Value::Double(60.0))];
    let told = bench.hear("g/DBIRTH/n/fan", &payload(Some(5), thief));
    assert_eq!((values(&told), refused(&told)), (vec![60.0], vec![(Rejection::Unreadable, 1)]));
    assert_eq!(values(&bench.data(6, 7.0)), [7.0], "the pump keeps it");
}

/// Source: section 6.5 (reordering): messages that are ahead wait, and are taken in their order when the gap is filled.
#[test]
fn messages_out_of_order_are_put_in_order() {
    let mut bench = Bench::born(true);
    assert_eq!(bench.data(4, 4.0), []);
    assert_eq!(bench.data(3, 3.0), []);
    let told = bench.data(2, 2.0);
    assert_eq!((values(&told), refused(&told)), (vec![2.0, 3.0, 4.0], vec![]));
    assert_eq!(values(&bench.data(5, 5.0)), [5.0]);
    assert_eq!(refused(&bench.data(5, 5.0)), [(Rejection::Duplicate, 1)]);
}

#[test]
fn a_gap_that_is_not_filled_in_time_asks_for_a_rebirth_and_reads_nothing_by_old_aliases() {
    let mut bench = Bench::born(true);
    assert_eq!(bench.data(4, 4.0), []);
    bench.now += 3_000_000;
    let told = bench.data(5, 5.0);
    assert!(asked(&told) && values(&told).is_empty(), "{told:?}");
    assert_eq!(refused(&told), [(Rejection::SequenceGap, 2), (Rejection::NoBirth, 2)]);
    // The rebirth.
    bench.hear("g/NBIRTH/n", &payload(Some(0), vec![bd_seq(3)]));
    bench.hear("g/DBIRTH/n/pump", &payload(Some(1), vec![metric(Some("vib"), Some(7), Value::Double(1.0))]));
    assert_eq!(values(&bench.data(2, 6.0)), [6.0]);
}

#[test]
fn silence_ends_a_gap_too() {
    let mut bench = Bench::born(true);
    assert_eq!(bench.data(3, 3.0), []);
    let mut told = Vec::new();
    bench.nodes.idle(&bench.rules, 1_000_000, &mut told);
    assert_eq!(told, []);
    bench.nodes.idle(&bench.rules, 1_500_000, &mut told);
    assert!(asked(&told), "{told:?}");
}

#[test]
fn without_leave_to_ask_the_last_births_stay_in_force_over_a_gap() {
    let mut bench = Bench::born(false);
    assert_eq!(bench.data(4, 4.0), []);
    bench.now += 3_000_000;
    let told = bench.data(5, 5.0);
    assert_eq!((values(&told), refused(&told)), (vec![4.0, 5.0], vec![(Rejection::SequenceGap, 2)]));
    // A jump too large to be waited for.
    let told = bench.data(100, 7.0);
    assert_eq!((values(&told), refused(&told)), (vec![7.0], vec![(Rejection::SequenceGap, 94)]));
    assert_eq!(values(&bench.data(101, 8.0)), [8.0]);
}

#[test]
fn the_count_goes_round_at_256() {
    let mut bench = Bench::born(true);
    for seq in 2..600u64 {
        let told = bench.data(seq % 256, seq as f64);
        assert_eq!(values(&told), [seq as f64], "{told:?}");
    }
}

/// Source: section 6.4.20 (NDEATH): matched by bdSeq, so that the will of an old connection ends nothing.
#[test]
fn a_death_of_an_earlier_connection_is_passed_over() {
    let mut bench = Bench::born(true);
    assert_eq!(bench.hear("g/NDEATH/n", &payload(None, vec![bd_seq(2)])), []);
    assert_eq!(values(&bench.data(2, 2.0)), [2.0]);
    bench.hear("g/NDEATH/n", &payload(None, vec![bd_seq(3)]));
    let told = bench.data(3, 3.0);
    assert_eq!((refused(&told), asked(&told)), (vec![(Rejection::NoBirth, 1)], true));
}

#[test]
fn a_dead_device_takes_nothing_until_it_is_born_again_and_others_go_on() {
    let mut bench = Bench::born(true);
    bench.hear("g/DBIRTH/n/fan", &payload(Some(2), vec![metric(Some("vib"), Some(8), Value::Double(5.0))]));
    bench.hear("g/DDEATH/n/pump", &payload(Some(3), vec![]));
    assert_eq!(refused(&bench.data(4, 1.0)), [(Rejection::NoBirth, 1)]);
    let fan = bench.hear("g/DDATA/n/fan", &payload(Some(5), vec![metric(None, Some(8), Value::Double(6.0))]));
    assert_eq!(values(&fan), [6.0]);
    bench.hear("g/DBIRTH/n/pump", &payload(Some(6), vec![metric(Some("vib"), Some(7), Value::Double(1.0))]));
    assert_eq!(values(&bench.data(7, 2.0)), [2.0]);
}

#[test]
fn history_and_null_are_counted_and_not_taken() {
    let mut bench = Bench::born(true);
    let history = Metric { is_historical: Some(true), ..metric(None, Some(7), Value::Double(9.0)) };
    assert_eq!(refused(&bench.hear("g/DDATA/n/pump", &payload(Some(2), vec![history]))), [(Rejection::Historical, 1)]);
    let null = Metric { is_null: Some(true), value: None, ..metric(None, Some(7), Value::Double(9.0)) };
    assert_eq!(refused(&bench.hear("g/DDATA/n/pump", &payload(Some(3), vec![null]))), [(Rejection::BadQuality, 1)]);
}

#[test]
fn nodes_metrics_and_our_own_messages_are_bounded() {
    let mut bench = Bench::new(true);
    bench.rules.max_nodes = 2;
    bench.rules.max_metrics = 5;
    bench.rules.publish = Some(NodeKey { group: "g".into(), node: "ours".into() });
    assert_eq!(bench.hear("g/NBIRTH/ours", &payload(Some(0), vec![bd_seq(1)])), [], "what we say ourselves");
    assert!(bench.nodes.is_empty());
    let many = (0..10).map(|n| metric(Some(&format!("m{n}")), Some(n), Value::Double(1.0))).collect();
    let told = bench.hear("g/NBIRTH/n", &payload(Some(0), many));
    assert_eq!((values(&told).len(), refused(&told)), (4, vec![(Rejection::TooMany, 6)]));
    let told = bench.hear("g/DBIRTH/m/d", &payload(Some(0), vec![metric(Some("x"), None, Value::Double(1.0))]));
    assert_eq!(refused(&told), [(Rejection::TooMany, 1)]);
    assert_eq!(refused(&bench.hear("g/NBIRTH/third", &payload(Some(0), vec![]))), [(Rejection::TooMany, 1)]);
    assert_eq!(bench.nodes.len(), 2);
    // A node that is born again with less makes room.
    bench.hear("g/NBIRTH/n", &payload(Some(0), vec![]));
    let told = bench.hear("g/DBIRTH/m/d", &payload(Some(1), vec![metric(Some("x"), None, Value::Double(1.0))]));
    assert_eq!(values(&told), [1.0]);
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic_and_a_stored_state_goes_on_the_same(
        messages in proptest::collection::vec((0usize..6, 0u64..300, proptest::collection::vec(any::<u8>(), 0..60), 0i64..4_000_000), 0..60)
    ) {
        let mut straight = Bench::new(true);
        let mut stored = Bench::new(true);
        for (kind, seq, bytes, later) in messages {
            straight.now += later;
            stored.now += later;
            let topic = ["g/NBIRTH/n", "g/DBIRTH/n/d", "g/NDATA/n", "g/DDATA/n/d", "g/NDEATH/n", "g/DDEATH/n/d"][kind];
            let bytes = if seq < 280 {
                let alias = bytes.first().copied().map(u64::from);
                payload(Some(seq % 24), vec![metric(Some("a"), alias, Value::Double(1.0)), metric(None, alias, Value::Int(2))])
            } else {
                bytes
            };
            let saved = postcard::to_stdvec(&stored.nodes).expect("encodes");
            stored.nodes = postcard::from_bytes(&saved).expect("reads");
            prop_assert_eq!(straight.hear(topic, &bytes), stored.hear(topic, &bytes));
        }
        prop_assert_eq!(straight.nodes, stored.nodes);
    }
}
