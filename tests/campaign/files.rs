//! Logs, saved policies and exported files with damage. What is accepted though it was changed must not change a
//! result that carries a checksum, and what was cut short must not be accepted.

use super::chance::RandomChoices;
use super::trial::{Tally, run};
use crate::sandbox::Sandbox;
use crate::study::reference;
use serde_json::Value;
use std::fmt::Write as _;
use std::fs;

const COMPARE: [&str; 5] = ["compare", "tiny.toml", "--courses", "2", "hand-rule"];

/// Whole files, and what they lead to.
pub(super) struct Files {
    place: Sandbox,
    log: String,
    policies: Vec<(String, String)>,
    exports: Vec<(&'static str, Vec<u8>, String)>,
}

impl Files {
    pub(super) fn new() -> Files {
        let place = Sandbox::new();
        let names = ["tuned-load-rule", "contextual", "tabular", "dqn", "ppo", "table"];
        let text =
            |name: &str| fs::read_to_string(reference().join(name).join("seed-1/policy.json")).unwrap();
        let policies = names.map(|name| (name.to_owned(), text(name))).into();
        let table = reference().join("table/seed-1");
        let export = ["export", "tiny.toml", "--out", "whole", "--policy", table.to_str().unwrap()];
        assert!(run(&place, &export).accepted(), "the table is exported");
        let of = |name: &'static str| {
            let file = fs::read_dir(place.path("whole")).unwrap().map(|e| e.unwrap().path());
            let whole = |f: &std::path::PathBuf| {
                let file = f.to_string_lossy();
                file.ends_with(name) && !file.contains("_recorder")
            };
            let bytes = fs::read(file.into_iter().find(whole).unwrap()).unwrap();
            place.write(&format!("cart{name}"), &bytes);
            let out = run(&place, &[&COMPARE[..], &[&format!("cart{name}")]].concat()).out;
            assert!(out.contains("vs"), "{name}: {out}");
            (name, bytes, out)
        };
        let exports = [".h", ".rs", ".py", "table.csv"].map(of).into();
        Files { place, log: log(), policies, exports }
    }

    /// A log with damage, replayed.
    pub(super) fn damaged_log(&self, chance: &mut RandomChoices, tally: &mut Tally) {
        let bytes = chance.damaged(self.log.as_bytes());
        self.place.write("log.csv", &bytes);
        let replay = ["replay", "tiny.toml", "log.csv", "--policy", "hand-rule", "--out", "replay"];
        let end = run(&self.place, &replay);
        tally.count("log", "damaged bytes", &end, true);
        if end.accepted() != self.place.path("replay/decisions.csv").exists() {
            tally.wrong("log", "decisions.csv is there without success, or success without it");
        }
        let _ = fs::remove_dir_all(self.place.path("replay"));
    }

    /// A saved policy with damage, compared.
    pub(super) fn damaged_policy(&self, chance: &mut RandomChoices, tally: &mut Tally) {
        let (name, text) = chance.of(&self.policies);
        let (bytes, cut, what) = match chance.below(3) {
            0 => {
                let end = chance.below(text.trim_end().len());
                (text.as_bytes()[..end].to_vec(), true, format!("{name} cut to {end} bytes"))
            }
            1 => (chance.damaged(text.as_bytes()), false, format!("{name} with damaged bytes")),
            _ => {
                let mut value: Value = serde_json::from_str(text).unwrap();
                let how = change_json(&mut value, chance);
                (value.to_string().into_bytes(), false, format!("{name} with {how}"))
            }
        };
        self.place.write("policy.json", &bytes);
        let end = run(&self.place, &[&COMPARE[..], &["policy.json"]].concat());
        tally.count("policy", &what, &end, true);
        if end.accepted() && cut {
            tally.wrong("policy", &format!("{what}: accepted"));
        }
    }

    /// An exported file with damage, compared: refused, or the same result to the last digit.
    pub(super) fn damaged_export(&self, chance: &mut RandomChoices, tally: &mut Tally) {
        let (name, bytes, whole) = chance.of(&self.exports);
        let file = format!("cart{name}");
        self.place.write(&file, chance.damaged(bytes));
        let end = run(&self.place, &[&COMPARE[..], &[&file]].concat());
        tally.count("export", name, &end, true);
        if end.accepted() && end.out != *whole {
            tally.wrong("export", &format!("{name}: accepted with another result"));
        }
    }
}

/// Changes a value anywhere in a JSON document; in words how.
fn change_json(value: &mut Value, chance: &mut RandomChoices) -> String {
    match value {
        Value::Object(map) if !map.is_empty() && chance.below(8) > 0 => {
            let keys: Vec<String> = map.keys().cloned().collect();
            let key = chance.of(&keys);
            format!("{key}.{}", change_json(&mut map[key], chance))
        }
        Value::Array(all) if !all.is_empty() && chance.below(8) > 0 => {
            let index = chance.below(all.len());
            format!("{index}.{}", change_json(&mut all[index], chance))
        }
        other => {
            let choices =
                ["0", "-1", "1e300", "null", "\"x\"", "[]", "{}", "true", "99999999999999999999", "0.5"];
            let new = chance.of(&choices);
            *other = serde_json::from_str(new).unwrap();
            format!("= {new}")
        }
    }
}

/// A log of two runs on the level.
fn log() -> String {
    let mut text =
        String::from("time_s,motor_speed_rad_s,duty,battery_voltage_v,tilt_deg,gear,selector_deg,event\n");
    for row in 0..400 {
        let (time, of_run) = (0.05 * f64::from(row), row % 200);
        let driven = (20..150).contains(&of_run);
        let speed = if driven { 600.0 * (1.0 - (-0.03 * f64::from(of_run - 20)).exp()) } else { 0.0 };
        let event = if of_run == 0 { "level surface=path" } else { "" };
        let duty = u8::from(driven);
        let _ = writeln!(text, "{time:.2},{speed:.1},{duty},7.9,0.5,1,70,{event}");
    }
    text
}
