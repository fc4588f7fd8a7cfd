//! A course: elevation, obstacles and surfaces over distance, above the runs of a trace or by itself.

use crate::scale::Scale;
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::text::{fixed, plural, shorten};
use lowgear_eval::figures::CoursePicture;

pub(super) const WIDTH: f64 = 780.0;
pub(super) const LEFT: f64 = 56.0;
pub(super) const RIGHT: f64 = WIDTH - 14.0;
/// More points than this in a line are thinned to the extremes of each stretch.
pub(super) const MOST_POINTS: usize = 1600;
/// Room for the name of an obstacle.
const NAME_WIDTH: f64 = 60.0;
/// Fills that distinguish surfaces.
const TONES: usize = 6;

/// The drawing of a course alone; `origin` says where it comes from.
pub(in super::super) fn course_chart(course: &CoursePicture, origin: &str) -> Svg {
    let label = format!("Course {}: elevation, surfaces and obstacles over distance", course.name);
    let names = surface_names(course);
    let heights = if course.obstacles.is_empty() { 0.0 } else { 96.0 };
    let mut svg = Svg::new(WIDTH, 244.0 + heights, &label);
    let x = Scale::over(course.profile.iter().map(|(at, _)| *at), 0.0, LEFT, RIGHT);
    let length_m = course.profile.last().map_or(0.0, |(at, _)| *at);
    let words = format!(
        "{origin}; {} m long, n = {}",
        fixed(length_m, 1),
        plural(course.obstacles.len(), "obstacle")
    );
    svg.text((RIGHT, 14.0), Anchor::End, "tick", &words);
    let mut bottom = draw_course(&mut svg, course, x, 14.0) - 2.0;
    if heights > 0.0 {
        bottom = draw_heights(&mut svg, course, x, bottom + 22.0);
    }
    let frame =
        Frame { x, y: Scale::linear(0.0, 1.0, 0.0, 1.0), left: LEFT, right: RIGHT, top: bottom, bottom };
    svg.x_axis(&frame, 10, "distance", "m");
    surface_key(&mut svg, &names, bottom + 42.0);
    svg
}

/// Height of each obstacle to scale, its shape by its mark; returns the y below.
fn draw_heights(svg: &mut Svg, course: &CoursePicture, x: Scale, top: f64) -> f64 {
    let highest_mm = course.obstacles.iter().map(|o| 1000.0 * o.height_m).fold(0.0, f64::max);
    let frame = Frame {
        x,
        y: Scale::linear(0.0, 1.15 * highest_mm, top + 74.0, top),
        left: LEFT,
        right: RIGHT,
        top,
        bottom: top + 74.0,
    };
    svg.y_axis(&frame, 4, "obstacle", "mm");
    for obstacle in &course.obstacles {
        let at = (x.at(obstacle.at_m), frame.y.at(1000.0 * obstacle.height_m));
        svg.line((at.0, frame.bottom), at, "obstacle-stem");
        svg.marker(shape_mark(&obstacle.name), at, 3.2, "obstacle");
    }
    let mut at = LEFT + 6.0;
    for shape in ["bump", "edge"].into_iter().filter(|s| course.obstacles.iter().any(|o| o.name == *s)) {
        svg.marker(shape_mark(shape), (at, top - 7.0), 3.2, "obstacle");
        svg.text((at + 8.0, top - 3.5), Anchor::Start, "tick", shape);
        at += 50.0;
    }
    frame.bottom
}

fn shape_mark(name: &str) -> Marker {
    if name == "edge" { Marker::Square } else { Marker::Circle }
}

/// The fill of a surface, bound to its name: by what the name says, else by the name's letters.
fn tone(name: &str) -> usize {
    const KNOWN: [(&str, usize); 9] = [
        ("path", 0),
        ("grass", 1),
        ("gravel", 2),
        ("lawn", 3),
        ("bark", 4),
        ("mulch", 4),
        ("soil", 5),
        ("earth", 5),
        ("sand", 2),
    ];
    let letters: usize = name.bytes().map(usize::from).sum();
    KNOWN.iter().find(|(word, _)| name.contains(word)).map_or(letters % TONES, |(_, tone)| *tone)
}

/// Names of the surfaces in the order in which they are met.
pub(super) fn surface_names(course: &CoursePicture) -> Vec<&str> {
    let mut names: Vec<&str> = Vec::new();
    for band in &course.surfaces {
        if !names.contains(&band.name.as_str()) {
            names.push(&band.name);
        }
    }
    names
}

/// What the fills stand for.
pub(super) fn surface_key(svg: &mut Svg, names: &[&str], top: f64) {
    let mut at = LEFT;
    for name in names {
        let fill = format!("surface surface-{}", tone(name));
        let name = shorten(name, 24);
        svg.rect((at, top), (18.0, 11.0), &fill);
        svg.text((at + 23.0, top + 9.5), Anchor::Start, "tick", &name);
        at += 42.0 + 5.8 * name.chars().count() as f64;
    }
}

/// Profile, obstacles and surface strip from `top`; returns the y below them.
pub(super) fn draw_course(svg: &mut Svg, course: &CoursePicture, x: Scale, top: f64) -> f64 {
    let frame = Frame {
        x,
        y: Scale::over(course.profile.iter().map(|(_, z)| *z), 0.18, top + 126.0, top + 6.0),
        left: LEFT,
        right: RIGHT,
        top: top + 6.0,
        bottom: top + 126.0,
    };
    svg.text((LEFT, top), Anchor::Start, "row", &shorten(&course.name, 80));
    svg.y_axis(&frame, 4, "elevation", "m");
    let line: Vec<(f64, f64)> = course.profile.iter().map(|(at, z)| (x.at(*at), frame.y.at(*z))).collect();
    let line = thin(line, MOST_POINTS);
    let mut ground = line.clone();
    ground.extend([(RIGHT, frame.bottom), (LEFT, frame.bottom)]);
    svg.polygon(&ground, "ground");
    svg.polyline(&line, "profile");
    let named = course.obstacles.len() <= 8;
    let mut free = f64::NEG_INFINITY;
    for obstacle in &course.obstacles {
        let at = (x.at(obstacle.at_m), frame.y.at(elevation(course, obstacle.at_m)));
        let size = (2.5 + 150.0 * obstacle.height_m).clamp(3.0, 9.0);
        svg.marker(Marker::Triangle, (at.0, at.1 - size), size, "obstacle");
        // A name that would lie upon the one before is left out.
        if named && at.0 > free {
            free = at.0 + NAME_WIDTH;
            let text = format!("{} {} mm", obstacle.name, fixed(1000.0 * obstacle.height_m, 0));
            let anchor = if at.0 > RIGHT - NAME_WIDTH { Anchor::End } else { Anchor::Middle };
            svg.text(
                (at.0, (at.1 - 2.0 * size - 5.0).max(top + 14.0)),
                anchor,
                "tick halo",
                &shorten(&text, 22),
            );
        }
    }
    draw_surfaces(svg, course, x, frame.bottom + 4.0);
    frame.bottom + 24.0
}

fn draw_surfaces(svg: &mut Svg, course: &CoursePicture, x: Scale, top: f64) {
    for band in &course.surfaces {
        let (from, to) = (x.at(band.from_m), x.at(band.to_m));
        let words = format!("{} from {} to {} m", band.name, fixed(band.from_m, 1), fixed(band.to_m, 1));
        svg.tipped(&words, |svg| {
            svg.rect((from, top), (to - from, 15.0), &format!("surface surface-{}", tone(&band.name)));
        });
    }
    svg.text((LEFT - 5.0, top + 11.0), Anchor::End, "tick", "surface");
}

fn elevation(course: &CoursePicture, at_m: f64) -> f64 {
    let next = course.profile.partition_point(|(at, _)| *at < at_m);
    match (next.checked_sub(1).and_then(|i| course.profile.get(i)), course.profile.get(next)) {
        (Some((x0, z0)), Some((x1, z1))) if x1 > x0 => z0 + (z1 - z0) * (at_m - x0) / (x1 - x0),
        (_, Some((_, z))) | (Some((_, z)), None) => *z,
        (None, None) => 0.0,
    }
}

/// At most `most` points: of each stretch the first, lowest, highest and last are kept, in order.
pub(in super::super) fn thin(points: Vec<(f64, f64)>, most: usize) -> Vec<(f64, f64)> {
    if points.len() <= most {
        return points;
    }
    let stretch = points.len().div_ceil(most / 4);
    let mut kept = Vec::with_capacity(most);
    for part in points.chunks(stretch) {
        let by_height = |a: &(usize, f64), b: &(usize, f64)| a.1.total_cmp(&b.1);
        let heights = || part.iter().map(|point| point.1).enumerate();
        let lowest = heights().min_by(by_height).map_or(0, |(index, _)| index);
        let highest = heights().max_by(by_height).map_or(0, |(index, _)| index);
        let mut places = vec![0, lowest, highest, part.len() - 1];
        places.sort_unstable();
        places.dedup();
        kept.extend(places.into_iter().map(|place| part[place]));
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinning_keeps_the_extremes() {
        let points: Vec<(f64, f64)> = (0..10_000)
            .map(|i| (f64::from(i), if i == 4321 { 9.0 } else { f64::from(i % 7) * 0.1 }))
            .collect();
        let thinned = thin(points, MOST_POINTS);
        assert!(thinned.len() <= MOST_POINTS);
        assert!(thinned.contains(&(4321.0, 9.0)));
        assert!(thinned.is_sorted_by(|a, b| a.0 < b.0));
    }

    #[test]
    fn a_surface_has_one_fill_wherever_it_lies() {
        assert_eq!((tone("long grass"), tone("hard path"), tone("trodden path")), (1, 0, 0));
        assert_ne!(tone("mown lawn"), tone("long grass"));
        assert_eq!(tone("wet leaves"), tone("wet leaves"));
        assert!(tone("wet leaves") < TONES);
    }

    #[test]
    fn elevation_is_linear_between_points() {
        let course = CoursePicture {
            name: String::new(),
            profile: vec![(0.0, 0.0), (2.0, 1.0)],
            surfaces: Vec::new(),
            obstacles: Vec::new(),
        };
        for (at, z) in [(-1.0, 0.0), (1.0, 0.5), (5.0, 1.0)] {
            assert!((elevation(&course, at) - z).abs() < 1e-12);
        }
    }
}
