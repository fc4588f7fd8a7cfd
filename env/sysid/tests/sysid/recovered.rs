//! Parameters recovered from logs of an independent cart (SciPy's `solve_ivp`, `tests/sysid/world.py`), within the intervals
//! that the fit states.
//!
//! Measured figures are in tests/benches/README.md; the number of fits here is `FITS` (`LOWGEAR_FITS` for more, `LOWGEAR_FITS_FROM` for the
//! number of the first cart).

use super::python;
use lowgear_env::config::load;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_sysid::fit::{Channel, Conditions, Fit, GivenErrors, Parameter, fit, still_rad_s};
use lowgear_sysid::log::{LogReader, Mapping};
use lowgear_sysid::runs::{Collector, Limits};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;

/// Fits, unless the environment asks for another number.
const FITS: usize = 20;

/// The demo cart; its log has a current sensor besides, as recipes ask for.
pub(super) fn cart() -> VehicleConfig {
    load(&python::repository().join("configs/vehicles/demo-cart.toml")).unwrap()
}

/// The fit to a log, as the command makes it.
pub(super) fn fitted(start: &VehicleConfig, log: &Path) -> Fit {
    fitted_with(start, log, GivenErrors::default())
}

pub(super) fn fitted_with(start: &VehicleConfig, log: &Path, given: GivenErrors) -> Fit {
    let mapping = Mapping::default();
    let mut collector = Collector::new(start, Limits::default(), None, still_rad_s(start));
    collector.read(&mut LogReader::open(log, &mapping).unwrap(), |_| {}).unwrap();
    fit(start, &collector.finish(), Conditions { given, ..Conditions::default() }, |_| {}).unwrap()
}

/// The true value of a parameter.
pub(super) fn truth(of: &Value, parameter: &Parameter, surfaces: &[String]) -> f64 {
    let surface = |s: &usize, key: &str| &of["surfaces"][&surfaces[*s]][key];
    let value = match parameter {
        Parameter::EmfConstant => &of["ke"],
        Parameter::Resistance => &of["ohm"],
        Parameter::NoLoadCurrent => &of["i0"],
        Parameter::RotorInertia => &of["rotor"],
        Parameter::BatteryResistance => &of["source"],
        Parameter::Efficiency(g) => &of["forth"][*g],
        Parameter::BackEfficiency(g) => &of["back"][*g],
        Parameter::Drag => &of["drag"],
        Parameter::Rolling(s) => surface(s, "rolling"),
        Parameter::Grass(s) => surface(s, "grass"),
        Parameter::CurrentOffset => &of["current_offset"],
        Parameter::WheelInertia => &of["wheel_inertia"],
        Parameter::WindingHeat => &of["winding-j-k"],
        Parameter::HousingHeat => &of["housing-j-k"],
        Parameter::WindingPath => &of["winding-to-housing-k-w"],
        Parameter::HousingPath => &of["housing-to-air-k-w"],
        Parameter::Magnet => &of["magnet-per-k"],
    };
    value.as_f64().unwrap_or_else(|| panic!("no true value of {parameter:?}"))
}

#[test]
fn what_the_logs_tell_is_recovered_within_its_intervals() {
    if !python::there() {
        return;
    }
    let asked = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<usize>().ok());
    let (fits, from) = (asked("LOWGEAR_FITS").unwrap_or(FITS), asked("LOWGEAR_FITS_FROM").unwrap_or(0));
    let (start, folder) = (cart(), python::folder("recovered"));
    let mut counted: BTreeMap<String, Counted> = BTreeMap::new();
    let mut held: BTreeMap<String, usize> = BTreeMap::new();
    let vehicle = python::repository().join("configs/vehicles/demo-cart.toml");
    let places = python::logs("world.py", &["log", vehicle.to_str().unwrap()], &folder, from..from + fits);
    for (seed, place) in (from..).zip(places) {
        let true_values = python::true_values(&place);
        // The start has the true mass, wheels and heat constants.
        let found = fitted_with(&start, &place.join("log.csv"), GivenErrors::EXACT);
        std::fs::remove_dir_all(&place).unwrap();
        assert!(found.plausibility.refused.is_empty(), "seed {seed}: {:?}", found.plausibility);
        for force in found.residuals.iter().flatten().filter(|r| r.channel == Channel::Force) {
            assert!(force.value.abs() < 5.0, "seed {seed}: the spring scale is {} errors off", force.value);
        }
        for estimate in &found.estimates {
            let exact = truth(&true_values, &estimate.parameter, &found.surfaces.names);
            let z = (estimate.value - exact) / estimate.error;
            counted.entry(estimate.name.clone()).or_default().take(z);
            if z.abs() > 1.96 {
                println!(
                    "seed {seed}: {} is {exact:.5e}, found {:.5e} ± {:.1e}",
                    estimate.name, estimate.value, estimate.error
                );
            }
        }
        found.held.iter().for_each(|h| *held.entry(h.name.clone()).or_default() += 1);
    }
    for (name, of_it) in &counted {
        println!("{name}: {}", of_it.text());
    }
    println!("held: {held:?}");
    let all = counted.values().fold(Counted::default(), |sum, of_it| sum.with(of_it));
    println!("all together: {} = {:.1} %", all.text(), 100.0 * all.inside as f64 / all.fits as f64);
    assert!(
        all.fits >= 12 * fits,
        "the recipes tell at least a dozen parameters: {} in {fits} fits",
        all.fits
    );
    assert!(all.inside * 100 >= all.fits * 95, "{} inside their 95 % intervals", all.text());
    for (name, of_it) in counted {
        // Below this a single parameter's count is no chance (binomial, 95 %: less than 1 in 1000).
        let of = of_it.fits as f64;
        let least = (0.95 * of - 3.3 * (0.95 * 0.05 * of).sqrt()).floor();
        assert!(of_it.inside as f64 >= least, "{name}: {}", of_it.text());
    }
}

/// How the errors of one parameter, in standard errors, came out.
#[derive(Clone, Copy, Default)]
pub(super) struct Counted {
    pub(super) fits: usize,
    pub(super) inside: usize,
    sum: f64,
    squares: f64,
}

impl Counted {
    pub(super) fn take(&mut self, z: f64) {
        self.fits += 1;
        self.inside += usize::from(z.abs() <= 1.96);
        self.sum += z;
        self.squares += z * z;
    }

    pub(super) fn with(self, other: &Counted) -> Counted {
        Counted {
            fits: self.fits + other.fits,
            inside: self.inside + other.inside,
            sum: self.sum + other.sum,
            squares: self.squares + other.squares,
        }
    }

    pub(super) fn text(&self) -> String {
        let n = self.fits as f64;
        let (mean, rms) = (self.sum / n, (self.squares / n).sqrt());
        format!(
            "{} of {} inside, errors {rms:.2} times what is stated, in the mean {mean:+.2}",
            self.inside, self.fits
        )
    }
}
