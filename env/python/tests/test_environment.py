"""One vehicle at a time: the contract of Gymnasium and our own."""

import gymnasium as gym
import numpy as np
import pytest
from gymnasium.utils.env_checker import check_env

import lowgear

NAME = "lowgear/GardenCart-v0"


def lived(env, seed, decide, most=100_000):
    """Observations, rewards and infos of an episode."""
    observation, info = env.reset(seed=seed)
    rows = [(observation, 0.0, info)]
    for _ in range(most):
        observation, reward, terminated, truncated, info = env.step(decide(observation, info))
        rows.append((observation, reward, info))
        if terminated or truncated:
            break
    return rows, terminated, truncated


def by_speed(observation, info):
    """A rule that shifts often: up above 700 permille, down below 350."""
    up, down = observation[2] > 700, observation[2] < 350
    wanted = 2 if up else 0 if down else 1
    return wanted if info["action_mask"][wanted] else 1


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("observation", ["features", "encoded"])
def test_gymnasium_checks_it(observation):
    check_env(gym.make(NAME, render_mode="rgb_array", observation=observation).unwrapped)


def test_an_episode_follows_from_seed_and_number_alone():
    env = lowgear.GardenCart()
    first, _, _ = lived(env, 5, by_speed)
    for row in range(3):
        env.reset()
    assert env.reset()[1]["episode_number"] == 4
    again, _, _ = lived(lowgear.GardenCart(), 5, by_speed)
    assert len(first) == len(again)
    assert all((a[0] == b[0]).all() and a[1] == b[1] for a, b in zip(first, again))
    other, _, _ = lived(env, 6, by_speed)
    assert [row[1] for row in other] != [row[1] for row in first]
    numbered = [env.reset(seed=5, options={"episode": n})[1]["episode_number"] for n in (7, 2)]
    assert numbered == [7, 2]


def test_splits_of_one_seed_are_different_courses():
    returns = {split: lived(lowgear.GardenCart(split=split), 5, by_speed)[0][-1][2]["return_s"] for split in lowgear.environment.SPLITS}
    assert len(set(returns.values())) == 3


def test_terms_add_up_to_the_reward_and_rewards_to_the_return():
    rows, terminated, _ = lived(lowgear.GardenCart(), 3, by_speed)
    assert terminated
    for _, reward, info in rows:
        assert sum(info["reward_terms"].values()) == pytest.approx(reward, abs=1e-9)
        assert set(info["reward_terms"]) == set(lowgear.REWARD_TERMS)
    outcome = rows[-1][2]["outcome"]
    assert outcome["cause"] == "finished" and outcome["shifts"] > 0
    assert sum(row[1] for row in rows) == pytest.approx(outcome["return_s"], abs=1e-6)
    assert sum(row[2]["elapsed_s"] for row in rows) == pytest.approx(outcome["time_s"], abs=1e-6)


def test_not_finishing_costs_as_much_as_its_term_says():
    upwards = lambda observation, info: 2 if info["action_mask"][2] else 1
    env = lowgear.GardenCart()
    for seed in range(10):
        rows, terminated, _ = lived(env, seed, upwards)
        outcome = rows[-1][2]["outcome"]
        if outcome["cause"] == "stalled-out":
            assert terminated
            assert rows[-1][2]["reward_terms"]["abort_s"] < -100.0
            assert sum(row[1] for row in rows) == pytest.approx(outcome["return_s"], abs=1e-6)
            return
    pytest.fail("a vehicle that only shifts up never stalled")


def test_time_between_decisions_is_longer_in_a_shift():
    rows, _, _ = lived(lowgear.GardenCart(), 3, by_speed, most=400)
    durations = [row[2]["elapsed_s"] for row in rows[1:-1]]
    assert min(durations) == pytest.approx(0.2) and max(durations) > 0.3


def test_observations_are_copies_of_whole_numbers_within_the_space():
    env = lowgear.GardenCart()
    rows, _, _ = lived(env, 3, by_speed, most=400)
    kept = [row[0].copy() for row in rows]
    env.reset(seed=9)
    assert all((row[0] == copy).all() for row, copy in zip(rows, kept))
    assert all((row[0] == row[0].round()).all() and env.observation_space.contains(row[0]) for row in rows)


def test_what_the_guard_refuses_is_a_hold():
    env, other = lowgear.GardenCart(), lowgear.GardenCart()
    env.reset(seed=3), other.reset(seed=3)
    assert not env.action_masks()[0], "there is no gear below the first"
    for _ in range(20):
        (seen, reward, *_), (held, also, *_) = env.step(0), other.step(1)
        assert (seen == held).all() and reward == also


def test_the_picture_shows_that_the_vehicle_has_moved():
    env = gym.make(NAME, render_mode="rgb_array")
    env.reset(seed=3)
    first = env.render()
    assert first.shape == (240, 640, 3) and first.dtype == np.uint8
    assert len(np.unique(first.reshape(-1, 3), axis=0)) > 4
    for _ in range(60):
        env.step(1)
    assert (env.render() != first).any()


def test_another_vehicle_and_course_stay(configs):
    env = lowgear.GardenCart()
    options = {"vehicle": configs / "vehicles" / "watering-barrow.toml", "course": configs / "courses" / "ramp.toml"}
    changed, _ = env.reset(seed=1, options=options)
    plain, _ = lowgear.GardenCart().reset(seed=1)
    barrow, _ = lowgear.GardenCart(**options).reset(seed=1)
    assert (changed == barrow).all()
    rows = [lived(world, 1, by_speed)[0] for world in (env, lowgear.GardenCart(**options))]
    assert [row[1] for row in rows[0]] == [row[1] for row in rows[1]]


@pytest.mark.parametrize(
    "arguments, says",
    [
        ({"study": "nowhere.toml"}, "nowhere.toml"),
        ({"split": "exam"}, "training, validation or test"),
        ({"observation": "raw"}, "features or encoded"),
        ({"render_mode": "human"}, "rgb_array"),
        ({"course": 7}, "the path of a file"),
    ],
)
def test_a_wrong_argument_is_told(arguments, says):
    with pytest.raises(ValueError, match=says):
        lowgear.GardenCart(**arguments)


def test_a_wrong_call_is_told(configs):
    env = lowgear.GardenCart()
    with pytest.raises(ValueError, match="0 to 18446744073709551615"):
        env.reset(seed=-1)
    with pytest.raises(ValueError, match="vehicle, course, episode"):
        env.reset(options={"weather": "rain"})
    env.reset(seed=1)
    for action in (3, -1, 1.5, None, [1]):
        with pytest.raises(ValueError, match="0 .down., 1 .hold. and 2 .up."):
            env.step(action)
    rows, _, _ = lived(env, 3, by_speed)
    with pytest.raises(ValueError, match="call reset"):
        env.step(1)
    encoded = lowgear.GardenCart(observation="encoded")
    with pytest.raises(ValueError, match="gears"):
        encoded.reset(options={"vehicle": configs / "vehicles" / "watering-barrow.toml"})
