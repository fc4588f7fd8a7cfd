"""Environments that were copied or pickled go on as the original does."""

import copy
import pickle

import numpy as np
import pytest

import lowgear


def lived(env, steps, seed):
    """What the next steps give, over the ends of episodes."""
    rng, out = np.random.default_rng(seed), []
    for _ in range(steps):
        action = int(rng.choice(np.flatnonzero(env.action_masks())))
        seen, reward, terminated, truncated, info = env.step(action)
        out.append((seen.tobytes(), reward, terminated, truncated, tuple(info["reward_terms"].values()), info["time_s"]))
        if terminated or truncated:
            out.append(env.reset()[0].tobytes())
    return out


@pytest.mark.parametrize("by", [copy.deepcopy, lambda env: pickle.loads(pickle.dumps(env))])
@pytest.mark.parametrize("steps", [0, 1, 137, 2500])
def test_a_copy_goes_on_bit_for_bit(by, steps):
    env = lowgear.GardenCart(observation="encoded")
    env.reset(seed=9, options={"episode": 4})
    env.action_space.seed(3)
    lived(env, steps, 1)
    other = by(env)
    assert lived(other, 1500, 2) == lived(env, 1500, 2)
    assert env.action_space.sample() == other.action_space.sample()


def test_a_copy_of_one_that_has_not_begun_and_of_one_that_is_over():
    fresh = lowgear.GardenCart()
    assert copy.deepcopy(fresh).reset()[0].tobytes() == fresh.reset()[0].tobytes()
    over = False
    while not over:
        _, _, terminated, truncated, _ = fresh.step(1)
        over = terminated or truncated
    other = copy.deepcopy(fresh)
    with pytest.raises(ValueError, match="over"):
        other.step(1)
    assert other.reset()[0].tobytes() == fresh.reset()[0].tobytes()


def test_files_of_a_reset_are_kept_and_their_changes_told(tmp_path, configs):
    vehicle = tmp_path / "cart.toml"
    text = (configs / "vehicles" / "demo-cart.toml").read_text()
    vehicle.write_text(text.replace("mass-kg = 5.0", "mass-kg = 6.0"))
    env = lowgear.GardenCart()
    env.reset(seed=1, options={"vehicle": vehicle})
    lived(env, 50, 1)
    kept = pickle.dumps(env)
    assert lived(pickle.loads(kept), 300, 2) == lived(env, 300, 2)
    vehicle.write_text(text)
    with pytest.raises(ValueError, match="cart.toml"):
        pickle.loads(kept)
