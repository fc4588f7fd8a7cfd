//! `lowgear draw`.

use super::replace::Replace;
use crate::error::StudyError;
use crate::store::{create_folder, write_atomically};
use lowgear_env::config::shown;
use lowgear_env::{Seed, Stream, load_course};
use lowgear_eval::figures::course_picture;
use lowgear_report::course_svg;
use std::path::{Path, PathBuf};

/// Draw a course: elevation, surfaces, obstacles.
///
/// Reads a course file and the profile that it may name. Writes one SVG file. Of random ground
/// there is another course for every seed and episode; scripted and measured ones are always the same.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`:\n  lowgear draw course.toml --episode 3 --out course.svg"
)]
pub(super) struct DrawArguments {
    /// Course file (TOML)
    course: PathBuf,
    /// Seed of random ground
    #[arg(long, default_value_t = 0, value_name = "N")]
    seed: u64,
    /// Number of the episode
    #[arg(long, default_value_t = 0, value_name = "N")]
    episode: u64,
    /// The picture
    #[arg(long, default_value = "runs/course.svg", value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    replace: Replace,
}

pub(super) fn run(arguments: &DrawArguments) -> Result<String, StudyError> {
    let (config, measured) = load_course(&arguments.course)?;
    let profile = config.profile.as_ref().map(|profile| arguments.course.with_file_name(profile));
    arguments.replace.outputs(profile.iter().chain([&arguments.course])).check(&arguments.out)?;
    let (seed, episode) = (arguments.seed, arguments.episode);
    let origin = match (&config.profile, &config.random) {
        (Some(profile), _) => {
            format!("measured, {}", profile.file_name().unwrap_or_default().to_string_lossy())
        }
        (None, Some(_)) => format!("random, seed {seed}, episode {episode}"),
        (None, None) => "scripted".to_owned(),
    };
    let course = measured.unwrap_or_else(|| config.course(&mut Seed(seed).stream(Stream::Course, episode)));
    if let Some(folder) = arguments.out.parent().filter(|folder| *folder != Path::new("")) {
        create_folder(folder)?;
    }
    write_atomically(&arguments.out, course_svg(&course_picture(&course), &origin).as_bytes())?;
    Ok(format!(
        "{}: {origin}, {:.1} m, n = {} obstacles\npicture: {}\n",
        course.name,
        course.length_m,
        course.obstacles.len(),
        shown(&arguments.out)
    ))
}
