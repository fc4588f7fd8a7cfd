//! One seed, named streams, one named algorithm: the same numbers on every machine and thread count.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

/// The seed of a study or of a part of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Seed(pub u64);

impl Seed {
    /// The seed of a study that names none: that of the demonstration.
    pub const USUAL: Seed = Seed(2026);
}

/// What a stream of random numbers is for. The discriminants are part of the promise "same seed, same
/// bytes": append, never renumber.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u32)]
pub enum Stream {
    /// Terrain of an episode.
    Course = 1,
    /// Vehicle parameters of an episode.
    Vehicle = 2,
    /// Sensor noise of an episode.
    Sensors = 3,
    /// Selector misalignment and dog phase of an episode.
    Selector = 4,
    /// Exploration of a learner.
    Explore = 5,
    /// Weights, shuffling and replay of a learner.
    Learn = 6,
    /// Resampling in statistics.
    Bootstrap = 7,
    /// Black-box optimiser.
    Optimise = 8,
    /// Where the track of a sensor ahead differs from that of the wheels, in an episode.
    PreviewTrack = 9,
    /// Noise of the sensor ahead of an episode.
    PreviewNoise = 10,
    /// Order of laps in a trial on the ground, and simulated trials.
    Trial = 11,
    /// Vehicles drawn from what a fit knows.
    FittedVehicle = 12,
    /// What changes from lap to lap of one way.
    Lap = 20,
    /// Slip of the wheels on a lap.
    Slip = 21,
    /// Errors of position where a route is simulated with given ones.
    RoutePosition = 22,
}

impl Seed {
    /// The generator of one stream of one episode (or job). Episodes can be replayed alone.
    #[must_use]
    pub fn stream(self, stream: Stream, index: u64) -> ChaCha8Rng {
        let mut rng = ChaCha8Rng::seed_from_u64(mix(self.0, index));
        rng.set_stream(u64::from(stream as u32));
        rng
    }

    /// A seed of its own for part number `part` of this one.
    #[must_use]
    pub const fn part(self, part: u64) -> Seed {
        Seed(mix(self.0 ^ 0x6c6f_7767_6561_7200, part))
    }
}

/// Mixes two words into one (finaliser of SplitMix64; Steele, Lea, Flood 2014, "Fast splittable
/// pseudorandom number generators", OOPSLA).
const fn mix(a: u64, b: u64) -> u64 {
    let mut z = a.wrapping_add(b.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
