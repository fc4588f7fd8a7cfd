//! Configuration files of every kind with one key changed. What is accepted must have been understood: a misspelt
//! key is refused, a changed value shows in the resolved form, and the resolved form means the same again.

use super::chance::RandomChoices;
use super::trial::{Tally, run};
use crate::sandbox::{Sandbox, repository};
use crate::sweep::SWEEP;
use std::fs;
use toml::{Table, Value};

/// Every file that is changed: its name in the folder and its content.
pub(super) struct Bases {
    place: Sandbox,
    files: Vec<Base>,
}

struct Base {
    name: &'static str,
    text: String,
    table: Table,
    keys: Vec<Vec<Step>>,
    resolved: String,
}

#[derive(Clone, Debug, PartialEq)]
enum Step {
    Key(String),
    Index(usize),
}

impl Bases {
    pub(super) fn new() -> Bases {
        let place = Sandbox::new();
        place.write("sweep.toml", SWEEP);
        for (name, example) in [
            ("sheet.toml", "configs/sheets/seed-tray-cart.toml"),
            ("mapping.toml", "tests/sysid/mapping.toml"),
        ] {
            place.write(name, fs::read(repository().join(example)).unwrap());
        }
        let names = ["vehicle.toml", "course.toml", "tiny.toml", "sweep.toml", "sheet.toml", "mapping.toml"];
        let base = |name: &'static str| {
            let text = place.read(name);
            let table: Table = toml::from_str(&text).unwrap();
            let mut keys = Vec::new();
            gather(&Value::Table(table.clone()), &mut Vec::new(), &mut keys);
            let resolved = run(&place, &["check", name, "--resolved"]).out;
            assert!(!resolved.is_empty(), "{name} is in order");
            Base { name, text, table, keys, resolved }
        };
        let files = names.map(base).into();
        Bases { place, files }
    }

    /// How many keys there are in all.
    pub(super) fn keys(&self) -> usize {
        self.files.iter().map(|base| base.keys.len()).sum()
    }

    /// Changes one key of one file; the number of the trial goes through all of them in turn.
    pub(super) fn change_one(&self, trial: u64, chance: &mut RandomChoices, tally: &mut Tally) {
        let mut key = (trial as usize * 7919) % self.keys();
        let base = self.files.iter().find(|base| {
            let here = key < base.keys.len();
            key -= if here { 0 } else { base.keys.len() };
            here
        });
        let Some(base) = base else { return };
        let (changed, how, must) = change(base, &base.keys[key], chance);
        let Ok(text) = toml::to_string(&changed) else { return };
        self.place.write(base.name, &text);
        let what = format!("{} with {how}", base.name);
        self.judge(base, &what, must, tally);
        self.place.write(base.name, &base.text);
    }

    fn judge(&self, base: &Base, what: &str, must: Must, tally: &mut Tally) {
        let end = run(&self.place, &["check", base.name, "--resolved"]);
        tally.count("config", what, &end, true);
        if !end.accepted() {
            return;
        }
        match must {
            Must::Refuse => tally.wrong("config", &format!("{what}: accepted")),
            Must::Differ if end.out == base.resolved => {
                tally.wrong("config", &format!("{what}: accepted without effect"));
            }
            _ => {}
        }
        self.place.write(base.name, &end.out);
        let again = run(&self.place, &["check", base.name, "--resolved"]);
        if again.out != end.out {
            tally.wrong("config", &format!("{what}: its resolved form means something else"));
        }
        // A world that is accepted can be driven in.
        if ["vehicle.toml", "course.toml", "tiny.toml"].contains(&base.name) {
            let end = run(&self.place, &["drive", "tiny.toml", "--out", "drive"]);
            tally.count("drive", what, &end, true);
            if end.accepted() && !self.place.path("drive/trace.csv").exists() {
                tally.wrong("drive", &format!("{what}: no trace"));
            }
            let _ = fs::remove_dir_all(self.place.path("drive"));
        }
    }
}

/// What must become of a change.
#[derive(Clone, Copy, Debug)]
enum Must {
    Refuse,
    Differ,
    Any,
}

fn gather(value: &Value, path: &mut Vec<Step>, keys: &mut Vec<Vec<Step>>) {
    let steps: Vec<(Step, &Value)> = match value {
        Value::Table(table) => table.iter().map(|(key, v)| (Step::Key(key.clone()), v)).collect(),
        Value::Array(all) => all.iter().enumerate().map(|(i, v)| (Step::Index(i), v)).collect(),
        _ => return,
    };
    for (step, inner) in steps {
        path.push(step);
        keys.push(path.clone());
        gather(inner, path, keys);
        path.pop();
    }
}

fn at<'a>(table: &'a mut Value, path: &[Step]) -> &'a mut Value {
    path.iter().fold(table, |value, step| match step {
        Step::Key(key) => &mut value[key.as_str()],
        Step::Index(index) => &mut value[*index],
    })
}

/// A file with one key changed, in words how, and what must become of it.
fn change(base: &Base, path: &[Step], chance: &mut RandomChoices) -> (Value, String, Must) {
    let mut root = Value::Table(base.table.clone());
    let words: Vec<String> = path
        .iter()
        .map(|step| match step {
            Step::Key(key) => key.clone(),
            Step::Index(index) => index.to_string(),
        })
        .collect();
    let name = words.join(".");
    let (last, above) = path.split_last().expect("a path has a step");
    if let (Step::Key(key), 0..=1) = (last, chance.below(8)) {
        let Value::Table(table) = at(&mut root, above) else { return (root, name, Must::Any) };
        let value = table.remove(key).expect("the key is there");
        // Columns of a mapping and values of a sweep have names of their own.
        let own = base.name == "mapping.toml" || words.iter().any(|w| w == "value" || w == "values");
        if chance.below(2) == 0 {
            table.insert(format!("{key}x"), value);
            return (root, format!("{name} misspelt"), if own { Must::Any } else { Must::Refuse });
        }
        return (root, format!("{name} left out"), Must::Any);
    }
    let old = at(&mut root, path);
    let new = other(old, chance);
    let how = format!("{name} = {}", new.to_string().chars().take(60).collect::<String>());
    // A number that is cut to single precision, or a limit that meets another, may stay the same.
    let differs = match (&*old, &new) {
        (Value::Integer(a), Value::Integer(b)) => a != b,
        (Value::Float(a), Value::Float(b)) => {
            a.is_finite() && b.is_finite() && (a - b).abs() > 1e-6 * a.abs()
        }
        (Value::Boolean(a), Value::Boolean(b)) => a != b,
        (Value::String(a), Value::String(b)) => a != b,
        _ => false,
    };
    *old = new;
    (root, how, if differs { Must::Differ } else { Must::Any })
}

/// Another value than this one, of its type or of another.
fn other(value: &Value, chance: &mut RandomChoices) -> Value {
    let factors = [0.0, -1.0, 0.5, 1.01, 2.0, 1e3, 1e-3, 1e9, 1e300, f64::NAN, f64::INFINITY, -1e-300];
    match (value, chance.below(6)) {
        (Value::Integer(n), 0..=3) => {
            Value::Integer(*chance.of(&[0, -1, 1, n + 1, n - 1, 2 * n, 255, 256, 65_536, i64::MAX, i64::MIN]))
        }
        (Value::Float(x), 0..=3) => Value::Float(x * chance.of(&factors)),
        (Value::Float(_), 4) => Value::Float(*chance.of(&factors)),
        (Value::Boolean(b), 0..=3) => Value::Boolean(!b),
        (Value::String(text), 0..=3) => Value::String(
            (*chance.of(&[&format!("{text}x"), "", "\n", "../..", "\u{202e}", "-rf", &"a".repeat(5000)]))
                .to_string(),
        ),
        (Value::Array(all), 0) if !all.is_empty() => Value::Array(all[1..].to_vec()),
        (Value::Array(all), 1) => Value::Array(all.iter().chain(all.last()).cloned().collect()),
        (Value::Array(all), 2) => Value::Array(all.iter().rev().cloned().collect()),
        _ => chance
            .of(&[
                Value::Integer(3),
                Value::Float(0.5),
                Value::Float(f64::NAN),
                Value::Boolean(true),
                Value::String("word".to_owned()),
                Value::Array(vec![]),
                Value::Table(Table::new()),
            ])
            .clone(),
    }
}
