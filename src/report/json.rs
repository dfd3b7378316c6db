//! JSON, as the commands write it.

use serde_json::{Number, Value};

/// A record as indented text with a line break at its end. Zero has no sign, as in CSV: which of its
/// two zeros `f64::max` gives depends on how the tool was built.
///
/// # Panics
/// If a key of a map is not text.
pub fn text(record: &impl serde::Serialize) -> String {
    let mut value = serde_json::to_value(record).expect("plain data");
    without_signs(&mut value);
    let mut text = serde_json::to_string_pretty(&value).expect("plain data");
    text.push('\n');
    text
}

fn without_signs(value: &mut Value) {
    match value {
        Value::Number(n) if n.is_f64() && n.as_f64() == Some(0.0) => {
            *n = Number::from_f64(0.0).expect("zero is finite");
        }
        Value::Array(all) => all.iter_mut().for_each(without_signs),
        Value::Object(all) => all.values_mut().for_each(without_signs),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn zero_has_no_sign_and_all_else_is_as_it_was() {
        let record = serde_json::json!({"b": [-0.0, -1e-300, 0], "a": {"c": -0.0}});
        let text = super::text(&record);
        assert_eq!(
            text.split_whitespace().collect::<String>(),
            r#"{"b":[0.0,-1e-300,0],"a":{"c":0.0}}"#
        );
    }
}
