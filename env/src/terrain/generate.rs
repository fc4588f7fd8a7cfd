//! Course files: random ground with a seed, scripted sections, or a measured profile.

use super::laps::LapsConfig;
use super::placing::PlacedObstacle;
use super::{
    Course, Obstacle, ObstacleConfig, ObstacleShape, RoughnessClass, Segment, Surface, roughness_profile,
};
use crate::config::{Check, KeyError, ParameterDistribution, check_name, check_path, in_range};
use rand::{Rng, RngExt};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A course file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct CourseConfig {
    /// Name for reports.
    pub name: String,
    /// Kinds of ground.
    pub surfaces: Vec<SurfaceConfig>,
    /// Random ground: patches, grades, roughness, obstacles; `length-m` long.
    pub random: Option<RandomConfig>,
    /// Scripted sections, one after the other.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sections: Vec<ScriptedSection>,
    /// Repeated laps of one way; absent: every episode is a way of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub laps: Option<LapsConfig>,
    /// A measured profile: a CSV file with the columns `distance_m`, `elevation_m`, `surface` and, if there
    /// are obstacles, `obstacle_height_m` and `obstacle_shape`; relative to the course file.
    pub profile: Option<std::path::PathBuf>,
}

/// A kind of ground.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SurfaceConfig {
    /// Name.
    pub name: String,
    /// Rolling resistance coefficient, 0 to 1.
    pub rolling: f64,
    /// Drag by grass that grows with speed, N per m/s and N of weight, 0 to 2.
    #[serde(default)]
    pub drag_s_m: f64,
    /// Friction coefficient of the wheels, 0.05 to 1.5.
    pub friction: f64,
    /// How often a patch is of this kind, any positive number; 0 never.
    #[serde(default)]
    pub weight: f64,
    /// Factor on rolling and drag, drawn for each patch.
    #[serde(default = "one")]
    pub patch_factor: ParameterDistribution,
    /// Factor on rolling and drag, drawn for each lap of a way: grass that grows, ground that is wet. Absent: 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lap_factor: Option<ParameterDistribution>,
}

fn one() -> ParameterDistribution {
    ParameterDistribution::Fixed(1.0)
}

/// Random ground.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RandomConfig {
    /// Length, m, 1 to 1000.
    pub length_m: f64,
    /// Patches of ground.
    pub patches: PatchConfig,
    /// Hills.
    pub grade: GradeConfig,
    /// Roughness class of ISO 8608, none for smooth ground.
    pub roughness: Option<RoughnessClass>,
    /// Kinds of obstacle.
    #[serde(default)]
    pub obstacles: Vec<ObstacleConfig>,
}

/// Patches of ground: each has one surface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct PatchConfig {
    /// Length of a patch, m.
    pub length_m: ParameterDistribution,
}

/// Hills: sections of one grade, blended into each other.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct GradeConfig {
    /// Length of a section, m.
    pub length_m: ParameterDistribution,
    /// Grade of a section, degrees, uphill positive.
    pub grade_deg: ParameterDistribution,
    /// Share of sections that are flat, 0 to 1.
    pub flat_share: f64,
    /// Length over which one grade blends into the next, m.
    pub blend_m: f64,
}

/// A scripted section.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ScriptedSection {
    /// Length, m.
    pub length_m: f64,
    /// Surface by name.
    pub surface: String,
    /// Grade, degrees.
    #[serde(default)]
    pub grade_deg: f64,
    /// Obstacle in the middle of the section: height, m.
    pub obstacle_height_m: Option<f64>,
    /// Its shape.
    pub obstacle_shape: Option<ObstacleShape>,
}

/// Spacing of the pieces that roughness and blends are cut into, m.
const PIECE_M: f64 = 0.2;
/// Upper edge of the band of ISO 8608, cycles/m, as far as pieces can show it.
const BAND_M: f64 = 0.5 / PIECE_M;
/// Least distance between two obstacles, m.
pub const LEAST_GAP_M: f64 = 0.10;
/// Ground before the start, for axles behind the front one, m.
const BEFORE_M: f64 = 5.0;

impl CourseConfig {
    /// Builds the course; the same numbers give the same course.
    ///
    /// `profile` is the course read from [`CourseConfig::profile`], if the file names one.
    pub fn course(&self, rng: &mut impl Rng) -> Course {
        self.ground(rng).course
    }

    /// All obstacles that are drawn for the course of the same numbers, by position: those that do not lie on it, and
    /// those too close behind another one, among them.
    pub fn placed_obstacles(&self, rng: &mut impl Rng) -> Vec<PlacedObstacle> {
        self.ground(rng).placed
    }

    /// The course, with what a lap of it needs to know.
    pub(super) fn ground(&self, rng: &mut impl Rng) -> Ground {
        let surfaces: Vec<Surface> = self.surfaces.iter().map(SurfaceConfig::surface).collect();
        let course =
            Course { name: self.name.clone(), length_m: 0.0, surfaces, segments: vec![], obstacles: vec![] };
        let mut ground = Ground { course, kinds: vec![], patches: vec![], placed: vec![] };
        if let Some(random) = &self.random {
            random.fill(&self.surfaces, &mut ground, rng);
        } else {
            self.fill_sections(&mut ground.course);
        }
        ground
    }

    /// The surfaces as they stand in the file, without a factor drawn.
    #[must_use]
    pub fn plain_surfaces(&self) -> Vec<Surface> {
        self.surfaces.iter().map(SurfaceConfig::surface).collect()
    }

    fn fill_sections(&self, course: &mut Course) {
        for section in &self.sections {
            let start_m = if course.segments.is_empty() { -BEFORE_M } else { course.length_m };
            let surface = self.surfaces.iter().position(|s| s.name == section.surface).unwrap_or(0);
            let sin_grade = section.grade_deg.to_radians().sin();
            course.segments.push(Segment { start_m, sin_grade, surface });
            if let Some(height_m) = section.obstacle_height_m {
                let position_m = course.length_m + 0.5 * section.length_m;
                let shape = section.obstacle_shape.unwrap_or(ObstacleShape::Bump);
                course.obstacles.push(Obstacle { position_m, height_m, shape });
            }
            course.length_m += section.length_m;
        }
    }
}

impl SurfaceConfig {
    fn surface(&self) -> Surface {
        Surface {
            name: self.name.clone(),
            rolling: self.rolling,
            drag_s_m: self.drag_s_m,
            friction: self.friction,
        }
    }
}

/// A course as it was generated.
pub(super) struct Ground {
    pub(super) course: Course,
    /// For each obstacle the number of its kind in [`RandomConfig::obstacles`]; empty where none was drawn.
    pub(super) kinds: Vec<usize>,
    /// `(start, surface, kind)` of each patch.
    pub(super) patches: Vec<(f64, usize, usize)>,
    /// All obstacles that were drawn, by position.
    pub(super) placed: Vec<PlacedObstacle>,
}

impl RandomConfig {
    fn fill(&self, kinds: &[SurfaceConfig], ground: &mut Ground, rng: &mut impl Rng) {
        let course = &mut ground.course;
        course.length_m = self.length_m;
        let patches = self.draw_patches(kinds, &mut course.surfaces, rng);
        let grades = self.draw_grades(rng);
        let pieces = (self.length_m / PIECE_M).ceil() as usize;
        let rough = self.roughness.map(|class| roughness_profile(class, PIECE_M, pieces + 1, BAND_M, rng));
        let mut borders: Vec<f64> = patches.iter().map(|p| p.0).collect();
        borders.extend((0..pieces).map(|i| i as f64 * PIECE_M));
        borders.sort_by(f64::total_cmp);
        borders.dedup_by(|b, a| *b - *a < 0.01);
        for &start in &borders {
            let patch = patches.partition_point(|p| p.0 <= start + 1e-9).saturating_sub(1);
            let slope = rough.as_ref().map_or(0.0, |heights| {
                let i = ((start / PIECE_M + 1e-9) as usize).min(pieces.saturating_sub(1));
                (heights[i + 1] - heights[i]) / PIECE_M
            });
            let sin_grade =
                (grade_at(&grades, start + 0.5 * PIECE_M, self.grade.blend_m) + slope.atan()).sin();
            let start_m = if start == 0.0 { -BEFORE_M } else { start };
            course.segments.push(Segment { start_m, sin_grade, surface: patches[patch].1 });
        }
        let mut placed = Vec::new();
        for (kind, config) in self.obstacles.iter().enumerate() {
            let obstacles = config.place(config.rate_per_m, course.length_m, kinds, &patches, rng);
            placed.extend(obstacles.into_iter().map(|placed| PlacedObstacle { kind, ..placed }));
        }
        placed.sort_by(|a, b| a.obstacle.position_m.total_cmp(&b.obstacle.position_m));
        let mut lying: Vec<PlacedObstacle> = placed.iter().copied().filter(|placed| placed.lies).collect();
        lying.dedup_by(|b, a| b.obstacle.position_m - a.obstacle.position_m < LEAST_GAP_M);
        (course.obstacles, ground.kinds) = lying.into_iter().map(|p| (p.obstacle, p.kind)).unzip();
        ground.patches = patches;
        ground.placed = placed;
    }

    /// `(start, surface, kind)` of each patch; a drawn factor makes a surface of its own.
    fn draw_patches(
        &self,
        kinds: &[SurfaceConfig],
        surfaces: &mut Vec<Surface>,
        rng: &mut impl Rng,
    ) -> Vec<(f64, usize, usize)> {
        let total: f64 = kinds.iter().map(|k| k.weight).sum();
        let mut patches = Vec::new();
        let mut start = 0.0;
        while start < self.length_m {
            let mut pick = rng.random::<f64>() * total;
            let kind = kinds
                .iter()
                .position(|k| {
                    pick -= k.weight;
                    k.weight > 0.0 && pick < 0.0
                })
                .unwrap_or(0);
            let factor = kinds[kind].patch_factor.draw(rng);
            let base = kinds[kind].surface();
            surfaces.push(Surface {
                rolling: base.rolling * factor,
                drag_s_m: base.drag_s_m * factor,
                ..base
            });
            patches.push((start, surfaces.len() - 1, kind));
            start += self.patches.length_m.draw(rng).max(0.05);
        }
        patches
    }

    /// `(start, angle)` of each section of one grade, rad.
    fn draw_grades(&self, rng: &mut impl Rng) -> Vec<(f64, f64)> {
        let mut grades = Vec::new();
        let mut start = 0.0;
        while start < self.length_m {
            let flat = rng.random::<f64>() < self.grade.flat_share;
            let degrees = self.grade.grade_deg.draw(rng);
            grades.push((start, if flat || start == 0.0 { 0.0 } else { degrees.to_radians() }));
            start += self.grade.length_m.draw(rng).max(0.2);
        }
        grades
    }
}

/// The grade at `x`: sections blend linearly into each other over `blend_m` after each border.
fn grade_at(grades: &[(f64, f64)], x: f64, blend_m: f64) -> f64 {
    let i = grades.partition_point(|g| g.0 <= x).saturating_sub(1);
    let before = if i == 0 { grades[0].1 } else { grades[i - 1].1 };
    let share = if blend_m > 0.0 { ((x - grades[i].0) / blend_m).clamp(0.0, 1.0) } else { 1.0 };
    before + (grades[i].1 - before) * share
}

impl Check for CourseConfig {
    fn check(&self) -> Result<(), KeyError> {
        check_name("name", &self.name)?;
        self.profile.as_deref().map_or(Ok(()), |path| check_path("profile", path))?;
        if self.surfaces.is_empty() {
            return Err(KeyError::new("surfaces", "empty", "at least one [[surfaces]] table"));
        }
        for (i, surface) in self.surfaces.iter().enumerate() {
            surface.check().map_err(|e| e.within(&format!("surfaces[{i}]")))?;
        }
        let ways = usize::from(self.random.is_some())
            + usize::from(!self.sections.is_empty())
            + usize::from(self.profile.is_some());
        if ways != 1 {
            return Err(KeyError::new(
                "random",
                format!("one of {ways} ways to lay the course"),
                "exactly one of [random], [[sections]] and profile: without any the course is empty",
            ));
        }
        if let Some(random) = &self.random {
            random.check().map_err(|e| e.within("random"))?;
            if !self.surfaces.iter().any(|s| s.weight > 0.0) {
                return Err(KeyError::new(
                    "surfaces[0].weight",
                    0,
                    "a positive weight for at least one surface",
                ));
            }
        }
        for (i, section) in self.sections.iter().enumerate() {
            self.check_section(section).map_err(|e| e.within(&format!("sections[{i}]")))?;
        }
        let on = self.random.iter().flat_map(|r| &r.obstacles).flat_map(|o| &o.on);
        for name in on {
            self.known_surface("random.obstacles.on", name)?;
        }
        self.laps.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("laps"))
    }
}

impl CourseConfig {
    fn known_surface(&self, key: &str, name: &str) -> Result<(), KeyError> {
        if self.surfaces.iter().any(|s| s.name == name) {
            return Ok(());
        }
        let names: Vec<&str> = self.surfaces.iter().map(|s| s.name.as_str()).collect();
        Err(KeyError::new(key, format!("\"{name}\""), format!("one of {}", names.join(", "))))
    }

    fn check_section(&self, section: &ScriptedSection) -> Result<(), KeyError> {
        in_range("length-m", section.length_m, 0.05, 1000.0, "m")?;
        in_range("grade-deg", section.grade_deg, -45.0, 45.0, "°")?;
        if let Some(height) = section.obstacle_height_m {
            in_range("obstacle-height-m", height, 0.0005, 0.5, "m")?;
        }
        self.known_surface("surface", &section.surface)
    }
}

impl Check for SurfaceConfig {
    fn check(&self) -> Result<(), KeyError> {
        check_name("name", &self.name)?;
        in_range("rolling", self.rolling, 0.0, 1.0, "")?;
        in_range("drag-s-m", self.drag_s_m, 0.0, 2.0, "s/m")?;
        in_range("friction", self.friction, 0.05, 1.5, "")?;
        in_range("weight", self.weight, 0.0, 1e6, "")?;
        self.patch_factor.check_within("patch-factor", 0.05, 20.0, "")?;
        self.lap_factor.map_or(Ok(()), |factor| factor.check_within("lap-factor", 0.05, 20.0, ""))
    }
}

impl Check for RandomConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("length-m", self.length_m, 1.0, 1000.0, "m")?;
        self.patches.length_m.check_within("patches.length-m", 0.05, 1000.0, "m")?;
        self.grade.length_m.check_within("grade.length-m", 0.2, 1000.0, "m")?;
        self.grade.grade_deg.check_within("grade.grade-deg", -45.0, 45.0, "°")?;
        in_range("grade.flat-share", self.grade.flat_share, 0.0, 1.0, "")?;
        in_range("grade.blend-m", self.grade.blend_m, 0.0, 100.0, "m")?;
        for (i, obstacle) in self.obstacles.iter().enumerate() {
            obstacle.check().map_err(|e| e.within(&format!("obstacles[{i}]")))?;
        }
        Ok(())
    }
}
