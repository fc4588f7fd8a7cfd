//! A grid over features: which cell of a table an observation lies in.
//!
//! Cells are counted as the table on the vehicle counts them ([`lowgear_onboard::Table`]): the last axis
//! varies fastest, and a value equal to an edge lies in the upper bin.

use lowgear_env::config::{KeyError, in_range, require};
use lowgear_onboard::{Axis, Feature, Features, MAX_AXES};
use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Most cells a grid may have.
pub const MAX_CELLS: usize = 4_000_000;

/// One axis as configuration states it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct GridAxis {
    /// Feature by name, for example `speed-ratio`.
    #[serde(serialize_with = "write_feature", deserialize_with = "read_feature")]
    #[schemars(with = "String", extend("enum" = Feature::ALL.map(Feature::name)))]
    pub feature: Feature,
    /// Edges between the bins, strictly increasing, in the feature's own unit.
    pub edges: Vec<i16>,
}

/// Axes that have been checked: at least one, no feature twice, edges increasing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "Vec<GridAxis>", into = "Vec<GridAxis>")]
pub struct Grid {
    axes: Vec<GridAxis>,
    cells: usize,
}

impl Grid {
    /// Checks the axes.
    ///
    /// # Errors
    /// The first key that does not fit, `grid` or below it.
    pub fn new(axes: Vec<GridAxis>) -> Result<Grid, KeyError> {
        in_range("grid", axes.len(), 1, MAX_AXES, "axes")?;
        let mut cells = 1usize;
        for (i, axis) in axes.iter().enumerate() {
            let twice = axes[..i].iter().any(|other| other.feature == axis.feature);
            let name = format!("\"{}\" twice", axis.feature.name());
            require(!twice, &format!("grid[{i}].feature"), name, "each feature once")?;
            let increasing = !axis.edges.is_empty() && axis.edges.windows(2).all(|pair| pair[0] < pair[1]);
            let edges = format!("{:?}", axis.edges);
            require(
                increasing,
                &format!("grid[{i}].edges"),
                edges,
                "one or more, each above the one before",
            )?;
            cells = cells.saturating_mul(axis.edges.len() + 1);
        }
        let allowed = format!("1 to {MAX_CELLS}; take fewer edges");
        require(cells <= MAX_CELLS, "grid", format!("{cells} cells"), &allowed)?;
        Ok(Grid { axes, cells })
    }

    /// The axes.
    #[must_use]
    pub fn axes(&self) -> &[GridAxis] {
        &self.axes
    }

    /// The axes as the table on the vehicle takes them.
    pub fn onboard_axes(&self) -> impl Iterator<Item = Axis<'_>> {
        self.axes.iter().map(GridAxis::onboard)
    }

    /// Number of cells.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.cells
    }

    /// The cell that `features` lie in.
    #[must_use]
    pub fn cell(&self, features: &Features) -> usize {
        self.onboard_axes()
            .zip(&self.axes)
            .fold(0, |cell, (onboard, axis)| cell * onboard.bins() + onboard.bin(features.get(axis.feature)))
    }

    /// The bin along each axis of a cell.
    #[must_use]
    pub fn bins(&self, cell: usize) -> Vec<usize> {
        let mut rest = cell;
        let mut bins = vec![0; self.axes.len()];
        for (bin, axis) in bins.iter_mut().zip(self.onboard_axes().collect::<Vec<_>>()).rev() {
            *bin = rest % axis.bins();
            rest /= axis.bins();
        }
        bins
    }
}

impl GridAxis {
    fn onboard(&self) -> Axis<'_> {
        Axis { feature: self.feature as u8, edges: &self.edges }
    }
}

impl TryFrom<Vec<GridAxis>> for Grid {
    type Error = KeyError;

    fn try_from(axes: Vec<GridAxis>) -> Result<Grid, KeyError> {
        Grid::new(axes)
    }
}

impl From<Grid> for Vec<GridAxis> {
    fn from(grid: Grid) -> Vec<GridAxis> {
        grid.axes
    }
}

/// The feature with this name.
///
/// # Errors
/// [`KeyError`] for `feature` with the names there are.
pub fn feature_by_name(name: &str) -> Result<Feature, KeyError> {
    let known = Feature::ALL.into_iter().find(|feature| feature.name() == name);
    let names = || Feature::ALL.map(Feature::name).join(", ");
    known.ok_or_else(|| KeyError::new("feature", format!("\"{name}\""), names()))
}

fn read_feature<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Feature, D::Error> {
    let name = String::deserialize(deserializer)?;
    feature_by_name(&name).map_err(serde::de::Error::custom)
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde calls it with a reference")]
fn write_feature<S: Serializer>(feature: &Feature, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(feature.name())
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_env::{Seed, Stream};
    use lowgear_onboard::Table;
    use rand::RngExt;

    const TEXT: &str = r#"[{"feature": "gear", "edges": [1, 2]},
        {"feature": "speed-ratio", "edges": [200, 500, 800]},
        {"feature": "tilt", "edges": [-50, 50]}]"#;

    fn grid() -> Grid {
        serde_json::from_str(TEXT).unwrap()
    }

    #[test]
    fn a_value_on_an_edge_lies_in_the_upper_bin() {
        let mut features = Features::default();
        features.0[Feature::Gear as usize] = 1;
        features.0[Feature::SpeedRatio as usize] = 500;
        features.0[Feature::Tilt as usize] = -51;
        let grid = grid();
        assert_eq!(grid.cells(), 3 * 4 * 3);
        assert_eq!(grid.cell(&features), (4 + 2) * 3);
        assert_eq!(grid.bins(grid.cell(&features)), [1, 2, 0]);
    }

    #[test]
    fn cells_are_those_of_the_table_on_the_vehicle() {
        let grid = grid();
        let axes: Vec<_> = grid.onboard_axes().collect();
        let bytes = vec![0; grid.cells().div_ceil(4)];
        let table = Table::new(&axes, &bytes).unwrap();
        let mut rng = Seed(2).stream(Stream::Sensors, 0);
        for _ in 0..10_000 {
            let features = Features(std::array::from_fn(|_| rng.random_range(-300..1200)));
            let cell = grid.cell(&features);
            assert_eq!(cell, table.cell(&features));
            let bins = grid.bins(cell);
            let values = grid.axes().iter().map(|axis| features.get(axis.feature));
            for ((bin, axis), value) in bins.into_iter().zip(&axes).zip(values) {
                assert_eq!(bin, axis.bin(value));
            }
        }
    }

    #[test]
    fn it_is_written_as_it_is_read() {
        let text = serde_json::to_string(&grid()).unwrap();
        assert_eq!(text, TEXT.replace(['\n', ' '], ""));
    }

    #[test]
    fn errors_say_what_is_allowed() {
        let error = |text: &str| serde_json::from_str::<Grid>(text).unwrap_err().to_string();
        let unknown = error(r#"[{"feature": "speed", "edges": [1]}]"#);
        assert!(unknown.contains("`feature` is \"speed\"; allowed: gear, motor-speed,"), "{unknown}");
        assert!(error("[]").contains("0 axes; allowed: 1 to 8"));
        assert!(error(r#"[{"feature": "gear", "edges": [2, 2]}]"#).contains("`grid[0].edges` is [2, 2]"));
        assert!(error(r#"[{"feature": "gear", "edges": []}]"#).contains("one or more"));
        let twice = r#"[{"feature": "gear", "edges": [1]}, {"feature": "gear", "edges": [2]}]"#;
        assert!(error(twice).contains("`grid[1].feature` is \"gear\" twice"));
        let axis = |feature| GridAxis { feature, edges: (0..500).collect() };
        let huge = Grid::new(vec![axis(Feature::Tilt), axis(Feature::Dwell), axis(Feature::Current)]);
        assert_eq!(huge.unwrap_err().got, format!("{} cells", 501 * 501 * 501));
    }
}
