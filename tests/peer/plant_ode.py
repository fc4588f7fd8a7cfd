"""An independent solution of the cart's motion for fixed gear schedules, written from the equations.

Reads the file that the ignored test `courses_for_the_python_peer_are_written` leaves, integrates every course
in small steps (Heun's method; a tenth of the step at obstacles) and compares course time and damage.

    python3 plant_ode.py peer_courses.json [step in s, default 1e-3] [number of courses]

Standard library only. Measured figures stand in tests/environment/peer.rs.
"""

import bisect
import json
import math
import multiprocessing
import sys

GRAVITY = 9.80665
COPPER = 0.00393
LOOK = 0.05
MOST_LOOKS = 8000


class Rainflow:
    """Range counting on a stack of turning points (ASTM E1049-85, 5.4.4), Haibach's rule for the damage."""

    def __init__(self, life):
        self.knee, self.cycles, self.slope = life
        self.gate = 0.05 * self.knee
        self.stack, self.last, self.damage = [], None, 0.0

    def cost(self, span, count):
        load = span / self.knee
        if load <= 0.0:
            return 0.0
        slope = self.slope if load >= 1.0 else 2.0 * self.slope - 1.0
        return count * load**slope / self.cycles

    def push(self, value):
        """A new value extends the present run or, past the gate, turns it."""
        if not self.stack:
            self.stack.append(value)
            return
        if self.last is None:
            if abs(value - self.stack[-1]) > self.gate:
                self.last = value
            return
        rising = self.last > self.stack[-1]
        if (value > self.last) if rising else (value < self.last):
            self.last = value
        elif abs(value - self.last) > self.gate:
            self.damage += self.reduce(self.stack, self.last)
            self.last = value

    def reduce(self, stack, point):
        stack.append(point)
        damage = 0.0
        while len(stack) >= 3 and abs(stack[-1] - stack[-2]) >= abs(stack[-2] - stack[-3]):
            span = abs(stack[-2] - stack[-3])
            if len(stack) == 3:
                damage += self.cost(span, 0.5)
                stack.pop(0)
            else:
                damage += self.cost(span, 1.0)
                del stack[-3:-1]
        return damage

    def total(self):
        stack, damage = list(self.stack), self.damage
        if self.last is not None:
            damage += self.reduce(stack, self.last)
        return damage + sum(self.cost(abs(b - a), 0.5) for a, b in zip(stack, stack[1:]))


class Cart:
    """One cart on one course. Speeds in m/s at the rim: `v` of the body, `w` of the motor in rad/s."""

    def __init__(self, row):
        self.row = row
        self.x, self.v, self.w, self.gear, self.slipping = 0.0, 0.0, 0.0, 0, False
        self.winding, self.housing, self.charge = 0.0, 0.0, row["charge"]
        self.stress, self.output = Rainflow(row["life"]), 0.0
        self.starts = [segment[0] for segment in row["segments"]]
        self.body = row["mass"] + row["wheel_mass"]
        self.bumps = []
        radius = row["radius"]
        for _, driven, _, _ in row["axles"]:
            bumps = []
            for top, height, rod in row["obstacles"]:
                # Two touching circles, or the corner of a step.
                cosine = (radius - height / 2) / (radius + height / 2) if rod else 1 - height / radius
                sine = math.sqrt(1 - cosine * cosine)
                slope = sine if driven else sine / cosine
                # The force falls from its peak to nothing and does the work of the lift on the way.
                width = 2 * height / slope
                bumps.append((top - width, top, top + width if rod else top, slope, width, cosine))
            self.bumps.append(bumps)
        self.on = [None] * len(row["axles"])
        self.acceleration = 0.0

    def ground(self, x):
        row = self.row
        weight = row["mass"] * GRAVITY
        slope, rolling, drag, grip = 0.0, row["drag"], 0.0, 0.0
        for i, (behind, driven, share, per_grade) in enumerate(row["axles"]):
            at = x - behind
            _, sine, surface = row["segments"][max(bisect.bisect_right(self.starts, at) - 1, 0)]
            crr, viscous, friction = row["surfaces"][surface]
            cosine, load, lean = math.sqrt(1 - sine * sine), weight * share, 1.0
            slope += load * sine
            pressed = weight * (share * cosine + per_grade * sine) + row["mass"] * per_grade * self.acceleration
            rolling += pressed * crr * row["rolling_factor"]
            drag += load * viscous * row["rolling_factor"]
            if self.on[i] is not None:
                _, top, _, steep, width, lean = self.bumps[i][self.on[i]]
                slope += load * steep * (top - at) / width
            if driven:
                grip += friction * row["friction_factor"] * pressed * lean
        return slope, rolling, drag, grip

    def open_circuit(self):
        table = self.row["ocv"]
        at = min(max(self.charge, 0.0), 1.0) * (len(table) - 1)
        i = min(int(at), len(table) - 2)
        return table[i] + (table[i + 1] - table[i]) * (at - i)

    def current(self, duty, w):
        if duty == 0.0:
            return 0.0
        row = self.row
        ohm = row["ohm"] * (1 + COPPER * (row["air"] - 20 + self.winding))
        return (duty * self.open_circuit() - self.magnets() * row["ke"] * w) / (ohm + duty * duty * row["source_ohm"])

    def torque(self, duty, w, way):
        return self.row["kt"] * (self.magnets() * self.current(duty, w) - self.row["i0"] * way)

    def magnets(self):
        return 1 - self.row["magnet"] * (self.row["air"] - 20 + self.housing)

    def coupled(self, duty, v, x, way, torque_w, carried, resist):
        """Acceleration and force behind the gears, efficiency on the side that the power comes from."""
        ratio, forth, back = self.row["gears"][self.gear]
        turn = ratio / self.row["radius"]
        rotor = self.row["rotor"] * turn * turn
        force = turn * self.torque(duty, torque_w, way)
        for efficiency in (forth, 1 / back):
            acceleration = (efficiency * force - resist) / (carried + efficiency * rotor)
            through = force - rotor * acceleration
            if (through * way >= 0) == (efficiency == forth):
                break
        return acceleration, efficiency * through

    def direction(self, slope, rolling, grip, duty):
        if self.v != 0.0:
            return math.copysign(1.0, self.v)
        push = hold = 0.0
        if self.gear is not None:
            ratio, forth, back = self.row["gears"][self.gear]
            turn = ratio / self.row["radius"]
            push = max(self.torque(duty, 0.0, 1.0), 0.0) * turn * forth
            hold = min(self.torque(duty, 0.0, -1.0) * turn / back, grip)
            if duty == 0.0:
                push = -hold
        if min(push, grip) - slope > rolling:
            return 1.0
        if slope - hold > rolling:
            return -1.0
        return 0.0

    def step(self, duty, h):
        slope, rolling, drag, grip = self.ground(self.x)
        before = self.v
        way = self.direction(slope, rolling, grip, duty)
        turn = 0.0 if self.gear is None else self.row["gears"][self.gear][0] / self.row["radius"]
        if self.gear is not None and self.slipping:
            acceleration, force = self.coupled(duty, self.v, self.x, 1.0, self.w, self.row["wheel_mass"], grip)
            self.w += acceleration * turn * h
            self.load(force)
            self.coast(self.row["mass"], lambda x, v: (grip - slope - rolling * way - drag * v), way, h)
            if self.w <= self.v * turn:
                self.w, self.slipping = self.v * turn, False
        elif self.gear is not None:
            self.step_in_gear(duty, h, way, turn)
        else:
            self.coast(self.body, lambda x, v: -self.ground(x)[0] - rolling * way - drag * v, way, h)
            spin = -1.0 if self.w < 0 else 1.0
            w = self.w + self.torque(duty, self.w, spin) / self.row["rotor"] * h
            self.w = w if w * spin > 0 else 0.0
        self.acceleration = (self.v - before) / h
        self.warm(duty, h)
        self.cross()

    def step_in_gear(self, duty, h, way, turn):
        if way == 0.0:
            slope, rolling, _, grip = self.ground(self.x)
            ratio, forth, back = self.row["gears"][self.gear]
            self.w = 0.0
            push = max(self.torque(duty, 0.0, 1.0), 0.0) * turn * forth
            hold = self.torque(duty, 0.0, -1.0) * turn / back
            rest = math.copysign(max(abs(slope) - rolling, 0.0), slope)
            self.load(max(push, slope) if duty > 0 else min(max(rest, -hold), hold))
            self.slipping = push > grip
            return

        def rate(x, v):
            slope, rolling, drag, grip = self.ground(x)
            resist = slope + rolling * way + drag * v
            return (*self.coupled(duty, v, x, way, v * turn, self.body, resist), grip)

        a0, force, grip = rate(self.x, self.v)
        a1, _, _ = rate(self.x + h * self.v, self.v + h * a0)
        v = self.v + 0.5 * h * (a0 + a1)
        if v * self.v < 0.0:
            v = 0.0
        self.x += 0.5 * h * (self.v + v)
        self.v, self.w = v, v * turn
        self.load(force)
        self.slipping = force - self.row["wheel_mass"] * a0 > grip

    def coast(self, mass, force, way, h):
        if way == 0.0:
            return
        a0 = force(self.x, self.v) / mass
        a1 = force(self.x + h * self.v, self.v + h * a0) / mass
        v = self.v + 0.5 * h * (a0 + a1)
        if v * self.v < 0.0:
            v = 0.0
        self.x += 0.5 * h * (self.v + v)
        self.v = v

    def load(self, force):
        self.output = force * self.row["radius"]
        self.stress.push(self.output)

    def warm(self, duty, h):
        row = self.row
        c_w, c_h, r_wh, r_ha = row["heat"]
        i = self.current(duty, self.w)
        ohm = row["ohm"] * (1 + COPPER * (row["air"] - 20 + self.winding))
        friction = (row["kt"] * row["i0"] + (row["ke"] - row["kt"]) * self.magnets() * i) * abs(self.w)
        link = (self.winding - self.housing) / r_wh
        self.winding += h * (i * i * ohm - link) / c_w
        self.housing += h * (friction + link - self.housing / r_ha) / c_h
        self.charge -= h * duty * i / (3600 * row["ah"])

    def cross(self):
        """A wheel that comes on or off an obstacle strikes it, except on the flat side of a step."""
        for i, axle in enumerate(self.row["axles"]):
            at = self.x - axle[0]
            now = next((n for n, b in enumerate(self.bumps[i]) if b[0] < at < b[2]), None)
            was, self.on[i] = self.on[i], now
            if now == was:
                continue
            begin, top, end, _, _, cosine = self.bumps[i][was if now is None else now]
            if end == top and abs(at - top) < abs(at - begin):
                continue
            self.strike(self.row["mass"] * axle[2] * (1 - cosine))

    def strike(self, missing):
        if self.gear is None or self.slipping:
            self.v -= self.v * missing / (self.row["mass"] if self.slipping else self.body)
            return
        turn = self.row["gears"][self.gear][0] / self.row["radius"]
        rotor = self.row["rotor"] * turn * turn
        lost = self.v * missing / (self.body + rotor)
        self.v -= lost
        self.w = self.v * turn
        self.shock(lost / self.row["radius"], rotor)

    def shock(self, difference, rotor):
        inertia = self.body * rotor / (self.body + rotor) * self.row["radius"] ** 2
        self.stress.push(self.output + difference * math.sqrt(self.row["stiffness"] * inertia))
        self.stress.push(self.output)

    def disengage(self):
        self.gear, self.slipping, self.output = None, False, 0.0
        self.stress.push(0.0)

    def engage(self, gear):
        turn = self.row["gears"][gear][0] / self.row["radius"]
        rotor = self.row["rotor"] * turn * turn
        difference = self.w / turn - self.v
        self.v += rotor / (self.body + rotor) * difference
        self.w, self.gear = self.v * turn, gear
        self.shock(difference / self.row["radius"], rotor)

    def near(self, time):
        reach = abs(self.v) * time + 1e-5
        for i, axle in enumerate(self.row["axles"]):
            at = self.x - axle[0]
            if self.on[i] is not None or any(b[0] - reach < at < b[2] + reach for b in self.bumps[i]):
                return True
        return False


def solve(job):
    row, h = job
    cart = Cart(row)
    shifts = {look: gear for look, gear in row["schedule"]}
    began = None
    for look in range(MOST_LOOKS):
        if began is not None and look == began + 5:
            cart.engage(shifts[began])
            began = None
        if look in shifts:
            began = look
        if began is not None and look == began + 1:
            cart.disengage()
        now, duty = 0.0, 0.0 if began is not None else 1.0
        while now < LOOK - 1e-9:
            step = min(0.1 * h if cart.near(2 * h) else h, LOOK - now)
            cart.step(duty, step)
            now += step
            if cart.x >= row["length"]:
                late = (cart.x - row["length"]) / cart.v
                return look * LOOK + now - late, cart.stress.total()
    return None, cart.stress.total()


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        rows = json.load(file)
    h = float(sys.argv[2]) if len(sys.argv) > 2 else 1e-3
    rows = rows[: int(sys.argv[3])] if len(sys.argv) > 3 else rows
    with multiprocessing.Pool() as pool:
        results = pool.map(solve, [(row, h) for row in rows], chunksize=1)
    times, damages = [], []
    for number, (row, (time, damage)) in enumerate(zip(rows, results)):
        if (time is None) != (row["time"] is None):
            times.append(math.inf)
            print(f"course {number}: {row['time']} s there, {time} s here")
        elif time is not None:
            times.append(abs(row["time"] - time) / time)
        damages.append(abs(row["damage"] - damage) / damage)
    for name, values in (("time", times), ("damage", damages)):
        values.sort()
        at = [values[round(share * (len(values) - 1))] for share in (0.5, 0.9, 1.0)]
        print(f"{name}, {len(values)} courses: median {at[0]:.1e}, 90th percentile {at[1]:.1e}, worst {at[2]:.1e}")


if __name__ == "__main__":
    main()
