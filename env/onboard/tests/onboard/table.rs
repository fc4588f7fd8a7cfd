//! The table: what it refuses, and which cell a value lies in.

use lowgear_onboard::{Axis, FEATURES, Feature, Features, MAX_AXES, Request, Table, TableError};
use proptest::prelude::*;

const GEAR: Axis = Axis { feature: Feature::Gear as u8, edges: &[1, 2] };
const RATIO: Axis = Axis { feature: Feature::SpeedRatio as u8, edges: &[300, 880] };

#[test]
fn axes_that_make_no_grid_are_refused() {
    assert_eq!(Table::new(&[], &[]), Err(TableError::Axes));
    assert_eq!(Table::new(&[GEAR; MAX_AXES + 1], &[]), Err(TableError::Axes));
    let nameless = Axis { feature: FEATURES as u8, edges: &[] };
    assert_eq!(Table::new(&[GEAR, nameless], &[]), Err(TableError::Feature(1)));
    for edges in [&[5, 5][..], &[5, 4], &[1, 2, 2]] {
        assert_eq!(Table::new(&[Axis { feature: 0, edges }], &[0]), Err(TableError::Edges(0)));
    }
}

#[test]
fn cells_must_fill_the_grid_exactly() {
    for bytes in [0, 2, 4] {
        assert_eq!(Table::new(&[GEAR, RATIO], &[0; 4][..bytes]), Err(TableError::Cells(3)));
    }
    assert_eq!(Table::new(&[GEAR, RATIO], &[0; 3]).unwrap().count(), 9);
}

#[test]
fn a_grid_too_large_to_count_is_refused() {
    let edges: Vec<i16> = (i16::MIN..i16::MAX).collect();
    let axes = [Axis { feature: 0, edges: &edges }; MAX_AXES];
    assert_eq!(Table::new(&axes, &[]), Err(TableError::Cells(usize::MAX)));
}

#[test]
fn a_value_equal_to_an_edge_lies_above_it() {
    let bins: Vec<usize> = [i16::MIN, 299, 300, 879, 880, i16::MAX].map(|value| RATIO.bin(value)).to_vec();
    assert_eq!(bins, [0, 0, 1, 1, 2, 2]);
}

#[test]
fn the_spare_code_means_hold() {
    let table = Table::new(&[Axis { feature: 0, edges: &[1, 2, 3] }], &[0b11_10_01_00]).unwrap();
    let requests: Vec<Request> = (0..4).map(|cell| table.request(cell)).collect();
    assert_eq!(requests, [Request::Down, Request::Hold, Request::Up, Request::Hold]);
}

proptest! {
    #[test]
    fn every_reading_has_a_cell_and_the_last_axis_varies_fastest(values in any::<[i16; FEATURES]>()) {
        let cells = [0b01_10_01_00, 0b00_01_10_10, 0b10];
        let axes = [GEAR, RATIO];
        let table = Table::new(&axes, &cells).unwrap();
        let features = Features(values);
        let cell = table.cell(&features);
        let gear = GEAR.bin(features.get(Feature::Gear));
        prop_assert_eq!(cell, gear * 3 + RATIO.bin(features.get(Feature::SpeedRatio)));
        prop_assert_eq!(table.decide(&features), table.request(cell));
    }
}
