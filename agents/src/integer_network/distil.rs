//! A teacher's decisions in an integer network: dataset aggregation as for a table ([`crate::table::distil`]), with a
//! network that goes on learning from all examples so far after every iteration.

use lowgear_env::World;
use lowgear_onboard::{Feature, Features, Request};
use rayon::prelude::*;

use super::{Example, IntegerNetwork, NetworkFault, Student, StudentSettings, inputs_for};
use crate::neural::NeuralError;
use crate::policy::Policy;
use crate::table::Provenance;
use crate::table::distil::{Visit, drive};

/// How to distil.
#[derive(Clone, Debug, PartialEq)]
pub struct NetworkDistilSettings {
    /// What the network sees.
    pub features: Vec<Feature>,
    /// Its size, and how it learns.
    pub student: StudentSettings,
    /// Iterations that the network drives, after the teacher's own.
    pub iterations: u32,
    /// Episodes of each iteration.
    pub episodes: u64,
    /// Number of gears.
    pub gears: usize,
    /// Written into the network.
    pub provenance: Provenance,
}

/// The result of one iteration. Shares are of decisions at which there was a choice.
#[derive(Clone, Debug, PartialEq)]
pub struct NetworkIteration {
    /// The network after this iteration.
    pub network: IntegerNetwork,
    /// Decisions of this iteration at which there was a choice.
    pub decisions: u64,
    /// Share of them in which what was done is what the teacher wanted.
    pub agreement: f64,
    /// Share of them in which the integers decide as the real numbers that they were rounded from.
    pub rounding_agreement: f64,
}

/// Why no network was made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NetworkDistilError {
    /// The student cannot learn.
    #[error(transparent)]
    Neural(#[from] NeuralError),
    /// What it learned makes no integer network.
    #[error(transparent)]
    Network(#[from] NetworkFault),
}

/// Distils `teacher`; every iteration, in order. `make_world(episode)` gives a world in which that episode can be started,
/// `advanced` is given the number of iterations that are over.
///
/// # Errors
/// [`NetworkDistilError`] when the sizes make no network or the student diverges.
pub fn distil_network<W, P>(
    make_world: impl Fn(u64) -> W + Sync,
    make_teacher: impl Fn() -> P + Sync,
    weigh: impl Fn(&Visit) -> f64,
    settings: &NetworkDistilSettings,
    advanced: impl Fn(u32),
) -> Result<Vec<NetworkIteration>, NetworkDistilError>
where
    W: World<Observation = Features>,
    P: Policy,
{
    let inputs = inputs_for(&settings.features, settings.gears);
    let mut student = Student::new(inputs.clone(), &settings.student)?;
    let (mut examples, mut iterations) = (Vec::new(), Vec::<NetworkIteration>::new());
    let rounds = u64::from(settings.iterations) + 1;
    for number in 0..rounds {
        let driver = iterations.last().map(|iteration| &iteration.network);
        let decide = |features: &Features| driver.map(|network| network.decide(features));
        let first = number * settings.episodes;
        let episodes: Vec<Vec<Visit>> = (first..first + settings.episodes)
            .into_par_iter()
            .map(|episode| drive(&mut make_world(episode), episode, &mut make_teacher(), &decide).0)
            .collect();
        let visits: Vec<Visit> = episodes.into_iter().flatten().collect();
        let before = examples.len();
        examples.extend(
            visits
                .iter()
                .map(|visit| Example::new(&inputs, &visit.features, visit.wanted, weigh(visit).max(0.0))),
        );
        student.learn(&examples, settings.student.steps / rounds)?;
        let network = student.integer(&examples, settings.provenance.clone())?;
        let real = student.decisions(&examples[before..]);
        let integer: Vec<Request> = visits.par_iter().map(|visit| network.decide(&visit.features)).collect();
        let share = |count: usize| if visits.is_empty() { 1.0 } else { count as f64 / visits.len() as f64 };
        iterations.push(NetworkIteration {
            network,
            decisions: visits.len() as u64,
            agreement: share(visits.iter().filter(|visit| visit.done == visit.wanted).count()),
            rounding_agreement: share(
                integer.iter().zip(&real).filter(|(own, real)| **own as u8 == **real).count(),
            ),
        });
        advanced(iterations.len() as u32);
    }
    Ok(iterations)
}
