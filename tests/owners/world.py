"""An independent cart and garden in plain Python: for owners who drive recipes, laps and trials with an exported controller.

Shares no line with the simulator. Runge-Kutta of fourth order, 10 ms; the equations of a brushed motor, a battery with a
resistance, gears with an efficiency for either direction, a selector, dogs that miss now and then, two heated masses, and for some
carts one effect that the simulator does not have. All data is invented.
"""

import math
import random

GRAVITY = 9.80665
COPPER = 0.00393
TICK = 0.05
PIECES = 5
EFFECTS = ("none", "static-friction", "slow-battery", "slip")


def owner(number):
    """A cart, what its owner reads off scales and ruler, and a garden; all from the number."""
    rng = random.Random(7000 + number)
    near = lambda width: rng.uniform(1 - width, 1 + width)
    strength = near(0.06)
    stall_a, rated_v, idle_a = 0.50, 7.2, 0.045
    ohm = rated_v / stall_a
    ke = (rated_v - ohm * idle_a) / 690.0
    cart = dict(
        mass=5.0 * near(0.12), radius=0.03 * near(0.08), wheels=2.0e-4 * near(0.3),
        kt=0.995 * ke * strength, ke=ke * strength, ohm=ohm * near(0.1), i0=idle_a * near(0.15),
        rotor=3.0e-7 * near(0.2), drag=0.15 * near(0.3), source=0.5 * near(0.3),
        forth=[0.50 * near(0.1), 0.52 * near(0.1), 0.54 * near(0.1)],
        back=[0.35 * near(0.15), 0.40 * near(0.15), 0.45 * near(0.15)],
        ratios=[500.0, 131.25, 640 / 11],
        ocv=[6.0, 7.0, 7.2, 7.32, 7.4, 7.5, 7.64, 7.82, 8.0, 8.2, 8.4], capacity=3600 * 1.2,
        heat=(3.0 * near(0.2), 15.0 * near(0.2), 8.0 * near(0.2), 18.0 * near(0.2)), magnet=0.002,
        pulses=20, tilt_bias=rng.uniform(-1.0, 1.0), angles=[70.0, 140.0, 210.0], miss=rng.uniform(0.0, 0.03),
        effect=EFFECTS[number % len(EFFECTS)],
    )
    ground = {"path": (0.032 * near(0.25), 0.0), "lawn": (0.085 * near(0.25), 0.06 * near(0.3))}
    lap, left = [], 14.0
    while left > 0:
        length = min(left, rng.uniform(0.8, 3.0))
        grade = 0.0 if rng.random() < 0.5 else max(-6.0, min(6.0, rng.gauss(0, 3.5)))
        lap.append((length, "path" if rng.random() < 0.55 else "lawn", grade))
        left -= length
    up, down = rng.randrange(800, 881, 10), rng.randrange(360, 441, 10)
    shown = lambda value, step: round(value * rng.gauss(1, 0.005) / step) * step
    sheet = dict(mass=shown(cart["mass"], 0.02), diameter=shown(2 * cart["radius"], 0.0005))
    return cart, ground, lap, (up, down), sheet


class Cart:
    """A cart that moves. `where` is None in the air, or (surface, grade in degrees) for the whole way, or a lap."""

    def __init__(self, cart, ground, rng):
        self.cart, self.ground, self.rng = cart, ground, rng
        self.speed = self.turned = self.winding = self.housing = self.sag = self.way = self.spin = 0.0
        self.charge, self.gear, self.target, self.left, self.stuck = rng.uniform(0.75, 0.95), 0, 0, 0.0, False
        self.where, self.held, self.factor, self.lap, self.before = None, False, 1.0, None, 0.0
        self.counted, self.current = 0, 0.0

    def place(self, where=None, lap=None, held=False, factor=1.0):
        """Puts the cart down at rest."""
        self.where, self.lap, self.held, self.factor = where, lap, held, factor
        self.way = self.speed = self.before = self.spin = 0.0

    def rest(self, seconds):
        """Stands and cools."""
        cart, step = self.cart, 0.5
        for _ in range(round(seconds / step)):
            link = (self.winding - self.housing) / cart["heat"][2]
            self.winding -= step * link / cart["heat"][0]
            self.housing += step * (link - self.housing / cart["heat"][3]) / cart["heat"][1]
            self.sag -= step * self.sag / 4.0

    def stretch(self):
        if self.lap is None:
            return self.where
        at = 0.0
        for length, surface, grade in self.lap:
            at += length
            if self.way < at:
                return surface, grade
        return self.lap[-1][1:]

    def open_circuit(self):
        ocv = self.cart["ocv"]
        at = min(max(self.charge, 0.0), 1.0) * (len(ocv) - 1)
        i = min(int(at), len(ocv) - 2)
        return ocv[i] + (ocv[i + 1] - ocv[i]) * (at - i) - self.sag

    def order(self, gear, again):
        """The selector leaves its gear at once; dogs that miss wait for the order to be repeated."""
        if gear != self.target:
            way = abs(self.cart["angles"][gear] - self.cart["angles"][self.target])
            if self.gear is not None:
                self.spin = self.speed * self.cart["ratios"][self.gear] / self.cart["radius"]
            self.gear, self.target, self.left = None, gear, way / 450.0 + 450.0 / 8000.0 + 0.03
            self.stuck = self.rng.random() < self.cart["miss"]
        elif again and self.gear is None:
            self.stuck, self.left = False, 0.15

    def angle(self):
        return self.cart["angles"][self.target] + (0.0 if self.gear is not None else -12.0)

    def step(self, duty, h):
        """One piece of a tick."""
        c = self.cart
        if self.gear is None and not self.stuck:
            self.left -= h
            if self.left <= 0:
                self.gear = self.target
                turn = c["ratios"][self.gear] / c["radius"]
                rotor, body = c["rotor"] * turn * turn, self.body()
                self.speed = (body * self.speed + rotor * self.spin / turn) / (body + rotor)
        magnets = 1 - c["magnet"] * self.housing
        ohm = c["ohm"] * (1 + COPPER * self.winding) + duty * duty * c["source"]
        volts, kt, ke = duty * self.open_circuit(), c["kt"] * magnets, c["ke"] * magnets
        hold = c["kt"] * c["i0"]
        static = 0.5 * hold if c["effect"] == "static-friction" else 0.0
        steady, per_speed, slope, body = self.resistance()
        if self.gear is None:
            turn = 0.0

            def rate(v):
                if v == 0.0:
                    return 0.0 if abs(slope) <= steady else -(slope - math.copysign(steady, slope)) / body
                return -(slope + math.copysign(steady, v) + per_speed * v) / body
        else:
            turn = c["ratios"][self.gear] / c["radius"]
            rotor, forth, back = c["rotor"] * turn * turn, c["forth"][self.gear], 1 / c["back"][self.gear]

            def rate(v):
                current = (volts - ke * v * turn) / ohm if duty > 0 else 0.0
                friction = hold + (static * math.exp(-((v * turn / 80.0) ** 2)) if static else 0.0)
                if v == 0.0:
                    push = max(kt * current - friction, 0.0) * turn * forth
                    if push - slope > steady:
                        way = 1.0
                    elif slope - (kt * current + friction) * turn * back > steady:
                        way = -1.0
                    else:
                        return 0.0
                else:
                    way = math.copysign(1.0, v)
                motor = (kt * current - friction * way) * turn
                load = slope + steady * way + per_speed * v
                a = (forth * motor - load) / (body + forth * rotor)
                if (motor - rotor * a) * way < 0:
                    a = (back * motor - load) / (body + back * rotor)
                return a
        v = self.speed
        if self.held:
            new = 0.0
        else:
            k1 = rate(v)
            k2 = rate(v + 0.5 * h * k1)
            k3 = rate(v + 0.5 * h * k2)
            k4 = rate(v + h * k3)
            new = v + h * (k1 + 2 * k2 + 2 * k3 + k4) / 6
            if v * new < 0 or (v > 0 and abs(new) < 1e-5 and k1 < 0):
                new = 0.0
        mean = 0.5 * (v + new)
        slip = 0.0
        if self.gear is None:
            self.spin = max(abs(self.spin) - hold / c["rotor"] * h, 0.0)
            omega, current = self.spin, 0.0
        else:
            omega = mean * turn
            current = (volts - ke * omega) / ohm if duty > 0 else 0.0
            if c["effect"] == "slip" and self.where_is_ground():
                slip = 0.15 * max(0.0, kt * current - hold) * turn * c["forth"][self.gear] / (c["mass"] * GRAVITY)
        self.speed = new
        self.way += h * mean / (1 + slip)
        self.turned += abs(omega) * h
        self.current = current
        link = (self.winding - self.housing) / c["heat"][2]
        heat = (hold + (c["ke"] - c["kt"]) * magnets * current) * abs(omega)
        self.winding += h * (current * current * c["ohm"] * (1 + COPPER * self.winding) - link) / c["heat"][0]
        self.housing += h * (heat + link - self.housing / c["heat"][3]) / c["heat"][1]
        self.charge -= h * duty * current / c["capacity"]
        if c["effect"] == "slow-battery":
            self.sag += h * (0.2 * duty * current - self.sag) / 4.0

    def where_is_ground(self):
        return self.where is not None or self.lap is not None

    def body(self):
        wheels = self.cart["wheels"] / self.cart["radius"] ** 2
        return wheels + (self.cart["mass"] if self.where_is_ground() else 0.0)

    def resistance(self):
        c = self.cart
        if not self.where_is_ground():
            return c["drag"], 0.0, 0.0, self.body()
        surface, grade = self.stretch()
        rolling, grass = self.ground[surface]
        weight, lean = c["mass"] * GRAVITY, math.radians(grade)
        steady = c["drag"] + weight * rolling * self.factor * math.cos(lean)
        return steady, weight * grass * self.factor, weight * math.sin(lean), self.body()

    def pull(self):
        """Force on a spring scale that holds the cart at full duty."""
        c = self.cart
        current = self.open_circuit() / (c["ohm"] * (1 + COPPER * self.winding) + c["source"])
        static = 1.5 if c["effect"] == "static-friction" else 1.0
        motor = c["kt"] * (1 - c["magnet"] * self.housing) * current - c["kt"] * c["i0"] * static
        push = motor * c["ratios"][self.gear] / c["radius"] * c["forth"][self.gear]
        return push - self.resistance()[0]

    def tick(self, duty):
        self.current = 0.0
        for _ in range(PIECES):
            self.step(duty, TICK / PIECES)

    def readings(self, duty):
        """What a controller reads at the end of a tick, in raw units."""
        c, rng = self.cart, self.rng
        total = math.floor(self.turned * c["pulses"] / math.tau)
        counts = max(0, round((total - self.counted) * (1 + rng.gauss(0, 0.01))))
        self.counted = total
        read = lambda value, step, noise: round((value + rng.gauss(0, noise)) / step) * step
        volts = read(self.open_circuit() - c["source"] * duty * self.current, 0.03, 0.03)
        lean = 0.0
        if self.where_is_ground():
            grade = math.radians(self.stretch()[1])
            a = (self.speed - self.before) / TICK
            lean = math.degrees(math.atan2(GRAVITY * math.sin(grade) + a, GRAVITY * math.cos(grade)))
        self.before = self.speed
        tilt = read(lean + c["tilt_bias"], 0.5, 1.0)
        return counts, round(1000 * volts), 0, round(10 * tilt), round(1000 * duty), round(10 * self.angle()) % 3600
