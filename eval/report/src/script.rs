//! The page's only script: allowed by its hash, so that nothing else in the page is ever run.

use maud::{Markup, PreEscaped, html};
use serde::Serialize;
use sha2::{Digest, Sha256};

use super::charts::{looks, thin};
use lowgear_env::request_name;
use lowgear_eval::figures::{EventKind, GearMap, RunTrace, ShiftMapPicture, TracePicture};

const SCRIPT: &str = include_str!("page.js");
/// Points of a profile.
const MOST_POINTS: usize = 400;

/// The source that the content policy allows, as `sha256-…`.
pub(super) fn source() -> String {
    format!("sha256-{}", base64(&Sha256::digest(SCRIPT)))
}

/// The script, at the end of the page.
pub(super) fn element() -> Markup {
    html! { script { (PreEscaped(SCRIPT)) } }
}

/// RFC 4648, with padding.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::new();
    for three in bytes.chunks(3) {
        let bits =
            three.iter().enumerate().fold(0_u32, |bits, (i, byte)| bits | u32::from(*byte) << (16 - 8 * i));
        for place in 0..4 {
            let letter = char::from(LETTERS[(bits >> (18 - 6 * place) & 63) as usize]);
            out.push(if place <= three.len() { letter } else { '=' });
        }
    }
    out
}

/// A course with its runs, as the replay reads it.
#[derive(Serialize)]
struct Course<'a> {
    title: &'a str,
    gears: u8,
    /// Distance and elevation, m.
    x: Vec<f64>,
    z: Vec<f64>,
    /// Place in m, height in mm, name.
    obstacles: Vec<(f64, f64, &'a str)>,
    runs: Vec<Run<'a>>,
}

/// A run: time in s, distance in m, gear from 1 or nothing while the selector moves, speed in m/s, load in permille.
#[derive(Serialize)]
struct Run<'a> {
    label: &'a str,
    outcome: &'a str,
    look: String,
    t: Vec<f64>,
    d: Vec<f64>,
    g: Vec<Option<u8>>,
    v: Vec<f64>,
    l: Vec<f64>,
    e: Vec<(f64, &'static str)>,
}

/// Rounded to so many decimals, which the page needs and no more.
fn rounded(value: f64, decimals: i32) -> f64 {
    let unit = 10_f64.powi(decimals);
    (value * unit).round() / unit
}

/// What the replay shows in addition to gear and speed.
fn event_in_words(kind: EventKind) -> Option<&'static str> {
    match kind {
        EventKind::Upshift | EventKind::Downshift => None,
        EventKind::FailedUpshift => Some("failed upshift"),
        EventKind::MissedEngagement => Some("missed engagement"),
        EventKind::Hunting => Some("hunting"),
        EventKind::Stall(_) => Some("stalled"),
    }
}

fn run(run: &RunTrace, look: String) -> Run<'_> {
    let all = |figure: fn(&lowgear_eval::figures::TraceSample) -> f64, decimals| {
        run.samples.iter().map(|sample| rounded(figure(sample), decimals)).collect()
    };
    Run {
        label: &run.label,
        outcome: &run.outcome,
        look,
        t: all(|s| s.time_s, 2),
        d: all(|s| s.distance_m, 3),
        g: run.samples.iter().map(|sample| sample.gear.map(|gear| gear + 1)).collect(),
        v: all(|s| s.speed_m_per_s, 3),
        l: all(|s| s.load_permille, 0),
        e: run
            .events
            .iter()
            .filter_map(|event| Some((rounded(event.distance_m, 2), event_in_words(event.kind)?)))
            .collect(),
    }
}

/// The place of the replay and its data, which no browser runs.
pub(super) fn replay(traces: &[TracePicture]) -> Markup {
    let courses: Vec<Course<'_>> = traces
        .iter()
        .filter(|picture| picture.runs.iter().all(|run| run.samples.len() > 1) && picture.runs.len() > 1)
        .map(|picture| {
            let profile = thin(picture.course.profile.clone(), MOST_POINTS);
            Course {
                title: &picture.title,
                gears: picture.gears,
                x: profile.iter().map(|point| rounded(point.0, 3)).collect(),
                z: profile.iter().map(|point| rounded(point.1, 4)).collect(),
                obstacles: picture
                    .course
                    .obstacles
                    .iter()
                    .map(|o| (rounded(o.at_m, 3), rounded(1000.0 * o.height_m, 1), o.name.as_str()))
                    .collect(),
                runs: picture.runs.iter().zip(looks(&picture.runs)).map(|(r, look)| run(r, look)).collect(),
            }
        })
        .collect();
    html! { @if !courses.is_empty() { div id="replay" {} "\n" (data("runs-data", &courses)) } }
}

/// Data for the script, which no browser runs.
fn data(id: &str, content: &impl Serialize) -> Markup {
    let Ok(text) = serde_json::to_string(content) else { return Markup::default() };
    // A name must not end the element: JSON may write `<` by its number.
    let text = text.replace('<', "\\u003c");
    html! { script type="application/json" id=(id) { (PreEscaped(text)) } "\n" }
}

/// Shift maps over one grid, as their comparison reads them.
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Maps<'a> {
    x: &'a [f64],
    y: &'a [f64],
    x_title: &'a str,
    x_unit: &'a str,
    y_title: &'a str,
    y_unit: &'a str,
    /// Which two are shown first.
    a: usize,
    b: usize,
    policies: Vec<PolicyMap<'a>>,
}

/// A policy and, per gear, a letter for each cell: `d` down, `h` hold, `u` up.
#[derive(Serialize)]
struct PolicyMap<'a> {
    label: &'a str,
    asks: Vec<String>,
}

/// The place of the comparison of two shift maps and its data; `first` names the two that are shown first.
pub(super) fn map_pair(pictures: &[ShiftMapPicture], first: [&str; 2]) -> Markup {
    let Some(like) = pictures.first() else { return Markup::default() };
    let cells = like.x_edges.len().saturating_sub(1) * like.y_edges.len().saturating_sub(1);
    let fits = |picture: &&ShiftMapPicture| {
        picture.x_edges == like.x_edges
            && picture.y_edges == like.y_edges
            && picture.gears.len() == like.gears.len()
            && picture.gears.iter().all(|gear| gear.cells.len() == cells)
    };
    let ask = |gear: &GearMap| gear.cells.iter().map(|cell| &request_name(cell.decision)[..1]).collect();
    let policies: Vec<PolicyMap<'_>> = pictures
        .iter()
        .filter(fits)
        .map(|p| PolicyMap { label: &p.policy, asks: p.gears.iter().map(ask).collect() })
        .collect();
    if policies.len() < 2 || cells == 0 {
        return Markup::default();
    }
    let [a, b] = first.map(|label| policies.iter().position(|policy| policy.label == label));
    let maps = Maps {
        x: &like.x_edges,
        y: &like.y_edges,
        x_title: &like.x_title,
        x_unit: &like.x_unit,
        y_title: &like.y_title,
        y_unit: &like.y_unit,
        a: a.unwrap_or(1),
        b: b.unwrap_or(0),
        policies,
    };
    html! { div id="map-pair" {} "\n" (data("maps-data", &maps)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::{pictures, trace_picture};

    #[test]
    fn base64_is_that_of_its_specification() {
        for (text, expected) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")]
        {
            assert_eq!(base64(text.as_bytes()), expected);
        }
    }

    #[test]
    fn two_maps_are_compared_over_one_grid() {
        let all = pictures().shift_maps;
        let text = map_pair(&all, ["Learned table", "Tuned load-ratio rule"]).into_string();
        let json = text.split_once('>').unwrap().1.split_once("<script").unwrap().1;
        let json = json.split_once('>').unwrap().1.split_once("</script").unwrap().0;
        let maps: serde_json::Value = serde_json::from_str(json).unwrap();
        let policies = maps["policies"].as_array().unwrap();
        assert_eq!(policies.len(), all.len());
        let cells = (maps["x"].as_array().unwrap().len() - 1) * (maps["y"].as_array().unwrap().len() - 1);
        for (policy, picture) in policies.iter().zip(&all) {
            assert_eq!(policy["label"], *picture.policy);
            let asks: Vec<&str> =
                policy["asks"].as_array().unwrap().iter().map(|a| a.as_str().unwrap()).collect();
            assert_eq!(asks.len(), picture.gears.len());
            assert!(asks.iter().all(|gear| gear.len() == cells && gear.chars().all(|c| "dhu".contains(c))));
        }
        let mut other = all.clone();
        other.truncate(2);
        other[1].x_edges[0] -= 1.0;
        assert!(
            map_pair(&other, ["", ""]).into_string().is_empty(),
            "maps over other grids are not compared"
        );
    }

    #[test]
    fn the_data_of_the_replay_ends_no_element() {
        let mut picture = trace_picture();
        picture.runs[0].label = "</script><script>alert(1)</script>".into();
        let text = replay(&[picture]).into_string();
        assert_eq!(text.matches("</script").count(), 1, "{}", &text[..300]);
        assert!(text.contains("\\u003c/script>"));
        let mut short = trace_picture();
        short.runs[0].samples.clear();
        assert!(replay(&[short]).into_string().is_empty());
    }
}
