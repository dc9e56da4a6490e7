//! The report contract as a JSON Schema (2020-12), generated from the types that are written.

use schemars::generate::SchemaSettings;
use serde_json::Value;

use super::model::Report;
use crate::detect::DETECTORS;

/// The schema of `report.json`. The kinds it allows are the rows of the table of detectors.
pub fn schema() -> Value {
    let generator = SchemaSettings::draft2020_12().into_generator();
    let mut schema = generator.into_root_schema_for::<Report>().to_value();
    if let Some(root) = schema.as_object_mut() {
        root.insert("title".into(), "takeproof report, version 1".into());
    }
    if let Some(kind) = schema.pointer_mut("/$defs/Finding/properties/kind") {
        kind["enum"] = DETECTORS.iter().map(|d| Value::from(d.kind)).collect();
    }
    if let Some(name) = schema.pointer_mut("/properties/schema") {
        name["const"] = "takeproof-report/1".into();
    }
    schema
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_come_from_the_table() {
        let schema = schema();
        assert_eq!(
            schema["$schema"],
            "https://json-schema.org/draft/2020-12/schema"
        );
        let kinds = schema["$defs"]["Finding"]["properties"]["kind"]["enum"]
            .as_array()
            .unwrap();
        assert_eq!(kinds.len(), DETECTORS.len());
        assert_eq!(
            schema["properties"]["schema"]["const"],
            "takeproof-report/1"
        );
    }
}
