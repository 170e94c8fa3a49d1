//! The board and its words.

use super::board::{Board, Tapped};
use super::metrics::words;
use crate::acquire::mqtt::link::{About, Publication};
use crate::acquire::sparkplug::payload::{Metric, Property, Value};
use crate::advise::diagnosis::{CaptureRequest, Diagnosis};
use crate::advise::document::tests::{alert, condition};
use crate::advise::document::{Alert, Condition, RemainingLife};
use crate::advise::publish::{Documents, Presence};
use crate::engine::Command;
use crate::status::Status;
use roundsman_models::EventTime;
use std::sync::Arc;

struct Mute;

impl Mute {
    fn publication() -> Publication {
        Publication {
            topic: "t".into(),
            payload: Vec::new(),
            retain: false,
            correlation: None,
            about: About::default(),
        }
    }
}

impl Documents for Mute {
    fn alert(&self, _: &Alert) -> Publication {
        Self::publication()
    }
    fn condition(&self, _: &Condition) -> Publication {
        Self::publication()
    }
    fn remaining_life(&self, _: &str, _: EventTime, _: &RemainingLife) -> Publication {
        Self::publication()
    }
    fn diagnosis(&self, _: &Diagnosis) -> Publication {
        Self::publication()
    }
    fn capture_request(&self, _: &CaptureRequest) -> Publication {
        Self::publication()
    }
    fn answer(&self, _: Option<&str>, _: Option<&Command>, _: Result<&str, &str>) -> Vec<u8> {
        Vec::new()
    }
    fn service(&self, _: Presence, _: Option<&Status>) -> Publication {
        Self::publication()
    }
}

fn metrics(board: &Board, asset: &str, birth: bool) -> Vec<Metric> {
    let standing = board.read().remove(asset).expect("on the board");
    words(&standing).iter().map(|word| word.metric(Some(1), birth)).collect()
}

fn value(metrics: &[Metric], name: &str) -> Option<Value> {
    metrics.iter().find(|metric| metric.name.as_deref() == Some(name)).expect(name).value.clone()
}

#[test]
fn what_is_worded_stands_on_the_board_and_an_alert_goes_with_its_end() {
    let board = Arc::new(Board::default());
    let tapped = Tapped { inner: Arc::new(Mute), board: board.clone() };
    let alert = alert();
    let mut condition = condition();
    condition.asset.clone_from(&alert.asset);
    condition.open_alerts = vec![alert.id.clone()];
    tapped.condition(&condition);
    tapped.alert(&alert);
    let now = metrics(&board, &alert.asset, false);
    assert_eq!(value(&now, "Alert/Id"), Some(Value::Text(alert.id.clone())));
    assert_eq!(value(&now, "Alert/Message"), Some(Value::Text(alert.message.clone())));
    assert_eq!(value(&now, "Run Hours"), Some(Value::Double(condition.run_hours)));
    condition.open_alerts.clear();
    tapped.condition(&condition);
    let after = metrics(&board, &alert.asset, false);
    assert_eq!(value(&after, "Alert/Id"), None);
    let null = after.iter().find(|metric| metric.name.as_deref() == Some("Alert/Id")).expect("it is there");
    assert_eq!(null.is_null, Some(true));
}

#[test]
fn a_birth_has_units_and_data_have_none() {
    let board = Arc::new(Board::default());
    let condition = condition();
    Tapped { inner: Arc::new(Mute), board: board.clone() }.condition(&condition);
    let unit = |birth| {
        let metrics = metrics(&board, &condition.asset, birth);
        let hours =
            metrics.into_iter().find(|metric| metric.name.as_deref() == Some("Run Hours")).expect("it is there");
        hours.properties.and_then(|set| set.values.into_iter().next()).and_then(|value| value.value)
    };
    assert_eq!((unit(true), unit(false)), (Some(Property::Text("h".into())), None));
}
