//! Values of any size for a network, which has no cells: the same on the host and on every target.

/// Decisions that are compared.
pub const LOOKS: u32 = 2000;

/// The value of a feature in one of them.
pub fn value(look: u32, axis: u32) -> i16 {
    let mut r = look.wrapping_mul(2_654_435_761).wrapping_add(axis.wrapping_mul(374_761_393));
    r ^= r >> 15;
    ((r >> 8) & if r & 1 != 0 { 1023 } else { 16_383 }) as i16
}
