//! A picture of the vehicle on its course: the ground around it to scale, how far it has come, the gear in mesh.

use crate::canvas::{Canvas, Colour};
use lowgear_env::Drive;
use lowgear_env::terrain::{Course, ObstacleShape};

const SKY: Colour = [238, 242, 245];
const INK: Colour = [45, 45, 50];
const PALE: Colour = [190, 196, 200];
const BODY: Colour = [176, 74, 52];
const ROD: Colour = [122, 92, 60];
/// Surfaces in the order of the course file, over and over.
const GROUND: [Colour; 6] =
    [[150, 140, 122], [112, 148, 88], [172, 148, 104], [84, 118, 74], [136, 110, 88], [128, 134, 140]];

/// Ground ahead of and behind the front axle, in wheelbases.
const SHOWN_WHEELBASES: f64 = 7.0;
/// Where the front axle stands, as a share of the width.
const FRONT: f64 = 0.55;
/// Margins, pixels.
const MARGIN: f64 = 8.0;

/// Metres to pixels.
struct Scale {
    left_m: f64,
    level_m: f64,
    pixels_per_m: f64,
    horizon: f64,
}

impl Scale {
    fn x(&self, position_m: f64) -> f64 {
        (position_m - self.left_m) * self.pixels_per_m
    }

    fn y(&self, height_m: f64) -> f64 {
        self.horizon - (height_m - self.level_m) * self.pixels_per_m
    }
}

/// The picture as red, green and blue, row by row from the top.
pub(crate) fn of(drive: &Drive, width: usize, height: usize) -> Vec<u8> {
    let mut canvas = Canvas::new(width, height, SKY);
    let (w, h) = (width as f64, height as f64);
    let (position_m, _) = drive.position_and_speed();
    let vehicle = drive.vehicle();
    let behind_m = vehicle.axles[..vehicle.axle_count].iter().map(|a| a.behind_front_m).fold(0.0, f64::max);
    let wheelbase_m = behind_m.max(2.0 * vehicle.wheel_radius_m);
    let pixels_per_m = w / (SHOWN_WHEELBASES * wheelbase_m);
    let course = &drive.track().course;
    let scale = Scale {
        left_m: position_m - FRONT * w / pixels_per_m,
        level_m: course.elevation_m(position_m),
        pixels_per_m,
        horizon: 0.68 * h,
    };
    ground(&mut canvas, course, &scale, (w, h));
    cart(&mut canvas, drive, &scale);
    way(&mut canvas, course, position_m, (w, h));
    gears(&mut canvas, drive.plant().gear, vehicle.gears.len());
    canvas.into_pixels()
}

fn ground(canvas: &mut Canvas, course: &Course, scale: &Scale, (w, h): (f64, f64)) {
    for column in 0..w as usize {
        let x = column as f64;
        let position_m = scale.left_m + (x + 0.5) / scale.pixels_per_m;
        let surface = course.segments[course.segment_at(position_m)].surface;
        let top = scale.y(course.elevation_m(position_m));
        canvas.rectangle((x, top), (x + 1.0, h), GROUND[surface % GROUND.len()]);
    }
    for bump in course.obstacles.iter().filter(|o| o.shape == ObstacleShape::Bump) {
        let radius_m = 0.5 * bump.height_m;
        let middle = (scale.x(bump.position_m), scale.y(course.elevation_m(bump.position_m) + radius_m));
        if (-h..w + h).contains(&middle.0) {
            canvas.disc(middle, (radius_m * scale.pixels_per_m).max(1.5), ROD);
        }
    }
    let finish = scale.x(course.length_m);
    if (0.0..w).contains(&finish) {
        canvas.rectangle(
            (finish - 1.0, 0.3 * h),
            (finish + 1.0, scale.y(course.elevation_m(course.length_m))),
            INK,
        );
    }
}

/// Wheels on the ground, and the body above them.
fn cart(canvas: &mut Canvas, drive: &Drive, scale: &Scale) {
    let (vehicle, course) = (drive.vehicle(), &drive.track().course);
    let (front_m, _) = drive.position_and_speed();
    let radius_m = vehicle.wheel_radius_m;
    let hub = |behind_m: f64| {
        let at_m = front_m - behind_m;
        (scale.x(at_m), scale.y(course.elevation_m(at_m) + radius_m))
    };
    let axles = &vehicle.axles[..vehicle.axle_count];
    let behind_m = axles.iter().map(|a| a.behind_front_m).fold(0.0, f64::max);
    let lift = 1.1 * radius_m * scale.pixels_per_m;
    let raised = |(x, y): (f64, f64)| (x, y - lift);
    canvas.line(raised(hub(behind_m)), raised(hub(0.0)), 1.2 * lift, BODY);
    for axle in axles {
        let radius = radius_m * scale.pixels_per_m;
        canvas.disc(hub(axle.behind_front_m), radius, INK);
        // A driven wheel has a dark hub.
        let colour = if axle.driven { BODY } else { PALE };
        canvas.disc(hub(axle.behind_front_m), 0.4 * radius, colour);
    }
}

/// How far it has come, as a bar at the bottom.
fn way(canvas: &mut Canvas, course: &Course, position_m: f64, (w, h): (f64, f64)) {
    let (left, right) = (MARGIN, w - MARGIN);
    let share = (position_m / course.length_m).clamp(0.0, 1.0);
    canvas.rectangle((left, h - 12.0), (right, h - 8.0), PALE);
    canvas.rectangle((left, h - 12.0), (left + share * (right - left), h - 8.0), INK);
}

/// A square for each gear, first gear first; the one in mesh is filled, in neutral none is.
fn gears(canvas: &mut Canvas, in_mesh: Option<usize>, count: usize) {
    let size = 16.0;
    for gear in 0..count {
        let left = MARGIN + gear as f64 * (size + 6.0);
        let corners = ((left, MARGIN), (left + size, MARGIN + size));
        canvas.rectangle(corners.0, corners.1, INK);
        if in_mesh != Some(gear) {
            let inner = ((left + 2.0, MARGIN + 2.0), (left + size - 2.0, MARGIN + size - 2.0));
            canvas.rectangle(inner.0, inner.1, SKY);
        }
    }
}
