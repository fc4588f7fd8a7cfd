//! The sweep file: a study, and what is varied in it.

use crate::jobs::LearnerKind;
use lowgear_env::config::{Check, KeyError, check_name, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;
use toml::Value;

/// Most jobs of a sweep: their folders have four digits.
pub const MOST_JOBS: usize = 9999;

/// A sweep: one study, re-run for every combination of values on the axes. Keys have dots, as in
/// `learners.dqn.settings.n-step`; those of the vehicle and the course begin with `vehicle.` and `course.`,
/// and an entry of a list has its number, as in `course.surfaces[0].rolling`. The keys `study`, `vehicle` and
/// `course` alone name other files, relative to the sweep file; `learners` alone names the learners that take part,
/// one or a list, `effort` multiplies every budget, and `seed` gives repeats that depend on nothing of each other.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SweepConfig {
    /// Name; the folder of the sweep is called so.
    pub name: String,
    /// Study file, relative to this one.
    pub study: PathBuf,
    /// Learners of the study that take part; all of them when left out.
    #[serde(default)]
    pub learners: Option<Vec<String>>,
    /// Factor on every budget of steps of the study and the schedules over them, 0.001 to 10000.
    #[serde(default)]
    pub effort: Option<f64>,
    /// Settings of every job; what an axis sets comes after them.
    #[serde(default)]
    pub set: Vec<SetKey>,
    /// Keys that every job leaves out, as a sensor that the vehicle does not have.
    #[serde(default)]
    pub leave_out: Vec<String>,
    /// What is varied, 1 to 4 axes; the last changes fastest from job to job.
    pub axes: Vec<Axis>,
}

/// Something to vary: either one key over a list of values, or points of several settings each.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Axis {
    /// What it is, for pictures.
    pub label: String,
    /// Unit of the values, for pictures; may be left out.
    #[serde(default)]
    pub unit: String,
    /// Key that is varied, with `values`.
    #[serde(default)]
    pub key: Option<String>,
    /// Values of that key, in its unit.
    #[serde(default)]
    #[schemars(with = "Vec<serde_json::Value>")]
    pub values: Vec<Value>,
    /// Points, each with a name and its own settings; instead of `key` and `values`.
    #[serde(default)]
    pub points: Vec<AxisPoint>,
}

/// One point of an axis.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct AxisPoint {
    /// Name, for pictures.
    pub label: String,
    /// Settings of this point.
    #[serde(default)]
    pub set: Vec<SetKey>,
    /// Keys that it leaves out.
    #[serde(default)]
    pub leave_out: Vec<String>,
}

/// A key and its value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SetKey {
    /// Key with dots.
    pub key: String,
    /// Value, in the unit of that key.
    #[schemars(with = "serde_json::Value")]
    pub value: Value,
}

impl Axis {
    /// Names of its values, as pictures show them.
    #[must_use]
    pub fn names(&self) -> Vec<String> {
        match self.key {
            Some(_) => self.values.iter().map(in_words).collect(),
            None => self.points.iter().map(|point| point.label.clone()).collect(),
        }
    }

    fn check(&self) -> Result<(), KeyError> {
        label(&self.label)?;
        let count = self.values.len() + self.points.len();
        let allowed = "either `key` and `values`, one or more, or one or more [[axes.points]]";
        match (&self.key, self.values.is_empty(), self.points.is_empty()) {
            (Some(_), false, true) | (None, true, false) => {}
            (Some(_), true, _) => return Err(KeyError::new("key", "without `values`", allowed)),
            (None, false, _) => return Err(KeyError::new("values", "without `key`", allowed)),
            (Some(_), false, false) => return Err(KeyError::new("key", "next to points", allowed)),
            (None, true, true) => return Err(KeyError::new("label", "alone", allowed)),
        }
        in_range("values", count as f64, 1.0, MOST_JOBS as f64, "values")?;
        let key = if self.key.is_some() { "values" } else { "points" };
        let names = self.names();
        if let Some(twice) = names.iter().enumerate().find(|(i, name)| names[..*i].contains(name)) {
            return Err(KeyError::new(key, format!("\"{}\" twice", twice.1), "each value and name once"));
        }
        let mut points = self.points.iter().enumerate();
        points.try_for_each(|(i, point)| label(&point.label).map_err(|e| e.within(&format!("points[{i}]"))))
    }
}

impl Check for SweepConfig {
    fn check(&self) -> Result<(), KeyError> {
        let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        if self.name.is_empty()
            || self.name.starts_with('-')
            || self.name.len() > 60
            || !self.name.chars().all(plain)
        {
            let allowed = "1 to 60 letters, digits, - and _, no - at the beginning (it names the folder)";
            return Err(KeyError::new("name", format!("\"{}\"", self.name), allowed));
        }
        self.effort.map_or(Ok(()), |effort| in_range("effort", effort, 1e-3, 1e4, ""))?;
        for name in self.learners.iter().flatten() {
            let known = LearnerKind::ALL.map(LearnerKind::name);
            if !known.contains(&name.as_str()) {
                let allowed = format!("of the study's learners, which may be {}", known.join(", "));
                return Err(KeyError::new("learners", format!("\"{name}\""), allowed));
            }
        }
        if self.axes.is_empty() || self.axes.len() > 4 {
            return Err(KeyError::new("axes", format!("{} axes", self.axes.len()), "1 to 4 [[axes]]"));
        }
        for (i, axis) in self.axes.iter().enumerate() {
            axis.check().map_err(|e| e.within(&format!("axes[{i}]")))?;
        }
        let jobs = self.axes.iter().fold(1_usize, |n, axis| n.saturating_mul(axis.names().len()));
        if jobs > MOST_JOBS {
            let allowed = format!("at most {MOST_JOBS}: take fewer values or two sweeps");
            return Err(KeyError::new("axes", format!("{jobs} jobs"), allowed));
        }
        Ok(())
    }
}

fn label(text: &str) -> Result<(), KeyError> {
    let length = text.chars().count();
    if (1..=60).contains(&length) {
        return check_name("label", text);
    }
    Err(KeyError::new("label", format!("{length} letters"), "1 to 60 letters, for pictures"))
}

/// A value in words: files by their name without its end, words without marks.
pub(crate) fn in_words(value: &Value) -> String {
    match value {
        Value::String(text) => {
            match text.rsplit(['/', '\\']).next().and_then(|name| name.strip_suffix(".toml")) {
                Some(name) => name.to_owned(),
                None => text.clone(),
            }
        }
        Value::Float(number) if number.fract() == 0.0 && number.abs() < 1e15 => format!("{number:.0}"),
        Value::Float(number) => number.to_string(),
        Value::Array(names) if !names.is_empty() && names.iter().all(Value::is_str) => {
            names.iter().map(in_words).collect::<Vec<_>>().join("+")
        }
        other => other.to_string(),
    }
}
