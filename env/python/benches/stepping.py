"""How fast many worlds are stepped from Python, against the same worlds without Python and against a pole on a cart.

    python env/python/benches/stepping.py [worlds, default 1024] [steps, default 1000] [rounds, default 5]

All of them in turns, on the same threads; of the rounds the medians. Both ways of stepping our worlds shift by the
same rule and must come to the same rewards, bit for bit. The pole is Gymnasium's CartPole-v1 in NumPy, pushed at
random. Seconds are of the clock and of the processor; where others use the machine as well, the latter tell more.
"""

import json
import statistics
import struct
import subprocess
import sys
import time
from pathlib import Path

import gymnasium as gym
import numpy as np

import lowgear  # noqa: F401

CRATE = Path(__file__).resolve().parents[1]


def bare(worlds, steps, binary):
    words = subprocess.run([binary, str(worlds), str(steps)], capture_output=True, text=True, check=True).stdout.split()
    return words[0], float(words[1]), float(words[2])


def from_python(many, worlds, steps):
    """The same with NumPy."""
    observations, _ = many.reset(seed=1)
    masks, total, every = many.action_masks(), np.zeros(worlds), np.arange(worlds)
    start, cpu = time.perf_counter(), time.process_time()
    for _ in range(steps):
        ratio = observations[:, 2]
        wanted = 1 + (ratio > 700).astype(np.int64) - (ratio < 350)
        actions = np.where(masks[every, wanted], wanted, 1)
        observations, rewards, *_ = many.step(actions)
        total += rewards
    seconds, cpu_s = time.perf_counter() - start, time.process_time() - cpu
    # Added up one by one, as the counterpart does.
    return struct.pack(">d", sum(total.tolist())).hex(), seconds, cpu_s


def pole(worlds, steps):
    many = gym.make_vec("CartPole-v1", num_envs=worlds, vectorization_mode="vector_entry_point")
    many.reset(seed=1)
    pushes = np.random.default_rng(1).integers(0, 2, (16, worlds))
    start, cpu = time.perf_counter(), time.process_time()
    for k in range(steps):
        many.step(pushes[k % 16])
    return None, time.perf_counter() - start, time.process_time() - cpu


def build():
    """The counterpart, and where it is."""
    words = ["cargo", "build", "--release", "--bench", "bare", "--message-format=json"]
    words += ["--manifest-path", CRATE / "Cargo.toml"]
    messages = subprocess.run(words, stdout=subprocess.PIPE, text=True, check=True).stdout.splitlines()
    built = [json.loads(message) for message in messages]
    return next(b["executable"] for b in built if b.get("executable") and b["target"]["name"] == "bare")


def main():
    words = [int(word) for word in sys.argv[1:]] + [1024, 1000, 5][len(sys.argv) - 1 :]
    worlds, steps, rounds = words
    binary = build()
    many = gym.make_vec("lowgear/GardenCart-v0", num_envs=worlds)
    ways = {
        "Rust alone": lambda: bare(worlds, steps, binary),
        "from Python": lambda: from_python(many, worlds, steps),
        "pole on a cart": lambda: pole(worlds, steps),
    }
    seen = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            seen[name].append(way())
    sums = {run[0] for name in ("Rust alone", "from Python") for run in seen[name]}
    if len(sums) != 1:
        sys.exit(f"the two ways came to different rewards: {sums}")
    print(f"{worlds} worlds, {steps} steps, medians of {rounds} rounds")
    print("way              million steps/s   million steps per CPU-second")
    rates = {}
    for name, runs in seen.items():
        rates[name] = [statistics.median(1e-6 * worlds * steps / run[i] for run in runs) for i in (1, 2)]
        print(f"{name:16} {rates[name][0]:15.3f}   {rates[name][1]:28.3f}")
    shares = [100 * a / b for a, b in zip(rates["from Python"], rates["Rust alone"])]
    print(f"from Python at {shares[0]:.0f} % of Rust alone by the clock, {shares[1]:.0f} % by the processor")


if __name__ == "__main__":
    main()
