//! What is written in the `event` column: a recipe and what belongs to it, as `ramp grade_deg=6 surface=path`.

use lowgear_env::config::check_name;

/// A recipe of the printed sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Recipe {
    /// Wheels off the ground: speed up, hold, cut.
    WheelsOff,
    /// Level ground: speed up, hold, cut, roll out.
    Level,
    /// A known ramp.
    Ramp,
    /// Held by a spring scale.
    StallPull,
    /// Gear changes.
    Shifts,
    /// Anything else; not used for the fit.
    Free,
}

impl Recipe {
    /// All of them.
    pub const ALL: [Recipe; 6] =
        [Recipe::WheelsOff, Recipe::Level, Recipe::Ramp, Recipe::StallPull, Recipe::Shifts, Recipe::Free];

    /// The word in the `event` column.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Recipe::WheelsOff => "wheels-off",
            Recipe::Level => "level",
            Recipe::Ramp => "ramp",
            Recipe::StallPull => "stall-pull",
            Recipe::Shifts => "shifts",
            Recipe::Free => "free",
        }
    }
}

/// A label.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// Recipe.
    pub recipe: Recipe,
    /// Surface.
    pub surface: Option<String>,
    /// Grade, degrees.
    pub grade_deg: Option<f64>,
    /// Force on the spring scale, N.
    pub force_n: Option<f64>,
    /// Its error, N.
    pub error_n: Option<f64>,
}

/// What is wrong with a label, in words.
pub type LabelFault = String;

impl Label {
    /// Reads a label; `None` for `end`, which ends the one before.
    ///
    /// # Errors
    /// What is not known and what is allowed.
    pub fn read(text: &str) -> Result<Option<Label>, LabelFault> {
        let mut words = text.split_whitespace();
        let name = words.next().unwrap_or_default().to_ascii_lowercase();
        // Driving on level ground and letting it roll out are one run; a lawn is a surface.
        let (recipe, mut surface) = match name.as_str() {
            "end" => return Ok(None),
            // A lap of a trial: `lap 3 table`. Its words are those of the trial.
            "lap" => {
                let recipe = Recipe::Free;
                return Ok(Some(Label {
                    recipe,
                    surface: None,
                    grade_deg: None,
                    force_n: None,
                    error_n: None,
                }));
            }
            "coast-down" => (Recipe::Level, None),
            "lawn" => (Recipe::Level, Some("lawn".to_owned())),
            other => match Recipe::ALL.into_iter().find(|r| r.name() == other) {
                Some(recipe) => (recipe, None),
                None => {
                    return Err(format!("event {text:?}; known: {}, coast-down, lawn, lap, end", known()));
                }
            },
        };
        let (mut grade_deg, mut force_n, mut error_n) = (None, None, None);
        for word in words {
            let (key, value) = word.split_once('=').unwrap_or((word, ""));
            let figure = |low: f64, high: f64| match value.replace(',', ".").parse::<f64>() {
                Ok(figure) if figure >= low && figure <= high => Ok(Some(figure)),
                _ => Err(format!("event {text:?}: `{key}` is {value:?}; allowed: {low} to {high}")),
            };
            match key {
                "surface" if !value.is_empty() => {
                    check_name("surface", value).map_err(|e| format!("event {text:?}: {e}"))?;
                    surface = Some(value.to_owned());
                }
                "grade_deg" => grade_deg = figure(-30.0, 30.0)?,
                "force_n" => force_n = figure(0.001, 1e4)?,
                "error_n" => error_n = figure(0.001, 1e3)?,
                _ => {
                    return Err(format!(
                        "event {text:?}: `{word}`; known: surface=, grade_deg=, force_n=, error_n="
                    ));
                }
            }
        }
        if recipe == Recipe::Ramp && grade_deg.is_none() {
            return Err(format!("event {text:?}: a ramp needs its grade, as `ramp grade_deg=6`"));
        }
        Ok(Some(Label { recipe, surface, grade_deg, force_n, error_n }))
    }
}

fn known() -> String {
    Recipe::ALL.map(Recipe::name).join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_read_and_mistakes_named() {
        let ramp = Label::read("ramp grade_deg=6,5 surface=path").unwrap().unwrap();
        assert_eq!(
            (ramp.recipe, ramp.grade_deg, ramp.surface.as_deref()),
            (Recipe::Ramp, Some(6.5), Some("path"))
        );
        assert_eq!(Label::read("end"), Ok(None));
        assert_eq!(Label::read("lap 3 table").unwrap().unwrap().recipe, Recipe::Free);
        assert_eq!(Label::read("lawn").unwrap().unwrap().surface.as_deref(), Some("lawn"));
        for (text, word) in [
            ("hover", "known"),
            ("ramp", "grade"),
            ("stall-pull force_n=x", "force_n"),
            ("level tyre=2", "surface="),
        ] {
            assert!(Label::read(text).unwrap_err().contains(word), "{text}");
        }
    }
}
