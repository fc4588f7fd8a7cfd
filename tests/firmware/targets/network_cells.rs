//! In place of the cells of a table: decisions of an exported network at values of any size.

#[path = "looks.rs"]
mod looks;

use crate::lowgear;

/// How many there are.
pub fn count() -> u32 {
    looks::LOOKS
}

/// One of them.
pub fn look(cell: u32) -> u8 {
    let mut value = [0i16; lowgear::AXES];
    for (axis, value) in value.iter_mut().enumerate() {
        *value = looks::value(cell, axis as u32);
    }
    lowgear::look(&value) as u8
}
