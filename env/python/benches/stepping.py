"""How fast many worlds are stepped from Python, against the same worlds without Python, against the same vehicle
written in NumPy, and against a pole on a cart.

    python env/python/benches/stepping.py [worlds, default 1024] [steps, default 1000] [rounds, default 5]

All of them in turns, on the same threads; of the rounds the medians. Both ways of stepping our worlds shift by the
same rule and must come to the same rewards, bit for bit. Seconds are of the clock and of the processor; where others
use the machine as well, the latter tell more.

The peer is the independent solution of `tests/peer/`: all carts at once in arrays, in steps of 2.5 ms, which our
episodes are held against, and once more in steps of a whole tick, which is as quick as it gets and is not checked.
It shifts by the same rule and has less to do: no sensor noise, no wear, no shifts that miss, no episodes restarted.
A step of it is 0.2 s, also in a shift, where ours lasts until the next decision; hence the column of simulated time.
It takes a twenty-fifth of the steps, from the start of its courses. The pole is Gymnasium's CartPole-v1, which is in
NumPy too, pushed at random.
"""

import functools
import json
import os
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import gymnasium as gym
import numpy as np

import lowgear  # noqa: F401

CRATE = Path(__file__).resolve().parents[1]
REPOSITORY = CRATE.parents[1]
sys.path.append(str(REPOSITORY / "tests" / "peer"))
#: Longest steps of the peer, s: as our episodes are held against it, and a tick.
PEER_STEPS_S = (2.5e-3, 5e-2)
FEWER_STEPS = 25
REFERENCE_SPEED_M_S = 0.2


def bare(worlds, steps, binary):
    words = subprocess.run([binary, str(worlds), str(steps)], capture_output=True, text=True, check=True).stdout.split()
    return words[0], float(words[1]), float(words[2])


def by_speed(ratio, may_down, may_up):
    """Up above 700 permille, down below 350, as far as the guard allows."""
    wanted = 1 + (ratio > 700).astype(np.int64) - (ratio < 350)
    return np.where(np.where(wanted == 2, may_up, np.where(wanted == 0, may_down, True)), wanted, 1)


def from_python(many, worlds, steps):
    """The same with NumPy."""
    observations, _ = many.reset(seed=1)
    masks, total = many.action_masks(), np.zeros(worlds)
    start, cpu = time.perf_counter(), time.process_time()
    for _ in range(steps):
        actions = by_speed(observations[:, 2], masks[:, 0], masks[:, 2])
        observations, rewards, *_ = many.step(actions)
        total += rewards
    seconds, cpu_s = time.perf_counter() - start, time.process_time() - cpu
    # Added up one by one, as the counterpart does.
    return struct.pack(">d", sum(total.tolist())).hex(), seconds, cpu_s


def simulated_s(many, steps):
    """Time that passes in a step of one of our worlds, in the mean, by the same rule."""
    observations, _ = many.reset(seed=1)
    masks, passed_s = many.action_masks(), 0.0
    for _ in range(steps):
        observations, *_, info = many.step(by_speed(observations[:, 2], masks[:, 0], masks[:, 2]))
        passed_s += info["elapsed_s"].mean()
    return passed_s / steps


def courses():
    """Carts and courses for the peer, as the test that holds our episodes against it hands them over."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "courses.json"
        words = ["cargo", "test", "--release", "-p", "lowgear-tests", "courses_for_the_stepping_bench", "--", "--ignored"]
        there = {**os.environ, "LOWGEAR_PEER_COURSES": str(file)}
        subprocess.run(words, cwd=REPOSITORY, env=there, stdout=subprocess.DEVNULL, check=True)
        return json.loads(file.read_text(encoding="utf-8"))


class Peer:
    """Many carts in NumPy, stepped by decisions."""

    def __init__(self, given, worlds, longest_s):
        from carts import Carts
        from controller import Controller

        rows = [given["courses"][k % len(given["courses"])] for k in range(worlds)]
        self.carts, self.settings = Carts(rows, longest_s), given["settings"]
        self.carts.terminal = self.carts.ocv.copy()
        self.control = Controller(self.carts, self.settings, given["rule"])
        self.control.sense(np.zeros(worlds, int))
        self.alive, self.nobody, self.holds = np.ones(worlds, bool), np.zeros(worlds, bool), np.ones(worlds, int)

    def step(self, actions):
        """Rewards for way and time, and the features."""
        before, passed_s = self.carts.x.copy(), 0.0
        for tick in range(self.settings["decision_ticks"]):
            request, due = (self.holds, self.nobody) if tick else (actions, self.alive)
            drive, _ = self.control.act(request, due)
            permille = np.where(drive & self.alive, self.settings["throttle"], 0)
            passed, finished = self.carts.drive(self.settings["tick_s"], permille / 1000, self.alive)
            self.control.sense(permille)
            self.alive, passed_s = self.alive & ~finished, passed_s + passed
        return (self.carts.x - before) / REFERENCE_SPEED_M_S - passed_s, self.control.features()


def in_numpy(given, worlds, steps, longest_s):
    world = Peer(given, worlds, longest_s)
    features = world.control.features()
    start, cpu = time.perf_counter(), time.process_time()
    for _ in range(steps):
        _, features = world.step(by_speed(features[:, 0], *world.control.mask()))
    return None, time.perf_counter() - start, time.process_time() - cpu


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
    binary, given = build(), courses()
    many = gym.make_vec("lowgear/GardenCart-v0", num_envs=worlds)
    few = max(steps // FEWER_STEPS, 1)
    # How to step, steps, and the time that passes in one, s.
    ours_s = simulated_s(many, steps)
    ways = {
        "Rust alone": (lambda n: bare(worlds, n, binary), steps, ours_s),
        "from Python": (lambda n: from_python(many, worlds, n), steps, ours_s),
        "pole on a cart": (lambda n: pole(worlds, n), steps, 0.02),
    }
    for longest_s in PEER_STEPS_S:
        way = functools.partial(in_numpy, given, worlds, longest_s=longest_s)
        settings = given["settings"]
        ways[f"peer, {1000 * longest_s:.1f} ms"] = (way, few, settings["decision_ticks"] * settings["tick_s"])
    seen = {name: [] for name in ways}
    for _ in range(rounds):
        for name, (way, n, _) in ways.items():
            seen[name].append(way(n))
    sums = {run[0] for name in ("Rust alone", "from Python") for run in seen[name]}
    if len(sums) != 1:
        sys.exit(f"the two ways came to different rewards: {sums}")
    print(f"{worlds} worlds, {steps} steps (of the peers {few}), medians of {rounds} rounds")
    print("way              million steps/s   million steps per CPU-second   simulated s per CPU-second")
    rates = {}
    for name, runs in seen.items():
        _, n, step_s = ways[name]
        rates[name] = [statistics.median(1e-6 * worlds * n / run[i] for run in runs) for i in (1, 2)]
        reported = 1e6 * rates[name][1] * step_s
        print(f"{name:16} {rates[name][0]:15.4f}   {rates[name][1]:28.4f}   {reported:26.0f}")
    for other in ("Rust alone", *(name for name in ways if name.startswith("peer"))):
        shares = [a / b for a, b in zip(rates["from Python"], rates[other])]
        print(f"from Python {shares[0]:.3g} times {other} in wall-clock time, {shares[1]:.3g} times by the processor")


if __name__ == "__main__":
    main()
