//! What the report draws beyond the figures of `summary.json`: shift maps and driven courses.

use crate::PolicyId;
use crate::statistics::Estimate;
use crate::summary::Family;
use lowgear_onboard::Request;
use serde::{Deserialize, Serialize};

/// Everything to draw. Whatever is empty is left out of the report.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Pictures {
    /// Who decides what, per policy.
    pub shift_maps: Vec<ShiftMapPicture>,
    /// Driven courses, each with the runs of one or several policies.
    pub traces: Vec<TracePicture>,
    /// Differences in course time, course by course.
    pub differences: Vec<CourseDifferences>,
    /// Policies trained with different weights on gearbox stress, in order of the weight.
    pub frontier: Vec<FrontierPoint>,
    /// The rule card, which is a page of its own.
    pub card: Option<CardSheet>,
}

/// Everything that stands on a card, ready to print.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct CardSheet {
    /// Name of the vehicle.
    pub vehicle: String,
    /// Whether its figures are invented rather than measured.
    pub invented: bool,
    /// Policy that the card stands for.
    pub policy: String,
    /// How many numbers there are.
    pub numbers: usize,
    /// One line per number, in units that a controller can be given.
    pub lines: Vec<String>,
    /// What was left out, and what that cost.
    pub left_out: Vec<String>,
    /// Results of the card on the test courses.
    pub verdict: Vec<String>,
    /// Where it comes from: study, seed, version.
    pub origin: String,
}

/// A slice through a policy: what it asks for over two features, in every gear.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ShiftMapPicture {
    /// Name of the policy.
    pub policy: String,
    /// What the other features are held at, and which training seed this is.
    pub note: String,
    /// Feature along x, for example "wheel load".
    pub x_title: String,
    /// Its unit, for example "‰ of top gear's stall force".
    pub x_unit: String,
    /// Edges of the columns, increasing, one more than there are columns.
    pub x_edges: Vec<f64>,
    /// Feature along y, for example "tilt".
    pub y_title: String,
    /// Its unit.
    pub y_unit: String,
    /// Edges of the rows, increasing, one more than there are rows.
    pub y_edges: Vec<f64>,
    /// One map per gear, lowest first.
    pub gears: Vec<GearMap>,
    /// Visits from which a cell does not count as thinly visited, for policies whose visits are known.
    pub few_visits: Option<u32>,
}

/// The decisions in one gear.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "GearMapRecord", into = "GearMapRecord")]
pub struct GearMap {
    /// Gear, 0 is the lowest (printed as 1).
    pub gear: u8,
    /// Row by row from the lowest y, each row from the lowest x. A map of another size is left out.
    pub cells: Vec<MapCell>,
    /// Per row, every interval of steady wheel load in which it asks for the gear above, in [`LOAD_UNIT`]; increasing.
    pub up: Vec<Vec<LoadInterval>>,
    /// Per row, every interval of steady wheel load in which it asks for the gear below.
    pub down: Vec<Vec<LoadInterval>>,
}

/// An interval of steady wheel load, from and to.
pub type LoadInterval = (f64, f64);

/// A [`GearMap`] as it is written: its cells as two texts with a letter each.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct GearMapRecord {
    gear: u8,
    /// `d` down, `h` hold, `u` up.
    decisions: String,
    /// `e` enough, `f` few, `n` none.
    support: String,
    up: Vec<Vec<LoadInterval>>,
    down: Vec<Vec<LoadInterval>>,
}

const DECISIONS: [(char, Request); 3] = [('d', Request::Down), ('h', Request::Hold), ('u', Request::Up)];
const EVIDENCE: [(char, Support); 3] = [('e', Support::Enough), ('f', Support::Few), ('n', Support::None)];

fn letter<T: PartialEq>(letters: &[(char, T)], value: &T) -> char {
    letters.iter().find(|(_, v)| v == value).map_or('?', |(letter, _)| *letter)
}

fn meant<T: Copy>(letters: &[(char, T)], letter: char) -> Result<T, String> {
    let known = letters.iter().find(|(l, _)| *l == letter).map(|(_, value)| *value);
    known.ok_or_else(|| format!("a cell of a shift map holds {letter:?}"))
}

impl From<GearMap> for GearMapRecord {
    fn from(map: GearMap) -> GearMapRecord {
        GearMapRecord {
            gear: map.gear,
            decisions: map.cells.iter().map(|cell| letter(&DECISIONS, &cell.decision)).collect(),
            support: map.cells.iter().map(|cell| letter(&EVIDENCE, &cell.support)).collect(),
            up: map.up,
            down: map.down,
        }
    }
}

impl TryFrom<GearMapRecord> for GearMap {
    type Error = String;

    fn try_from(record: GearMapRecord) -> Result<GearMap, String> {
        if record.decisions.chars().count() != record.support.chars().count() {
            return Err("a shift map has as many decisions as cells with evidence".to_owned());
        }
        let pairs = record.decisions.chars().zip(record.support.chars());
        let cell = |(decision, support)| {
            Ok(MapCell { decision: meant(&DECISIONS, decision)?, support: meant(&EVIDENCE, support)? })
        };
        let cells = pairs.map(cell).collect::<Result<Vec<MapCell>, String>>()?;
        Ok(GearMap { gear: record.gear, cells, up: record.up, down: record.down })
    }
}

/// One cell of a shift map.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MapCell {
    /// What the policy asks for.
    pub decision: Request,
    /// How much it rests on.
    pub support: Support,
}

/// How much the decision in a cell rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Support {
    /// The policy has no cells, or the cell was visited often.
    Enough,
    /// The cell was visited a few times only.
    Few,
    /// The cell was never visited: the rule decides there.
    None,
}

/// Unit of the wheel loads of a [`GearMap`].
pub const LOAD_UNIT: &str = "‰ of top gear's stall force";

/// Course time of one policy less that of another on every test course. Of what is trained, one training seed: of a
/// table the exported one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct CourseDifferences {
    /// Which policy.
    pub policy: PolicyId,
    /// What it is compared with.
    pub against: PolicyId,
    /// Difference on each course, s.
    pub less_s: Vec<f64>,
}

/// A course to look at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct CoursePicture {
    /// Name.
    pub name: String,
    /// Distance and elevation, m.
    pub profile: Vec<(f64, f64)>,
    /// Surfaces from start to end.
    pub surfaces: Vec<SurfaceBand>,
    /// Bumps, steps and edges.
    pub obstacles: Vec<ObstacleMark>,
}

/// One surface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SurfaceBand {
    /// Start, m.
    pub from_m: f64,
    /// End, m.
    pub to_m: f64,
    /// Name.
    pub name: String,
}

/// One obstacle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ObstacleMark {
    /// Place, m.
    pub at_m: f64,
    /// Height, m.
    pub height_m: f64,
    /// Name.
    pub name: String,
}

/// One course with one or several runs on it; at most four are drawn.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TracePicture {
    /// Title.
    pub title: String,
    /// Why this course; may be empty.
    pub note: String,
    /// Where.
    pub course: CoursePicture,
    /// Number of gears.
    pub gears: u8,
    /// Who.
    pub runs: Vec<RunTrace>,
}

/// One run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RunTrace {
    /// Name of the policy.
    pub label: String,
    /// Kind of policy.
    pub family: Family,
    /// How it ended, for example "finished in 92.4 s".
    pub outcome: String,
    /// Samples in order of time, for example one per decision.
    pub samples: Vec<TraceSample>,
    /// What happened.
    pub events: Vec<TraceEvent>,
}

/// One sample of a run.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TraceSample {
    /// Time, s.
    pub time_s: f64,
    /// Distance, m.
    pub distance_m: f64,
    /// Gear engaged, 0 is the lowest; `None` in neutral.
    pub gear: Option<u8>,
    /// Vehicle speed, m/s.
    pub speed_m_per_s: f64,
    /// Load at the wheel, ‰ of the top gear's stall force.
    pub load_permille: f64,
    /// Tilt as the controller sees it, degrees.
    pub tilt_deg: f64,
}

/// Something that happened at a place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TraceEvent {
    /// Where, m.
    pub distance_m: f64,
    /// Surface there.
    pub surface: String,
    /// Grade there, degrees.
    pub grade_deg: f64,
    /// Gear before it, 0 is the lowest.
    pub gear: u8,
    /// What.
    pub kind: EventKind,
}

/// Kinds of event.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub enum EventKind {
    /// Shift up.
    Upshift,
    /// Shift down.
    Downshift,
    /// An upshift that had to be taken back.
    FailedUpshift,
    /// The dogs did not enter at the first try.
    MissedEngagement,
    /// An upshift shortly after a downshift that came shortly after an upshift.
    Hunting,
    /// The vehicle stood still under drive for this long, s.
    Stall(f64),
}

/// A paired difference over two parameters of the vehicle, its sensors, the ground or the learner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct HeatPicture {
    /// Title.
    pub title: String,
    /// What a cell holds, with its unit.
    pub value_title: String,
    /// Whether a positive value is better for the policy under test.
    pub more_is_better: bool,
    /// Parameter along x, with its unit.
    pub x_title: String,
    /// Its values.
    pub x_values: Vec<String>,
    /// Parameter along y, with its unit.
    pub y_title: String,
    /// Its values.
    pub y_values: Vec<String>,
    /// Row by row from the first y value; nothing where there are no figures.
    pub cells: Vec<Option<Estimate>>,
}

/// A policy trained with one weight on gearbox stress.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct FrontierPoint {
    /// Who; points of one series are joined.
    pub series: String,
    /// Name of the point, for example "weight 2".
    pub label: String,
    /// Kind of policy.
    pub family: Family,
    /// Course time, s.
    pub time_s: Estimate,
    /// Gearbox damage, share of nominal life per km.
    pub damage_per_km: Estimate,
}
