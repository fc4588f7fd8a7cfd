//! The fitted surfaces as a course file.

use super::estimate::{Estimate, Fit};
use super::format::figure;
use super::parameters::Parameter;
use super::vehicle_file::rounded;
use std::fmt::Write as _;

impl Fit {
    /// A course file with the surfaces that were fitted, flat and without obstacles; `None` when there are none.
    #[must_use]
    pub fn course_text(&self) -> Option<String> {
        if self.surfaces.names.is_empty() {
            return None;
        }
        let mut out = String::from(
            "# Ground as the logs show it. Friction is assumed, grades and patches are an example: write in your own.\nname = \"own ground\"\n",
        );
        for (i, name) in self.surfaces.names.iter().enumerate() {
            let rolling = self.of(&Parameter::Rolling(i));
            let grass = self.of(&Parameter::Grass(i));
            let said = |e: Option<&Estimate>| {
                e.map_or("not identifiable from the log".to_owned(), |e| format!("± {}", figure(e.error, 2)))
            };
            let log_sd = rolling.map_or(0.2, |e| rounded((e.error / e.value).hypot(0.1).min(0.3)));
            let quoted = toml::Value::String(name.clone());
            let _ = write!(
                out,
                "\n[[surfaces]]\nname = {quoted}\nrolling = {} # {}\ndrag-s-m = {} # {}\nfriction = {} # assumed\nweight = 1.0\n\
                 patch-factor = {{ log-normal = {{ median = 1.0, log-sd = {log_sd} }} }}\n",
                rounded(self.surfaces.rolling[i]),
                said(rolling),
                rounded(self.surfaces.drag_s_m[i]),
                said(grass),
                self.surfaces.friction
            );
        }
        out.push_str(
            "\n[random]\nlength-m = 15.0\nroughness = \"A\"\n\n[random.patches]\nlength-m = { uniform = { low = 0.8, high = 4.0 } }\n\n\
             [random.grade]\nlength-m = { uniform = { low = 0.8, high = 3.0 } }\n\
             grade-deg = { normal = { mean = 0.0, sd = 4.0, low = -8.0, high = 8.0 } }\nflat-share = 0.6\nblend-m = 0.3\n",
        );
        Some(out)
    }
}
