//! Worlds side by side, stepped in parallel, whose rows lie in arrays that Python sees without a copy.
//!
//! The memory of the arrays is allocated here and owned by the NumPy arrays that it was moved into; every step and
//! reset writes into the same memory, so what Python holds changes under its hands. Nothing in them is read back.

use crate::encode::Observation;
use crate::env_slot::{ACTIONS, Autoreset, EnvSlot, Rows, STATES, TERMS};
use crate::picture;
use crate::setup::{self, SetupError, Split};
use lowgear_env::config::{KeyError, in_range};
use lowgear_env::{Outcome, Scenario, Seed};
use numpy::ndarray::{Array1, Array2, Array3};
use numpy::{
    PyArray1, PyArray2, PyArray3, PyArrayMethods, PyReadonlyArray1, PyReadwriteArray1, PyReadwriteArray2,
};
use pyo3::exceptions::{PyRuntimeError, PyValueError};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use rayon::prelude::*;
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

/// Below this many worlds a step is not worth waking threads for.
const PARALLEL_FROM: usize = 16;
/// Worlds that a thread takes at once, at least.
const TOGETHER: usize = 8;

/// The process whose threads these are. They do not live on in a process forked from it: waiting for them there would
/// never end.
static THREADS_OF: OnceLock<u32> = OnceLock::new();

/// Whether there are threads to share the work with.
fn has_threads() -> bool {
    let process = std::process::id();
    *THREADS_OF.get_or_init(|| process) == process
}

impl From<SetupError> for PyErr {
    fn from(error: SetupError) -> PyErr {
        PyValueError::new_err(error.to_string())
    }
}

fn refused(error: &KeyError) -> PyErr {
    PyValueError::new_err(error.to_string())
}

fn wrong(error: impl ToString) -> PyErr {
    PyValueError::new_err(error.to_string())
}

/// Worlds side by side.
#[pyclass(module = "lowgear._core")]
pub(crate) struct Batch {
    study: Scenario,
    scenario: Arc<Scenario>,
    split: Split,
    seed: Seed,
    autoreset: Autoreset,
    observation: Observation,
    env_slots: Vec<EnvSlot>,
    /// What the policies see, a row per world.
    #[pyo3(get)]
    observations: Py<PyArray2<f32>>,
    /// With `same-step`: what was seen last in the episode that ended, where one did.
    #[pyo3(get)]
    final_observations: Py<PyArray2<f32>>,
    /// Terms of the reward of the last step, s: progress, time, energy, stress, shift, stall, abort.
    #[pyo3(get)]
    terms: Py<PyArray2<f64>>,
    /// Time since the start, s; position, m; speed, m/s; return so far without the abort, s.
    #[pyo3(get)]
    states: Py<PyArray2<f64>>,
    /// Which actions the guard would carry out.
    #[pyo3(get)]
    masks: Py<PyArray2<bool>>,
    /// Reward of the last step, s.
    #[pyo3(get)]
    rewards: Py<PyArray1<f64>>,
    /// Duration of the last step, s.
    #[pyo3(get)]
    elapsed_s: Py<PyArray1<f64>>,
    /// Whether the task ended.
    #[pyo3(get)]
    terminated: Py<PyArray1<bool>>,
    /// Whether the clock ran out.
    #[pyo3(get)]
    truncated: Py<PyArray1<bool>>,
}

#[pymethods]
impl Batch {
    /// `envs` worlds over the courses `split` of a study; episode `i` in world `i`, and then `envs` further each.
    #[new]
    #[pyo3(signature = (envs, autoreset, encoded, split, study=None, vehicle=None, course=None))]
    fn new(
        py: Python<'_>,
        envs: u64,
        autoreset: &str,
        encoded: bool,
        split: &str,
        study: Option<PathBuf>,
        vehicle: Option<PathBuf>,
        course: Option<PathBuf>,
    ) -> PyResult<Batch> {
        in_range("num_envs", envs as f64, 1.0, 65_536.0, "").map_err(|e| refused(&e))?;
        let autoreset = match autoreset {
            "disabled" => Autoreset::Disabled,
            "next-step" => Autoreset::NextStep,
            "same-step" => Autoreset::SameStep,
            _ => {
                let got = format!("\"{autoreset}\"");
                return Err(refused(&KeyError::new("autoreset", got, "disabled, next-step or same-step")));
            }
        };
        let split = Split::named(split).map_err(|e| refused(&e))?;
        let study = setup::scenario(study.as_deref(), vehicle.as_deref(), course.as_deref())?;
        let seed = study.seed;
        let scenario = Arc::new(split.of(&study, seed));
        let observation = observation_of(&study, encoded);
        let (rows, width) = (envs as usize, observation.width());
        let batch = Batch {
            env_slots: new_slots(&scenario, 0, envs),
            observations: zeros2(py, rows, width),
            final_observations: zeros2(py, rows, width),
            terms: zeros2(py, rows, TERMS),
            states: zeros2(py, rows, STATES),
            masks: PyArray2::from_owned_array(py, Array2::from_elem((rows, ACTIONS), true)).unbind(),
            rewards: zeros1(py, rows),
            elapsed_s: zeros1(py, rows),
            terminated: PyArray1::from_owned_array(py, Array1::from_elem(rows, false)).unbind(),
            truncated: PyArray1::from_owned_array(py, Array1::from_elem(rows, false)).unbind(),
            study,
            scenario,
            split,
            seed,
            autoreset,
            observation,
        };
        batch.show_starts(py, None)?;
        Ok(batch)
    }

    /// Restarts episodes: with a seed from number 0 on, otherwise each world its next one, or `episode` in world
    /// 0 and so on; only where `only` is true, if it is given. Another vehicle or course stays until the next.
    #[pyo3(signature = (seed=None, episode=None, vehicle=None, course=None, only=None))]
    fn reset(
        &mut self,
        py: Python<'_>,
        seed: Option<u64>,
        episode: Option<u64>,
        vehicle: Option<PathBuf>,
        course: Option<PathBuf>,
        only: Option<PyReadonlyArray1<'_, bool>>,
    ) -> PyResult<()> {
        let envs = self.env_slots.len();
        let only = only.map(|array| array.to_vec()).transpose().map_err(wrong)?;
        if only.as_ref().is_some_and(|only| only.len() != envs) {
            return Err(PyValueError::new_err(format!(
                "`reset_mask` needs one entry for each of {envs} worlds"
            )));
        }
        if vehicle.is_some() || course.is_some() {
            let study = setup::changed(&self.study, vehicle.as_deref(), course.as_deref())?;
            let encoded = matches!(self.observation, Observation::Encoded { .. });
            let (gears, before) = (study.gears(), self.study.gears());
            if encoded && has_preview(&study) != has_preview(&self.study) {
                return Err(PyValueError::new_err(
                    "only one of the two vehicles has a sensor ahead\n  hint: encoded observations have numbers for \
                     it; make another environment with this vehicle",
                ));
            }
            if encoded && gears != before {
                return Err(PyValueError::new_err(format!(
                    "the vehicle has {gears} gears, the environment was made for {before}\n  hint: encoded \
                     observations have a number per gear; make another environment with this vehicle"
                )));
            }
            self.study = study;
        }
        self.seed = seed.map_or(self.seed, Seed);
        self.scenario = Arc::new(self.split.of(&self.study, self.seed));
        let first = episode.or(seed.map(|_| 0));
        let (scenario, stride) = (&self.scenario, envs as u64);
        for (i, env_slot) in
            self.env_slots.iter_mut().enumerate().filter(|(i, _)| chosen(only.as_deref(), *i))
        {
            let number = first.map_or_else(|| env_slot.next_episode(), |first| first.wrapping_add(i as u64));
            *env_slot = EnvSlot::new(scenario, number, stride);
        }
        self.show_starts(py, only.as_deref())
    }

    /// Takes an action (0 down, 1 hold, 2 up) in every world.
    fn step(&mut self, py: Python<'_>, actions: PyReadonlyArray1<'_, i64>) -> PyResult<()> {
        let actions: Vec<usize> =
            actions.as_array().iter().map(|&a| usize::try_from(a).unwrap_or(usize::MAX)).collect();
        if actions.len() != self.env_slots.len() {
            let (given, needed) = (actions.len(), self.env_slots.len());
            return Err(PyValueError::new_err(format!("{given} actions for {needed} worlds")));
        }
        if actions.iter().any(|&a| a >= ACTIONS) {
            return Err(PyValueError::new_err("an action is not among 0 (down), 1 (hold) and 2 (up)"));
        }
        let (autoreset, observation) = (self.autoreset, self.observation);
        if autoreset == Autoreset::Disabled && self.env_slots.iter().any(EnvSlot::is_over) {
            return Err(PyValueError::new_err("the episode is over: call reset before the next step"));
        }
        let mut arrays = Arrays::borrow(self, py)?;
        let mut rows = arrays.rows(observation.width())?;
        let env_slots = &mut self.env_slots;
        if rows.len() != env_slots.len() {
            return Err(PyValueError::new_err("an array has lost rows"));
        }
        py.detach(|| {
            let live = |((env_slot, &action), rows): ((&mut EnvSlot, &usize), &mut Rows<'_>)| {
                env_slot.step(action, autoreset, observation, rows);
            };
            if env_slots.len() < PARALLEL_FROM || !has_threads() {
                env_slots.iter_mut().zip(&actions).zip(&mut rows).for_each(live);
            } else {
                let worlds = env_slots.par_iter_mut().zip(&actions).zip(&mut rows);
                worlds.with_min_len(TOGETHER).for_each(live);
            }
        });
        self.study.check_driven().map_err(|e| PyRuntimeError::new_err(e.to_string()))
    }

    /// Figures of the last episode that ended in world `env`; none before the first.
    fn outcome<'py>(&self, py: Python<'py>, env: usize) -> PyResult<Option<Bound<'py, PyDict>>> {
        self.env_slot(env)?.ended().map(|outcome| in_words(py, outcome)).transpose()
    }

    /// Number of the episode in world `env`.
    fn episode(&self, env: usize) -> PyResult<u64> {
        Ok(self.env_slot(env)?.episode())
    }

    /// Numbers in an observation.
    #[getter]
    fn width(&self) -> usize {
        self.observation.width()
    }

    /// Name of the vehicle.
    #[getter]
    fn vehicle(&self) -> &str {
        &self.study.vehicle.name
    }

    /// Seconds between two decisions when nothing else is going on.
    #[getter]
    fn decision_s(&self) -> f64 {
        f64::from(self.study.settings.decision_ticks) * self.study.vehicle.controller.tick_s
    }

    /// Draws world `env`: red, green and blue, `[height, width, 3]`.
    fn picture<'py>(
        &self,
        py: Python<'py>,
        env: usize,
        width: usize,
        height: usize,
    ) -> PyResult<Bound<'py, PyArray3<u8>>> {
        for (key, size) in [("width", width), ("height", height)] {
            in_range(key, size as f64, 64.0, 4096.0, "pixels").map_err(|e| refused(&e))?;
        }
        let pixels = picture::of(self.env_slot(env)?.drive(), width, height);
        let array = Array3::from_shape_vec((height, width, 3), pixels).map_err(wrong)?;
        Ok(PyArray3::from_owned_array(py, array))
    }
}

impl Batch {
    fn env_slot(&self, env: usize) -> PyResult<&EnvSlot> {
        let most = self.env_slots.len() - 1;
        self.env_slots
            .get(env)
            .ok_or_else(|| PyValueError::new_err(format!("world {env}; allowed: 0 to {most}")))
    }

    fn show_starts(&self, py: Python<'_>, only: Option<&[bool]>) -> PyResult<()> {
        let mut arrays = Arrays::borrow(self, py)?;
        let mut rows = arrays.rows(self.observation.width())?;
        for (i, (env_slot, rows)) in self.env_slots.iter().zip(&mut rows).enumerate() {
            if chosen(only, i) {
                env_slot.show_start(self.observation, rows);
            }
        }
        Ok(())
    }
}

fn chosen(only: Option<&[bool]>, env: usize) -> bool {
    only.is_none_or(|only| only.get(env).copied().unwrap_or(false))
}

fn observation_of(study: &Scenario, encoded: bool) -> Observation {
    if encoded {
        Observation::Encoded { gears: study.gears() as u8, preview: has_preview(study) }
    } else {
        Observation::Features
    }
}

fn has_preview(study: &Scenario) -> bool {
    study.settings.features.preview.fitted
}

fn new_slots(scenario: &Arc<Scenario>, first: u64, envs: u64) -> Vec<EnvSlot> {
    (0..envs).map(|i| EnvSlot::new(scenario, first.wrapping_add(i), envs)).collect()
}

fn zeros1(py: Python<'_>, rows: usize) -> Py<PyArray1<f64>> {
    PyArray1::from_owned_array(py, Array1::zeros(rows)).unbind()
}

fn zeros2<T: numpy::Element + numpy::ndarray::LinalgScalar>(
    py: Python<'_>,
    rows: usize,
    width: usize,
) -> Py<PyArray2<T>> {
    PyArray2::from_owned_array(py, Array2::zeros((rows, width))).unbind()
}

/// The arrays of a batch while they are written.
struct Arrays<'py> {
    seen: PyReadwriteArray2<'py, f32>,
    last_seen: PyReadwriteArray2<'py, f32>,
    terms: PyReadwriteArray2<'py, f64>,
    states: PyReadwriteArray2<'py, f64>,
    masks: PyReadwriteArray2<'py, bool>,
    rewards: PyReadwriteArray1<'py, f64>,
    elapsed_s: PyReadwriteArray1<'py, f64>,
    terminated: PyReadwriteArray1<'py, bool>,
    truncated: PyReadwriteArray1<'py, bool>,
}

impl<'py> Arrays<'py> {
    /// Fails where Python has made an array read-only.
    fn borrow(batch: &Batch, py: Python<'py>) -> PyResult<Arrays<'py>> {
        Ok(Arrays {
            seen: batch.observations.bind(py).try_readwrite().map_err(wrong)?,
            last_seen: batch.final_observations.bind(py).try_readwrite().map_err(wrong)?,
            terms: batch.terms.bind(py).try_readwrite().map_err(wrong)?,
            states: batch.states.bind(py).try_readwrite().map_err(wrong)?,
            masks: batch.masks.bind(py).try_readwrite().map_err(wrong)?,
            rewards: batch.rewards.bind(py).try_readwrite().map_err(wrong)?,
            elapsed_s: batch.elapsed_s.bind(py).try_readwrite().map_err(wrong)?,
            terminated: batch.terminated.bind(py).try_readwrite().map_err(wrong)?,
            truncated: batch.truncated.bind(py).try_readwrite().map_err(wrong)?,
        })
    }

    fn rows(&mut self, width: usize) -> PyResult<Vec<Rows<'_>>> {
        let seen = self.seen.as_slice_mut().map_err(wrong)?.chunks_exact_mut(width);
        let mut last_seen = self.last_seen.as_slice_mut().map_err(wrong)?.chunks_exact_mut(width);
        let mut terms = self.terms.as_slice_mut().map_err(wrong)?.chunks_exact_mut(TERMS);
        let mut states = self.states.as_slice_mut().map_err(wrong)?.chunks_exact_mut(STATES);
        let mut masks = self.masks.as_slice_mut().map_err(wrong)?.chunks_exact_mut(ACTIONS);
        let mut rewards = self.rewards.as_slice_mut().map_err(wrong)?.iter_mut();
        let mut elapsed_s = self.elapsed_s.as_slice_mut().map_err(wrong)?.iter_mut();
        let mut terminated = self.terminated.as_slice_mut().map_err(wrong)?.iter_mut();
        let mut truncated = self.truncated.as_slice_mut().map_err(wrong)?.iter_mut();
        let rows = seen.map(|seen| {
            Some(Rows {
                seen,
                last_seen: last_seen.next()?,
                terms: terms.next()?,
                state: states.next()?,
                allowed: masks.next()?,
                reward: rewards.next()?,
                elapsed_s: elapsed_s.next()?,
                terminated: terminated.next()?,
                truncated: truncated.next()?,
            })
        });
        // Only an array that Python has made smaller has too few rows.
        rows.collect::<Option<Vec<_>>>().ok_or_else(|| PyValueError::new_err("an array has lost rows"))
    }
}

fn in_words<'py>(py: Python<'py>, outcome: &Outcome) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("cause", outcome.cause.name())?;
    dict.set_item("time_s", outcome.time_s)?;
    dict.set_item("distance_m", outcome.distance_m)?;
    dict.set_item("energy_j", outcome.energy_j)?;
    dict.set_item("shifts", outcome.shifts)?;
    dict.set_item("reversals", outcome.reversals)?;
    dict.set_item("failed_upshifts", outcome.failed_upshifts)?;
    dict.set_item("missed_engagements", outcome.missed_engagements)?;
    dict.set_item("stall_s", outcome.stall_s)?;
    dict.set_item("damage", outcome.damage)?;
    dict.set_item("peak_winding_c", outcome.peak_winding_c)?;
    dict.set_item("return_s", outcome.reward.total_s())?;
    Ok(dict)
}
