//! Tests of the table and its file.

use super::*;
use proptest::prelude::*;

fn sample() -> LookupTable {
    let axes = vec![
        TableAxis { feature: Feature::Gear, edges: vec![1, 2] },
        TableAxis { feature: Feature::SpeedRatio, edges: vec![300, 500, 880] },
    ];
    let requests: Vec<Request> = (0..12u8).map(|i| Request::from_code(i % 3)).collect();
    let provenance = Provenance {
        study: "demo".into(),
        vehicle: "cart".into(),
        teacher: "tuned rule".into(),
        seed: 7,
        version: "0.1.0".into(),
    };
    LookupTable::from_requests(axes, &requests, provenance).unwrap()
}

#[test]
fn a_file_comes_back_as_it_was() {
    assert_eq!(LookupTable::from_json(&sample().to_json().unwrap()).unwrap(), sample());
}

#[test]
fn a_file_cut_short_anywhere_is_refused() {
    let text = sample().to_json().unwrap();
    for end in 0..text.trim_end().len() {
        assert!(LookupTable::from_json(&text[..end]).is_err(), "accepted {end} bytes");
    }
}

#[test]
fn foreign_newer_and_damaged_files_are_named_as_such() {
    let text = sample().to_json().unwrap();
    let refuse = |from: &str, to: &str| LookupTable::from_json(&text.replacen(from, to, 1)).unwrap_err();
    assert!(matches!(LookupTable::from_json("{}").unwrap_err(), TableFault::Kind(_)));
    assert!(matches!(refuse("lowgear-table", "photo"), TableFault::Kind(_)));
    assert!(matches!(refuse("\"format\": 4", "\"format\": 5"), TableFault::Format { found: 5 }));
    assert!(matches!(refuse("speed-ratio", "warp"), TableFault::Feature(_)));
    assert!(matches!(refuse("880", "881"), TableFault::Hash { .. }));
    assert!(matches!(refuse("880", "100"), TableFault::Grid(TableError::Edges(1))));
    assert!(matches!(refuse("\"cells\": \"", "\"cells\": \"zz"), TableFault::Digits(0)));
    assert!(matches!(refuse("\"cells\": \"", "\"cells\": \"00"), TableFault::Grid(TableError::Cells(3))));
}

#[test]
fn repeated_features_and_empty_bins_are_refused() {
    let axis = |feature, edges| TableAxis { feature, edges };
    let twice = vec![axis(Feature::Tilt, vec![0]), axis(Feature::Tilt, vec![5])];
    let fault = LookupTable::new(twice, vec![0], Provenance::default()).unwrap_err();
    assert!(matches!(fault, TableFault::Repeated("tilt")));
    let fault = LookupTable::new(vec![axis(Feature::Tilt, vec![i16::MIN])], vec![0], Provenance::default());
    assert!(matches!(fault.unwrap_err(), TableFault::EmptyBin("tilt")));
}

#[test]
fn the_hash_tells_edges_and_cells_apart_but_not_origins() {
    let table = sample();
    let mut cells = table.cells().to_vec();
    cells[0] ^= 1;
    let other = LookupTable::new(table.axes().to_vec(), cells, Provenance::default()).unwrap();
    let renamed =
        LookupTable::new(table.axes().to_vec(), table.cells().to_vec(), Provenance::default()).unwrap();
    assert_ne!(table.hash(), other.hash());
    assert_eq!(table.hash(), renamed.hash());
    assert_eq!(table.hash().len(), 64);
}

#[test]
fn the_list_for_people_has_a_line_per_cell() {
    let csv = sample().to_csv();
    let lines: Vec<&str> = csv.lines().collect();
    assert_eq!(lines.len(), 13);
    assert_eq!(lines[0], "cell,gear-from,gear-below,speed-ratio-from,speed-ratio-below,decision");
    assert_eq!(lines[1], "0,,1,,300,down");
    assert_eq!(lines[6], "5,1,2,300,500,up");
    assert_eq!(lines[12], "11,2,,880,,up");
}

#[test]
fn a_masked_request_becomes_hold() {
    let mut policy = TablePolicy::new(sample());
    let features = Features([0; lowgear_onboard::FEATURES]);
    assert_eq!(policy.decide(&features, Mask::all(3)), Request::Down);
    assert_eq!(policy.decide(&features, [false, true, true].into()), Request::Hold);
}

proptest! {
    #[test]
    fn host_and_onboard_decide_alike(values in any::<[i16; lowgear_onboard::FEATURES]>()) {
        let table = sample();
        let features = Features(values);
        let (cell, request) = table.with_onboard(|t| (t.cell(&features), t.decide(&features))).unwrap();
        prop_assert_eq!(table.cell(&features), cell);
        prop_assert_eq!(table.decide(&features), request);
    }
}
