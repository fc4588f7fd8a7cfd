"""The fit's problem solved by `scipy.optimize.least_squares` with the model of world.py.

    python3 peer_fit.py VEHICLE.toml PROBLEM.json

The residuals are those of the fit: measured less simulated speed (mean since the row before), voltage and current, over the same standard
deviations, with Huber's loss at 1.345. Prints the values by name as JSON.
"""

import json
import pathlib
import sys
import tomllib

import numpy as np
from scipy.optimize import least_squares

from world import Cart, truth_of

HUBER = 1.345


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


def residuals(vehicle, truth, run, offset, start_ohm):
    cart = Offset(vehicle, truth)
    cart.offset = offset
    warmer = truth["ohm"] / start_ohm
    cart.state = np.array([0.0, 0.0, run["rise"][0] * warmer, run["rise"][1] * warmer, run["charge"]])
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
        for value, name, scale in zip(shown, ("speed", "voltage", "current"), sd):
            if scale > 0:
                out.append((run[name][k] - value) / scale)
    return out


def main():
    vehicle = tomllib.loads(pathlib.Path(sys.argv[1]).read_text())
    problem = json.loads(pathlib.Path(sys.argv[2]).read_text())
    truth = truth_of(vehicle)
    ratio, start_ohm = truth["kt"] / truth["ke"], truth["ohm"]
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
        return np.concatenate([residuals(vehicle, truth, run, o, start_ohm) for run, o in zip(runs, x[len(names):])])

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
    print(json.dumps({**dict(zip(names, theirs)), "cost there": found.cost, "cost here": tail.cost}))


if __name__ == "__main__":
    main()
