"""Shifting the gears of a small battery-electric garden vehicle, as a Gymnasium environment.

    import gymnasium as gym
    import lowgear

    env = gym.make("lowgear/GardenCart-v0")
    many = gym.make_vec("lowgear/GardenCart-v0", num_envs=1024)

`GardenCart` tells what is seen, asked and rewarded, with units; `GardenCarts` what is special about many at once;
`lowgear.policy` brings a trained network back to the commands `lowgear compare` and `lowgear export`. Vehicle and
courses of the demonstration are invented; everything here is simulation.
"""

import gymnasium

from lowgear.environment import ACTIONS, FEATURES, REWARD_TERMS, GardenCart
from lowgear.vector import GardenCarts

__all__ = ["ACTIONS", "FEATURES", "REWARD_TERMS", "GardenCart", "GardenCarts"]

# The number rises when an observation, an action or the reward means something else.
gymnasium.register(
    id="lowgear/GardenCart-v0",
    entry_point="lowgear.environment:GardenCart",
    vector_entry_point="lowgear.vector:GardenCarts",
)
