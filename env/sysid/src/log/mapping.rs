//! Other names and units of columns, declared in a TOML file.

use super::columns::{Quantity, Unit};
use lowgear_env::config::check_name;
use lowgear_env::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A mapping file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Mapping {
    /// Column of each quantity that does not have its own name.
    pub columns: BTreeMap<Quantity, ColumnMap>,
    /// What separates the fields; found out from the heading when left out.
    pub delimiter: Option<char>,
    /// What separates the fraction; left out, a log may have one of the two, not both.
    pub decimal: Option<Decimal>,
    /// Rows that may be unreadable before the run is stopped.
    pub most_bad_rows: u64,
    /// Pulses of the encoder per turn of the motor, for a motor speed in counts.
    pub pulses_per_turn: Option<f64>,
    /// Whether the duty in a row held before or holds after its time.
    pub duty_holds: DutyHolds,
    /// Whether the motor speed in a row is the mean since the row before (an encoder that counts) or that of the moment.
    pub speed_is: SpeedIs,
    /// Surface of runs on the ground whose label names none.
    pub surface: Option<String>,
}

/// A column of another name or unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ColumnMap {
    /// Its heading.
    pub column: String,
    /// Its unit.
    pub unit: Option<Unit>,
    /// SI units per count, for readings in counts; not for an encoder.
    pub per_count: Option<f64>,
    /// Reading at zero, counts.
    pub zero_count: Option<f64>,
}

/// What separates the fraction of a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Decimal {
    /// A point.
    Point,
    /// A comma.
    Comma,
}

/// When the duty of a row holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DutyHolds {
    /// From the row before to this one.
    BeforeRow,
    /// From this row to the next.
    AfterRow,
}

/// What the motor speed of a row is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SpeedIs {
    /// The mean since the row before.
    Mean,
    /// That of the moment.
    Instant,
}

impl Default for Mapping {
    fn default() -> Mapping {
        Mapping {
            columns: BTreeMap::new(),
            delimiter: None,
            decimal: None,
            most_bad_rows: 50,
            pulses_per_turn: None,
            duty_holds: DutyHolds::BeforeRow,
            speed_is: SpeedIs::Mean,
            surface: None,
        }
    }
}

impl Check for Mapping {
    fn check(&self) -> Result<(), KeyError> {
        if let Some(delimiter) = self.delimiter
            && ![',', ';', '\t', '|'].contains(&delimiter)
        {
            return Err(KeyError::new("delimiter", format!("{delimiter:?}"), "one of , ; | and the tab"));
        }
        if self.delimiter == Some(',') && self.decimal == Some(Decimal::Comma) {
            return Err(KeyError::new("decimal", "\"comma\"", "\"point\" where commas separate the fields"));
        }
        if let Some(pulses) = self.pulses_per_turn {
            in_range("pulses-per-turn", pulses, 0.1, 1e5, "")?;
        }
        for (quantity, map) in &self.columns {
            let key = format!("columns.{}", quantity.name().replace('_', "-"));
            map.check_for(*quantity, self.pulses_per_turn).map_err(|e| e.within(&key))?;
            let same = |other: &ColumnMap| other.column.trim().eq_ignore_ascii_case(map.column.trim());
            if let Some((other, _)) = self.columns.iter().find(|(q, m)| *q < quantity && same(m)) {
                let allowed = format!("another column than that of {}", other.name().replace('_', " "));
                return Err(KeyError::new(format!("{key}.column"), format!("{:?}", map.column), allowed));
            }
        }
        if let Some(surface) = &self.surface {
            check_name("surface", surface)?;
        }
        Ok(())
    }
}

impl ColumnMap {
    fn check_for(&self, quantity: Quantity, pulses_per_turn: Option<f64>) -> Result<(), KeyError> {
        let units = quantity.units();
        let names = || units.iter().map(|u| u.name().replace('_', "-")).collect::<Vec<_>>().join(", ");
        match self.unit {
            Some(unit) if !units.contains(&unit) => {
                let allowed = if units.is_empty() { "no unit".to_owned() } else { names() };
                return Err(KeyError::new("unit", unit.name(), allowed));
            }
            None if !units.is_empty() && quantity != Quantity::Duty => {
                return Err(KeyError::new("unit", "not given", names()));
            }
            _ => {}
        }
        let in_counts = self.unit == Some(Unit::Counts);
        if in_counts
            && quantity == Quantity::MotorSpeed
            && pulses_per_turn.is_none()
            && self.per_count.is_none()
        {
            return Err(KeyError::new("unit", "counts", "counts together with `pulses-per-turn` at the top"));
        }
        if in_counts && quantity != Quantity::MotorSpeed && self.per_count.is_none() {
            return Err(KeyError::new(
                "per-count",
                "not given",
                "SI units per count, for readings in counts",
            ));
        }
        if !in_counts && (self.per_count.is_some() || self.zero_count.is_some()) {
            return Err(KeyError::new("per-count", "given", "only with unit = \"counts\""));
        }
        if let Some(per_count) = self.per_count
            && !(per_count.is_finite() && per_count != 0.0)
        {
            return Err(KeyError::new("per-count", per_count, "a number other than 0"));
        }
        self.zero_count.map_or(Ok(()), |zero| in_range("zero-count", zero, -1e9, 1e9, "counts"))
    }
}
