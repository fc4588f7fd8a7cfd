"""An independent cart: its motion from the equations by SciPy's `solve_ivp`, its sensors, its logs.

Shares no line with the simulator. The state is speed, motor angle, two temperatures and charge; a phase of constant duty in
one gear is integrated at once (RK45, rtol 1e-8) and ends early where the vehicle stops. All data is invented.

    python3 world.py log VEHICLE.toml OUT SEED ...      a log after the recipes, and the true values next to it, in OUT/SEED
    python3 world.py way VEHICLE.toml OUT SEED ...      the same with a distance column, as from a measuring wheel
    python3 world.py sheet VEHICLE.toml SHEET.toml OUT SEED ...      the same of a cart whose owner has only weighed and measured it: with its sheet
"""

import json
import math
import pathlib
import sys
import tomllib

import numpy as np
from scipy.integrate import solve_ivp

GRAVITY = 9.80665
COPPER = 0.00393


def constants(line):
    """Motor constants of a vehicle file; from a data sheet by the textbook relations."""
    if "constants" in line:
        c = line["constants"]
        return dict(kt=c["torque-constant-nm-a"], ke=c["emf-constant-v-s"], ohm=c["resistance-ohm"], i0=c["no-load-current-a"])
    s = line["data-sheet"]
    ohm = s["rated-voltage-v"] / s["stall-current-a"]
    return dict(
        kt=s["stall-torque-nm"] / (s["stall-current-a"] - s["no-load-current-a"]),
        ke=(s["rated-voltage-v"] - ohm * s["no-load-current-a"]) / s["no-load-speed-rad-s"],
        ohm=ohm,
        i0=s["no-load-current-a"],
    )


def truth_of(vehicle, rng=None):
    """True values: those of the file, or drawn around them."""
    motor = constants(vehicle["motor"]["line"])
    near = (lambda width: 1.0) if rng is None else (lambda width: rng.uniform(1 - width, 1 + width))
    strength = near(0.08)
    box = vehicle["gearbox"]
    return dict(
        kt=motor["kt"] * strength,
        ke=motor["ke"] * strength,
        ohm=motor["ohm"] * near(0.15),
        i0=motor["i0"] * near(0.2),
        rotor=vehicle["motor"]["rotor-inertia-kg-m2"] * near(0.2),
        source=vehicle["battery"]["resistance-ohm"] * near(0.3),
        forth=[min(e * near(0.12), 0.98) for e in box["efficiency"]],
        back=[min(e * near(0.15), 0.98) for e in box["back-efficiency"]],
        drag=vehicle["chassis"].get("drag-n", 0.0) * near(0.3),
        surfaces={
            "path": dict(rolling=0.032 * near(0.25), grass=0.0),
            "lawn": dict(rolling=0.085 * near(0.25), grass=0.06 * near(0.3)),
        },
        charge=0.75 if rng is None else rng.uniform(0.55, 0.95),
        tilt_bias=0.0 if rng is None else rng.uniform(-1.5, 1.5),
        current_offset=0.0 if rng is None else rng.uniform(-0.01, 0.01),
    )


class Cart:
    """One cart; `where` says what its wheels stand on: None in the air, or (surface, grade in degrees)."""

    def __init__(self, vehicle, truth):
        self.vehicle, self.truth = vehicle, truth
        chassis = vehicle["chassis"]
        self.radius, self.mass = chassis["wheel-radius-m"], chassis["mass-kg"]
        self.wheels = chassis["wheel-inertia-kg-m2"] / self.radius**2
        self.ratios = vehicle["gearbox"]["total-ratio"]
        self.heat = vehicle["motor"]["heat"]
        self.ocv = vehicle["battery"]["ocv-v"]
        self.capacity = 3600 * vehicle["battery"]["capacity-ah"]
        # speed at the rim, motor angle, winding and housing above the air, charge
        self.state = np.array([0.0, 0.0, 0.0, 0.0, truth["charge"]])
        self.held = False

    def open_circuit(self, charge):
        at = min(max(charge, 0.0), 1.0) * (len(self.ocv) - 1)
        i = min(int(at), len(self.ocv) - 2)
        return self.ocv[i] + (self.ocv[i + 1] - self.ocv[i]) * (at - i)

    def magnets(self, housing):
        return 1 - self.heat.get("magnet-per-k", 0.0) * housing

    def ohm(self, winding):
        return self.truth["ohm"] * (1 + COPPER * winding)

    def current(self, duty, omega, state):
        if duty <= 0:
            return 0.0
        t = self.truth
        volts = duty * self.open_circuit(state[4]) - self.magnets(state[3]) * t["ke"] * omega
        return volts / (self.ohm(state[2]) + duty * duty * t["source"])

    def terminal(self, duty, state, omega):
        return self.open_circuit(state[4]) - self.truth["source"] * duty * self.current(duty, omega, state)

    def resist(self, where, speed):
        force = self.truth["drag"]
        if where is None:
            return force
        surface, grade = self.truth["surfaces"][where[0]], math.radians(where[1])
        weight = self.mass * GRAVITY
        return force + weight * (surface["rolling"] * math.cos(grade) + surface["grass"] * speed)

    def acceleration(self, duty, gear, where, state):
        """At the rim; the efficiency belongs to the side that the power comes from."""
        t, turn = self.truth, self.ratios[gear] / self.radius
        speed = state[0]
        inertia = self.wheels + (0.0 if where is None else self.mass)
        grade = 0.0 if where is None else self.mass * GRAVITY * math.sin(math.radians(where[1]))
        load = self.resist(where, speed) + grade
        motor = t["kt"] * (self.magnets(state[3]) * self.current(duty, speed * turn, state) - t["i0"])
        rotor = t["rotor"] * turn * turn
        forth, back = t["forth"][gear], 1 / t["back"][gear]
        rate = (forth * turn * motor - load) / (inertia + forth * rotor)
        if turn * motor - rotor * rate < 0:
            rate = (back * turn * motor - load) / (inertia + back * rotor)
        return rate

    def push(self, duty, gear, state):
        """Force at the rims of a vehicle that is held."""
        t, turn = self.truth, self.ratios[gear] / self.radius
        motor = t["kt"] * (self.magnets(state[3]) * self.current(duty, 0.0, state) - t["i0"])
        return max(motor, 0.0) * turn * t["forth"][gear]

    def rates(self, duty, gear, where, state, moving):
        turn = 0.0 if gear is None else self.ratios[gear] / self.radius
        speed = state[0] if moving else 0.0
        omega = speed * turn
        current = self.current(duty, omega, state) if gear is not None else 0.0
        t, h = self.truth, self.heat
        link = (state[2] - state[3]) / h["winding-to-housing-k-w"]
        friction = (t["kt"] * t["i0"] + (t["ke"] - t["kt"]) * self.magnets(state[3]) * current) * omega
        return [
            self.acceleration(duty, gear, where, state) if moving else 0.0,
            omega,
            (current * current * self.ohm(state[2]) - link) / h["winding-j-k"],
            (friction + link - state[3] / h["housing-to-air-k-w"]) / h["housing-j-k"],
            -duty * current / self.capacity,
        ]

    def phase(self, duty, gear, where, times):
        """States at `times` (the first is now); ends at rest and stays there."""
        out = [self.state.copy()]
        now, ends = times[0], list(times[1:])
        while ends:
            starts = gear is not None and not self.held and self.acceleration(duty, gear, where, self.state) > 0
            moving = self.state[0] > 0 or starts
            stop = lambda _, y: y[0] if moving else 1.0
            stop.terminal, stop.direction = True, -1
            solved = solve_ivp(
                lambda _, y: self.rates(duty, gear, where, y.tolist(), moving),
                (now, ends[-1]), self.state, t_eval=ends, rtol=1e-8, atol=1e-10, max_step=0.25, events=stop,
            )
            got = [solved.y[:, k] for k in range(len(solved.t))]
            out += got
            ends = ends[len(got):]
            self.state = got[-1].copy() if got else self.state
            if ends:
                now, self.state = solved.t_events[0][0], solved.y_events[0][0].copy()
                self.state[0] = 0.0
        return out


class Logger:
    """Sensors and the log they leave, one row per tick."""

    def __init__(self, cart, rng, tick=0.05, jitter=0.0):
        self.cart, self.rng, self.tick, self.jitter = cart, rng, tick, jitter
        sensors = cart.vehicle["sensors"]
        self.pulses, self.encoder = sensors["encoder"]["pulses-per-turn"], sensors["encoder"]["noise"]
        self.battery, self.tilt = sensors.get("battery"), sensors.get("tilt")
        self.current = sensors.get("current", dict(resolution=0.005, noise=0.008))
        self.rows, self.time, self.counted, self.event, self.way = [], 0.0, 0, "", 0.0
        self.angles = dict(zip(cart.vehicle["selector"]["order"], cart.vehicle["selector"]["angle-deg"]))
        self.selector = self.angles["1"]

    def read(self, sensor, value):
        step = sensor["resolution"]
        return round((value + self.rng.normal(0, sensor["noise"])) / step) * step

    def drive(self, seconds, duty, gear, where, event=None):
        """One phase of constant duty in one gear (0 is the lowest, None is neutral)."""
        if event is not None:
            self.event = event
        if gear is not None:
            self.selector = self.angles[str(gear + 1)]
        count = max(1, round(seconds / self.tick))
        steps = self.tick * (1 + self.jitter * self.rng.uniform(-1, 1, count))
        times = self.time + np.concatenate([[0.0], np.cumsum(steps)])
        states = self.cart.phase(duty, gear, where, times)
        before = states[0][0]
        for k in range(1, count + 1):
            state, lasted = states[k], times[k] - times[k - 1]
            omega = 0.0 if gear is None else state[0] * self.cart.ratios[gear] / self.cart.radius
            pulses = math.floor(state[1] * self.pulses / math.tau)
            counts = max(0, round((pulses - self.counted) * (1 + self.rng.normal(0, self.encoder))))
            self.counted = pulses
            grade = 0.0 if where is None else math.radians(where[1])
            lean = math.degrees(math.atan2(GRAVITY * math.sin(grade) + (state[0] - before) / lasted, GRAVITY * math.cos(grade)))
            lean = lean if where is not None else 0.0
            row = dict(
                time_s=times[k], motor_speed_rad_s=counts * math.tau / (self.pulses * lasted), duty=duty,
                battery_voltage_v=self.read(self.battery, self.cart.terminal(duty, state, omega)) if self.battery else None,
                motor_current_a=self.read(self.current, self.cart.current(duty, omega, state) + self.cart.truth["current_offset"]),
                tilt_deg=self.read(self.tilt, lean + self.cart.truth["tilt_bias"]) if self.tilt else None,
                gear=0 if gear is None else gear + 1, selector_deg=self.selector, event=self.event,
            )
            if where is not None and gear is not None:
                self.way += (state[1] - states[k - 1][1]) * self.cart.radius / self.cart.ratios[gear]
            row["distance_m"] = self.way
            before, self.event = state[0], ""
            self.rows.append(row)
        self.time = times[-1]

    def run(self, event, gear, where, phases):
        """A recipe: a second at rest, the phases, and rolling out."""
        self.drive(1.0, 0.0, gear, where, event)
        for seconds, duty in phases:
            self.drive(seconds, duty, gear, where)
        self.drive(3.0, 0.0, gear, where)
        self.drive(0.5, 0.0, gear, where, "end")
        self.cart.state[0] = 0.0

    def stall(self, gear, seconds):
        """Held by a spring scale, whose reading goes into the label."""
        state = self.cart.state.copy()
        push = self.cart.push(1.0, gear, state)
        where = ("path", 0.0)
        force = (push - self.cart.resist(where, 0.0)) * (1 + self.rng.normal(0, 0.02))
        error = 0.02 * abs(force)
        self.drive(1.0, 0.0, gear, where, f"stall-pull force_n={force:.4f} error_n={error:.4f} surface=path")
        self.cart.held = True
        self.drive(seconds, 1.0, gear, where)
        self.cart.held = False
        self.drive(1.0, 0.0, gear, where, "end")

    def shifts(self, moves, angle_noise=0.5):
        """Moves of the selector at a standstill: a triangle or trapezoid of speed, then settling."""
        s = self.cart.vehicle["selector"]
        self.event = "shifts"
        for gear in moves:
            start, goal = self.selector, self.angles[str(gear + 1)]
            way = abs(goal - start)
            speed, rate = s["speed-deg-s"], s["acceleration-deg-s2"]
            took = 2 * math.sqrt(way / rate) if way <= speed**2 / rate else way / speed + speed / rate
            took += s["settling-s"]
            for k in range(1, int(0.8 / self.tick) + 1):
                now = k * self.tick
                share = min(now / took, 1.0)
                angle = goal if now >= took else start + (goal - start) * min(0.8, 0.1 + 0.7 * share)
                row = dict(time_s=self.time + now, motor_speed_rad_s=0.0, duty=0.0, battery_voltage_v=None,
                           motor_current_a=None, tilt_deg=None, gear=None,
                           distance_m=self.way, selector_deg=angle + (self.rng.normal(0, angle_noise) if angle == goal else 0.0), event=self.event)
                self.event = ""
                self.rows.append(row)
            self.time += round(0.8 / self.tick) * self.tick
            self.selector = goal
        self.event = "end"

    def text(self, drop=("distance_m",)):
        names = [n for n in self.rows[0] if n not in drop]
        lines = [",".join(names)]
        digits = dict(distance_m=3, time_s=4, motor_speed_rad_s=3, duty=3, battery_voltage_v=3, motor_current_a=4, tilt_deg=2, selector_deg=1)
        for row in self.rows:
            shown = lambda n: "" if row[n] is None else (f"{row[n]:.{digits[n]}f}" if n in digits else str(row[n]))
            lines.append(",".join(shown(n) for n in names))
        return "\n".join(lines) + "\n"


def recipes(log, gears, ramp=5.0):
    """The recipes of the printed sheet, each once or twice; the ramp, 5 degrees by its label, has `ramp`."""
    for gear in range(gears):
        log.run("wheels-off", gear, None, [(3.0, 1.0), (2.0, 0.5), (1.5, 0.8)])
    for _ in range(2):
        for gear in range(gears):
            log.run("level surface=path", gear, ("path", 0.0), [(5.0, 1.0), (2.5, 0.6)])
    for gear in range(min(gears, 2)):
        log.run("lawn", gear, ("lawn", 0.0), [(5.0, 1.0), (2.5, 0.7)])
        log.run("lawn", gear, ("lawn", 0.0), [(5.0, 0.8)])
        log.run("ramp grade_deg=5.0 surface=path", gear, ("path", ramp), [(5.0, 1.0)])
    log.run("lawn", gears - 1, ("lawn", 0.0), [(5.0, 1.0)])
    log.stall(gears - 1, 1.5)
    log.stall(gears - 1, 1.5)
    log.shifts([g for _ in range(3) for g in (*range(1, gears), *reversed(range(gears - 1)))][:10])


def keep(out, seed, truth, **texts):
    """Writes the true values and the texts into the seed's folder."""
    folder = pathlib.Path(out, str(seed))
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in {"truth.json": json.dumps(truth, indent=1), **texts}.items():
        (folder / name).write_text(text)


def make(vehicle_file, out, seed, drop=("distance_m",)):
    vehicle = tomllib.loads(pathlib.Path(vehicle_file).read_text())
    rng = np.random.default_rng(seed)
    truth = truth_of(vehicle, rng)
    log = Logger(Cart(vehicle, truth), rng, jitter=0.1)
    recipes(log, len(vehicle["gearbox"]["total-ratio"]))
    keep(out, seed, truth, **{"log.csv": log.text(drop)})


def measured(vehicle, sheet_file, rng):
    """A cart that differs from the vehicle file in everything, and the sheet that its owner writes of it; all INVENTED.

    Scales and ruler err by 1 %, show steps of 20 g and half a millimetre; teeth are counted; the motor's data sheet is that of its kind. Nobody has
    measured wheel inertia or heat. The ratio of torque to back-EMF constant is off the data sheet's by 3 %, the ramp off its label by 0.2 degrees.
    """
    chassis, heat = vehicle["chassis"], vehicle["motor"]["heat"]
    sheet = pathlib.Path(sheet_file).read_text()
    teeth = tomllib.loads(sheet)["teeth"]
    vehicle["gearbox"]["total-ratio"] = [math.prod(b / a for a, b in pairs) for pairs in teeth]
    truth = truth_of(vehicle, rng)
    truth["kt"] *= rng.normal(1, 0.03)
    chassis["mass-kg"] *= rng.uniform(0.8, 1.2)
    chassis["wheel-radius-m"] *= rng.uniform(0.9, 1.1)
    chassis["wheel-inertia-kg-m2"] *= math.exp(rng.normal(0, 0.4))
    for key in ("winding-j-k", "housing-j-k", "winding-to-housing-k-w", "housing-to-air-k-w"):
        heat[key] *= math.exp(rng.normal(0, 0.3))
    heat["magnet-per-k"] *= rng.uniform(0.75, 1.25)
    shown = lambda value, step: round(value * rng.normal(1, 0.01) / step) * step
    readings = {"mass-kg": shown(chassis["mass-kg"], 0.02), "wheel-diameter-m": shown(2 * chassis["wheel-radius-m"], 0.0005)}
    lines = [f"{key} = {readings[key]:.4f}" if (key := line.split(" = ")[0]) in readings else line for line in sheet.splitlines()]
    truth |= {key: heat[key] for key in heat} | {"wheel_inertia": chassis["wheel-inertia-kg-m2"]}
    return truth, "\n".join(lines[1:]) + "\n", 5.0 + rng.normal(0, 0.2)


def make_sheet(vehicle_file, sheet_file, out, seed):
    vehicle = tomllib.loads(pathlib.Path(vehicle_file).read_text())
    rng = np.random.default_rng([seed, 1])
    truth, sheet, ramp = measured(vehicle, sheet_file, rng)
    log = Logger(Cart(vehicle, truth), rng, jitter=0.1)
    recipes(log, len(vehicle["gearbox"]["total-ratio"]), ramp)
    keep(out, seed, truth, **{"log.csv": log.text(), "sheet.toml": sheet})


if __name__ == "__main__":
    kinds = {"log": (make, 2), "way": (lambda *given: make(*given, drop=()), 2), "sheet": (make_sheet, 3)}
    kind, *given = sys.argv[1:] or [""]
    if kind not in kinds or len(given) <= kinds[kind][1]:
        sys.exit(__doc__)
    make_one, files = kinds[kind]
    for seed in given[files:]:
        make_one(*given[:files], int(seed))
