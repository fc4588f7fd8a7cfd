"""Many vehicles at once: the same as one at a time, in memory that is shared."""

import os
import subprocess
import sys

import gymnasium as gym
import numpy as np
import pytest
from gymnasium.vector import AutoresetMode

import lowgear

NAME = "lowgear/GardenCart-v0"


def actions_by_speed(observations, masks):
    wanted = np.where(observations[:, 2] > 700, 2, np.where(observations[:, 2] < 350, 0, 1))
    return np.where(masks[np.arange(len(wanted)), wanted], wanted, 1)


def test_it_is_registered_and_tells_its_autoreset_mode():
    many = gym.make_vec(NAME, num_envs=3)
    assert isinstance(many.unwrapped, lowgear.GardenCarts)
    assert many.metadata["autoreset_mode"] == AutoresetMode.NEXT_STEP
    same = gym.make_vec(NAME, num_envs=3, vectorization_mode="vector_entry_point", autoreset_mode="SameStep")
    assert same.metadata["autoreset_mode"] == AutoresetMode.SAME_STEP
    assert many.single_action_space == gym.spaces.Discrete(3)
    observations, _ = many.reset(seed=1)
    assert many.observation_space.contains(observations)


@pytest.mark.parametrize("mode", ["NextStep", "SameStep"])
def test_each_world_is_what_it_is_alone(mode):
    count = 20  # enough for several threads
    many = lowgear.GardenCarts(count, autoreset_mode=mode)
    alone = [lowgear.GardenCart() for _ in range(count)]
    observations, _ = many.reset(seed=11)
    for i, env in enumerate(alone):
        seen, _ = env.reset(seed=11, options={"episode": i})
        assert (seen == observations[i]).all()
    episode, over, ends = list(range(count)), [False] * count, 0
    for _ in range(1800):
        actions = actions_by_speed(observations, many.action_masks())
        observations, rewards, terminated, truncated, info = many.step(actions)
        for i, env in enumerate(alone):
            if over[i]:
                episode[i] += count
                (seen, told), over[i] = env.reset(options={"episode": episode[i]}), False
                assert rewards[i] == 0.0 and not terminated[i] and not truncated[i]
            else:
                seen, reward, *ended, told = env.step(actions[i])
                assert reward == rewards[i] and ended == [terminated[i], truncated[i]]
                assert told["elapsed_s"] == info["elapsed_s"][i] and told["return_s"] == info["return_s"][i]
                assert list(told["reward_terms"].values()) == info["reward_terms"][i].tolist()
                if any(ended):
                    ends += 1
                    assert info["_outcome"][i] and info["outcome"][i] == told["outcome"]
                    if mode == "SameStep":
                        assert (info["final_obs"][i] == seen).all()
                        episode[i] += count
                        seen, _ = env.reset(options={"episode": episode[i]})
                    else:
                        over[i] = True
            assert (seen == observations[i]).all()
    assert ends > count // 2


def test_arrays_are_views_that_every_step_overwrites():
    many = lowgear.GardenCarts(4)
    first, _ = many.reset(seed=1)
    kept = first.copy()
    for _ in range(30):
        later, rewards, terminated, truncated, info = many.step(np.ones(4, np.int64))
    assert later is first and not (first == kept).all()
    assert np.shares_memory(many.action_masks(), info["action_mask"])
    first[:] = -1.0
    after = many.step(np.ones(4, np.int64))[0].copy()
    other = lowgear.GardenCarts(4, copy=True)
    start, _ = other.reset(seed=1)
    copied = start.copy()
    for _ in range(31):
        seen, *_ = other.step(np.ones(4, np.int64))
    assert (seen == after).all(), "what Python writes does not change the simulation"
    assert (start == copied).all() and not np.shares_memory(start, seen), "copies are kept"


def test_a_reset_of_some_leaves_the_others():
    many = lowgear.GardenCarts(3, autoreset_mode="Disabled", copy=True)
    many.reset(seed=1)
    for _ in range(10):
        before, *_ = many.step(np.ones(3, np.int64))
    after, info = many.reset(options={"reset_mask": np.array([False, True, False])})
    assert (after[[0, 2]] == before[[0, 2]]).all() and (after[1] != before[1]).any()
    assert info["time_s"][1] == 0.0 < info["time_s"][0]


THREADS = """
import hashlib, numpy as np, lowgear
many = lowgear.GardenCarts(64)
observations, _ = many.reset(seed=2)
digest = hashlib.sha256()
for k in range(300):
    actions = np.where(observations[:, 2] > 700, 2, np.where(observations[:, 2] < 350, 0, 1))
    observations, rewards, *_ = many.step(actions)
    digest.update(observations.tobytes() + rewards.tobytes())
print(digest.hexdigest())
"""


def test_the_number_of_threads_changes_nothing():
    def with_threads(count):
        environment = {**os.environ, "RAYON_NUM_THREADS": str(count)}
        return subprocess.run([sys.executable, "-c", THREADS], env=environment, capture_output=True, text=True, check=True).stdout

    assert with_threads(1) == with_threads(3) != ""


def test_a_wrong_call_is_told():
    with pytest.raises(ValueError, match="1 to 65536"):
        lowgear.GardenCarts(0)
    with pytest.raises(ValueError, match="NextStep"):
        lowgear.GardenCarts(2, autoreset_mode="sometimes")
    many = lowgear.GardenCarts(2)
    many.reset(seed=1)
    for actions in ([1, 3], [1, 1, 1], [0.5, 1.0]):
        with pytest.raises(ValueError, match="0 .down., 1 .hold."):
            many.step(actions)
    with pytest.raises(ValueError, match="one entry"):
        many.reset(options={"reset_mask": [True]})
    read_only = many.reset()[0]
    read_only.flags.writeable = False
    with pytest.raises(ValueError):
        many.step([1, 1])
