//! The command `lowgear` as its users meet it: what it does, and what it says when something is wrong.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a check that cannot be made has failed")]

mod absurd;
mod check;
mod compare;
mod completions;
mod draw;
mod drive;
mod examples;
mod export;
pub(crate) mod field;
mod kinds;
mod left_out;
mod logs;
mod measured_course;
mod mistakes_in_courses;
mod mistakes_in_policies;
mod mistakes_in_studies;
mod mistakes_in_vehicles;
mod new;
mod outputs;
mod resolved;
mod route;
mod run_folder;
mod schema;
mod sensors;
#[cfg(target_os = "linux")]
mod streams;
mod terminal;
pub(crate) mod trial;
#[cfg(unix)]
mod unphysical;
mod unproven;
mod usage;
mod validate;
#[cfg(target_os = "linux")]
mod widths;
