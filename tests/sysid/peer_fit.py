"""The fit's problem solved by `scipy.optimize.least_squares` with the model of world.py.

    python3 peer_fit.py VEHICLE.toml PROBLEM.json

The residuals are those of the fit: measured less simulated speed (mean since the row before), voltage and current, over the same standard
deviations, with Huber's loss at 1.345. Prints the values by name as JSON, and standard errors by the sandwich of an M-estimator: slopes by central
differences, scatter of each channel by its own residuals.
"""

import json
import pathlib
import sys
import tomllib

import numpy as np
from scipy.optimize import least_squares

from world import Cart, truth_of

HUBER = 1.345
CHANNELS = ("speed", "voltage", "current")


class Offset(Cart):
    """A cart whose battery gives a little more than its curve says."""

    offset = 0.0

    def open_circuit(self, charge):
        return super().open_circuit(charge) + self.offset


def put(truth, name, value, ratio):
    if name == "emf-constant-v-s":
        truth["ke"], truth["kt"] = value, value * ratio
    elif name.startswith("resistance-ohm (winding"):
        truth["ohm"] = value
    elif name.startswith("resistance-ohm (battery"):
        truth["source"] = value
    elif name == "no-load-current-a":
        truth["i0"] = value
    elif name == "rotor-inertia-kg-m2":
        truth["rotor"] = value
    elif name == "drag-n":
        truth["drag"] = value
    elif name.startswith("offset"):
        truth["current_offset"] = value
    elif name.startswith("efficiency"):
        truth["forth"][int(name[-1]) - 1] = value
    elif name.startswith("back-efficiency"):
        truth["back"][int(name[-1]) - 1] = value
    elif name.startswith("rolling"):
        truth["surfaces"]["path"]["rolling"] = value
    elif name.startswith("drag-s-m"):
        truth["surfaces"]["path"]["grass"] = value
    else:
        raise KeyError(name)


def residuals(vehicle, truth, run, offset, tracked):
    cart = Offset(vehicle, truth)
    cart.offset = offset
    # What the copper warmed before the run goes with its resistance, the rest with the friction.
    copper, friction = truth["ohm"] / tracked["ohm"], truth["kt"] * truth["i0"] / (tracked["kt"] * tracked["i0"])
    rise = [copper * a + friction * b for a, b in zip(run["copper"], run["friction"])]
    cart.state = np.array([0.0, 0.0, *rise, run["charge"]])
    where = None if run["air"] else ("path", 0.0)
    times = np.concatenate([[0.0], np.cumsum(run["dt"][1:])])
    duty, states, k = run["duty"], [cart.state.copy()], 1
    while k < len(times):
        last = k
        while last + 1 < len(times) and duty[last + 1] == duty[k]:
            last += 1
        states += cart.phase(duty[k], run["gear"], where, times[k - 1 : last + 1])[1:]
        k = last + 1
    turn = cart.ratios[run["gear"]] / cart.radius
    out = []
    for k in range(1, len(times)):
        state, sd = states[k], run["sd"][k]
        mean = (state[1] - states[k - 1][1]) / run["dt"][k]
        omega = state[0] * turn
        current = cart.current(duty[k], omega, state) + truth["current_offset"]
        shown = (mean, cart.terminal(duty[k], state, omega), current)
        for value, name, scale in zip(shown, CHANNELS, sd):
            if scale > 0:
                out.append((run[name][k] - value) / scale)
    return out


def errors(residuals, channels, z):
    """Standard errors at a solution: the root of the diagonal of A^-1 B A^-1 n / (n - p)."""
    step = 1e-4
    sides = [[residuals(z + side * step * unit) for side in (1, -1)] for unit in np.eye(len(z))]
    slopes = np.array([(up - down) / (2 * step) for up, down in sides]).T
    found, (n, p) = residuals(z), slopes.shape
    bread, filling = np.zeros((p, p)), np.zeros((p, p))
    for channel in set(channels):
        of_it = np.array(channels) == channel
        r, square = found[of_it], slopes[of_it].T @ slopes[of_it]
        bread += np.mean(abs(r) <= HUBER) * square
        filling += np.mean(np.clip(r, -HUBER, HUBER) ** 2) * square
    inverse = np.linalg.inv(bread)
    return np.sqrt(np.diag(inverse @ filling @ inverse) * n / (n - p))


def main():
    vehicle = tomllib.loads(pathlib.Path(sys.argv[1]).read_text())
    problem = json.loads(pathlib.Path(sys.argv[2]).read_text())
    truth = truth_of(vehicle)
    ratio, tracked = truth["kt"] / truth["ke"], dict(truth)
    for held in problem["held"]:
        if "lawn" not in held["name"]:
            put(truth, held["name"], held["value"], ratio)
    names = [e["name"] for e in problem["estimates"]]
    runs = problem["runs"]
    usual = [abs(e["start"]) or 0.01 for e in problem["estimates"]]
    scale = np.array(usual + [1.0] * len(runs))

    def all_residuals(x):
        for name, value in zip(names, x):
            put(truth, name, float(value), ratio)
        return np.concatenate([residuals(vehicle, truth, run, o, tracked) for run, o in zip(runs, x[len(names):])])

    low = [e["limits"][0] for e in problem["estimates"]] + [-5.0] * len(runs)
    high = [e["limits"][1] for e in problem["estimates"]] + [5.0] * len(runs)
    start = [e["start"] for e in problem["estimates"]] + [run["offset"] for run in runs]
    # All variables about 1, so that relative steps are good ones.
    start, low, high = (np.array(values) for values in (start, low, high))
    to_x = lambda z: start + scale * (np.asarray(z) - 1)
    to_z = lambda x: 1 + (x - start) / scale
    how = dict(loss="huber", f_scale=HUBER, ftol=1e-9, xtol=1e-9, diff_step=1e-4)
    found = least_squares(lambda z: all_residuals(to_x(z)), np.ones(len(start)), bounds=(to_z(low), to_z(high)), **how)
    theirs = to_x(found.x)
    # Our values with the offsets that suit them best.
    n, ours = len(names), [e["found"] for e in problem["estimates"]]
    offsets = lambda z: start[n:] + np.asarray(z) - 1
    tail = least_squares(lambda z: all_residuals(np.concatenate([ours, offsets(z)])), np.ones(len(runs)), **how)
    channels = [name for run in runs for sd in run["sd"][1:] for name, scale in zip(CHANNELS, sd) if scale > 0]
    error = scale * errors(lambda z: all_residuals(to_x(z)), channels, found.x)
    told = {"values": dict(zip(names, theirs)), "errors": dict(zip(names, error))}
    print(json.dumps({**told, "cost there": found.cost, "cost here": tail.cost}))


if __name__ == "__main__":
    main()
