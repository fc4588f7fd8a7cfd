//! Obstacles in a few heights: what depends on a height is tabulated at these and linear between them.

use lowgear_env::config::ParameterDistribution;
use lowgear_env::terrain::{Contact, ObstacleConfig, ObstacleShape};
use lowgear_env::{Seed, Stream};

/// Heights per shape.
const HEIGHTS: usize = 9;
/// Draws from which the share of each height is estimated; a loss that scatters by a second between obstacles then has a
/// mean within 2 ms.
const DRAWS: usize = 400_000;
/// Number of the seed for these draws.
const MARKS: u64 = 0x006d_6172_6b73;

/// Shapes and heights at which losses are tabulated.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Marks {
    /// Shape and height, m.
    pub(super) list: Vec<(ObstacleShape, f64)>,
    /// Share of each mark in the obstacles of each kind of the course file.
    pub(super) shares: Vec<Vec<f64>>,
}

/// Many draws of a distribution, the same every time.
pub(super) fn draws(distribution: ParameterDistribution, index: u64) -> Vec<f64> {
    let mut rng = Seed(MARKS).stream(Stream::Course, index);
    (0..DRAWS).map(|_| distribution.draw(&mut rng)).collect()
}

impl Marks {
    /// Of all kinds of obstacle that a course file has.
    pub(super) fn new(kinds: &[ObstacleConfig]) -> Marks {
        let heights: Vec<Vec<f64>> =
            kinds.iter().enumerate().map(|(i, kind)| draws(kind.height_m, i as u64)).collect();
        let mut list = Vec::new();
        for shape in [ObstacleShape::Bump, ObstacleShape::Edge, ObstacleShape::Drop] {
            let of_shape = kinds.iter().zip(&heights).filter(|(kind, _)| kind.shape == shape);
            let all: Vec<f64> = of_shape.flat_map(|(_, heights)| heights).copied().collect();
            let (low, high) =
                all.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &x| (l.min(x), h.max(x)));
            if all.is_empty() {
                continue;
            }
            let count = if high > low { HEIGHTS } else { 1 };
            let step = (high - low) / (count.max(2) - 1) as f64;
            list.extend((0..count).map(|i| (shape, low + step * i as f64)));
        }
        let mut marks = Marks { list, shares: Vec::new() };
        for (kind, heights) in kinds.iter().zip(heights) {
            let mut shares = vec![0.0; marks.list.len()];
            let each = 1.0 / heights.len() as f64;
            for height_m in heights {
                marks.add(&mut shares, kind.shape, height_m, each);
            }
            marks.shares.push(shares);
        }
        marks
    }

    /// Adds so much of an obstacle to the marks that it lies between.
    pub(super) fn add(&self, to: &mut [f64], shape: ObstacleShape, height_m: f64, amount: f64) {
        let first = self.list.partition_point(|mark| (mark.0 as u8) < shape as u8);
        let count = self.list[first..].iter().take_while(|mark| mark.0 == shape).count();
        let above = self.list[first..first + count].partition_point(|mark| mark.1 <= height_m);
        if above == 0 || above == count {
            to[first + above.saturating_sub(1)] += amount;
            return;
        }
        let (low, high) = (self.list[first + above - 1].1, self.list[first + above].1);
        let share = (height_m - low) / (high - low);
        to[first + above - 1] += amount * (1.0 - share);
        to[first + above] += amount * share;
    }

    /// The widest way from first touch to top that a wheel of this radius has on one of them, m.
    pub(super) fn widest_m(&self, wheel_radius_m: f64) -> f64 {
        let width = |&(shape, height_m): &(ObstacleShape, f64)| {
            [false, true]
                .map(|driven| {
                    Contact::new(shape, height_m, wheel_radius_m, driven).map_or(0.0, |c| c.width_m)
                })
                .into_iter()
                .fold(0.0, f64::max)
        };
        self.list.iter().map(width).fold(0.0, f64::max)
    }
}
