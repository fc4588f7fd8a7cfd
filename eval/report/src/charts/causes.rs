//! How the test episodes ended, as stacked bars.

use lowgear_env::Cause;
use maud::Markup;

use super::{DATA, Figure, Layout};
use crate::svg::{Anchor, Svg};
use crate::tables::table;
use crate::text::{count, plain, shorten};
use lowgear_eval::summary::{Outcomes, Summary};

const WIDTH: f64 = 350.0;
const ROW: f64 = 34.0;

/// The style of a cause.
fn class(cause: Cause) -> &'static str {
    match cause {
        Cause::Finished => "cause-finished",
        Cause::StalledOut => "cause-stalled",
        Cause::Jammed => "cause-jammed",
        Cause::Overheated => "cause-hot",
        Cause::BatteryEmpty => "cause-empty",
        Cause::OutOfTime => "cause-late",
    }
}

/// Outcomes by cause, per policy.
pub(in super::super) fn outcome_causes(summary: &Summary) -> Option<Figure> {
    if summary.outcomes.is_empty() {
        return None;
    }
    let words = Cause::ALL.map(Cause::words);
    let head: Vec<&str> =
        ["policy"].into_iter().chain(words.iter().map(String::as_str)).chain(["episodes"]).collect();
    let body = summary.outcomes.iter().map(|outcomes| {
        let mut row = vec![summary.label(&outcomes.policy).to_owned()];
        row.extend(Cause::ALL.map(|cause| count(episodes(outcomes, cause) as u64)));
        row.push(count(total(outcomes) as u64));
        row
    });
    Some(Figure {
        title: "Episode outcomes".to_owned(),
        caption:
            "Share of test episodes by cause of ending; an episode is one training seed on one course, n is the \
                  number of episodes."
                .to_owned(),
        table: table("Episodes by cause", &head, body),
        drawings: vec![draw(summary)],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Half,
    })
}

fn episodes(outcomes: &Outcomes, cause: Cause) -> usize {
    outcomes.causes.iter().filter(|c| c.cause == cause).map(|c| c.episodes).sum()
}

fn total(outcomes: &Outcomes) -> usize {
    outcomes.causes.iter().map(|c| c.episodes).sum()
}

fn draw(summary: &Summary) -> Markup {
    let legend = 40.0;
    let height = legend + ROW * summary.outcomes.len() as f64 + 8.0;
    let mut svg =
        Svg::new(WIDTH, height, "Stacked bars: share of test episodes by cause of ending, per policy");
    let mut place = (12.0, 6.0);
    for cause in Cause::ALL {
        if place.0 > 240.0 {
            place = (12.0, 22.0);
        }
        svg.rect(place, (14.0, 10.0), class(cause));
        svg.text((place.0 + 18.0, place.1 + 9.0), Anchor::Start, "tick", &cause.words());
        place.0 += 30.0 + 6.0 * cause.words().chars().count() as f64;
    }
    for (index, outcomes) in summary.outcomes.iter().enumerate() {
        let y = legend + ROW * index as f64;
        let all = total(outcomes);
        let finished = 100.0 * episodes(outcomes, Cause::Finished) as f64 / all.max(1) as f64;
        svg.text((12.0, y + 10.0), Anchor::Start, "row", &shorten(summary.label(&outcomes.policy), 32));
        let figure =
            format!("{} % finished, n = {}", plain((10.0 * finished).round() / 10.0), count(all as u64));
        svg.text((WIDTH - 12.0, y + 10.0), Anchor::End, "figure", &figure);
        let mut x = 12.0;
        for cause in Cause::ALL {
            let width = (WIDTH - 24.0) * episodes(outcomes, cause) as f64 / all.max(1) as f64;
            if width > 0.0 {
                svg.rect((x, y + 15.0), (width, 12.0), class(cause));
            }
            x += width;
        }
    }
    svg.finish()
}
