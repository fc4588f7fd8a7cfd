//! Tables that differ from a rule in few situations.
//!
//! A situation is a set of cells that has a short name: one gear, one pair of requests, and all values of one feature below or above an edge.
//! An owner who knows the rule can read what would change, and try it by hand first.

use super::{LookupTable, TableFault};
use lowgear_onboard::{Feature, Request};
use std::collections::{BTreeMap, BTreeSet};

/// Bins of one axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Side {
    /// Below the upper edge of this bin.
    UpTo(usize),
    /// From the lower edge of this bin.
    From(usize),
}

/// Cells on one side of an axis, or all of them.
type Part = (Option<(usize, Side)>, Vec<usize>);

/// Where a table asks for something else than a rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Situation {
    /// What the rule asks for.
    pub rule: Request,
    /// What the table asks for.
    pub table: Request,
    gear: Option<usize>,
    side: Option<(Feature, bool, i16)>,
    cells: Vec<usize>,
    /// Visits of its cells.
    pub visits: u64,
}

impl Situation {
    /// Its name, as `gear 2, load-slow 300 or more`.
    #[must_use]
    pub fn name(&self) -> String {
        let gear = self.gear.map_or("any gear".to_owned(), |gear| format!("gear {}", gear + 1));
        match self.side {
            None => gear,
            Some((feature, true, edge)) => format!("{gear}, {} {edge} or more", feature.name()),
            Some((feature, false, edge)) => format!("{gear}, {} below {edge}", feature.name()),
        }
    }
}

impl LookupTable {
    /// All situations in which `other`, a table on the same axes, asks for something else than this one, those met most first. `visits`
    /// counts how often each cell is met; cells that never are change nothing and are left out.
    #[must_use]
    pub fn situations(&self, other: &LookupTable, visits: &[u32]) -> Vec<Situation> {
        let gear_axis = self.axes.iter().position(|axis| axis.feature == Feature::Gear);
        let mut groups: BTreeMap<(Option<usize>, u8, u8), Vec<usize>> = BTreeMap::new();
        for (cell, _) in visits.iter().enumerate().take(self.count()).filter(|(_, met)| **met > 0) {
            let (rule, table) = (self.request(cell), other.request(cell));
            if rule != table {
                let gear = gear_axis.map(|axis| self.bins_of(cell)[axis]);
                groups.entry((gear, rule as u8, table as u8)).or_default().push(cell);
            }
        }
        let mut seen: BTreeSet<Vec<usize>> = BTreeSet::new();
        let mut found = Vec::new();
        for ((gear, rule, table), cells) in groups {
            let mut sides: Vec<Part> = vec![(None, cells.clone())];
            for (at, axis) in self.axes.iter().enumerate().filter(|(at, _)| Some(*at) != gear_axis) {
                for bin in 0..axis.edges.len() {
                    for side in [Side::UpTo(bin), Side::From(bin + 1)] {
                        let inside = |cell: &usize| match side {
                            Side::UpTo(last) => self.bins_of(*cell)[at] <= last,
                            Side::From(first) => self.bins_of(*cell)[at] >= first,
                        };
                        sides.push((Some((at, side)), cells.iter().copied().filter(inside).collect()));
                    }
                }
            }
            for (side, cells) in sides {
                if cells.is_empty() || !seen.insert(cells.clone()) {
                    continue;
                }
                let side = side.map(|(at, side)| match side {
                    Side::UpTo(bin) => (self.axes[at].feature, false, self.axes[at].edges[bin]),
                    Side::From(bin) => (self.axes[at].feature, true, self.axes[at].edges[bin - 1]),
                });
                let visits = cells.iter().map(|&cell| u64::from(visits[cell])).sum();
                let (rule, table) = (Request::from_code(rule), Request::from_code(table));
                found.push(Situation { rule, table, gear, side, cells, visits });
            }
        }
        found.sort_by_key(|situation| std::cmp::Reverse(situation.visits));
        found
    }

    /// This table with the requests of some situations.
    ///
    /// # Errors
    /// Never for situations of a table on the same axes.
    pub fn with_situations<'a>(
        &self,
        situations: impl IntoIterator<Item = &'a Situation>,
    ) -> Result<LookupTable, TableFault> {
        let mut requests: Vec<Request> = (0..self.count()).map(|cell| self.request(cell)).collect();
        for situation in situations {
            for &cell in &situation.cells {
                if let Some(request) = requests.get_mut(cell) {
                    *request = situation.table;
                }
            }
        }
        LookupTable::from_requests(self.axes.clone(), &requests, self.provenance.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::{Provenance, TableAxis};

    fn table(requests: [Request; 6]) -> LookupTable {
        let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
        let axes = vec![axis(Feature::Gear, &[1]), axis(Feature::LoadSlow, &[100, 300])];
        LookupTable::from_requests(axes, &requests, Provenance::default()).unwrap()
    }

    #[test]
    fn situations_name_where_two_tables_differ_and_change_nothing_else() {
        use Request::{Down, Hold, Up};
        let rule = table([Hold, Hold, Hold, Hold, Hold, Hold]);
        let other = table([Up, Up, Hold, Hold, Down, Down]);
        let found = rule.situations(&other, &[9, 1, 5, 5, 2, 0]);
        let names: Vec<(String, Request, u64)> =
            found.iter().map(|s| (s.name(), s.table, s.visits)).collect();
        // Of two names for the same cells the shorter is kept, and cells that are never met have none.
        assert_eq!(
            names,
            [
                ("gear 1".to_owned(), Up, 10),
                ("gear 1, load-slow below 100".to_owned(), Up, 9),
                ("gear 2".to_owned(), Down, 2),
                ("gear 1, load-slow 100 or more".to_owned(), Up, 1),
            ]
        );
        let changed = rule.with_situations([&found[1], &found[2]]).unwrap();
        let requests: Vec<Request> = (0..6).map(|cell| changed.request(cell)).collect();
        assert_eq!(requests, [Up, Hold, Hold, Hold, Down, Hold]);
    }
}
