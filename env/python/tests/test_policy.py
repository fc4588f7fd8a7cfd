"""A network trained in Python drives in the command as it does here."""

import csv
import subprocess
import sys
from pathlib import Path

import gymnasium as gym
import pytest

torch = pytest.importorskip("torch")
stable_baselines3 = pytest.importorskip("stable_baselines3")
sb3_contrib = pytest.importorskip("sb3_contrib")

import lowgear  # noqa: E402
from lowgear import policy  # noqa: E402

NAME = "lowgear/GardenCart-v0"
NUMBER = {"down": 0, "hold": 1, "up": 2}
RELU = dict(activation_fn=torch.nn.ReLU, net_arch=[24, 16])


@pytest.fixture(scope="session")
def place(tmp_path_factory, tiny, configs):
    """A folder with the tiny study, which says `vehicle.toml` and `course.toml`, next to its files."""
    folder = tmp_path_factory.mktemp("study")
    (folder / "study.toml").write_text(tiny.read_text())
    (folder / "vehicle.toml").write_text((configs / "vehicles" / "demo-cart.toml").read_text())
    (folder / "course.toml").write_text((configs / "courses" / "garden-mix.toml").read_text())
    return folder


def trained(kind, study, steps):
    env = gym.make(NAME, study=study, observation="encoded")
    kinds = {
        "dqn": lambda: stable_baselines3.DQN("MlpPolicy", env, policy_kwargs=RELU, learning_starts=100, seed=1),
        "ppo": lambda: stable_baselines3.PPO("MlpPolicy", env, policy_kwargs=RELU, n_steps=128, seed=1),
        "masked": lambda: sb3_contrib.MaskablePPO("MlpPolicy", env, policy_kwargs=RELU, n_steps=128, seed=1),
    }
    return kinds[kind]().learn(steps)


def vary(model, env):
    """A policy hardly trained may do one thing only: the first random one that does everything."""
    for seed in range(100):
        generator = torch.Generator().manual_seed(seed)
        with torch.no_grad():
            for weights in model.policy.parameters():
                weights.copy_(0.6 * torch.randn(weights.shape, generator=generator))
        observation, _ = env.reset(options={"episode": 0})
        taken = []
        for _ in range(150):
            taken.append(policy.decide(model, observation, env.action_masks()))
            observation, _, terminated, truncated, _ = env.step(taken[-1])
            if terminated or truncated:
                break
        if min(taken.count(action) for action in range(3)) > 3:
            return
    pytest.fail("no random policy does everything")


@pytest.mark.parametrize("kind", ["dqn", "ppo", "masked"])
def test_decisions_agree_in_closed_loop(command, place, tmp_path, kind):
    torch.set_num_threads(1)
    model = trained(kind, place / "study.toml", 512)
    env = lowgear.GardenCart(study=place / "study.toml", split="test", observation="encoded")
    vary(model, env)
    file = policy.save(model, tmp_path / "policy.json", vehicle="seed-tray cart")
    decisions = []
    for episode in range(20):
        ran = command("drive", place / "study.toml", "--policy", file, "--episode", episode, "--out", tmp_path)
        assert ran.code == 0, ran.err
        with open(tmp_path / "trace.csv") as rows:
            asked = [NUMBER[row["request"]] for row in csv.DictReader(rows) if row["request"]]
        observation, info = env.reset(options={"episode": episode})
        for request in asked:
            mask = env.action_masks()
            action = policy.decide(model, observation, mask)
            if kind == "masked":
                assert model.predict(observation, action_masks=mask, deterministic=True)[0] == action
            assert action == request, f"decision {len(decisions)}"
            decisions.append(action)
            observation, _, terminated, truncated, _ = env.step(action)
        assert terminated or truncated
        if len(decisions) >= 3000:
            break
    assert len(decisions) >= 1000 and len(set(decisions)) == 3


def test_the_example_trains_compares_and_exports(command, place, tmp_path):
    example = Path(__file__).parents[1] / "examples" / "train_and_export.py"
    words = ["--study", place / "study.toml", "--lowgear", command.binary, "--steps", "512", "--out", tmp_path / "out"]
    ran = subprocess.run([sys.executable, example, *map(str, words)], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "hand-rule" in ran.stdout and "maskableppo" in ran.stdout
    for name in ("policy.json", "comparison/summary.json", "table/*.h", "table/*.rs", "table/*.py"):
        assert {file.stat().st_size > 1000 for file in (tmp_path / "out").glob(name)} == {True}, name


def test_what_the_command_cannot_run_is_refused(tmp_path):
    wrong = [
        (dict(observation="encoded"), dict(net_arch=[8]), "ReLU"),
        (dict(observation="features"), RELU, "encoded"),
    ]
    for arguments, network, says in wrong:
        model = stable_baselines3.PPO("MlpPolicy", gym.make(NAME, **arguments), policy_kwargs=network, n_steps=64)
        with pytest.raises(ValueError, match=says):
            policy.save(model, tmp_path / "policy.json")
    assert not (tmp_path / "policy.json").exists()


def test_a_policy_for_other_gears_is_refused_by_the_command(command, configs, tmp_path):
    study = configs / "studies" / "watering-barrow.toml"
    env = gym.make(NAME, study=study, observation="encoded")
    model = stable_baselines3.PPO("MlpPolicy", env, policy_kwargs=RELU, n_steps=64)
    file = policy.save(model, tmp_path / "policy.json")
    ran = command("drive", configs / "studies" / "demo.toml", "--policy", file, "--out", tmp_path)
    assert ran.code == 2 and "gears" in ran.err
