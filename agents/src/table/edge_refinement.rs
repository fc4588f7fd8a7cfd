//! A table with its edges moved: what a search of edges works on.

use super::{LookupTable, TableAxis};
use lowgear_onboard::Feature;

impl LookupTable {
    /// Number of edges that can be moved: all but those between gears or classes.
    #[must_use]
    pub fn movable_edges(&self) -> usize {
        self.axes.iter().filter(|axis| is_measure(axis.feature)).map(|axis| axis.edges.len()).sum()
    }

    /// The table with each movable edge moved by its entry of `moves`, in the order of axes and edges. Speeds and
    /// current move by thousands of permille, tilt by 20 degrees, what counts from zero (loads, voltage, clocks) by
    /// the factor e to three times the entry. Edges that meet or pass each other stay in order and one unit apart.
    /// `None` when `moves` has another length or an edge would leave the range of its feature.
    #[must_use]
    pub fn with_edges_moved(&self, moves: &[f64]) -> Option<LookupTable> {
        if moves.len() != self.movable_edges() {
            return None;
        }
        let mut moves = moves.iter();
        let mut moved = |axis: &TableAxis| {
            let mut edges: Vec<i16> =
                axis.edges.iter().zip(&mut moves).map(|(&edge, &by)| moved(axis.feature, edge, by)).collect();
            edges.sort_unstable();
            for i in 1..edges.len() {
                edges[i] = edges[i].max(edges[i - 1].saturating_add(1));
            }
            TableAxis { feature: axis.feature, edges }
        };
        let axes =
            self.axes.iter().map(|axis| if is_measure(axis.feature) { moved(axis) } else { axis.clone() });
        LookupTable::new(axes.collect(), self.cells.clone(), self.provenance.clone()).ok()
    }
}

/// Whether the values of a feature are sizes of something rather than names.
const fn is_measure(feature: Feature) -> bool {
    !matches!(feature, Feature::Gear | Feature::StrikeClass)
}

/// One edge, moved.
fn moved(feature: Feature, edge: i16, by: f64) -> i16 {
    let from = f64::from(edge);
    let (to, low) = match feature {
        Feature::MotorSpeed | Feature::SpeedRatio => (from + 1000.0 * by, 1.0),
        Feature::Current => (from + 1000.0 * by, -30_000.0),
        Feature::Tilt => (from + 200.0 * by, -30_000.0),
        _ => (from * (3.0 * by).exp(), 1.0),
    };
    // Whole numbers within these limits are exact.
    to.round().clamp(low, 30_000.0) as i16
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::Provenance;
    use lowgear_onboard::{Features, Request};

    fn table() -> LookupTable {
        let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
        let axes = vec![
            axis(Feature::Gear, &[1]),
            axis(Feature::SpeedRatio, &[200, 700]),
            axis(Feature::Dwell, &[20]),
            axis(Feature::Tilt, &[-30]),
        ];
        let requests: Vec<Request> = (0..24).map(|i| Request::from_code(i % 3)).collect();
        LookupTable::from_requests(axes, &requests, Provenance::default()).unwrap()
    }

    #[test]
    fn no_move_is_the_table_itself() {
        assert_eq!(table().movable_edges(), 4);
        assert_eq!(table().with_edges_moved(&[0.0; 4]).unwrap(), table());
    }

    #[test]
    fn edges_move_in_the_unit_of_their_feature_and_cells_stay() {
        let moved = table().with_edges_moved(&[0.05, -0.1, 2.0_f64.ln() / 3.0, 0.1]).unwrap();
        let edges: Vec<&[i16]> = moved.axes().iter().map(|axis| axis.edges.as_slice()).collect();
        assert_eq!(edges, [&[1][..], &[250, 600], &[40], &[-10]]);
        assert_eq!(moved.cells(), table().cells());
        let mut features = Features([0; lowgear_onboard::FEATURES]);
        features.0[Feature::SpeedRatio as usize] = 230;
        assert_ne!(moved.cell(&features), table().cell(&features));
    }

    #[test]
    fn edges_that_pass_each_other_stay_in_order() {
        let moved = table().with_edges_moved(&[0.6, 0.0, 0.0, 0.0]).unwrap();
        assert_eq!(moved.axes()[1].edges, [700, 800]);
        let moved = table().with_edges_moved(&[0.5, 0.0, -9.0, 9.0]).unwrap();
        assert_eq!(moved.axes()[1].edges, [700, 701]);
        assert_eq!((moved.axes()[2].edges[0], moved.axes()[3].edges[0]), (1, 1770));
        assert_eq!(table().with_edges_moved(&[0.0; 3]), None);
    }
}
