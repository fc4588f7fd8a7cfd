//! The tick of an exported module alone, to see what a linker would have to bring along.
#![no_std]

pub mod lowgear;

/// One tick.
#[inline(never)]
pub fn tick(controller: &mut lowgear::Controller, raw: &lowgear::Raw) -> lowgear::Command {
    controller.tick(raw)
}
