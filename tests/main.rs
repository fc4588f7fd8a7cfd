//! Whatever crosses the border of a crate. One binary, one module per theme:
//! the environment and the evaluation against values from outside, the command as its users meet it, a whole
//! study small, exported controllers on other machines, reports in a browser, the documents, and the house rules.

mod array;
mod borders;
mod campaign;
mod command;
mod dependencies;
mod documents;
mod environment;
mod evaluation;
mod firmware;
mod report;
mod sandbox;
mod study;
mod sweep;
mod tidy;
