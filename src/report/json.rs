//! Values to JSON text: objects indented, lists of plain values on one line, fixed decimals.
//!
//! `report.json` holds nothing about the run itself. Numbers are rounded where the report is built, so the same results give
//! the same bytes on one machine and build.

use serde::Serialize;
use serde_json::Value;

/// Text of any value of the contract, with a newline at the end.
///
/// Errors: only when a value cannot be a JSON value, which the contract's types rule out.
pub fn text(value: &impl Serialize) -> serde_json::Result<String> {
    let mut out = String::new();
    write(&serde_json::to_value(value)?, 0, &mut out);
    out.push('\n');
    Ok(out)
}

fn write(value: &Value, depth: usize, out: &mut String) {
    match value {
        Value::Object(map) if !map.is_empty() => {
            let rows = map.iter().map(|(k, v)| (Some(k), v));
            block(rows, ['{', '}'], depth, out);
        }
        Value::Array(list) if list.iter().any(|v| v.is_object() || v.is_array()) => {
            block(list.iter().map(|v| (None, v)), ['[', ']'], depth, out);
        }
        Value::Array(list) => {
            out.push('[');
            for (i, v) in list.iter().enumerate() {
                if i > 0 {
                    out.push_str(", ");
                }
                out.push_str(&v.to_string());
            }
            out.push(']');
        }
        other => out.push_str(&other.to_string()),
    }
}

fn block<'a>(
    rows: impl Iterator<Item = (Option<&'a String>, &'a Value)>,
    brackets: [char; 2],
    depth: usize,
    out: &mut String,
) {
    let indent = |out: &mut String, depth: usize| {
        out.push('\n');
        out.extend(std::iter::repeat_n(' ', depth * 2));
    };
    out.push(brackets[0]);
    for (i, (key, value)) in rows.enumerate() {
        if i > 0 {
            out.push(',');
        }
        indent(out, depth + 1);
        if let Some(key) = key {
            out.push_str(&Value::from(key.as_str()).to_string());
            out.push_str(": ");
        }
        write(value, depth + 1, out);
    }
    indent(out, depth);
    out.push(brackets[1]);
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn lists_of_plain_values_stay_on_one_line() {
        let value = json!({"a": [1, null, -6.5], "b": {"c": [{"d": "x\"y"}], "e": {}}, "f": []});
        let text = text(&value).unwrap();
        assert_eq!(
            text,
            "{\n  \"a\": [1, null, -6.5],\n  \"b\": {\n    \"c\": [\n      {\n        \"d\": \"x\\\"y\"\n      }\n    ],\n    \"e\": {}\n  },\n  \"f\": []\n}\n"
        );
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), value);
    }
}
