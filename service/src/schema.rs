//! JSON Schemas (draft 2020-12) of every document we publish, keep as a file or take, made from the types themselves.
//!
//! They lie in `deploy/schema/`; a test holds the two equal. A published schema is open: a field it does not know is no
//! fault, because new fields may come under the same `schema` name ([`Document`]). Keys are always there, so all that
//! is known is required.

use crate::advise::command::{Reply, schema as command_schema};
use crate::advise::diagnosis::{CaptureRequest, Diagnosis};
use crate::advise::document::{Alert, Condition, Document, History, RemainingLifeStatement};
use crate::advise::service_status::ServiceStatus;
use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};

/// All of them, by the name of their file in `deploy/schema/`.
pub fn all() -> Vec<(&'static str, Value)> {
    vec![
        ("alert.json", of::<Alert>()),
        ("capture-request.json", of::<CaptureRequest>()),
        ("command.json", command_schema()),
        ("command-reply.json", of::<Reply>()),
        ("condition.json", of::<Condition>()),
        ("diagnosis.json", of::<Diagnosis>()),
        ("history.json", of::<History>()),
        ("remaining-life.json", of::<RemainingLifeStatement>()),
        ("service.json", of::<ServiceStatus>()),
    ]
}

/// As it stands in its file.
pub fn text(schema: &Value) -> String {
    format!("{schema:#}\n")
}

/// The schema of a document as [`Document::to_json`] writes it.
fn of<T: Document + JsonSchema>() -> Value {
    let generator = SchemaSettings::draft2020_12().for_serialize().into_generator();
    let mut schema = Value::from(generator.into_root_schema_for::<T>());
    if let Some(body) = schema.as_object_mut() {
        body.insert("title".into(), T::SCHEMA.into());
        let properties = body.entry("properties").or_insert_with(|| Value::Object(Map::new()));
        properties["schema"] = json!({ "const": T::SCHEMA, "description": "Name and version of this form." });
        if let Some(required) = body.entry("required").or_insert_with(|| json!([])).as_array_mut() {
            required.insert(0, "schema".into());
        }
    }
    reword(&mut schema);
    schema
}

/// Descriptions come from comments meant for readers of the code: links and the word for "nothing" become plain.
fn reword(schema: &mut Value) {
    match schema {
        Value::Object(map) => {
            for (key, value) in map {
                match value {
                    Value::String(text) if key == "description" => {
                        let plain = text.replace("[`", "`").replace("`]", "`").replace("`None`", "`null`");
                        *text = plain.split_whitespace().collect::<Vec<_>>().join(" ");
                    }
                    value => reword(value),
                }
            }
        }
        Value::Array(items) => items.iter_mut().for_each(reword),
        _ => {}
    }
}
