//! The preview of strikes in exported controllers.

use super::*;

/// Gear, class of the next strike and way to it.
fn strike_table() -> LookupTable {
    let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
    let axes = vec![
        axis(Feature::Gear, &[1, 2]),
        axis(Feature::StrikeClass, &[1, 2, 3]),
        axis(Feature::StrikeMm, &[1, 60, 150, 999]),
    ];
    let requests: Vec<Request> = (0..60).map(|cell| Request::ALL[cell % 7 % 3]).collect();
    LookupTable::from_requests(axes, &requests, Provenance::default()).unwrap()
}

#[test]
fn the_preview_is_proven_for_short_and_long_ways_of_an_encoder_count() {
    let long = PreviewSettings { count_q12_mm: [100_000, 200_000, 400_000, 0, 0, 0], ..feeler() };
    let longest = PreviewSettings { count_q12_mm: [u32::MAX; 6], coast_q4_mm: 4000, ..feeler() };
    let whisker = PreviewSettings {
        range: [0, 1],
        low_level: 1,
        high_level: i16::MAX,
        wheelbase_mm: 0,
        hold_mm: 0,
        lockout_mm: 0,
        ..feeler()
    };
    let gyro = PreviewSettings { range: [-9000, 9000], ahead_mm: 0, ..feeler() };
    for (preview, most_counts) in [(feeler(), 36), (long, 36), (longest, 20_000), (whisker, 36), (gyro, 36)] {
        let mut settings = settings();
        settings.features.preview = preview;
        settings.ranges.max_encoder_counts = most_counts;
        let folder = tempfile::tempdir().unwrap();
        let options = ExportOptions { small_machines: false, ..ExportOptions::default() };
        let outcome = prove(folder.path(), &strike_table(), &settings, &options).unwrap();
        let passed = matches!(outcome.status, ProofStatus::Proven | ProofStatus::NoCompiler);
        assert!(passed, "{preview:?}: {:?}", outcome.status);
        assert!(outcome.sanitized || outcome.status == ProofStatus::NoCompiler, "no warning for {preview:?}");
        // The vectors see every class.
        let Ok(vectors) = std::fs::read_to_string(folder.path().join("vectors.csv")) else { continue };
        let ticks = vectors.lines().filter(|line| line.starts_with("tick,"));
        let classes: Vec<&str> = ticks.filter_map(|line| line.rsplit(',').nth(1)).collect();
        for class in ["0", "1", "2"] {
            assert!(classes.iter().filter(|&&seen| seen == class).count() > 20, "class {class}, {preview:?}");
        }
    }
}

#[test]
fn a_controller_holds_the_preview_only_with_a_sensor_and_an_axis() {
    for format in [Format::C, Format::MicroPython] {
        let holds = |table: &LookupTable, preview| {
            let mut settings = settings();
            settings.features.preview = preview;
            source(format, table, &settings, "lowgear").unwrap().contains("AHEAD_MM")
        };
        assert!(!holds(&strike_table(), PreviewSettings::NONE), "{format:?}: no sensor");
        assert!(!holds(&table(), feeler()), "{format:?}: no axis");
        assert!(holds(&strike_table(), feeler()), "{format:?}");
    }
}
