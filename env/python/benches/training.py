"""What training costs: our learners against those of a well-known Python library, on the same world.

    python env/python/benches/training.py [seeds, default 3] [ppo or dqn, default both] [decisions]

PPO (there MaskablePPO of sb3-contrib) and DQN (there of Stable-Baselines3), from nothing and without a guide, one
thread each, in turns. Equal on both sides: world, courses to train on, encoding of the features, two layers of 64
with ReLU, optimiser, step size and its fall, batches, rounds, exploration, discount and scale of the reward; the
settings stand below and in `train/benches/garden.rs`. Not equal: fresh weights (PPO's orthogonal there), discounting
by elapsed time here and by decision there, action masks in DQN here only, whole episodes in a round of PPO here,
which makes it somewhat longer.

Every so many decisions, with the clocks stopped, the greedy policy drives 20 validation courses. The goal of a pair
is the lower one of the two medians of the best mean return; the table tells when each run first came there.
"""

import json
import os
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
FIRST_SEED = 10
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


def report(learner, runs):
    print(f"\n{learner}: looks as decisions: mean return, s")
    best = {side: statistics.median(max(look[3] for look in looks) for looks, _ in runs[side]) for side in SIDES}
    goal = min(best.values())
    for side in SIDES:
        for looks, _ in runs[side]:
            print(f"  {side:8}", "  ".join(f"{look[0]:.0f}: {look[3]:.1f}" for look in looks))
    print(f"goal {goal:.1f} s (medians of the best: " + ", ".join(f"{s} {b:.1f}" for s, b in best.items()) + ")")
    print("side      decisions/CPU-s  MiB    decisions to goal  seconds to goal  CPU-s to goal   (medians; '-' never)")
    for side in SIDES:
        rate = statistics.median(looks[-1][0] / looks[-1][2] for looks, _ in runs[side])
        memory = statistics.median(mib for _, mib in runs[side])
        # A run that never came there counts as later than any that did.
        never = (float("inf"),) * 3
        first = [next((look for look in looks if look[3] >= goal), never) for looks, _ in runs[side]]
        there = [statistics.median(look[i] for look in first) for i in range(3)]
        told = [f"{x:.2f}" if x < float("inf") else "-" for x in there]
        reached = sum(look is not never for look in first)
        print(f"{side:8} {rate:15.0f} {memory:7.0f} {told[0]:>15} {told[1]:>16} {told[2]:>14}   {reached} of {len(first)}")


def main():
    words = sys.argv[1:]
    if words and words[0] == "run":
        return library_run(words[1], *map(int, words[2:]))
    seeds = int(words[0]) if words else 3
    ours = build()
    for learner in words[1:2] or ("dqn", "ppo"):
        decisions = int(words[2]) if len(words) > 2 else DECISIONS[learner]
        runs = {side: [] for side in SIDES}
        for seed in range(FIRST_SEED, FIRST_SEED + seeds):
            settings = [learner, *map(str, (seed, decisions, decisions // LOOKS))]
            runs["ours"].append(run([ours, *settings]))
            runs["library"].append(run([sys.executable, __file__, "run", *settings]))
        report(learner, runs)


if __name__ == "__main__":
    main()
