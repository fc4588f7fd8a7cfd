//! Schemas of the enumerations that stand in a file as one word and are defined away from the files.

use crate::stress::Miner;
use crate::terrain::ObstacleShape;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use std::borrow::Cow;

impl JsonSchema for Miner {
    fn schema_name() -> Cow<'static, str> {
        "Miner".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let words = [Miner::Original, Miner::Elementary, Miner::Haibach];
        json_schema!({ "type": "string", "enum": words })
    }
}

impl JsonSchema for ObstacleShape {
    fn schema_name() -> Cow<'static, str> {
        "ObstacleShape".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "enum": [ObstacleShape::Bump, ObstacleShape::Edge] })
    }
}
