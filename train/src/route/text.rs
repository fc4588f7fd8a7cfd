//! What a map is worth, in words.

use super::{LearnedWorth, RouteRow, RouteWorth};

/// What the table rests on.
const NOTE: &str = "
Simulation. Intervals of 95 %, ways as the unit. A lap that is not finished
counts as the time limit. Each map is made from the true ground of a first
lap.
";

impl RouteWorth {
    /// The table and what it rests on.
    #[must_use]
    pub fn text(&self) -> String {
        let rows: String = self.rows.iter().map(RouteRow::text).collect();
        let columns = ["time", "against the policy", "damage", "done"];
        let heading = format!("{:>36}  {:<24} {:>7} {:>6}", columns[0], columns[1], columns[2], columns[3]);
        format!(
            "{}: {} ways, {} laps\nmaps: {:.0} bytes in the mean, {} at the most\n\n{heading}\n{rows}{}{NOTE}",
            self.course,
            self.ways,
            self.laps,
            self.bytes.0,
            self.bytes.1,
            self.learned.as_ref().map_or(String::new(), LearnedWorth::text),
        )
    }
}

impl LearnedWorth {
    /// Rows that follow those of the maps, each against the policy alone on the same laps.
    fn text(&self) -> String {
        let rows: String = self.rows.iter().chain([&self.another_way]).map(RouteRow::text).collect();
        let (mean_m, sd_m) = self.position_error_m;
        format!(
            "\nlearned by the vehicle itself, lap by lap, each against the policy on the\nsame laps; its position is counted, at the end of a lap by {mean_m:+.2} m\n(sd {sd_m:.2} m) too far\n{rows}"
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
