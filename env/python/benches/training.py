"""What training costs: our learners against those of a well-known Python library, on the same world.

    python env/python/benches/training.py [--learner ppo] [--first-seed 46] [--ours 36] [--library 12] [--decisions 50000]

PPO (there MaskablePPO of sb3-contrib) and DQN (there of Stable-Baselines3), from nothing and without a guide, one
thread each, in turns. Equal on both sides: world, courses to train on, encoding of the features, two layers of 64
with ReLU, optimiser, step size and its fall, batches, rounds, exploration, discount and scale of the reward; the
settings stand below and in `train/benches/garden.rs`. Not equal: fresh weights (PPO's orthogonal there), discounting
by elapsed time here and by decision there, action masks in DQN here only, whole episodes in a round of PPO here,
which makes it somewhat longer.

Every so many decisions, with the clocks stopped, the greedy policy drives 20 validation courses. The goal of a pair
is the lower one of the two medians of the best mean return; the table tells when each run first came there.
"""

import argparse
import json
import os
import random
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[3]
LOOKS = 20
JUDGED = 20
REWARD_SCALE = 0.2
#: Of a decision, which mostly takes 0.2 s.
GAMMA = {"ppo": 0.956, "dqn": 0.99}
DECISIONS = {"ppo": 150_000, "dqn": 50_000}
#: Settings were tried, on our side, with seeds below this one.
FIRST_SEED = 46
#: Resamplings of the interval.
RESAMPLED = 20_000
SIDES = ("ours", "library")


def library_run(learner, seed, decisions, between):
    """One run of the library; prints what `train/benches/garden.rs` prints."""
    import gymnasium as gym
    import numpy as np
    import torch
    from sb3_contrib import MaskablePPO
    from stable_baselines3 import DQN
    from stable_baselines3.common.callbacks import BaseCallback
    from stable_baselines3.common.vec_env import DummyVecEnv

    import lowgear

    torch.set_num_threads(1)
    judges = lowgear.GardenCarts(JUDGED, split="validation", observation="encoded", autoreset_mode="NextStep")

    def mean_return(model):
        """The greedy policy on the validation courses, one episode each, masks obeyed."""
        policy = model.policy
        observations, _ = judges.reset(seed=2026)
        masks, total, alive = judges.action_masks(), np.zeros(JUDGED), np.ones(JUDGED, bool)
        while alive.any():
            with torch.no_grad():
                seen = torch.as_tensor(observations)
                if learner == "ppo":
                    values = policy.action_net(policy.mlp_extractor.forward_actor(seen))
                else:
                    values = policy.q_net(seen)
            actions = np.where(masks, values.numpy(), -np.inf).argmax(1)
            observations, rewards, terminated, truncated, _ = judges.step(actions)
            total[alive] += rewards[alive]
            alive &= ~(terminated | truncated)
        return total.mean()

    class Watch(BaseCallback):
        def _on_training_start(self):
            self.judged, self.next = np.zeros(2), between
            self.origin = self.clocks()

        def clocks(self):
            return np.array([time.perf_counter(), time.process_time()])

        def _on_step(self):
            if self.num_timesteps >= self.next:
                self.look()
            return True

        def look(self):
            before = self.clocks()
            self.next = self.num_timesteps + between
            seconds, cpu_s = before - self.origin - self.judged
            print(self.num_timesteps, f"{seconds:.4f} {cpu_s:.4f} {mean_return(self.model):.3f}", flush=True)
            self.judged += self.clocks() - before

    def world():
        class Numbered(gym.Wrapper):
            """Episodes one after the other, rewards scaled."""

            episode = 0

            def reset(self, **_):
                start = self.env.reset(seed=seed, options={"episode": self.episode})
                self.episode += 1
                return start

            def step(self, action):
                seen, reward, *others = self.env.step(action)
                return (seen, REWARD_SCALE * reward, *others)

            def action_masks(self):
                return self.env.action_masks()

        return Numbered(lowgear.GardenCart(observation="encoded"))

    def falling(high, low):
        return lambda left: low + (high - low) * left

    env = DummyVecEnv([world])
    network = dict(activation_fn=torch.nn.ReLU, net_arch=[64, 64], optimizer_kwargs=dict(eps=1e-5))
    if learner == "ppo":
        model = MaskablePPO(
            "MlpPolicy", env, policy_kwargs=network, seed=seed, gamma=GAMMA[learner], gae_lambda=0.95, n_steps=2048,
            n_epochs=6, batch_size=256, clip_range=0.2, ent_coef=0.01, learning_rate=falling(2e-3, 1e-4), vf_coef=0.5,
            max_grad_norm=0.5,
        )
    else:
        model = DQN(
            "MlpPolicy", env, policy_kwargs=network, seed=seed, gamma=GAMMA[learner], buffer_size=50_000, learning_starts=2000,
            batch_size=64, train_freq=4, gradient_steps=1, learning_rate=falling(1e-3, 1e-4), tau=0.005,
            target_update_interval=4, exploration_fraction=0.2, exploration_initial_eps=1.0,
            exploration_final_eps=0.05, max_grad_norm=10.0,
        )
    model.learn(decisions, callback=Watch())
    print(f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.1f}")


def build():
    words = ["cargo", "build", "--release", "-p", "lowgear-train", "--bench", "garden", "--message-format=json"]
    messages = subprocess.run(words, cwd=REPOSITORY, stdout=subprocess.PIPE, text=True, check=True).stdout.splitlines()
    built = [json.loads(message) for message in messages]
    return next(b["executable"] for b in built if b.get("executable") and b["target"]["name"] == "garden")


def run(words):
    """Looks of a run, as (decisions, seconds, CPU-seconds, return), and the most memory in MiB."""
    threads = {**os.environ, "OMP_NUM_THREADS": "1", "RAYON_NUM_THREADS": "1"}
    out = subprocess.run(words, env=threads, stdout=subprocess.PIPE, text=True, check=True).stdout.splitlines()
    return [tuple(map(float, line.split())) for line in out[:-1]], float(out[-1])


def interval(ours, library):
    """95 % interval of the difference of the medians, ours less the library's: both resampled, percentiles."""
    draw = random.Random(1)
    less = sorted(
        statistics.median(draw.choices(ours, k=len(ours))) - statistics.median(draw.choices(library, k=len(library)))
        for _ in range(RESAMPLED)
    )
    return less[round(0.025 * RESAMPLED)], less[round(0.975 * RESAMPLED) - 1]


def report(learner, runs):
    best = {side: [max(look[3] for look in looks) for looks, _ in runs[side]] for side in SIDES}
    median = {side: statistics.median(best[side]) for side in SIDES}
    goal = min(median.values())
    print(f"\n{learner}: best mean return of each run, s")
    for side in SIDES:
        print(f"  {side:8}", " ".join(f"{value:.1f}" for value in best[side]))
    low, high = interval(*(best[side] for side in SIDES))
    print("medians: " + ", ".join(f"{side} {median[side]:.1f}" for side in SIDES), end="; ")
    print(f"ours less the library's {median['ours'] - median['library']:+.1f} ({low:+.1f} to {high:+.1f}); goal {goal:.1f} s")
    print("side      s      CPU-s  decisions/CPU-s  MiB    decisions to goal  seconds to goal  CPU-s to goal   (medians; '-' never)")
    for side in SIDES:
        ends = [looks[-1] for looks, _ in runs[side]]
        took = [statistics.median(end[i] for end in ends) for i in (1, 2)]
        rate = statistics.median(end[0] / end[2] for end in ends)
        memory = statistics.median(mib for _, mib in runs[side])
        # A run that never came there counts as later than any that did.
        never = (float("inf"),) * 3
        first = [next((look for look in looks if look[3] >= goal), never) for looks, _ in runs[side]]
        there = [statistics.median(look[i] for look in first) for i in range(3)]
        reported = [f"{x:.2f}" if x < float("inf") else "-" for x in there]
        reached = sum(look is not never for look in first)
        print(f"{side:8} {took[0]:6.2f} {took[1]:6.2f} {rate:12.0f} {memory:9.0f}", end=" ")
        print(f"{reported[0]:>15} {reported[1]:>16} {reported[2]:>14}   {reached} of {len(first)}")


def main():
    if sys.argv[1:2] == ["run"]:
        return library_run(sys.argv[2], *map(int, sys.argv[3:]))
    asked = argparse.ArgumentParser(description="What training costs, against a well-known library.")
    asked.add_argument("--learner", choices=DECISIONS, action="append", help="default: both")
    asked.add_argument("--first-seed", type=int, default=FIRST_SEED)
    asked.add_argument("--ours", type=int, default=3, help="runs of ours, one seed each")
    asked.add_argument("--library", type=int, default=3, help="runs of the library, one seed each")
    asked.add_argument("--decisions", type=int)
    asked = asked.parse_args()
    ours = build()
    for learner in asked.learner or DECISIONS:
        decisions = asked.decisions or DECISIONS[learner]
        runs = {side: [] for side in SIDES}
        # In turns, so that both meet the same company on this machine.
        for number in range(max(asked.ours, asked.library)):
            settings = [learner, *map(str, (asked.first_seed + number, decisions, decisions // LOOKS))]
            if number < asked.ours:
                runs["ours"].append(run([ours, *settings]))
            if number < asked.library:
                runs["library"].append(run([sys.executable, __file__, "run", *settings]))
        report(learner, runs)


if __name__ == "__main__":
    main()
