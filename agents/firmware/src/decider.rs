//! What decides in an exported controller: a table or a network.

use lowgear_agents::integer_network::{IntegerNetwork, NETWORK_FORMAT, NetworkFault};
use lowgear_agents::table::{LookupTable, Provenance, TABLE_FORMAT, TableFault};
use lowgear_onboard::{Feature, Features, Request};

/// Most program memory of a controller with a network on a Cortex-M0, bytes.
pub const MOST_FLASH_BYTES: usize = 6 * 1024;
/// Most instructions of a decision on a Cortex-M0.
pub const MOST_INSTRUCTIONS: usize = 40_000;
/// Most memory of such a decision on a Cortex-M0, state and stack, bytes.
pub const MOST_RAM_BYTES: usize = 256;
/// Features, guard and evaluation on a Cortex-M0, every sensor fitted, and state and stack without the activations: bytes,
/// rounded up from what the compiler says.
const CODE_BYTES: usize = 3_000;
const OTHER_RAM_BYTES: usize = 192;
/// Instructions of a product there, and of everything else in a decision: rounded up from counts on an emulated machine.
const INSTRUCTIONS_PER_PRODUCT: usize = 14;
const OTHER_INSTRUCTIONS: usize = 2_000;

/// What decides in an exported controller.
#[derive(Clone, Copy, Debug)]
pub enum Decider<'a> {
    /// A lookup table.
    Table(&'a LookupTable),
    /// An integer network.
    Network(&'a IntegerNetwork),
}

impl<'a> From<&'a LookupTable> for Decider<'a> {
    fn from(table: &'a LookupTable) -> Decider<'a> {
        Decider::Table(table)
    }
}

impl<'a> From<&'a IntegerNetwork> for Decider<'a> {
    fn from(network: &'a IntegerNetwork) -> Decider<'a> {
        Decider::Network(network)
    }
}

/// Why a table or a network cannot be exported.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DeciderFault {
    /// The table is not sound.
    #[error(transparent)]
    Table(#[from] TableFault),
    /// The network is not sound.
    #[error(transparent)]
    Network(#[from] NetworkFault),
    /// The network is too large for a small controller.
    #[error(
        "a network of {sizes} needs about {needed} {what} on a Cortex-M0; allowed are {most}: fewer or narrower hidden \
         layers, or fewer features"
    )]
    TooLarge {
        /// Its sizes.
        sizes: String,
        /// Of what.
        what: &'static str,
        /// How much.
        needed: usize,
        /// How much is allowed.
        most: usize,
    },
}

impl Decider<'_> {
    /// The features that it sees, in the order of its values.
    #[must_use]
    pub fn features(self) -> Vec<Feature> {
        match self {
            Decider::Table(table) => table.axes().iter().map(|axis| axis.feature).collect(),
            Decider::Network(network) => network.features(),
        }
    }

    /// The decision at `features`, as on the vehicle.
    ///
    /// # Errors
    /// Never for a sound table or network; the check is the onboard crate's own.
    pub fn decide(self, features: &Features) -> Result<Request, DeciderFault> {
        Ok(match self {
            Decider::Table(table) => table.with_onboard(|onboard| onboard.decide(features))?,
            Decider::Network(network) => network.with_onboard(|onboard| onboard.decide(features))?,
        })
    }

    /// Where it comes from.
    #[must_use]
    pub fn provenance(&self) -> &Provenance {
        match self {
            Decider::Table(table) => table.provenance(),
            Decider::Network(network) => network.provenance(),
        }
    }

    /// Hash of its content.
    #[must_use]
    pub fn hash(self) -> String {
        match self {
            Decider::Table(table) => table.hash(),
            Decider::Network(network) => network.hash(),
        }
    }

    /// Number of its layout.
    #[must_use]
    pub const fn format(self) -> u32 {
        match self {
            Decider::Table(_) => TABLE_FORMAT,
            Decider::Network(_) => NETWORK_FORMAT,
        }
    }

    /// In a word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Decider::Table(_) => "table",
            Decider::Network(_) => "network",
        }
    }

    /// Name of the file that lists it.
    #[must_use]
    pub fn list_name(self) -> String {
        format!("{}.csv", self.word())
    }

    /// Its size in words.
    pub(super) fn size(self) -> String {
        match self {
            Decider::Table(table) => format!("{} cells in {} bytes", table.count(), table.cells().len()),
            Decider::Network(network) => {
                format!("{} units in {} bytes", network.sizes(), network.bytes())
            }
        }
    }

    /// Added to its features, so that none is negative.
    pub(super) fn bias(self) -> u16 {
        let signed = |feature: &Feature| matches!(feature, Feature::Tilt | Feature::Current);
        let below = match self {
            Decider::Table(table) => {
                table.axes().iter().any(|axis| axis.edges.first().is_some_and(|&edge| edge < 0))
            }
            Decider::Network(_) => false,
        };
        if below || self.features().iter().any(signed) { 32_768 } else { 0 }
    }

    /// Whether a small controller takes it. Tables are limited where they are made.
    ///
    /// # Errors
    /// [`DeciderFault::TooLarge`].
    pub fn check_size(self) -> Result<(), DeciderFault> {
        let Decider::Network(network) = self else { return Ok(()) };
        let instructions = network.weights().len() * INSTRUCTIONS_PER_PRODUCT + OTHER_INSTRUCTIONS;
        let limits = [
            ("bytes of program memory", network.bytes() + CODE_BYTES, MOST_FLASH_BYTES),
            ("bytes of memory", 2 * network.width() + OTHER_RAM_BYTES, MOST_RAM_BYTES),
            ("instructions a decision", instructions, MOST_INSTRUCTIONS),
        ];
        match limits.into_iter().find(|(_, needed, most)| needed > most) {
            Some((what, needed, most)) => {
                Err(DeciderFault::TooLarge { sizes: network.sizes(), what, needed, most })
            }
            None => Ok(()),
        }
    }
}
