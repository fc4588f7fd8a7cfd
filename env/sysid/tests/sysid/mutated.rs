//! Logs with changed bytes: any outcome but a panic or a run without end. `LOWGEAR_FUZZ_CASES` asks for more cases.

use lowgear_env::config::load;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_sysid::fit::{Conditions, fit, still_rad_s};
use lowgear_sysid::log::{LogReader, Mapping, number};
use lowgear_sysid::runs::{Collected, Collector, Label, Limits};
use proptest::prelude::*;
use std::path::Path;
use std::sync::LazyLock;

static VEHICLE: LazyLock<VehicleConfig> =
    LazyLock::new(|| load(&super::python::repository().join("configs/vehicles/demo-cart.toml")).unwrap());

/// A fit takes some hundred times as long as the reading.
const READINGS_PER_FIT: u32 = 100;

const LOG: &str = "time_s,motor_speed_rad_s,duty,battery_voltage_v,motor_current_a,tilt_deg,gear,selector_deg,distance_m,event\n\
    0.00,0,0,7.9,0.0,0,1,70,0,level surface=path\n0.05,10,1,7.8,0.4,1,1,70,0.001,\n0.10,30,1,7.8,0.3,1,1,70,0.002,\n\
    0.15,50,1,7.8,0.3,1,1,70,0.003,\n0.20,60,1,7.8,0.3,1,1,70,0.004,\n0.25,60,1,7.8,0.3,1,1,70,0.005,ramp grade_deg=5\n\
    0.30,60,1,7.8,0.3,5,0,105,0.006,\n0.35,60,1,7.8,0.3,5,2,140,0.007,stall-pull force_n=4 error_n=0.1\n0.40,0,1,7.5,0.5,0,2,140,0.007,end\n";

fn cases() -> u32 {
    std::env::var("LOWGEAR_FUZZ_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(400)
}

/// As it is, with semicolons and decimal commas, and with a byte-order mark and line ends of two bytes.
fn dialect(log: &str, kind: u8) -> String {
    match kind {
        0 => log.to_owned(),
        1 => log.replace(',', ";").replace('.', ","),
        _ => format!("\u{feff}{}", log.replace('\n', "\r\n")),
    }
}

/// The log several times over, with some bytes changed, put in or taken out.
fn changed() -> impl Strategy<Value = Vec<u8>> {
    let edits = prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0u8..4), 1..12);
    (edits, 1usize..6, 0u8..3).prop_map(|(edits, repeat, kind)| {
        let mut bytes = dialect(&LOG.repeat(repeat), kind).into_bytes();
        for (index, byte, kind) in edits {
            if bytes.is_empty() {
                break;
            }
            let at = index.index(bytes.len());
            match kind {
                0 => bytes[at] = byte,
                1 => bytes.insert(at, byte),
                2 => drop(bytes.remove(at)),
                _ => bytes.truncate(at.max(1)),
            }
        }
        bytes
    })
}

fn swallow(bytes: &[u8], mapping: &Mapping) -> Collected {
    let vehicle = &*VEHICLE;
    let mut collector = Collector::new(vehicle, Limits::default(), Some("path".into()), still_rad_s(vehicle));
    if let Ok(mut log) = LogReader::new(bytes, Path::new("log.csv"), mapping) {
        let _ = collector.read(&mut log, |_| {});
        let counters = log.counters();
        assert!(counters.first_bad.len() <= 5 && counters.rows as usize <= bytes.len());
        let _ = counters.text();
    }
    let collected = collector.finish();
    for run in &collected.runs {
        assert!(run.samples.len() >= 5 && run.samples.iter().all(|s| s.motor_rad_s.is_finite()));
        assert!(run.thermal_state.temperature_rise(1.0, 1.0).winding_k.is_finite());
    }
    collected
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn changed_bytes_are_no_panic(bytes in changed()) {
        swallow(&bytes, &Mapping::default());
    }

    #[test]
    fn any_bytes_at_all_are_no_panic(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        swallow(&bytes, &Mapping::default());
        let _ = number(&bytes);
        let _ = Label::read(&String::from_utf8_lossy(&bytes));
    }

    #[test]
    fn numbers_agree_with_the_standard_library(value in any::<f64>().prop_filter("finite", |v| v.is_finite())) {
        let text = format!("{value:e}");
        prop_assert_eq!(number(text.as_bytes()).unwrap().0, value);
        if value.abs() < 1e12 && value.abs() > 1e-6 {
            let plain = format!("{value:.9}");
            prop_assert_eq!(number(plain.as_bytes()).unwrap().0, plain.parse::<f64>().unwrap());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: (cases() / READINGS_PER_FIT).max(8),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn fits_of_changed_logs_end_in_numbers_or_in_words(bytes in changed()) {
        match fit(&VEHICLE, &swallow(&bytes, &Mapping::default()), Conditions::default(), |_| {}) {
            Ok(found) => {
                let finite = |e: &lowgear_sysid::fit::Estimate| e.value.is_finite() && e.error.is_finite();
                prop_assert!(found.estimates.iter().all(finite));
            }
            Err(why) => prop_assert!(!why.to_string().is_empty()),
        }
    }
}
