//! Whatever crosses the border of a crate. One binary, one module per theme:
//! the environment and the evaluation against values from outside, the command as its users meet it, a whole study small, and
//! the house rules.

mod command;
mod environment;
mod evaluation;
mod sandbox;
mod study;
mod tidy;
