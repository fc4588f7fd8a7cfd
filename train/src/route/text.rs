//! What a map is worth, in words.

use super::{LearnedWorth, MapsWorth, RouteRow, RouteWorth};

/// What the table rests on.
const NOTE: &str = "
Simulation. Intervals of 95 %, ways as the unit. A lap that is not finished
counts as the time limit.
";

impl RouteWorth {
    /// The tables and what they rest on.
    #[must_use]
    pub fn text(&self) -> String {
        let tables = [self.maps.as_ref().map(MapsWorth::text), self.learned.as_ref().map(LearnedWorth::text)];
        let tables: Vec<String> = tables.into_iter().flatten().collect();
        let columns = ["time", "against the policy", "damage", "done"];
        let heading = format!("{:>36}  {:<24} {:>7} {:>6}", columns[0], columns[1], columns[2], columns[3]);
        format!("{}: {} ways\n{heading}\n{}{NOTE}", self.course, self.ways, tables.join("\n"))
    }
}

impl MapsWorth {
    fn text(&self) -> String {
        let rows: String = self.rows.iter().map(RouteRow::text).collect();
        let (mean, most) = self.bytes;
        format!(
            "{rows}\n{} laps. Each map is made from the true ground of a first lap: {mean:.0} bytes\nin the mean, {most} at the most.\n",
            self.laps
        )
    }
}

impl LearnedWorth {
    fn text(&self) -> String {
        let rows: String = self.rows.iter().chain([&self.another_way]).map(RouteRow::text).collect();
        let (mean_m, sd_m) = self.position_error_m;
        format!(
            "{rows}\nWhat is learned is against the policy on the same laps. The way is counted\nfrom the start: at the end of a lap by {mean_m:+.2} m (sd {sd_m:.2} m) too far.\n"
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
