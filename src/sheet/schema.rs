//! The JSON schema of a sheet, from the tables that it is read by.

use super::keys::{EXPECT, Holds, Key, SHEET};
use crate::figure::registry::QUANTITIES;
use serde_json::{Map, Value, json};

/// The schema (JSON Schema draft 2020-12), by which editors complete and check a sheet.
pub fn schema() -> Value {
    let mut root = table(SHEET);
    root.insert(
        "$schema".into(),
        "https://json-schema.org/draft/2020-12/schema".into(),
    );
    root.insert("title".into(), "gridleak regression sheet".into());
    root.sort_keys();
    Value::Object(root)
}

fn table(keys: &[Key]) -> Map<String, Value> {
    let properties: Map<String, Value> = keys
        .iter()
        .map(|k| (k.name.to_string(), property(k)))
        .collect();
    let required: Vec<&str> = keys.iter().filter(|k| k.required).map(|k| k.name).collect();
    let mut object = Map::new();
    object.insert("type".into(), "object".into());
    object.insert("properties".into(), Value::Object(properties));
    object.insert("required".into(), json!(required));
    object.insert("additionalProperties".into(), false.into());
    object
}

fn property(key: &Key) -> Value {
    let amount = json!({ "type": ["number", "string"] });
    let mut property = match key.holds {
        Holds::Text => json!({ "type": "string" }),
        Holds::Flag => json!({ "type": "boolean" }),
        Holds::Amount => amount,
        Holds::AmountByCase => json!({
            "type": ["number", "string", "object"],
            "additionalProperties": amount,
        }),
        Holds::Numbers => json!({ "type": "array", "items": { "type": "number" } }),
        Holds::Pairs => json!({
            "type": "array",
            "minItems": 1,
            "items": { "type": "array", "items": amount, "minItems": 2, "maxItems": 2 },
        }),
        Holds::Settings => json!({
            "type": "object",
            "additionalProperties": { "type": ["number", "string", "boolean", "object"] },
        }),
        Holds::Choices => json!({
            "type": "array",
            "items": {
                "type": "object",
                "additionalProperties": {
                    "type": "array",
                    "minItems": 1,
                    "items": { "type": ["number", "string", "boolean"] },
                },
            },
        }),
        Holds::Expectations => json!({
            "type": "array",
            "minItems": 1,
            "items": table(EXPECT),
        }),
    };
    let object = property.as_object_mut().expect("all are objects");
    object.insert("description".into(), key.meaning.into());
    if key.name == "figure" {
        let examples: Vec<&str> = QUANTITIES.iter().map(|q| q.example).collect();
        object.insert("examples".into(), json!(examples));
    }
    property
}
