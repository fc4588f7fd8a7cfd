"""`GardenCarts` as Stable-Baselines3 takes many environments.

    from stable_baselines3 import PPO
    from lowgear.stable_baselines import GardenCartsVecEnv

    model = PPO("MlpPolicy", GardenCartsVecEnv(64, observation="encoded"))

What is special about it: arrays are copies, since that library keeps what it is given; an episode that ends restarts within the same step, with `terminal_observation` and `TimeLimit.truncated` in its `info`.
"""

import numpy as np
from gymnasium.vector import AutoresetMode
from stable_baselines3.common.vec_env import VecEnv

from lowgear.vector import GardenCarts


class GardenCartsVecEnv(VecEnv):
    """Many vehicles side by side; arguments are those of `GardenCarts`, but for the autoreset and copies."""

    def __init__(self, num_envs=1, **arguments):
        self.carts = GardenCarts(num_envs, autoreset_mode=AutoresetMode.SAME_STEP, copy=True, **arguments)
        self._actions = None
        self._next_seed = None
        # The base class asks `get_attr("render_mode")`.
        super().__init__(num_envs, self.carts.single_observation_space, self.carts.single_action_space)

    def seed(self, seed=None):
        self._next_seed = seed
        return [seed] * self.num_envs

    def reset(self):
        seen, info = self.carts.reset(seed=self._next_seed, options=self._options[0] or None)
        self._next_seed = None
        self.reset_infos = [self._of_one(info, i) for i in range(self.num_envs)]
        self._reset_options()
        return seen

    def step_async(self, actions):
        self._actions = actions

    def step_wait(self):
        seen, rewards, terminated, truncated, info = self.carts.step(np.asarray(self._actions))
        done = terminated | truncated
        infos = [self._of_one(info, i) for i in range(self.num_envs)]
        for i in np.flatnonzero(done):
            infos[i]["terminal_observation"] = info["final_obs"][i]
            infos[i]["TimeLimit.truncated"] = bool(truncated[i] and not terminated[i])
            infos[i]["outcome"] = info["outcome"][i]
        return seen, rewards.astype(np.float32), done, infos

    def close(self):
        self.carts.close()

    def action_masks(self):
        """Which actions the guard would carry out now, a row per world."""
        return self.carts.action_masks()

    def get_attr(self, attr_name, indices=None):
        return [getattr(self.carts, attr_name) for _ in self._get_indices(indices)]

    def set_attr(self, attr_name, value, indices=None):
        raise AttributeError(f"`{attr_name}` cannot be set: the worlds have no attributes of their own")

    def env_method(self, method_name, *method_args, indices=None, **method_kwargs):
        if method_name != "action_masks":
            raise AttributeError(f"`{method_name}` cannot be called in single worlds; allowed: action_masks")
        masks = self.action_masks()
        return [masks[i] for i in self._get_indices(indices)]

    def has_attr(self, attr_name):
        return attr_name == "action_masks" or hasattr(self.carts, attr_name)

    def env_is_wrapped(self, wrapper_class, indices=None):
        return [False for _ in self._get_indices(indices)]

    def get_images(self):
        return list(self.carts.render() or [])

    def _of_one(self, info, i):
        return {"elapsed_s": float(info["elapsed_s"][i]), "action_mask": info["action_mask"][i]}
