//! The printable sheet: which short runs identify what, with the figures of one vehicle and the labels to write down.

use crate::document::{items, sheet_document};
use crate::text::typeset;
use lowgear_env::motion::GRAVITY_M_S2;
use lowgear_env::vehicle::{TorqueSpeedLine, VehicleConfig};
use maud::{Markup, html};
use std::fmt::Write as _;

/// Warmest that a stall pull may make the winding in one go, K.
const STALL_K: f64 = 15.0;

/// Columns of a log.
const COLUMNS: &str = "time_s, motor_speed_rad_s, duty, battery_voltage_v, motor_current_a, tilt_deg, gear, selector_deg, \
                       distance_m, event";

/// One recipe as it is printed.
struct Card {
    title: &'static str,
    label: String,
    identifies: &'static str,
    steps: Vec<String>,
}

impl Card {
    fn steps(&self) -> impl Iterator<Item = &str> {
        self.steps.iter().map(|step| step.trim()).filter(|step| !step.is_empty())
    }
}

/// What the sheet needs to know of the vehicle.
struct Figures {
    gears: usize,
    no_load_rad_s: f64,
    spin_up_s: f64,
    stall_s: f64,
    stall_n: f64,
    ramp_deg: f64,
    roll_out_s: f64,
}

impl Figures {
    fn of(config: &VehicleConfig) -> Figures {
        let gearbox = &config.gearbox;
        let gears = gearbox.total_ratio.len();
        let motor = config.motor.line.constants();
        let source_ohm = config.battery.resistance_ohm;
        let line: TorqueSpeedLine =
            motor.line(config.battery.nominal_voltage_v, source_ohm, 1.0, motor.resistance_ohm);
        let radius = config.chassis.wheel_radius_m;
        let push = |g: usize| line.stall_nm() * gearbox.total_ratio[g] * gearbox.efficiency[g] / radius;
        let heating_k_s = line.stall_a * line.stall_a * motor.resistance_ohm / config.motor.heat.winding_j_k;
        let weight_n = config.chassis.mass_kg * GRAVITY_M_S2;
        let top = gears - 1;
        let turn = gearbox.total_ratio[top] / radius;
        let moved_kg = config.chassis.mass_kg + config.motor.rotor_inertia_kg_m2 * turn * turn;
        let rate = gearbox.efficiency[top] * turn * turn * line.slope_nm_s / moved_kg;
        // Half of what the second gear (or the only one) could climb.
        let climbs = 0.5 * push(top.min(1)) / weight_n;
        Figures {
            gears,
            no_load_rad_s: line.no_load_rad_s(),
            spin_up_s: (4.0 / rate).clamp(3.0, 15.0).ceil(),
            stall_s: (STALL_K / heating_k_s).clamp(0.3, 2.0),
            stall_n: push(top),
            ramp_deg: climbs.min(0.2).asin().to_degrees().clamp(2.0, 8.0).round(),
            roll_out_s: 3.0,
        }
    }
}

fn cards(f: &Figures) -> Vec<Card> {
    let every = if f.gears > 1 { format!("Repeat in each of the {} gears.", f.gears) } else { String::new() };
    let pause = "One second at rest with the log running, then write the label.".to_owned();
    let end = "Write `end` when the vehicle stands again.".to_owned();
    vec![
        Card {
            title: "1. Wheels off the ground",
            label: "wheels-off".into(),
            identifies: "motor constants, motor friction, rotor inertia, drag of the bearings",
            steps: vec![
                "Vehicle on a block, held fast, all wheels free and clear of fingers, cloth and grass.".into(),
                pause.clone(),
                format!("Full duty for 3 s (the motor reaches about {:.0} rad/s), half duty for 2 s, then cut; let it run out.", f.no_load_rad_s),
                every.clone(),
                end.clone(),
            ],
        },
        Card {
            title: "2. Level ground, speeding up and rolling out",
            label: "level surface=path".into(),
            identifies: "efficiency of each gear; rolling resistance of the surface; rolling out in gear: efficiency when the wheels drive",
            steps: vec![
                "A level section of one surface; name the surface as you like, one word.".into(),
                pause.clone(),
                format!("Full duty for {:.0} s, a part of it for 2 s, then cut and let it roll out for {:.0} s.", f.spin_up_s, f.roll_out_s),
                format!("{every} Twice each, once each way: an unnoticed slope appears as a difference."),
                end.clone(),
            ],
        },
        Card {
            title: "3. Lawn",
            label: "lawn".into(),
            identifies: "rolling resistance of the lawn, and its increase with speed; needs two gears or two duties",
            steps: vec![pause.clone(), "As 2., on the lawn, in the two lowest gears, at full and at part duty.".into(), end.clone()],
        },
        Card {
            title: "4. A ramp of known grade",
            label: format!("ramp grade_deg={:.0} surface=path", f.ramp_deg),
            identifies: "efficiency against a known force; offset of the tilt sensor",
            steps: vec![
                format!("A board of about {:.0}°; measure height over length, grade = arc sine of it, and write that.", f.ramp_deg),
                "A second person behind the vehicle holds a cord, not a hand under it.".into(),
                pause.clone(),
                "Up at full duty in the two lowest gears.".into(),
                end.clone(),
            ],
        },
        Card {
            title: "5. Stall pull on a spring scale",
            label: "stall-pull force_n=READING error_n=ITS-ERROR surface=path".into(),
            identifies: "winding and battery resistance, torque of the motor times efficiency",
            steps: vec![
                "HEAT: the motor turns all its power into heat. Never longer than stated here, and let it cool for five minutes after each.".into(),
                format!("Top gear, scale tied to the rear, cord taut, nobody in line with it; expect about {:.1} N.", f.stall_n),
                "Not in a low gear: wheels would slip and the gearbox would take the whole torque.".into(),
                pause.clone(),
                format!("Full duty for {:.1} s at the most; read the scale; cut.", f.stall_s),
                "Twice. Write the reading into the label afterwards.".into(),
            ],
        },
        Card {
            title: "6. Ten gear changes",
            label: "shifts".into(),
            identifies: "shift times of the selector",
            steps: vec!["Standing, drive cut; through all gears, up and down, ten changes, each after the one before has arrived.".into(), end],
        },
    ]
}

/// Before any run.
pub(super) const CAUTIONS: [&str; 6] = [
    "Small unmanned vehicles only. Battery plug or stop button in reach in every run; local rules and qualified practice come first.",
    "Wheels off the ground means held fast as well: a spinning wheel that touches something throws the vehicle.",
    "A stalled motor burns fingers within a minute and itself soon after; smell and touch before the next pull.",
    "Lithium cells can burn: protected pack with a fuse, never below the cut-off voltage, never swollen or wet, charged under supervision.",
    "Gears, dogs, selector and wheels pinch and move without warning.",
    "On the ramp neutral means roll-away: chock the wheels before a gear change.",
];

/// The sheet as one HTML page without scripts or network.
#[must_use]
pub fn sheet_html(config: &VehicleConfig) -> String {
    let title = format!("Runs to log: {}", config.name);
    let body = html! {
        h1 { (typeset(&title)) } "\n"
        @if config.invented { p { "This vehicle is invented." } "\n" }
        p {
            "Log every controller tick as CSV: " code { (COLUMNS) }
            ". Time, motor speed and duty are needed; without a current or voltage column less can be reported. A label \
             goes into " code { "event" } " at the row where a run begins."
        } "\n"
        div.caution { h2 { "Before anything else" } ul { (items(CAUTIONS)) } } "\n"
        @for card in cards(&Figures::of(config)) { (section(&card)) }
    };
    sheet_document(&title, &body)
}

fn section(card: &Card) -> Markup {
    html! {
        section {
            h2 { (card.title) }
            p { "Label: " code { (typeset(&card.label)) } br; "Identifies: " (card.identifies) "." }
            ol { @for step in card.steps() { li { (with_code(step)) } } }
        } "\n"
    }
}

/// Text in which words between backticks are code.
pub(super) fn with_code(text: &str) -> Markup {
    html! {
        @for (index, part) in text.split('`').enumerate() {
            @if index % 2 == 1 { code { (typeset(part)) } } @else { (typeset(part)) }
        }
    }
}

/// The same as plain text.
#[must_use]
pub fn sheet_text(config: &VehicleConfig) -> String {
    let mut out = format!(
        "RUNS TO LOG: {}{}\n\nBefore anything else:\n",
        lowgear_env::config::escaped(&config.name),
        if config.invented { " (invented)" } else { "" }
    );
    CAUTIONS.iter().for_each(|c| {
        let _ = writeln!(out, "  - {c}");
    });
    for card in cards(&Figures::of(config)) {
        let _ = write!(out, "\n{}\n  label: {}\n  identifies: {}\n", card.title, card.label, card.identifies);
        card.steps().for_each(|step| {
            let _ = writeln!(out, "  - {step}");
        });
    }
    out
}
