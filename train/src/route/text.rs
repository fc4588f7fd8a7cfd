//! What a map is worth, in words.

use super::{MapsWorth, RouteWorth};
use lowgear_eval::laps::LapWorth;

/// What the table rests on.
const NOTE: &str = "
Simulation. Intervals of 95 %, ways as the unit. A lap that is not finished
counts as the time limit.
";

impl RouteWorth {
    /// The tables and what they rest on.
    #[must_use]
    pub fn text(&self) -> String {
        let tables = [self.maps.as_ref().map(MapsWorth::text), self.learned.as_ref().map(LapWorth::text)];
        let tables: Vec<String> = tables.into_iter().flatten().collect();
        let columns = ["time", "against the policy", "damage", "done", "needless", "silent"];
        let [time, against, damage, done, needless, silent] = columns;
        let mut heading = format!("{time:>36}  {against:<24} {damage:>7} {done:>6}");
        if self.learned.is_some() {
            heading.push_str(&format!(" {needless} {silent}"));
        }
        format!("{}: {} ways\n{heading}\n{}{NOTE}", self.course, self.ways, tables.join("\n"))
    }
}

impl MapsWorth {
    fn text(&self) -> String {
        let rows: String = self.rows.iter().map(|row| row.text() + "\n").collect();
        let (mean, most) = self.bytes;
        format!(
            "{rows}\n{} laps. Each map is made from the true ground of a first lap: {mean:.0} bytes\nin the mean, {most} at the most.\n",
            self.laps
        )
    }
}
