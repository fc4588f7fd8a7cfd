"""Trains with a library for Python, brings the policy back, compares and exports it.

    pip install ./env/python stable-baselines3 sb3-contrib
    cargo build --release
    python env/python/examples/train_and_export.py --steps 200000

Masked PPO of sb3-contrib on the training courses of a study. What it learned becomes `policy.json`, which every
command takes: `lowgear compare` judges it against the hand-written rule on the study's test courses, `lowgear
export` makes a table of it, in C, Rust and Python. A few thousand steps a second; 200 000 take some minutes.
"""

import argparse
import subprocess
import sys
from pathlib import Path

import torch
from sb3_contrib import MaskablePPO
from stable_baselines3.common.env_util import make_vec_env

import lowgear
from lowgear import policy


def main():
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--study", default="configs/studies/demo.toml", help="study file")
    words.add_argument("--lowgear", default="target/release/lowgear", help="the command")
    words.add_argument("--steps", type=int, default=200_000, help="decisions to train for")
    words.add_argument("--out", type=Path, default=Path("runs/python"), help="folder for what is written")
    words = words.parse_args()

    torch.set_num_threads(1)
    worlds = make_vec_env(
        "lowgear/GardenCart-v0", n_envs=4, seed=1, env_kwargs={"study": words.study, "observation": "encoded"}
    )
    model = MaskablePPO(
        "MlpPolicy",
        worlds,
        policy_kwargs={"activation_fn": torch.nn.ReLU, "net_arch": [32, 32]},
        n_steps=min(1024, words.steps // 4),
        batch_size=256,
        learning_rate=5e-4,
        gamma=0.99,  # per decision of mostly 0.2 s
        seed=1,
    )
    model.learn(words.steps)
    vehicle = lowgear.GardenCart(study=words.study).vehicle
    file = policy.save(model, words.out / "policy.json", vehicle=vehicle)

    run(words.lowgear, "compare", words.study, "hand-rule", file, "--out", words.out / "comparison")
    run(words.lowgear, "export", words.study, "--policy", file, "--out", words.out / "table")


def run(*words):
    print("\n$", *words, flush=True)
    done = subprocess.run([str(word) for word in words])
    if done.returncode != 0:
        sys.exit(done.returncode)


if __name__ == "__main__":
    main()
