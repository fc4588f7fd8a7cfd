"""The counterpart of ../cartpole.rs on Stable-Baselines3 (PyTorch): same networks and settings.

    pip install stable-baselines3
    python cartpole.py ppo 3          learner, number of seeds
    python cartpole.py ppo 3 first    stops a run once it has balanced

Prints the same table. One thread, as in the counterpart. Judging is not counted in the seconds; it runs
100 episodes side by side in NumPy with the equations of CartPole-v1.
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


def greedy_action(model, states):
    with torch.no_grad():
        observations = torch.as_tensor(states, dtype=torch.float32)
        return model.policy._predict(observations, deterministic=True).numpy()


def mean_of_100(model):
    rng = np.random.default_rng(1 << 40)
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


class Watch(BaseCallback):
    """Looks on from time to time, with the clock stopped."""

    def __init__(self, between_rounds):
        super().__init__()
        self.stop = "first" in sys.argv
        self.between_rounds = between_rounds
        self.start, self.judging, self.next, self.first = time.perf_counter(), 0.0, LOOK_EVERY, None

    def look(self):
        if self.num_timesteps < self.next or self.first is not None:
            return
        self.next = self.num_timesteps + LOOK_EVERY
        before = time.perf_counter()
        lived = before - self.start - self.judging
        if mean_of_100(self.model) >= BALANCED:
            self.first = (self.num_timesteps, lived)
        self.judging += time.perf_counter() - before

    def _on_rollout_start(self):
        if self.between_rounds:
            self.look()

    def _on_step(self):
        if not self.between_rounds:
            self.look()
        return self.first is None or not self.stop


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
        tau=0.02,
        target_update_interval=1,
        exploration_fraction=0.1,
        exploration_initial_eps=1.0,
        exploration_final_eps=0.02,
        max_grad_norm=10,
        learning_rate=lambda left: 2e-3 * left,
        policy_kwargs={"net_arch": [64, 64]},
        seed=seed,
        device="cpu",
    )
    return model, Watch(False), 50_000


def main():
    torch.set_num_threads(1)
    learner = sys.argv[1] if len(sys.argv) > 1 else ""
    seeds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    for name, make in (("ppo", ppo), ("dqn", dqn)):
        if learner not in ("", name):
            continue
        print(f"{name}, one thread\nseed  decisions  seconds  end-mean  all-decisions  all-seconds", flush=True)
        good = 0
        for seed in range(seeds):
            model, watch, budget = make(seed)
            watch.start = time.perf_counter()
            model.learn(budget, callback=watch)
            whole = time.perf_counter() - watch.start - watch.judging
            decisions, seconds = watch.first or (0, float("nan"))
            mean = mean_of_100(model)
            good += mean >= BALANCED
            print(
                f"{seed:4}  {decisions:9}  {seconds:7.3f}  {mean:8.1f}  {model.num_timesteps:13}  {whole:11.3f}",
                flush=True,
            )
        print(f"balanced at the end: {good} of {seeds}")


if __name__ == "__main__":
    main()
