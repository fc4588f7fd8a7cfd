"""The counterpart of ../cartpole.rs on Stable-Baselines3 (PyTorch): same networks and settings.

    pip install stable-baselines3
    OMP_NUM_THREADS=1 python cartpole.py dqn 3       learner, number of seeds
    OMP_NUM_THREADS=1 python cartpole.py dqn 1 7     learner, number of seeds, first seed

Prints the same table, from the same looks every 1000 decisions. One thread, as in the counterpart. Judging
is not counted in the seconds; it runs 100 episodes side by side in NumPy with the equations of CartPole-v1,
so that its starts are other ones than the counterpart's.
"""

import sys
import time

import gymnasium as gym
import numpy as np
import torch
from stable_baselines3 import DQN, PPO
from stable_baselines3.common.callbacks import BaseCallback
from stable_baselines3.common.env_util import make_vec_env

BALANCED = 475.0
LOOK_EVERY = 1000
# Seeds of the 100 starts that runs are looked at by, and of those that the outcome is reported by.
LOOKED_AT = 1 << 40
OTHERS = LOOKED_AT + 1


def greedy_action(model, states):
    with torch.no_grad():
        observations = torch.as_tensor(states, dtype=torch.float32)
        return model.policy._predict(observations, deterministic=True).numpy()


def mean_of_100(model, seed):
    rng = np.random.default_rng(seed)
    model.policy.set_training_mode(False)
    x, v, a, w = rng.uniform(-0.05, 0.05, (4, 100))
    alive, total = np.ones(100, bool), np.zeros(100)
    for _ in range(500):
        action = greedy_action(model, np.stack([x, v, a, w], axis=1))
        force = np.where(action == 1, 10.0, -10.0)
        pull = (force + 0.05 * w * w * np.sin(a)) / 1.1
        turn = (9.8 * np.sin(a) - np.cos(a) * pull) / (0.5 * (4.0 / 3.0 - 0.1 * np.cos(a) ** 2 / 1.1))
        rate = pull - 0.05 * turn * np.cos(a) / 1.1
        x, v, a, w = x + 0.02 * v, v + 0.02 * rate, a + 0.02 * w, w + 0.02 * turn
        total += alive
        alive &= (np.abs(x) <= 2.4) & (np.abs(a) <= 12 * np.pi / 180)
        if not alive.any():
            break
    return total.mean()


def clocks():
    """Seconds of the clock and of the processor."""
    return np.array([time.perf_counter(), time.process_time()])


class Watch(BaseCallback):
    """Looks on from time to time, with the clocks stopped."""

    def __init__(self, between_rounds):
        super().__init__()
        self.between_rounds = between_rounds
        self.next = LOOK_EVERY
        self.best = (-np.inf, np.nan)
        self.first = (0, np.full(2, np.nan), np.nan)

    def begin(self):
        # Where the clocks would stand at the start, had judging taken no time.
        self.start = clocks()

    def lived(self):
        return clocks() - self.start

    def look(self):
        if self.num_timesteps < self.next:
            return
        self.next = self.num_timesteps + LOOK_EVERY
        lived = self.lived()
        looked_at = mean_of_100(self.model, LOOKED_AT)
        if looked_at > self.best[0]:
            mean = mean_of_100(self.model, OTHERS)
            if looked_at >= BALANCED and self.first[0] == 0:
                self.first = (self.num_timesteps, lived, mean)
            self.best = (looked_at, mean)
        self.start = clocks() - lived

    def _on_rollout_start(self):
        if self.between_rounds:
            self.look()

    def _on_step(self):
        if not self.between_rounds:
            self.look()
        return True


def ppo(seed):
    model = PPO(
        "MlpPolicy",
        make_vec_env("CartPole-v1", n_envs=4, seed=seed),
        n_steps=256,
        batch_size=64,
        n_epochs=10,
        gamma=0.99,
        gae_lambda=0.95,
        clip_range=0.2,
        ent_coef=0.0,
        vf_coef=0.5,
        max_grad_norm=0.5,
        learning_rate=lambda left: 1e-3 * left,
        policy_kwargs={"net_arch": [64, 64], "activation_fn": torch.nn.ReLU},
        seed=seed,
        device="cpu",
    )
    return model, Watch(True), 100_000


def dqn(seed):
    model = DQN(
        "MlpPolicy",
        gym.wrappers.TransformReward(gym.make("CartPole-v1"), lambda reward: 0.1 * reward),
        buffer_size=50_000,
        learning_starts=1000,
        batch_size=64,
        train_freq=2,
        gradient_steps=1,
        gamma=0.99,
        tau=0.04,
        n_steps=3,
        target_update_interval=1,
        exploration_fraction=0.1,
        exploration_initial_eps=1.0,
        exploration_final_eps=0.02,
        max_grad_norm=10,
        learning_rate=lambda left: 3e-3 * left,
        policy_kwargs={"net_arch": [64, 64]},
        seed=seed,
        device="cpu",
    )
    return model, Watch(False), 50_000


def main():
    torch.set_num_threads(1)
    words = dict(enumerate(sys.argv[1:]))
    learner, seeds, begin = words.get(0, ""), int(words.get(1, 3)), int(words.get(2, 0))
    for name, make in (("ppo", ppo), ("dqn", dqn)):
        if learner not in ("", name):
            continue
        print(
            f"{name}, one thread\nseed  decisions  seconds  cpu-seconds  first-mean  best-mean  end-mean"
            "  all-decisions  all-seconds  all-cpu-seconds",
            flush=True,
        )
        means = []
        for seed in range(begin, begin + seeds):
            model, watch, budget = make(seed)
            watch.begin()
            model.learn(budget, callback=watch)
            all_s, all_cpu = watch.lived()
            decisions, (s, cpu), first = watch.first
            means.append((first, watch.best[1], mean_of_100(model, OTHERS)))
            first, best, end = means[-1]
            print(
                f"{seed:4}  {decisions:9}  {s:7.3f}  {cpu:11.3f}  {first:10.1f}  {best:9.1f}  {end:8.1f}"
                f"  {model.num_timesteps:13}  {all_s:11.3f}  {all_cpu:15.3f}",
                flush=True,
            )
        first, best, end = (np.array(means) >= BALANCED).sum(axis=0)
        print(f"balanced in other episodes: first {first}, best {best}, last {end} of {seeds}")


if __name__ == "__main__":
    main()
