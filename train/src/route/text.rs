//! What a map is worth, in words.

use super::{RouteRow, RouteWorth};

/// What the table rests on.
const NOTE: &str = "
Simulation. Intervals of 95 %, ways as the unit. A lap that is not finished
counts as the time limit. Each map is made from the true ground of a first
lap; one that is learned from logs is worth less.
";

impl RouteWorth {
    /// The table and what it rests on.
    #[must_use]
    pub fn text(&self) -> String {
        let rows: String = self.rows.iter().map(RouteRow::text).collect();
        let columns = ["time", "against the policy", "damage", "done"];
        let heading = format!("{:>36}  {:<24} {:>7} {:>6}", columns[0], columns[1], columns[2], columns[3]);
        format!(
            "{}: {} ways, {} laps\nmaps: {:.0} bytes in the mean, {} at the most\n\n{heading}\n{rows}{NOTE}",
            self.course, self.ways, self.laps, self.bytes.0, self.bytes.1,
        )
    }
}

impl RouteRow {
    fn text(&self) -> String {
        let difference = &self.difference_percent;
        format!(
            "{:<27} {:6.1} s  {:+5.1} % ({:+5.1} to {:+5.1}) {:+5.0} % {:>6}\n",
            self.name,
            self.time_s,
            difference.mean,
            difference.low,
            difference.high,
            self.damage_percent,
            self.finished
        )
    }
}
