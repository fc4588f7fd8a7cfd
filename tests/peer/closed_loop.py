"""Whole episodes of the demo cart in closed loop, an independent solution: motion in small steps, sensors
without noise, features, guard and threshold rule, all courses at once.

Reads the file that the test in tests/environment/closed_loop.rs leaves and prints its results as JSON.

    python3 closed_loop.py closed_loop.json [longest step in s, default 1e-3]
"""

import json
import sys
import time

import numpy as np

from carts import Carts
from controller import Controller

PROGRESS = 0.01


def episodes(rows, settings, rule, longest):
    carts = Carts(rows, longest)
    carts.terminal = carts.ocv.copy()
    n, tick = len(rows), settings["tick_s"]
    control = Controller(carts, settings, rule)
    control.sense(np.zeros(n, int))
    due = np.ones(n, bool)
    alive, elapsed, furthest, progress_at = np.ones(n, bool), np.zeros(n), np.zeros(n), np.zeros(n)
    ticks, causes, shifts, features = 0, [None] * n, [[] for _ in range(n)], None
    while alive.any():
        request = control.decide(due)
        drive, accepted = control.act(request, due)
        for k in np.flatnonzero(accepted & alive):
            shifts[k].append(int(control.goal[k]))
        permille = np.where(drive & alive, settings["throttle"], 0)
        passed, finished = carts.drive(tick, permille / 1000, alive)
        ticks += int(alive.sum())
        elapsed += passed
        further = alive & ((carts.x > furthest + PROGRESS) | finished)
        furthest, progress_at = np.where(further, carts.x, furthest), np.where(further, elapsed, progress_at)
        hot = carts.air + carts.winding > settings["limit_c"]
        stuck = elapsed - progress_at > settings["give_up_s"]
        late = elapsed >= settings["time_limit_s"]
        over = alive & (finished | hot | stuck | late)
        for k in np.flatnonzero(over):
            named = (("finished", finished), ("overheated", hot), ("stalled-out", stuck), ("out-of-time", late))
            causes[k] = next(name for name, is_so in named if is_so[k])
        due = control.sense(permille)
        alive &= ~over
        if features is None and elapsed.max() >= settings["look_s"] - 1e-9:
            features = control.features().tolist()
    runs = [
        {"cause": causes[k], "time": elapsed[k], "energy": carts.energy[k], "shifts": shifts[k], "features": features[k]}
        for k in range(n)
    ]
    return runs, ticks


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        given = json.load(file)
    longest = float(sys.argv[2]) if len(sys.argv) > 2 else 1e-3
    began = time.process_time()
    runs, ticks = episodes(given["courses"], given["settings"], given["rule"], longest)
    print(json.dumps({"runs": runs, "ticks": ticks, "cpu_s": time.process_time() - began}))


if __name__ == "__main__":
    main()
