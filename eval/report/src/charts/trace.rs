//! A driven course: profile, surfaces and obstacles above, then gear, speed, load, tilt and time of every
//! run over the same distance.

use super::course::{LEFT, MOST_POINTS, RIGHT, WIDTH, draw_course, surface_key, surface_names, thin};
use super::events::{event_tables, kind_in_words};
use super::{DATA, Figure, Layout};
use crate::policies::look_of_family;
use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::text::{fixed, in_sentence, plural, shorten, signed};
use lowgear_eval::figures::{CoursePicture, EventKind, RunTrace, TracePicture, TraceSample};
use lowgear_eval::summary::Family;

const MOST_RUNS: usize = 4;

/// The figure for the report; `None` when there is nothing to draw.
pub(in super::super) fn trace(picture: &TracePicture) -> Option<Figure> {
    if picture.runs.is_empty() || picture.course.profile.len() < 2 {
        return None;
    }
    Some(Figure {
        title: format!("{}{}", picture.title, against_reference(&picture.runs)),
        caption: format!(
            "{}One course, n = {} with the same sampled vehicle and noise; each policy has a gear strip with its events.{}",
            if picture.note.is_empty() { String::new() } else { format!("{} ", picture.note) },
            plural(picture.runs.len().min(MOST_RUNS), "run"),
            reference(&picture.runs).map_or_else(String::new, |index| format!(
                " The time difference is that to {} at the same place; below zero is ahead.",
                in_sentence(&picture.runs[index].label)
            ))
        ),
        drawings: vec![trace_chart(picture).finish()],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Wide,
        table: event_tables(&picture.runs[..picture.runs.len().min(MOST_RUNS)]),
    })
}

/// The drawing of a course with its runs.
pub(in super::super) fn trace_chart(picture: &TracePicture) -> Svg {
    let runs: Vec<&RunTrace> = picture.runs.iter().take(MOST_RUNS).collect();
    let lane = 16.0 + 13.0 * f64::from(picture.gears.max(2));
    let compared = reference(&picture.runs).filter(|_| runs.len() > 1);
    let panels = if compared.is_some() { 2.0 } else { 4.0 };
    let height = 222.0 + lane * runs.len() as f64 + panels * 92.0 + 14.0;
    let label =
        format!("{}: elevation, gears and drive over distance, {}", picture.title, plural(runs.len(), "run"));
    let mut svg = Svg::new(WIDTH, height, &label);
    let x = distance_scale(&picture.course, &runs);
    let mut top = draw_course(&mut svg, &picture.course, x, 14.0);
    surface_key(&mut svg, &surface_names(&picture.course), top);
    top += 16.0;
    let obstacles_to = height - 44.0;
    event_key(&mut svg, top + 4.0);
    top += 24.0;
    draw_obstacle_lines(&mut svg, &picture.course, x, top - 2.0, obstacles_to);
    let looks = looks(&picture.runs);
    for (run, look) in runs.iter().zip(&looks) {
        draw_gears(&mut svg, run, look, picture.gears.max(2), x, top);
        top += lane;
    }
    let frame = match compared {
        Some(index) => draw_compared(&mut svg, &runs, index, &looks, x, top + 10.0),
        None => draw_all(&mut svg, &runs, &looks, x, top + 10.0),
    };
    svg.x_axis(&frame, 10, "distance", "m");
    svg
}

/// The run that the others are timed against: the last rule among them, which is the tuned one.
fn reference(runs: &[RunTrace]) -> Option<usize> {
    runs.iter().rposition(|run| run.family == Family::Rule)
}

/// ", lookup table +2.7 s": the table's course time less that of the reference.
fn against_reference(runs: &[RunTrace]) -> String {
    let table = runs.iter().find(|run| run.family == Family::Table);
    let last = |run: &RunTrace| run.samples.last().map(|sample| sample.time_s);
    let rule = reference(runs).and_then(|index| last(&runs[index]));
    match (table, table.and_then(last), rule) {
        (Some(table), Some(own), Some(rule)) => {
            format!(", {} {} s", in_sentence(&table.label), signed(own - rule))
        }
        _ => String::new(),
    }
}

/// Classes of the lines, bound to the kind of policy: the last of several rules is the tuned one; of several learned
/// policies each has a line style of its own.
pub(in super::super) fn looks(runs: &[RunTrace]) -> Vec<String> {
    let tuned = reference(runs).filter(|index| *index > 0);
    let mut learned = 0;
    runs.iter()
        .enumerate()
        .map(|(index, run)| {
            if Some(index) == tuned {
                return "tuned".to_owned();
            }
            let look = look_of_family(run.family);
            if run.family != Family::Learned {
                return look.to_owned();
            }
            learned += 1;
            format!("{look} style-{}", learned - 1)
        })
        .collect()
}

type Panel = (&'static str, &'static str, fn(&TraceSample) -> f64);

/// Speed, load, tilt and time of a run by itself.
fn draw_all(svg: &mut Svg, runs: &[&RunTrace], looks: &[String], x: Scale, top: f64) -> Frame {
    let panels: [Panel; 4] = [
        ("speed", "m/s", |s| s.speed_m_per_s),
        ("load", "‰ of top gear's stall", |s| s.load_permille),
        ("tilt", "°", |s| s.tilt_deg),
        ("time", "s", |s| s.time_s),
    ];
    let mut frame = None;
    for (index, (title, unit, figure)) in panels.into_iter().enumerate() {
        let lines: Vec<Vec<(f64, f64)>> =
            runs.iter().map(|run| run.samples.iter().map(|s| (s.distance_m, figure(s))).collect()).collect();
        frame = Some(draw_panel(svg, &lines, looks, (title, unit), x, top + 92.0 * index as f64));
    }
    frame.unwrap_or_else(|| panel_frame(&[], x, top))
}

/// The time difference to the run at `index`, where time is won and lost, and the speed.
fn draw_compared(
    svg: &mut Svg,
    runs: &[&RunTrace],
    index: usize,
    looks: &[String],
    x: Scale,
    top: f64,
) -> Frame {
    let passed: Vec<Vec<(f64, f64)>> = runs.iter().map(|run| passed(run)).collect();
    let less: Vec<Vec<(f64, f64)>> = passed
        .iter()
        .map(|own| {
            own.iter().filter_map(|(at, time)| Some((*at, time - time_at(&passed[index], *at)?))).collect()
        })
        .collect();
    draw_panel(svg, &less, looks, ("time difference", "s"), x, top);
    let speed: Vec<Vec<(f64, f64)>> = runs
        .iter()
        .map(|run| run.samples.iter().map(|s| (s.distance_m, s.speed_m_per_s)).collect())
        .collect();
    draw_panel(svg, &speed, looks, ("speed", "m/s"), x, top + 92.0)
}

/// Place and time at which each place was first reached: a vehicle may roll back.
fn passed(run: &RunTrace) -> Vec<(f64, f64)> {
    let mut furthest = f64::NEG_INFINITY;
    run.samples
        .iter()
        .filter(|sample| {
            let new = sample.distance_m > furthest;
            furthest = furthest.max(sample.distance_m);
            new
        })
        .map(|sample| (sample.distance_m, sample.time_s))
        .collect()
}

/// When the place was reached, s; nothing beyond the end of the run.
fn time_at(passed: &[(f64, f64)], at_m: f64) -> Option<f64> {
    let next = passed.partition_point(|(at, _)| *at < at_m);
    let (x1, t1) = *passed.get(next)?;
    let Some((x0, t0)) = next.checked_sub(1).and_then(|i| passed.get(i)).copied() else { return Some(t1) };
    Some(t0 + (t1 - t0) * (at_m - x0) / (x1 - x0))
}

fn distance_scale(course: &CoursePicture, runs: &[&RunTrace]) -> Scale {
    let driven = runs.iter().flat_map(|run| &run.samples).map(|sample| sample.distance_m);
    Scale::over(course.profile.iter().map(|(at, _)| *at).chain(driven), 0.0, LEFT, RIGHT)
}

fn draw_obstacle_lines(svg: &mut Svg, course: &CoursePicture, x: Scale, top: f64, bottom: f64) {
    if course.obstacles.len() <= 16 {
        for obstacle in &course.obstacles {
            let at = x.at(obstacle.at_m);
            svg.line((at, top), (at, bottom), "obstacle-line");
        }
    }
}

/// Marker and class of an event.
fn event_mark(kind: EventKind) -> (Marker, &'static str) {
    match kind {
        EventKind::Upshift => (Marker::Triangle, "event shift"),
        EventKind::Downshift => (Marker::TriangleDown, "event shift"),
        EventKind::FailedUpshift => (Marker::Cross, "event failed"),
        EventKind::MissedEngagement => (Marker::Ring, "event missed"),
        EventKind::Hunting => (Marker::Diamond, "event hunt"),
        EventKind::Stall(_) => (Marker::Square, "event stall"),
    }
}

fn event_key(svg: &mut Svg, top: f64) {
    let key = [
        (EventKind::Upshift, "shift up"),
        (EventKind::Downshift, "shift down"),
        (EventKind::FailedUpshift, "failed upshift"),
        (EventKind::MissedEngagement, "missed engagement"),
        (EventKind::Hunting, "hunting"),
        (EventKind::Stall(0.0), "stalled"),
    ];
    let mut at = LEFT + 6.0;
    for (kind, word) in key {
        let (marker, class) = event_mark(kind);
        svg.marker(marker, (at, top + 6.0), 3.6, class);
        svg.text((at + 9.0, top + 9.5), Anchor::Start, "tick", word);
        at += 32.0 + 6.4 * word.len() as f64;
    }
}

fn draw_gears(svg: &mut Svg, run: &RunTrace, look: &str, gears: u8, x: Scale, top: f64) {
    let bottom = top + 16.0 + 13.0 * f64::from(gears) - 6.0;
    let y = Scale::linear(-0.45, f64::from(gears) - 0.55, bottom, top + 14.0);
    svg.line((LEFT, top + 9.0), (LEFT + 26.0, top + 9.0), &format!("run {look}"));
    let words = format!("{}: {}", run.label, run.outcome);
    svg.text((LEFT + 32.0, top + 12.0), Anchor::Start, "row halo", &shorten(&words, 90));
    for gear in 0..gears {
        let at = y.at(f64::from(gear));
        svg.line((LEFT, at), (RIGHT, at), "grid");
        svg.text((LEFT - 5.0, at + 3.5), Anchor::End, "tick", &(gear + 1).to_string());
    }
    svg.text_upwards((10.0, 0.5 * (top + 14.0 + bottom)), "axis-title", "gear");
    for piece in run.samples.chunk_by(|a, b| a.gear.is_some() == b.gear.is_some()) {
        let mut steps: Vec<(f64, f64)> = Vec::new();
        for sample in piece {
            let Some(gear) = sample.gear else { continue };
            let next = (x.at(sample.distance_m), y.at(f64::from(gear)));
            if let Some(last) = steps.last().filter(|last| (last.1 - next.1).abs() > 0.1) {
                steps.push((next.0, last.1));
            }
            match steps.as_mut_slice() {
                // On the level: move the end, so that a long gear costs two points.
                [.., before, last]
                    if (before.1 - next.1).abs() < 0.1
                        && (last.1 - next.1).abs() < 0.1
                        && next.0 >= last.0 =>
                {
                    last.0 = next.0;
                }
                _ => steps.push(next),
            }
        }
        svg.polyline(&steps, &format!("run {look} solid"));
    }
    for event in &run.events {
        let (marker, class) = event_mark(event.kind);
        // A ring round the shift that it stands for.
        let size = if event.kind == EventKind::Hunting { 6.0 } else { 3.6 };
        let at = (x.at(event.distance_m), y.at(f64::from(event.gear)));
        let words = format!(
            "{}: {} at {} m, gear {}, {}",
            run.label,
            kind_in_words(event.kind),
            fixed(event.distance_m, 2),
            event.gear + 1,
            event.surface
        );
        svg.tipped(&words, |svg| svg.marker(marker, at, size, class));
    }
}

fn panel_frame(lines: &[Vec<(f64, f64)>], x: Scale, top: f64) -> Frame {
    let (low, high) = range(lines.iter().flatten().map(|point| point.1));
    Frame {
        x,
        y: Scale::over([low.min(0.0), high.max(0.0)], 0.05, top + 74.0, top),
        left: LEFT,
        right: RIGHT,
        top,
        bottom: top + 74.0,
    }
}

fn draw_panel(
    svg: &mut Svg,
    lines: &[Vec<(f64, f64)>],
    looks: &[String],
    (title, unit): (&str, &str),
    x: Scale,
    top: f64,
) -> Frame {
    let frame = panel_frame(lines, x, top);
    svg.y_axis(&frame, 4, title, unit);
    svg.line((LEFT, frame.bottom), (RIGHT, frame.bottom), "axis");
    for (line, look) in lines.iter().zip(looks) {
        let points = line.iter().map(|(at, value)| (x.at(*at), frame.y.at(*value))).collect();
        svg.polyline(&thin(points, MOST_POINTS), &format!("run {look}"));
    }
    frame
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::trace_picture;

    #[test]
    fn colours_follow_the_kind_of_policy_and_not_its_place() {
        let mut runs = trace_picture().runs;
        assert_eq!(looks(&runs), ["rule", "tuned", "table"]);
        runs.swap(0, 2);
        assert_eq!(
            looks(&runs),
            ["table", "tuned", "rule"].map(|look| if look == "rule" {
                "tuned"
            } else if look == "tuned" {
                "rule"
            } else {
                look
            })
        );
        assert_eq!(looks(&runs[..1]), ["table"]);
    }

    #[test]
    fn time_at_a_place_is_that_of_the_first_passing() {
        let mut run = trace_picture().runs.remove(0);
        let at = |run: &RunTrace, place_m| time_at(&passed(run), place_m).unwrap();
        let before = at(&run, 30.05);
        // Rolls back by ten samples and passes them again, later.
        let again: Vec<TraceSample> = run.samples[190..210].to_vec();
        let later = again.iter().map(|s| TraceSample { time_s: s.time_s + 50.0, ..*s });
        run.samples.splice(210..210, later.collect::<Vec<_>>());
        assert!((at(&run, 30.05) - before).abs() < 1e-12);
        assert!(time_at(&passed(&run), 1e6).is_none());
    }
}
