"""One vehicle on one course at a time."""

import os

import gymnasium as gym
import numpy as np

from lowgear._core import Batch

#: Actions by name; the number of an action is its place here. What the guard would not carry out is a hold.
ACTIONS = ("down", "hold", "up")

#: What a policy sees: name, lowest and highest value, unit.
FEATURES = (
    ("gear", 0, 5, "gear engaged, 0 is the lowest"),
    ("motor-speed", 0, 2000, "permille of the no-load speed at nominal voltage"),
    ("speed-ratio", 0, 2000, "permille of the no-load speed at the present voltage and duty"),
    ("load-slow", 0, 30000, "slowly filtered load at the wheel, permille of the top gear's stall force"),
    ("load-peak", 0, 30000, "decaying peak of the same load, permille of the top gear's stall force"),
    ("tilt", -30000, 30000, "filtered tilt, nose up positive, tenths of a degree"),
    ("battery", -30000, 30000, "battery voltage, permille of nominal; 1000 without a sensor"),
    ("dwell", 0, 1000, "controller ticks since the present gear engaged"),
    ("since-failed", 0, 1000, "controller ticks since the last upshift that had to be taken back"),
    ("failed-count", 0, 7, "upshifts taken back in a row"),
    ("stalled", 0, 1000, "controller ticks that the driven motor has stood still"),
    ("current", -2000, 2000, "motor current, permille of the stall current; 0 without a sensor"),
    ("strike-class", 0, 3, "next strike of an axle: 0 unknown, 1 none in view, 2 low, 3 high; 0 without a sensor"),
    ("strike-mm", 0, 1000, "way from the axle that meets it, mm; 1000 when none is in view"),
)

#: Terms of the reward, each in seconds and already weighted.
REWARD_TERMS = ("progress_s", "time_s", "energy_s", "stress_s", "shift_s", "stall_s", "abort_s")

#: What `info` tells of the vehicle, which a controller cannot know.
STATES = ("time_s", "position_m", "speed_m_s", "return_s")

SPLITS = ("training", "validation", "test")
OPTIONS = ("vehicle", "course", "episode")

#: What a `GardenCart` rebuilds when it is restored: the world, and what lies over its memory.
ATTACHED = frozenset(
    ("_batch", "_seen", "_mask", "_terms", "_state", "_reward", "_elapsed_s", "_terminated", "_truncated", "_action")
)

#: Farthest that an encoded number can lie from 0.
ENCODED_MOST = 160.0


def observation_space(observation, width):
    """The space of one observation: `features` as they are, or `encoded` as the project's networks take them."""
    if observation == "features":
        low, high = (np.array([f[i] for f in FEATURES], np.float32) for i in (1, 2))
        return gym.spaces.Box(low, high, dtype=np.float32)
    return gym.spaces.Box(-ENCODED_MOST, ENCODED_MOST, (width,), np.float32)


def make_batch(envs, autoreset, observation, split, study, vehicle, course):
    """The worlds, with arguments checked."""
    if observation not in ("features", "encoded"):
        raise ValueError(f'`observation` is "{observation}"; allowed: features or encoded')
    return Batch(
        whole("num_envs", envs),
        autoreset,
        observation == "encoded",
        split,
        study=path_of("study", study),
        vehicle=path_of("vehicle", vehicle),
        course=path_of("course", course),
    )


def path_of(key, value):
    """A path, or None."""
    if value is None or isinstance(value, (str, os.PathLike)):
        return value
    raise ValueError(f"`{key}` is {value!r}; allowed: the path of a file")


def whole_path(value):
    """A path that holds in any working directory, or None."""
    return None if value is None else os.path.abspath(value)


def whole(key, value):
    """A whole number from 0 up, or None."""
    if value is None:
        return None
    if isinstance(value, (int, np.integer)) and not isinstance(value, bool) and 0 <= value < 2**64:
        return int(value)
    raise ValueError(f"`{key}` is {value!r}; allowed: a whole number, 0 to 18446744073709551615")


def reset_arguments(seed, options, allowed=OPTIONS):
    """Seed and options as the worlds take them."""
    options = dict(options or {})
    unknown = [key for key in options if key not in allowed]
    if unknown:
        raise ValueError(f"unknown option `{unknown[0]}`; allowed: {', '.join(allowed)}")
    return {
        "seed": whole("seed", seed),
        "episode": whole("episode", options.get("episode")),
        "vehicle": path_of("vehicle", options.get("vehicle")),
        "course": path_of("course", options.get("course")),
    }


class GardenCart(gym.Env):
    """One vehicle on one course at a time: ask for a lower gear, the same or a higher one.

    **Observation**: `Box(14, float32)`, the whole numbers of `FEATURES` with the units given there; with
    `observation="encoded"` the same as numbers within about ±1, one per gear and twelve more (sixteen with a sensor ahead), as
    the project's own networks take them (the table stands in `agents/src/neural/encode.rs`). Each is a copy.

    **Action**: `Discrete(3)`: 0 down, 1 hold, 2 up. A guard stands between policy and gearbox, as on the vehicle;
    `action_masks()` and `info["action_mask"]` say what it would carry out now. What it would not is a hold.

    **Reward**: seconds; distance over the reference speed, less time, energy, gearbox stress, shifts, standing still,
    and not finishing, weighted by the study file. `info["reward_terms"]` has the terms of the step; they add up to
    the reward but for rounding.

    **End**: terminated when the course is finished, can no longer be, or the clock has run out, which costs what not
    finishing costs, here as in comparisons; never truncated. `info["outcome"]` then has the figures of the episode; its
    `return_s` is the sum of the rewards.

    **Time is not steps**: between two decisions passes whatever time it takes, mostly 0.2 s, longer in a shift.
    `info["elapsed_s"]` is that time; a learner that discounts should do so by `gamma_per_s ** elapsed_s`. One that
    discounts every decision alike solves a slightly different task.

    **Episodes** have numbers, and follow from seed and number alone: course, vehicle within its spread, sensor
    noise. `reset(seed=s)` begins with number 0 of seed `s`, every further `reset()` takes the next number;
    `options={"episode": n}` takes number `n`; `options={"vehicle": path, "course": path}` change the files from then
    on. Without a seed it is the seed of the study, not a random one. `split` says which courses of the seed:
    `training`, `validation` or `test`; the last are those that `lowgear compare` and `lowgear drive` use.

    **Copies and pickles** (`copy.deepcopy`, `pickle`) go on bit for bit as the original does. They hold files by path,
    seed, number of the episode and the actions taken in it, one byte each, and live through these again when restored:
    that takes as long as their steps did. A file that says something else by then is reported. `GardenCarts` has neither.

    Without files it is the demonstration: an invented cart on invented ground. `study`, `vehicle` and `course` are
    the files that the command line takes; what is wrong in them is reported in the same words, as a `ValueError`.
    """

    metadata = {"render_modes": ["rgb_array"], "render_fps": 5}

    def __init__(
        self,
        study=None,
        vehicle=None,
        course=None,
        split="training",
        observation="features",
        render_mode=None,
        render_size=(640, 240),
    ):
        if render_mode not in (None, *self.metadata["render_modes"]):
            raise ValueError(f"`render_mode` is {render_mode!r}; allowed: None or rgb_array")
        self._kind = {"split": split, "observation": observation}
        self._attach(study, vehicle, course)
        self._files = {"study": whole_path(study), "vehicle": whole_path(vehicle), "course": whole_path(course)}
        self.observation_space = observation_space(observation, self._batch.width)
        self.action_space = gym.spaces.Discrete(3)
        self.render_mode = render_mode
        self.render_size = render_size
        self._seed = None
        self._taken = bytearray()
        self._begun = False

    def _attach(self, study, vehicle, course):
        """Makes the world and looks at its arrays."""
        kind = self._kind
        batch = make_batch(1, "disabled", kind["observation"], kind["split"], study, vehicle, course)
        self._batch = batch
        self._seen, self._mask, self._terms = batch.observations[0], batch.masks[0], batch.terms[0]
        self._state, self._reward, self._elapsed_s = batch.states[0], batch.rewards, batch.elapsed_s
        self._terminated, self._truncated = batch.terminated, batch.truncated
        self._action = np.zeros(1, np.int64)

    def __getstate__(self):
        kept = {key: value for key, value in self.__dict__.items() if key not in ATTACHED}
        return kept | {"_episode": self._batch.episode(0), "_last": (self._seen.copy(), self._state.copy())}

    def __setstate__(self, kept):
        kept = dict(kept)
        episode, (seen, state) = kept.pop("_episode"), kept.pop("_last")
        self.__dict__.update(kept)
        self._attach(**self._files)
        self._batch.reset(seed=self._seed, episode=episode)
        for action in self._taken:
            self._action[0] = action
            self._batch.step(self._action)
        if not (np.array_equal(self._seen, seen) and np.array_equal(self._state, state)):
            files = ", ".join(str(file) for file in self._files.values() if file) or "the demonstration's"
            raise ValueError(f"the environment cannot be restored: its files ({files}) say something else than then")

    def reset(self, *, seed=None, options=None):
        arguments = reset_arguments(seed, options)
        super().reset(seed=arguments["seed"])
        if not self._begun and arguments["seed"] is None and arguments["episode"] is None:
            arguments["episode"] = 0
        self._batch.reset(**arguments)
        self._begun = True
        self._taken.clear()
        if arguments["seed"] is not None:
            self._seed = arguments["seed"]
        for key in ("vehicle", "course"):
            self._files[key] = whole_path(arguments[key]) or self._files[key]
        return self._seen.copy(), self._info()

    def step(self, action):
        self._action[0] = action_of(action)
        self._batch.step(self._action)
        self._taken.append(self._action[0])
        terminated, truncated = bool(self._terminated[0]), bool(self._truncated[0])
        info = self._info()
        if terminated or truncated:
            info["outcome"] = self._batch.outcome(0)
        return self._seen.copy(), float(self._reward[0]), terminated, truncated, info

    @property
    def vehicle(self):
        """Name of the vehicle."""
        return self._batch.vehicle

    def action_masks(self):
        """Which actions the guard would carry out now, as learners with masks ask for it."""
        return self._mask.copy()

    def render(self):
        if self.render_mode is None:
            return None
        return self._batch.picture(0, *self.render_size)

    def _info(self):
        info = dict(zip(STATES, self._state.tolist()))
        info["elapsed_s"] = float(self._elapsed_s[0])
        info["reward_terms"] = dict(zip(REWARD_TERMS, self._terms.tolist()))
        info["action_mask"] = self._mask.copy()
        info["episode_number"] = self._batch.episode(0)
        return info


def action_of(action):
    """An action as a number, however it is given."""
    number = np.asarray(action)
    if number.shape != () or number.dtype.kind not in "iu" or not 0 <= number < 3:
        raise ValueError(f"action {action!r}; allowed: 0 (down), 1 (hold) and 2 (up)")
    return int(number)
