"""Many vehicles side by side, stepped in parallel."""

import gymnasium as gym
import numpy as np
from gymnasium.vector import AutoresetMode
from gymnasium.vector.utils import batch_space

from lowgear.environment import (
    OPTIONS,
    REWARD_TERMS,
    STATES,
    make_batch,
    observation_space,
    reset_arguments,
    whole,
)

AUTORESET = {
    AutoresetMode.NEXT_STEP: "next-step",
    AutoresetMode.SAME_STEP: "same-step",
    AutoresetMode.DISABLED: "disabled",
}


class GardenCarts(gym.vector.VectorEnv):
    """Many vehicles side by side, each as in `GardenCart`.

    **Arrays are views.** Observations, rewards, ends, `action_masks()` and the arrays in `info` are the same NumPy
    arrays after every step and reset, over memory that the simulator writes into: nothing is copied. What was
    returned before is overwritten by the next `step` or `reset`; copy what is to be kept (`obs.copy()`), or make the
    environment with `copy=True`. Writing into them changes nothing in the simulation. Do not look at them from
    another thread while a step is under way: steps run without the interpreter's lock, on `RAYON_NUM_THREADS`
    threads, all cores by default. Results do not depend on the number of threads. A process that was forked after
    the first step of 16 or more worlds steps them one after the other, since threads do not live on in it.

    **Autoreset** is `autoreset_mode`, stated in `metadata`. `NEXT_STEP` (the default): the step after the last one of
    an episode ignores its action, returns the first observation of the next episode and reward 0. `SAME_STEP`: the
    last step returns that first observation already, and `info["final_obs"]` the last of the old episode, where
    `terminated | truncated`. `DISABLED`: call `reset(options={"reset_mask": mask})`.

    **Episodes**: world `i` of `n` lives through numbers `i`, `i + n`, `i + 2 n` and so on of one seed, and so sees
    what `GardenCart` sees under these numbers. `options={"episode": m}` begins at `m + i`.

    **Info** has an array per key: `time_s`, `position_m`, `speed_m_s`, `return_s`, `elapsed_s`, the terms of the
    reward as `reward_terms` (a column per name in `REWARD_TERMS`), `action_mask`, and where an episode ended in this
    step `outcome`, an array of dictionaries, with its mask `_outcome`.
    """

    metadata = {"render_modes": ["rgb_array"], "render_fps": 5, "autoreset_mode": AutoresetMode.NEXT_STEP}

    def __init__(
        self,
        num_envs=1,
        study=None,
        vehicle=None,
        course=None,
        split="training",
        observation="features",
        autoreset_mode=AutoresetMode.NEXT_STEP,
        copy=False,
        render_mode=None,
        render_size=(640, 240),
    ):
        if render_mode not in (None, *self.metadata["render_modes"]):
            raise ValueError(f"`render_mode` is {render_mode!r}; allowed: None or rgb_array")
        try:
            self.autoreset_mode = AutoresetMode(autoreset_mode)
        except ValueError:
            names = ", ".join(mode.value for mode in AutoresetMode)
            raise ValueError(f"`autoreset_mode` is {autoreset_mode!r}; allowed: {names}") from None
        mode = AUTORESET[self.autoreset_mode]
        self._batch = batch = make_batch(num_envs, mode, observation, split, study, vehicle, course)
        self.num_envs = whole("num_envs", num_envs)
        self.metadata = {**self.metadata, "autoreset_mode": self.autoreset_mode}
        self.render_mode, self.render_size, self.copy = render_mode, render_size, copy
        self.single_observation_space = observation_space(observation, batch.width)
        self.single_action_space = gym.spaces.Discrete(3)
        self.observation_space = batch_space(self.single_observation_space, self.num_envs)
        self.action_space = batch_space(self.single_action_space, self.num_envs)
        self._everywhere = np.ones(self.num_envs, bool)
        self._begun = False
        self._info = {name: batch.states[:, i] for i, name in enumerate(STATES)}
        self._info |= {"elapsed_s": batch.elapsed_s, "reward_terms": batch.terms, "action_mask": batch.masks}

    def reset(self, *, seed=None, options=None):
        options = dict(options or {})
        mask = options.pop("reset_mask", None)
        arguments = reset_arguments(seed, options, allowed=OPTIONS)
        if seed is not None:
            self._np_random, self._np_random_seed = gym.utils.seeding.np_random(arguments["seed"])
        if mask is not None:
            arguments["only"] = np.ascontiguousarray(mask, bool)
        elif not self._begun and arguments["seed"] is None and arguments["episode"] is None:
            arguments["episode"] = 0
        self._batch.reset(**arguments)
        self._begun = True
        return self._out(self._batch.observations), self._infos()

    def step(self, actions):
        batch = self._batch
        actions = np.ascontiguousarray(actions)
        if actions.shape != (self.num_envs,) or actions.dtype.kind not in "iu":
            raise ValueError(f"actions need the shape ({self.num_envs},) and whole numbers, 0 (down), 1 (hold) or 2 (up)")
        batch.step(actions.astype(np.int64, copy=False))
        info = self._infos()
        ended = batch.terminated | batch.truncated
        if ended.any():
            self._tell_ends(info, ended)
        out = self._out
        return out(batch.observations), out(batch.rewards), out(batch.terminated), out(batch.truncated), info

    def action_masks(self):
        """Which actions the guard would carry out now, a row per world."""
        return self._out(self._batch.masks)

    def render(self):
        if self.render_mode is None:
            return None
        return tuple(self._batch.picture(i, *self.render_size) for i in range(self.num_envs))

    def _out(self, array):
        return array.copy() if self.copy else array

    def _infos(self):
        info = {}
        for key, array in self._info.items():
            info[key], info[f"_{key}"] = self._out(array), self._everywhere
        return info

    def _tell_ends(self, info, ended):
        outcomes = np.full(self.num_envs, None, object)
        for i in np.flatnonzero(ended):
            outcomes[i] = self._batch.outcome(i)
        info["outcome"], info["_outcome"] = outcomes, ended
        if self.autoreset_mode == AutoresetMode.SAME_STEP:
            info["final_obs"], info["_final_obs"] = self._out(self._batch.final_observations), ended
