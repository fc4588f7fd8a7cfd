//! The page of a study that still runs: how far each job is, how long it may take, and its validation so far.

use maud::{Markup, html};

use super::document::{begin, chart_document, section};
use super::scale::Scale;
use super::svg::{Anchor, Frame, Marker, Svg};
use super::tables::table;
use super::text::{count, fixed, number, plural, signed, typeset};

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 210.0;

/// A training run that is under way or done.
#[derive(Clone, Debug, PartialEq)]
pub struct JobStanding {
    /// Learner and seed.
    pub name: String,
    /// Steps or ticks done, and how many there are to do.
    pub done: (u64, u64),
    /// Time that is left at the present pace, s, where known.
    pub left_s: Option<f64>,
    /// Ticks and mean validation return, s, of every check so far; the first is that of the policy it starts from.
    pub checks: Vec<(u64, f64)>,
}

/// A study under way.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Standing {
    /// Its jobs, in order of their names.
    pub jobs: Vec<JobStanding>,
    /// Size of the run folder, bytes.
    pub disk_bytes: u64,
    /// Memory that the program occupies, bytes, where the system says.
    pub memory_bytes: Option<u64>,
}

/// The page; it is made again at every checkpoint.
#[must_use]
pub fn progress_page(study: &str, standing: &Standing) -> String {
    let title = format!("Study {study} is running");
    let done = standing.jobs.iter().filter(|job| job.done.0 >= job.done.1).count();
    let left = standing.jobs.iter().filter_map(|job| job.left_s).fold(0.0, f64::max);
    let mib = |bytes: u64| fixed(bytes as f64 / f64::from(1 << 20), 1);
    let memory =
        standing.memory_bytes.map_or_else(String::new, |bytes| format!(" Memory {} MiB.", mib(bytes)));
    let body = html! {
        (begin("#jobs", "To the jobs"))
        header { "\n" h1 { (typeset(&title)) } "\n" }
        main { "\n"
            p.verdict {
                (typeset(&format!("{done} of {} done; the longest needs {} more.", plural(standing.jobs.len(), "started job"), in_words(left))))
            } "\n"
            p.note {
                (typeset(&format!(
                    "Made again at each checkpoint: reload to see the next. Jobs that have not started, the comparison and the \
                     report come on top. Run folder {} MiB.{memory}",
                    mib(standing.disk_bytes)
                )))
            } "\n"
            (section("jobs", "Jobs", &jobs(standing)))
            (section("curves", "Validation so far", &curves(standing)))
        } "\n"
    };
    chart_document(&title, &body)
}

/// "2 h 5 min".
fn in_words(seconds: f64) -> String {
    match seconds {
        s if s < 60.0 => format!("{} s", fixed(s, 0)),
        s if s < 3600.0 => format!("{} min", fixed(s / 60.0, 0)),
        s => format!("{} h {} min", fixed((s / 3600.0).floor(), 0), fixed(s % 3600.0 / 60.0, 0)),
    }
}

/// Best check so far less the first.
fn gained(job: &JobStanding) -> Option<f64> {
    let first = job.checks.first()?.1;
    let best = job.checks.iter().map(|check| check.1).fold(f64::NEG_INFINITY, f64::max);
    Some(best - first)
}

fn jobs(standing: &Standing) -> Markup {
    let head = ["job", "done, %", "time left", "checks", "best validation return, s", "beyond its start, s"];
    let body = standing.jobs.iter().map(|job| {
        let share = 100.0 * job.done.0 as f64 / job.done.1.max(1) as f64;
        let best = job.checks.iter().map(|check| check.1).fold(f64::NEG_INFINITY, f64::max);
        vec![
            job.name.clone(),
            fixed(share.min(100.0), 0),
            job.left_s.map_or_else(|| "–".to_owned(), in_words),
            count(job.checks.len() as u64),
            if best.is_finite() { number(best) } else { "–".to_owned() },
            gained(job).map_or_else(|| "–".to_owned(), signed),
        ]
    });
    table("Training runs", &head, body)
}

fn curves(standing: &Standing) -> Markup {
    html! {
        div.figures { "\n"
            @for job in standing.jobs.iter().filter(|job| job.checks.len() > 1) {
                figure { "\n"
                    figcaption { h3 { (typeset(&job.name)) } }
                    div.drawings { (curve(job)) }
                } "\n"
            }
        } "\n"
    }
}

fn curve(job: &JobStanding) -> Markup {
    let ticks = || job.checks.iter().map(|check| check.0 as f64);
    let frame = Frame {
        x: Scale::over(ticks(), 0.0, 50.0, WIDTH - 18.0),
        y: Scale::over(job.checks.iter().map(|check| check.1), 0.08, HEIGHT - 36.0, 10.0),
        left: 50.0,
        right: WIDTH - 18.0,
        top: 10.0,
        bottom: HEIGHT - 36.0,
    };
    let mut svg = Svg::new(WIDTH, HEIGHT, &format!("Validation return of {} over ticks", job.name));
    svg.x_axis(&frame, 4, "simulated ticks", "");
    svg.y_axis(&frame, 4, "validation return", "s");
    let points: Vec<(f64, f64)> =
        job.checks.iter().map(|check| (frame.x.at(check.0 as f64), frame.y.at(check.1))).collect();
    if let Some(start) = points.first() {
        svg.line((frame.left, start.1), (frame.right, start.1), "joint");
        svg.text((frame.right - 4.0, start.1 - 4.0), Anchor::End, "tick halo", "start");
    }
    svg.polyline(&points, "thick learned");
    for at in points {
        svg.marker(Marker::Circle, at, 2.4, "mark learned");
    }
    svg.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_running_study_is_shown_with_its_gain_and_time_left() {
        let job = |name: &str, done, left_s, checks: &[(u64, f64)]| JobStanding {
            name: name.to_owned(),
            done: (done, 100),
            left_s,
            checks: checks.to_vec(),
        };
        let standing = Standing {
            jobs: vec![
                job("ppo seed 1", 40, Some(7500.0), &[(0, -150.0), (1000, -140.0), (2000, -145.0)]),
                job("ppo seed 2", 100, None, &[(0, -150.0)]),
            ],
            disk_bytes: 3 << 20,
            memory_bytes: None,
        };
        let page = progress_page("<demo>", &standing);
        for words in [
            "1 of 2 started jobs done; the longest needs 2 h 5 min more.",
            "+10.0",
            "Run folder 3.0 MiB.",
            "&lt;demo&gt;",
        ] {
            assert!(page.contains(words), "{words}");
        }
        assert!(!page.contains("<script") && page.matches("<svg class=\"chart\"").count() == 1);
        assert!(progress_page("x", &Standing::default()).contains("0 of 0 started jobs"));
    }
}
