//! JSON Schema (draft 2020-12) of the machine sheet, made from [`KEYS`](super::keys::KEYS).
//!
//! It says what one key allows. That a range is not reversed, and rules across keys, only the reader knows.

use serde_json::{Map, Value, json};
use toml::Spanned;
use toml::de::DeValue;

use super::keys::{self, Key, Kind, Preset, SEVERITY_WORDS, TEXT_MAX};
use super::sheet::CheckIds;

/// Schema of a sheet that may name these checks.
pub(super) fn schema_for(checks: CheckIds<'_>) -> Value {
    let mut schema = object("", checks);
    schema.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
    schema.insert("title".into(), json!("gonogo machine sheet"));
    schema.insert("description".into(), json!("What a printer is and how it is set up today, for gonogo."));
    Value::Object(schema)
}

/// An object with the keys of a table.
fn object(table: &str, checks: CheckIds<'_>) -> Map<String, Value> {
    let properties: Map<String, Value> =
        keys::children(table).map(|key| (key.name().to_owned(), property(key, checks))).collect();
    let required: Vec<&str> =
        keys::children(table).filter(|key| key.preset == Preset::Required).map(|key| key.name()).collect();
    let mut object = Map::new();
    object.insert("type".into(), json!("object"));
    object.insert("properties".into(), Value::Object(properties));
    if !required.is_empty() {
        object.insert("required".into(), json!(required));
    }
    object.insert("additionalProperties".into(), json!(false));
    object
}

fn property(key: &Key, checks: CheckIds<'_>) -> Value {
    let mut property = match key.kind {
        Kind::Table => object(key.path, checks),
        Kind::OneOf => {
            let mut one = object(key.path, checks);
            one.insert("minProperties".into(), json!(1));
            one.insert("maxProperties".into(), json!(1));
            one
        }
        Kind::WordOrTable(words) => {
            members(json!({ "anyOf": [{ "enum": words }, Value::Object(object(key.path, checks))] }))
        }
        Kind::Tables { min, max } => tables(key, min, max, checks),
        Kind::Checks => severities(checks),
        _ => leaf(key.kind),
    };
    property.insert("description".into(), json!(key.sentence()));
    if let Some(default) = default_json(key) {
        property.insert("default".into(), default);
    }
    if let Some(example) = to_json(key.example) {
        property.insert("examples".into(), json!([example]));
    }
    Value::Object(property)
}

fn tables(key: &Key, min: usize, max: usize, checks: CheckIds<'_>) -> Map<String, Value> {
    let first: Vec<&str> = keys::children(key.path)
        .filter(|child| child.preset == Preset::RequiredInFirst)
        .map(|child| child.name())
        .collect();
    let mut list = Map::new();
    list.insert("type".into(), json!("array"));
    list.insert("minItems".into(), json!(min));
    list.insert("maxItems".into(), json!(max));
    list.insert("items".into(), Value::Object(object(key.path, checks)));
    if !first.is_empty() {
        list.insert("allOf".into(), json!([{ "prefixItems": [{ "required": first }] }]));
    }
    list
}

fn severities(checks: CheckIds<'_>) -> Map<String, Value> {
    let properties: Map<String, Value> = checks
        .iter()
        .map(|(id, severity)| ((*id).to_owned(), json!({ "enum": SEVERITY_WORDS, "default": severity.word() })))
        .collect();
    members(json!({ "type": "object", "properties": properties, "additionalProperties": false }))
}

fn leaf(kind: Kind) -> Map<String, Value> {
    members(match kind {
        Kind::Number { min, max } => json!({ "type": "number", "minimum": min, "maximum": max }),
        Kind::Integer { min, max } => json!({ "type": "integer", "minimum": min, "maximum": max }),
        Kind::CountOrWord { min, max, word } => {
            json!({ "anyOf": [{ "type": "integer", "minimum": min, "maximum": max }, { "const": word }] })
        }
        Kind::Range { max } => numbers(2, max),
        Kind::Point { size, max } => numbers(size, max),
        Kind::Text => json!({
            "type": "string", "minLength": 1, "maxLength": TEXT_MAX,
            "pattern": "^[^\\u0000-\\u001f\\u007f-\\u009f]*$",
        }),
        Kind::Bool => json!({ "type": "boolean" }),
        Kind::Choice(words) => json!({ "enum": words }),
        Kind::ListOf(words) => json!({ "type": "array", "items": { "enum": words }, "uniqueItems": true }),
        Kind::Table | Kind::OneOf | Kind::WordOrTable(_) | Kind::Tables { .. } | Kind::Checks => json!({}),
    })
}

fn numbers(size: usize, max: f64) -> Value {
    let item = json!({ "type": "number", "minimum": -max, "maximum": max });
    json!({ "type": "array", "items": item, "minItems": size, "maxItems": size })
}

fn members(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(members) => members,
        _ => Map::new(),
    }
}

fn default_json(key: &Key) -> Option<Value> {
    match key.preset {
        Preset::Value(text) => to_json(text),
        _ => None,
    }
}

/// A TOML value as JSON; none for what JSON does not have.
pub(super) fn to_json(text: &str) -> Option<Value> {
    dom_to_json(&DeValue::parse(text).ok()?)
}

fn dom_to_json(value: &Spanned<DeValue<'_>>) -> Option<Value> {
    Some(match value.get_ref() {
        DeValue::String(text) => json!(text),
        DeValue::Integer(integer) => json!(i64::from_str_radix(integer.as_str(), integer.radix()).ok()?),
        DeValue::Float(float) => json!(float.as_str().parse::<f64>().ok().filter(|float| float.is_finite())?),
        DeValue::Boolean(value) => json!(value),
        DeValue::Array(items) => Value::Array(items.iter().map(dom_to_json).collect::<Option<_>>()?),
        DeValue::Table(_) | DeValue::Datetime(_) => return None,
    })
}
