"""Carts with physics that the simulator does not have: logs that no parameters of its own can explain in full.

Shares no line with the simulator, and its integrator (Runge-Kutta of fourth order, 2 ms, with impacts) none with world.py; sensors, recipes
and true values are those of world.py. All data is invented.

    python3 unmodelled.py VEHICLE.toml EFFECT OUT SEED ...      a log after the recipes, and the true values next to it, in OUT/SEED

EFFECT is one of: none, slip, backlash, static-friction, slow-battery, diode, all.

    slip             the rims are faster than the ground by 0.3 of force over weight: 9 % at the pull of a steep ramp
    backlash         3 rad of free way on the motor shaft, passed whenever the torque changes its direction
    static-friction  the motor's friction is 80 % higher at rest and falls off within 80 rad/s
    slow-battery     0.3 ohm more after some seconds (time constant 4 s); its resistance is the immediate part
    diode            0.6 V less in the part of the time in which the driver is off
"""

import math
import pathlib
import sys
import tomllib

import numpy as np

from world import GRAVITY, Cart, Logger, keep, recipes, truth_of

EFFECTS = dict(slip=0.3, backlash=3.0, static_friction=0.8, slow_battery=0.3, diode=0.6)
STRIBECK_RAD_S, RELAXATION_S, STEP_S = 80.0, 4.0, 0.002


class Unmodelled(Cart):
    """State as in world.py; its first entry is the motor's speed, seen from the rim. The sixth is what the battery is down by, V."""

    def __init__(self, vehicle, truth, effects):
        super().__init__(vehicle, truth)
        self.effects = {name: size if name in effects else 0.0 for name, size in EFFECTS.items()}
        # A list: plain numbers are twice as fast as those of an array where each is used by itself.
        self.state = [0.0, 0.0, 0.0, 0.0, truth["charge"], 0.0]
        self.rim, self.gap = 0.0, self.effects["backlash"]

    def volts(self, duty, state):
        return duty * (self.open_circuit(state[4]) - state[5]) - (1 - duty) * self.effects["diode"]

    def current(self, duty, omega, state):
        if duty <= 0:
            return 0.0
        t = self.truth
        flowing = self.volts(duty, state) - self.magnets(state[3]) * t["ke"] * omega
        if flowing < 0 and self.effects["diode"] > 0:
            flowing = min(flowing + (1 - duty) * self.effects["diode"], 0.0)
        return flowing / (self.ohm(state[2]) + duty * duty * t["source"])

    def terminal(self, duty, state, omega):
        return super().terminal(duty, state, omega) - state[5]

    def friction_nm(self, omega):
        return self.truth["kt"] * self.truth["i0"] * (1 + self.effects["static_friction"] * math.exp(-((omega / STRIBECK_RAD_S) ** 2)))

    def push(self, duty, gear, state):
        t, turn = self.truth, self.ratios[gear] / self.radius
        motor = t["kt"] * self.magnets(state[3]) * self.current(duty, 0.0, state) - self.friction_nm(0.0)
        return max(motor, 0.0) * turn * t["forth"][gear]

    def together(self, duty, gear, where, speed, state):
        """Acceleration of rims and motor in contact, and the torque between them at the rim, N."""
        t, turn = self.truth, self.ratios[gear] / self.radius
        body = 0.0 if where is None else self.mass
        grade = 0.0 if where is None else self.mass * GRAVITY * math.sin(math.radians(where[1]))
        motor = (t["kt"] * self.magnets(state[3]) * self.current(duty, speed * turn, state) - self.friction_nm(speed * turn)) * turn
        rotor, slip, rate, output = t["rotor"] * turn * turn, 0.0, 0.0, 0.0
        for _ in range(3 if where is not None and self.effects["slip"] else 1):
            load = self.resist(where, speed / (1 + slip)) + grade
            inertia = self.wheels + body / (1 + slip)
            part = t["forth"][gear]
            rate = (part * motor - load) / (inertia + part * rotor)
            if motor - rotor * rate < 0:
                part = 1 / t["back"][gear]
                rate = (part * motor - load) / (inertia + part * rotor)
            output = part * (motor - rotor * rate)
            if body:
                slip = max(-0.5, self.effects["slip"] * (output - self.wheels * rate) / (self.mass * GRAVITY))
        return rate, output

    def step(self, duty, gear, where, h):
        """One step; the motor's way in it, rad."""
        turn, rotor = self.ratios[gear] / self.radius, self.truth["rotor"]
        omega, lash, state = self.state[0] * turn, self.effects["backlash"], self.state
        before = omega
        output = self.together(duty, gear, where, self.rim, state)[1] if lash else 0.0
        in_contact = not lash or (self.gap >= lash and output >= 0) or (self.gap <= 0 and output <= 0)
        if in_contact:
            a = lambda v: self.together(duty, gear, where, max(v, 0.0), state)[0]
            v = self.rim
            k1 = a(v)
            if v <= 0 and k1 <= 0:
                new = 0.0
            else:
                k2, k4 = 0.0, 0.0
                k2 = a(v + 0.5 * h * k1)
                k3 = a(v + 0.5 * h * k2)
                k4 = a(v + h * k3)
                new = max(v + h * (k1 + 2 * k2 + 2 * k3 + k4) / 6, 0.0)
            self.rim, omega = new, new * turn
        else:
            t = self.truth
            torque = t["kt"] * self.magnets(state[3]) * self.current(duty, omega, state)
            rate = (torque - self.friction_nm(omega)) / rotor if omega > 0 or torque > self.friction_nm(0.0) else 0.0
            omega = max(omega + h * rate, 0.0)
            inertia = self.wheels + (0.0 if where is None else self.mass)
            grade = 0.0 if where is None else self.mass * GRAVITY * math.sin(math.radians(where[1]))
            v = self.rim
            self.rim = max(v - h * (self.resist(where, v) + grade) / inertia, 0.0) if v > 0 else 0.0
            self.gap += h * (0.5 * (before + omega) - 0.5 * (v + self.rim) * turn)
            if not 0 < self.gap < lash:
                self.gap = min(max(self.gap, 0.0), lash)
                reflected = rotor * turn * turn
                self.rim = (inertia * self.rim + reflected * omega / turn) / (inertia + reflected)
                omega = self.rim * turn
        way = h * 0.5 * (before + omega)
        self.warm(duty, 0.5 * (before + omega), h)
        state[0] = omega / turn
        state[1] += way

    def warm(self, duty, omega, h):
        t, heat, s = self.truth, self.heat, self.state
        current = self.current(duty, omega, s)
        link = (s[2] - s[3]) / heat["winding-to-housing-k-w"]
        friction = (t["kt"] * t["i0"] + (t["ke"] - t["kt"]) * self.magnets(s[3]) * current) * omega
        s[2] += h * (current * current * self.ohm(s[2]) - link) / heat["winding-j-k"]
        s[3] += h * (friction + link - s[3] / heat["housing-to-air-k-w"]) / heat["housing-j-k"]
        s[4] -= h * duty * current / self.capacity
        s[5] += h * (self.effects["slow_battery"] * duty * current - s[5]) / RELAXATION_S

    def phase(self, duty, gear, where, times):
        times = times.tolist()
        out, now = [self.state.copy()], times[0]
        if self.state[0] == 0.0:
            self.rim = 0.0
        for at in times[1:]:
            pieces = max(1, round((at - now) / STEP_S))
            for _ in range(pieces):
                if gear is None or self.held:
                    self.warm(duty if gear is not None else 0.0, 0.0, (at - now) / pieces)
                else:
                    self.step(duty, gear, where, (at - now) / pieces)
            now = at
            out.append(self.state.copy())
        return out


def make(vehicle_file, effect, out, seed):
    vehicle = tomllib.loads(pathlib.Path(vehicle_file).read_text())
    names = {"none": [], "all": list(EFFECTS)}.get(effect, [effect.replace("-", "_")])
    if any(name not in EFFECTS for name in names):
        sys.exit(__doc__)
    rng = np.random.default_rng([seed, 2])
    truth = truth_of(vehicle, rng)
    log = Logger(Unmodelled(vehicle, truth, names), rng, jitter=0.1)
    recipes(log, len(vehicle["gearbox"]["total-ratio"]))
    keep(out, seed, truth, **{"log.csv": log.text()})


if __name__ == "__main__":
    if len(sys.argv) < 5:
        sys.exit(__doc__)
    for seed in sys.argv[4:]:
        make(*sys.argv[1:4], int(seed))
