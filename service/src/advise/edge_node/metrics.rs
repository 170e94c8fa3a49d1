//! The word on an asset as Sparkplug metrics, and the node's own.
//!
//! | metric | type | unit | from |
//! |---|---|---|---|
//! | `Condition` | String | | `zone` of the condition document |
//! | `Severity` | Int32 | | 0 none, 1 advisory, 2 warning, 3 alarm |
//! | `Deviation` | Double | | `deviation`; null before a baseline |
//! | `Operating State` | String | | `operating_state`; null when there is none |
//! | `Run Hours` | Double | h | `run_hours` |
//! | `Learned` | Double | % | `learned` |
//! | `Remaining Life/P10`, `/P50`, `/P90` | Double | h | the nearest forecast; null when there is none |
//! | `Remaining Life/To` | String | | point and limit of that forecast |
//! | `Alert/Id`, `Alert/State`, `Alert/Message` | String | | the newest alert while any is open, else null |

use crate::acquire::sparkplug::datatype;
use crate::acquire::sparkplug::payload::{Metric, Property, PropertySet, PropertyValue, Value};
use crate::advise::document::Zone;
use crate::advise::forms;
use crate::board::Standing;

/// What one metric says now.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Word {
    pub(super) name: &'static str,
    datatype: u32,
    unit: Option<&'static str>,
    value: Option<Value>,
}

/// All metrics of a device, always the same ones in the same order.
pub(super) fn words(standing: &Standing) -> Vec<Word> {
    let text = |name, text: Option<String>| Word {
        name,
        datatype: datatype::STRING,
        unit: None,
        value: text.map(Value::Text),
    };
    let number = |name, unit, number: Option<f64>| Word {
        name,
        datatype: datatype::DOUBLE,
        unit,
        value: number.filter(|number| number.is_finite()).map(Value::Double),
    };
    let condition = standing.condition.as_deref();
    let zone = condition.map(|condition| condition.zone);
    let nearest = standing.life.as_ref().and_then(|(_, life)| life.forecasts.first());
    let alert = standing.alerts.values().max_by_key(|alert| (alert.at, alert.revision));
    let severity = match zone {
        Some(Zone::Advisory) => 1,
        Some(Zone::Warning) => 2,
        Some(Zone::Alarm) => 3,
        _ => 0,
    };
    vec![
        text("Condition", zone.as_ref().map(forms::word)),
        Word { name: "Severity", datatype: datatype::INT32, unit: None, value: Some(Value::Int(severity)) },
        number("Deviation", None, condition.and_then(|condition| condition.deviation)),
        text("Operating State", condition.and_then(|condition| condition.operating_state.clone())),
        number("Run Hours", Some("h"), condition.map(|condition| condition.run_hours)),
        number("Learned", Some("%"), condition.map(|condition| 100.0 * condition.learned)),
        number("Remaining Life/P10", Some("h"), nearest.and_then(|nearest| nearest.p10_hours)),
        number("Remaining Life/P50", Some("h"), nearest.and_then(|nearest| nearest.p50_hours)),
        number("Remaining Life/P90", Some("h"), nearest.and_then(|nearest| nearest.p90_hours)),
        text("Remaining Life/To", nearest.map(|nearest| format!("{} to {}", nearest.point, nearest.target))),
        text("Alert/Id", alert.map(|alert| alert.id.clone())),
        text("Alert/State", alert.map(|alert| forms::word(&alert.state))),
        text("Alert/Message", alert.map(|alert| alert.message.clone())),
    ]
}

impl Word {
    /// As it stands in a birth (everything about it) or in data (name and value).
    pub(super) fn metric(&self, timestamp: Option<u64>, birth: bool) -> Metric {
        let properties = self.unit.filter(|_| birth).map(|unit| PropertySet {
            // The standard names no property for a unit; this is the name that hosts look for (common practice).
            keys: vec!["engUnit".into()],
            values: vec![PropertyValue {
                r#type: Some(datatype::STRING),
                value: Some(Property::Text(unit.into())),
                ..PropertyValue::default()
            }],
        });
        Metric {
            name: Some(self.name.into()),
            timestamp,
            // In data as well: two bytes, and a host that lost the birth still reads the value.
            datatype: Some(self.datatype),
            is_null: self.value.is_none().then_some(true),
            properties,
            value: self.value.clone(),
            ..Metric::default()
        }
    }
}

/// The number of the connection, for births and the will.
pub(super) fn birth_number(number: u8, timestamp: Option<u64>) -> Metric {
    Metric {
        name: Some("bdSeq".into()),
        timestamp,
        datatype: Some(datatype::INT64),
        value: Some(Value::Long(number.into())),
        ..Metric::default()
    }
}
