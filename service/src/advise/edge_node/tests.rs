//! The board's words.

use super::metrics::words;
use crate::acquire::sparkplug::payload::{Metric, Property, Value};
use crate::advise::document::tests::{alert, condition};
use crate::advise::document::{Change, LifeState};
use crate::board::Board;
use std::sync::Arc;

fn metrics(board: &Board, asset: &str, birth: bool) -> Vec<Metric> {
    let standing = board.find(asset).expect("on the board");
    words(&standing).iter().map(|word| word.metric(Some(1), birth)).collect()
}

fn value(metrics: &[Metric], name: &str) -> Option<Value> {
    metrics.iter().find(|metric| metric.name.as_deref() == Some(name)).expect(name).value.clone()
}

#[test]
fn what_stands_on_the_board_is_said_and_an_alert_goes_with_its_end() {
    let board = Board::default();
    let (mut alert, mut condition) = (alert(), condition());
    alert.state = LifeState::Unacknowledged;
    condition.asset.clone_from(&alert.asset);
    let name: Arc<str> = alert.asset.as_str().into();
    board.condition(Arc::new(condition.clone()));
    board.alert(&name, Arc::new(alert.clone()));
    let now = metrics(&board, &alert.asset, false);
    assert_eq!(value(&now, "Alert/Id"), Some(Value::Text(alert.id.clone())));
    assert_eq!(value(&now, "Alert/Message"), Some(Value::Text(alert.message.clone())));
    assert_eq!(value(&now, "Run Hours"), Some(Value::Double(condition.run_hours)));
    (alert.change, alert.state) = (Change::Closed, LifeState::Normal);
    board.alert(&name, Arc::new(alert));
    let after = metrics(&board, &condition.asset, false);
    assert_eq!(value(&after, "Alert/Id"), None);
    let null = after.iter().find(|metric| metric.name.as_deref() == Some("Alert/Id")).expect("it is there");
    assert_eq!(null.is_null, Some(true));
}

#[test]
fn a_birth_has_units_and_data_have_none() {
    let board = Board::default();
    let condition = condition();
    board.condition(Arc::new(condition.clone()));
    let unit = |birth| {
        let metrics = metrics(&board, &condition.asset, birth);
        let hours =
            metrics.into_iter().find(|metric| metric.name.as_deref() == Some("Run Hours")).expect("it is there");
        hours.properties.and_then(|set| set.values.into_iter().next()).and_then(|value| value.value)
    };
    assert_eq!((unit(true), unit(false)), (Some(Property::Text("h".into())), None));
}
