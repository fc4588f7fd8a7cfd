"""Many worlds as the usual libraries take them."""

import gymnasium as gym
import numpy as np
import pytest
from gymnasium.vector import AutoresetMode

import lowgear


def test_the_wrappers_of_gymnasium_take_it_as_it_is():
    many = gym.make_vec("lowgear/GardenCart-v0", num_envs=4, autoreset_mode="SameStep")
    many = gym.wrappers.vector.RecordEpisodeStatistics(many)
    many = gym.wrappers.vector.NormalizeReward(gym.wrappers.vector.ClipReward(many, -1.0, 1.0))
    many = gym.wrappers.vector.DictInfoToList(many)
    many.reset(seed=1)
    ends = 0
    for _ in range(3300):
        observations, rewards, terminated, truncated, infos = many.step(np.ones(4, np.int64))
        assert observations.shape == (4, 14) and np.isfinite(rewards).all()
        for i in np.flatnonzero(terminated | truncated):
            ends += 1
            assert infos[i]["episode"]["l"] > 10 and infos[i]["outcome"]["time_s"] > 0.0
    assert ends > 0


def test_ppo_and_dqn_train_on_it():
    pytest.importorskip("stable_baselines3")
    from stable_baselines3 import DQN, PPO
    from stable_baselines3.common.vec_env import VecMonitor

    from lowgear.stable_baselines import GardenCartsVecEnv

    many = VecMonitor(GardenCartsVecEnv(8, observation="encoded"))
    before = PPO("MlpPolicy", many, n_steps=64, batch_size=128, n_epochs=1, seed=1, device="cpu")
    weights = [w.detach().clone() for w in before.policy.parameters()]
    before.learn(2048)
    assert before.num_timesteps == 2048
    assert any((a != b).any() for a, b in zip(weights, before.policy.parameters()))
    DQN("MlpPolicy", many, learning_starts=64, buffer_size=1000, seed=1, device="cpu").learn(512)


def test_masked_ppo_asks_it_for_masks():
    pytest.importorskip("sb3_contrib")
    from sb3_contrib import MaskablePPO

    from lowgear.stable_baselines import GardenCartsVecEnv

    many = GardenCartsVecEnv(4, observation="encoded")
    MaskablePPO("MlpPolicy", many, n_steps=64, batch_size=64, n_epochs=1, seed=1, device="cpu").learn(512)


def test_the_adapter_tells_what_the_worlds_do():
    pytest.importorskip("stable_baselines3")
    from lowgear.stable_baselines import GardenCartsVecEnv

    many, plain = GardenCartsVecEnv(3), lowgear.GardenCarts(3, autoreset_mode=AutoresetMode.SAME_STEP, copy=True)
    many.seed(5)
    seen, expected = many.reset(), plain.reset(seed=5)[0]
    ends = 0
    for _ in range(3300):
        assert (seen == expected).all()
        actions = np.ones(3, np.int64)
        seen, rewards, done, infos = many.step(actions)
        expected, values, terminated, truncated, info = plain.step(actions)
        assert (rewards == values.astype(np.float32)).all() and (done == (terminated | truncated)).all()
        for i in np.flatnonzero(done):
            ends += 1
            assert (infos[i]["terminal_observation"] == info["final_obs"][i]).all()
            assert infos[i]["TimeLimit.truncated"] == (truncated[i] and not terminated[i])
    assert ends > 0
