//! The files that a study begins with. They are part of the program, so that an installed one needs no clone.

use crate::schema::FileKind;

/// A shipped study, vehicle and course to start from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Starter {
    /// Three gears with a wide step, garden ground
    DemoCart,
    /// Four close gears and three axles, a slope
    CompostTractor,
    /// Two gears and poor sensors, garden ground
    WateringBarrow,
}

/// A shipped file.
macro_rules! shipped {
    ($file:literal) => {
        include_str!(concat!("../../configs/", $file))
    };
}

/// Name of the copied study, and so of its run folder.
const NAME: &str = "own";

impl Starter {
    /// All of them.
    pub const ALL: [Starter; 3] = [Starter::DemoCart, Starter::CompostTractor, Starter::WateringBarrow];

    /// Study, vehicle and course as they are shipped.
    fn shipped(self) -> [&'static str; 3] {
        let garden = shipped!("courses/garden-mix.toml");
        match self {
            Starter::DemoCart => [shipped!("studies/demo.toml"), shipped!("vehicles/demo-cart.toml"), garden],
            Starter::CompostTractor => [
                shipped!("studies/compost-tractor.toml"),
                shipped!("vehicles/compost-tractor.toml"),
                shipped!("courses/allotment-slope.toml"),
            ],
            Starter::WateringBarrow => {
                [shipped!("studies/watering-barrow.toml"), shipped!("vehicles/watering-barrow.toml"), garden]
            }
        }
    }

    /// Paths and contents of the files, the study last: where it stands, the folder is complete.
    #[must_use]
    pub fn files(self) -> Vec<(String, String)> {
        let [study, vehicle, course] = self.shipped();
        let study = with_value(study, "name", NAME);
        let study = with_value(&with_value(&study, "vehicle", "vehicle.toml"), "course", "course.toml");
        let sweep = with_value(shipped!("sweeps/frontier.toml"), "study", "study.toml");
        let schema = |kind: FileKind| (format!("schema/{}.schema.json", kind.name()), kind.schema_text());
        let mut files: Vec<(String, String)> = FileKind::ALL.into_iter().map(schema).collect();
        files.extend([
            copied("sheet.toml", shipped!("sheets/seed-tray-cart.toml")),
            copied("vehicle.toml", vehicle),
            copied("course.toml", course),
            copied("sweep.toml", &sweep),
            copied("study.toml", &study),
        ]);
        files
    }
}

/// A shipped file for a folder of its own: its schema lies next to it, and its head says how its keys are explained.
fn copied(name: &str, text: &str) -> (String, String) {
    let (schema, rest) = text.split_once('\n').unwrap_or((text, ""));
    let schema = schema.replace("../schema/", "schema/");
    let head = format!("# `lowgear check {name} --resolved` explains every key and shows its default.");
    (name.to_owned(), format!("{schema}\n{head}\n{rest}"))
}

/// The same text with another word as the value of a key at its top.
fn with_value(text: &str, key: &str, word: &str) -> String {
    let (start, mut top) = (format!("{key} = "), true);
    let line = |line: &str| {
        top &= !line.starts_with('[');
        if top && line.starts_with(&start) { format!("{start}\"{word}\"\n") } else { format!("{line}\n") }
    };
    text.lines().map(line).collect()
}
