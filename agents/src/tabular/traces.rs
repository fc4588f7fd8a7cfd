//! Eligibility traces, kept as a short list of the entries that still matter.

use super::settings::TraceKind;
use serde::{Deserialize, Serialize};

/// One entry of the table that is still eligible.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Trace {
    /// Index into the table of values.
    pub(super) entry: usize,
    /// Eligibility.
    pub(super) weight: f64,
    /// Step size of this entry at its last visit.
    pub(super) step_size: f64,
}

/// The traces of one episode.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub(super) struct Traces(pub(super) Vec<Trace>);

impl Traces {
    /// Forgets everything.
    pub(super) fn clear(&mut self) {
        self.0.clear();
    }

    /// Marks a visit.
    pub(super) fn visit(&mut self, kind: TraceKind, entry: usize, step_size: f64) {
        match self.0.iter_mut().find(|trace| trace.entry == entry) {
            Some(trace) => {
                trace.step_size = step_size;
                trace.weight = match kind {
                    TraceKind::Accumulating => trace.weight + 1.0,
                    TraceKind::Replacing => 1.0,
                };
            }
            None => self.0.push(Trace { entry, weight: 1.0, step_size }),
        }
    }

    /// Shows every trace to `before`, then multiplies it by `factor` and forgets it below `cutoff`.
    pub(super) fn decay(&mut self, factor: f64, cutoff: f64, mut before: impl FnMut(&Trace)) {
        self.0.retain_mut(|trace| {
            before(trace);
            trace.weight *= factor;
            trace.weight >= cutoff
        });
    }
}
