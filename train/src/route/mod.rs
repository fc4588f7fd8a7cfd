//! Maps of a way that a vehicle drives again and again, and what one would be worth.

mod learned;
mod map;
mod sections;
mod text;
mod worth;

pub use map::{Landmark, RouteContent, Section};
pub use sections::planned;
pub use worth::{MapsWorth, RouteOptions, RouteWorth, route_worth};
