//! Every cell of an exported table, looked up through the lowest values in it.

use crate::lowgear;

/// How many there are.
pub fn count() -> u32 {
    lowgear::COUNT as u32
}

/// The decision in one.
pub fn look(cell: u32) -> u8 {
    let mut value = [0i16; lowgear::AXES];
    let mut rest = cell as usize;
    for (axis, edges) in lowgear::EDGES.iter().enumerate().rev() {
        let bin = rest % (edges.len() + 1);
        rest /= edges.len() + 1;
        value[axis] = if bin > 0 { edges[bin - 1] } else if lowgear::BIAS == 0 { 0 } else { i16::MIN };
    }
    lowgear::look(&value) as u8
}
