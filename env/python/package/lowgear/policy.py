"""From a network trained in Python to a policy file that every `lowgear` command takes.

A policy file (`policy.json`, layout in `train/src/jobs/saved.rs`) holds the encoding of the features, the sizes of the
layers, and the weights of all of them in one list: layer by layer the matrix row by row, a row per input, then the
biases. Between layers stands a ReLU. So the network must have been trained on `observation="encoded"`, with ReLU.

The command asks only for what the guard would carry out, so a policy that was trained without action masks decides
by the best action that is possible.
"""

import json
import os
from pathlib import Path

import numpy as np

from lowgear.environment import ENCODED_MOST

#: Layout of a policy file; `POLICY_FORMAT` in `train/src/jobs/saved.rs`.
FORMAT = 3


def save(model, path, vehicle="", name=None, preview=False):
    """Writes the policy of a Stable-Baselines3 model (DQN, PPO or MaskablePPO) as a policy file.

    `vehicle` is the name in the vehicle file: commands refuse the policy for another vehicle unless given otherwise.
    `preview` says that the vehicle has a sensor ahead of its front axle. Raises `ValueError` for a network that the
    commands cannot run.
    """
    kind, modules = _layers(model)
    layers = _linear(modules)
    inputs, outputs = layers[0][0].shape[0], layers[-1][0].shape[1]
    more = 16 if preview else 12
    gears = inputs - more
    encoded = bool(np.all(model.observation_space.high == ENCODED_MOST))
    if not encoded or not 1 <= gears <= 6 or outputs != 3:
        raise ValueError(
            f"a network with {inputs} inputs and {outputs} outputs; allowed: 3 outputs, and {more} inputs more than gears"
            '\n  hint: make the environment with observation="encoded", without a wrapper that changes observations'
        )
    policy = {
        "format": FORMAT,
        "name": name or type(model).__name__.lower(),
        "vehicle": vehicle,
        "gears": gears,
        "policy": {kind: _policy(kind, {"gears": gears, "stack": 1, "preview": preview}, layers)},
    }
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(path.name + ".partial")
    partial.write_text(json.dumps(policy))
    os.replace(partial, path)
    return path


def decide(model, observation, mask):
    """The action that the saved policy takes: the best of those that are possible."""
    import torch

    kind, modules = _layers(model)
    with torch.no_grad():
        values = torch.as_tensor(observation, dtype=torch.float32)[None]
        for module in modules:
            values = module(values)
    return int(np.where(mask, values[0].numpy(), -np.inf).argmax())


def _layers(model):
    """The kind of policy, and its modules from encoded features to a number per action."""
    policy = model.policy
    if hasattr(policy, "q_net"):
        kind, extractor, modules = "dqn", policy.q_net.features_extractor, list(policy.q_net.q_net)
    elif hasattr(policy, "action_net"):
        kind, extractor = "ppo", policy.features_extractor
        modules = [*policy.mlp_extractor.policy_net, policy.action_net]
    else:
        raise ValueError(f"{type(policy).__name__} has no network known here; allowed: DQN, PPO and MaskablePPO")
    if type(extractor).__name__ != "FlattenExtractor":
        raise ValueError(f"{type(extractor).__name__} changes what the network sees; allowed: FlattenExtractor")
    return kind, modules


def _linear(modules):
    """Matrix, a row per input, and biases of each layer."""
    for i, module in enumerate(modules):
        expected = "Linear" if i % 2 == 0 else "ReLU"
        if type(module).__name__ != expected:
            raise ValueError(
                f"{type(module).__name__} in the network; allowed: linear layers with a ReLU between them"
                "\n  hint: policy_kwargs=dict(activation_fn=torch.nn.ReLU)"
            )
    return [
        (module.weight.detach().cpu().numpy().T, module.bias.detach().cpu().numpy()) for module in modules[::2]
    ]


def _policy(kind, scaler, layers):
    inputs, hidden = layers[0][0].shape[0], [matrix.shape[1] for matrix, _ in layers[:-1]]
    flat = np.concatenate([np.concatenate([matrix.ravel(), bias]) for matrix, bias in layers])
    weights = [float(weight) for weight in flat.astype(np.float32)]
    shape = {"inputs": inputs, "hidden": hidden, "activation": "relu", "gru-size": 0, "outputs": 3, "dueling": False}
    network = {"shape": shape, "weights": weights}
    if kind == "dqn":
        return {"scaler": scaler, "network": network}
    normaliser = {"mean": [0.0] * inputs, "scale": [1.0] * inputs, "clamp": False}
    actor = {"normaliser": normaliser, "network": network, "guide-bias": 0.0}
    return {"scaler": scaler, "actor": actor, "shift-threshold": 0.0, "guide": None}
