"""From a data sheet and three short logs to a table that drives: the whole way, in a world that is not the simulator.

An unknown cart is drawn around the demo cart (INVENTED). Its owner has a data sheet and drives three short logs. Out of these:

    a. the data sheet alone: `lowgear init`, a study on it, its tuned rules;
    b. sheet and logs: `lowgear fit`, the same study on the fitted cart and its surfaces, its tuned rule and its exported table.

All of them are exported as C, compiled, and drive the unknown cart over the same courses in this program's own world
(Runge-Kutta of fourth order, 10 ms; the equations of world.py with selector and neutral). Prints course times and paired differences.

    python3 whole.py LOWGEAR FOLDER [seed, default 7] [courses, default 24]

Needs NumPy, SciPy and a C compiler; takes some four minutes on two cores.
"""

import math
import multiprocessing
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import tomllib

import numpy as np

from world import GRAVITY, Cart, Logger, truth_of

HERE = pathlib.Path(__file__).resolve().parent
TICK = 0.05
HARNESS = """
#include <stdio.h>
#include "lowgear.h"
int main(void) {
    lowgear_state state;
    unsigned counts, mv, duty, angle;
    int ma, tilt;
    if (!lowgear_self_test()) return 1;
    lowgear_start(&state, 0u);
    while (scanf("%u %u %d %d %u %u", &counts, &mv, &ma, &tilt, &duty, &angle) == 6) {
        lowgear_raw raw;
        lowgear_command c;
        raw.encoder_counts = (uint16_t)counts;
        raw.battery_mv = (uint16_t)mv;
        raw.current_ma = (int16_t)ma;
        raw.tilt_ddeg = (int16_t)tilt;
        raw.duty_permille = (uint16_t)duty;
        raw.selector_ddeg = (uint16_t)angle;
        c = lowgear_tick(&state, &raw);
        printf("%u %u %u\\n", (unsigned)c.gear, (unsigned)c.drive, (unsigned)lowgear_angle_of(c.gear));
        fflush(stdout);
    }
    return 0;
}
"""
STUDY = """# The whole way, {name}. INVENTED.
name = "{name}"
seed = 2026
vehicle = "{vehicle}"
course = "{course}"
training-seeds = 2
validation-courses = 60
test-courses = 60

[episode]
time-limit-s = 600.0
give-up-s = 30.0

[episode.reward]
reference-speed-m-s = 0.2
stress-s-per-life = 20000.0
shift-s = 0.1
stall = 0.5
abort-s = 100.0

[rule]
signal = "motor-speed"
up-permille = [850, 850]
down-permille = [400, 400]
hold-decisions = 2
stall-ticks = 10
retry-ticks = 40
retry-growth = 1.0
steps-down = true

[tuning]
searches = 2

[tuning.budget]
generations = 24
population = 12
courses = 12
validate-every = 8
step = 0.12

[learners.contextual.budget]
generations = 24
population = 12
courses = 16
validate-every = 6
step = 0.05

[table]
bytes = 850
iterations = 5
courses = 60
shift-weight = 5.0 # times a hold
features = ["gear", "speed-ratio", "since-failed", "stalled", "load-slow", "load-peak", "dwell", "motor-speed"]
prefix = "lowgear"

# The edges of each table are searched for, as in the demonstration's study, with a small budget.
[table.edge-refinement]
budget = {{ generations = 30, population = 12, courses = 48, validate-every = 6, step = 0.03 }}
stress-factor = 6.0 # times the weight in the reward

[quick]
training-seeds = 2
validation-courses = 16
test-courses = 24
budget-share = 0.06
"""


class Rig(Cart):
    """The unknown cart with selector and neutral, stepped in small pieces over a course of stretches (length, surface, grade)."""

    def __init__(self, vehicle, truth, course):
        super().__init__(vehicle, truth)
        self.state = self.state.tolist()  # single numbers: a list is several times as fast as an array
        self.course, self.way, self.time = course, 0.0, 0.0
        self.length = sum(stretch[0] for stretch in course)
        self.gear, self.spin, self.moving, self.target = 0, 0.0, 0.0, 0
        s = vehicle["selector"]
        self.angles = [s["angle-deg"][s["order"].index(str(g + 1))] for g in range(len(self.ratios))]
        self.servo = (s["speed-deg-s"], s["acceleration-deg-s2"], s["settling-s"])
        self.turned = 0.0

    def ground(self):
        at = 0.0
        for length, surface, grade in self.course:
            at += length
            if self.way < at:
                return surface, grade
        return self.course[-1][1:]

    def order(self, gear):
        """The selector leaves its gear at once; how long it takes depends on the way."""
        if gear == self.target:
            return
        way = abs(self.angles[gear] - self.angles[self.target])
        speed, rate, settle = self.servo
        self.moving = (2 * math.sqrt(way / rate) if way <= speed**2 / rate else way / speed + speed / rate) + settle
        if self.gear is not None:
            self.spin = self.state[0] * self.ratios[self.gear] / self.radius
        self.gear, self.target = None, gear

    def angle(self):
        return self.angles[self.target] + (0.0 if self.gear is not None else -12.0)

    def forces(self, surface, grade, speed):
        s, weight = self.truth["surfaces"][surface], self.mass * GRAVITY
        steady = self.truth["drag"] + weight * s["rolling"] * math.cos(math.radians(grade))
        return steady, weight * s["grass"], weight * math.sin(math.radians(grade))

    def rate(self, duty, speed, surface, grade):
        """Acceleration of the body; rest is left only where the forces suffice."""
        t = self.truth
        steady, per_speed, slope = self.forces(surface, grade, speed)
        body = self.mass + self.wheels
        if self.gear is None:
            way = math.copysign(1.0, speed) if speed else (-1.0 if slope > steady else 0.0)
            return 0.0 if way == 0.0 else -(slope + steady * way + per_speed * speed) / body
        turn = self.ratios[self.gear] / self.radius
        current = self.current(duty, speed * turn, self.state)
        electric = t["kt"] * self.magnets(self.state[3]) * current
        friction = t["kt"] * t["i0"]
        rotor, forth, back = t["rotor"] * turn * turn, t["forth"][self.gear], 1 / t["back"][self.gear]
        if speed == 0.0:
            push = max(electric - friction, 0.0) * turn * forth
            hold = (electric + friction) * turn * back
            if push - slope > steady:
                way = 1.0
            elif slope - hold > steady:
                way = -1.0
            else:
                return 0.0
        else:
            way = math.copysign(1.0, speed)
        motor = (electric - friction * way) * turn
        load = slope + steady * way + per_speed * speed
        rate = (forth * motor - load) / (body + forth * rotor)
        if (motor - rotor * rate) * way < 0:
            rate = (back * motor - load) / (body + back * rotor)
        return rate

    def tick(self, duty, pieces=5):
        """One controller tick; returns whether the end is reached."""
        h = TICK / pieces
        for _ in range(pieces):
            if self.gear is None:
                self.moving -= h
                if self.moving <= 0:
                    self.engage()
            surface, grade = self.ground()
            v = self.state[0]
            k1 = self.rate(duty, v, surface, grade)
            k2 = self.rate(duty, v + 0.5 * h * k1, surface, grade)
            k3 = self.rate(duty, v + 0.5 * h * k2, surface, grade)
            k4 = self.rate(duty, v + h * k3, surface, grade)
            new = v + h * (k1 + 2 * k2 + 2 * k3 + k4) / 6
            if v * new < 0 or (v > 0 and abs(new) < 1e-5 and k1 < 0):
                new = 0.0
            mean = 0.5 * (v + new)
            self.way += h * mean
            self.state[0] = new
            self.warm(duty, mean, h)
            self.time += h
            if self.way >= self.length:
                return True
        return False

    def warm(self, duty, speed, h):
        t = self.truth
        if self.gear is None:
            slowing = t["kt"] * t["i0"] / t["rotor"] * h
            self.spin = max(abs(self.spin) - slowing, 0.0)
            omega, duty = self.spin, 0.0
        else:
            omega = speed * self.ratios[self.gear] / self.radius
        self.turned += abs(omega) * h
        current = self.current(duty, omega, self.state)
        s, heat = self.state, self.heat
        link = (s[2] - s[3]) / heat["winding-to-housing-k-w"]
        friction = (t["kt"] * t["i0"] + (t["ke"] - t["kt"]) * self.magnets(s[3]) * current) * abs(omega)
        s[3] += h * (friction + link - s[3] / heat["housing-to-air-k-w"]) / heat["housing-j-k"]
        s[2] += h * (current * current * self.ohm(s[2]) - link) / heat["winding-j-k"]
        s[4] -= h * duty * current / self.capacity

    def engage(self):
        self.gear = self.target
        turn = self.ratios[self.gear] / self.radius
        rotor, body = self.truth["rotor"] * turn * turn, self.mass + self.wheels
        self.state[0] = (body * self.state[0] + rotor * self.spin / turn) / (body + rotor)


def courses(count, seed):
    """Stretches of path and lawn, up and down; INVENTED."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        left, course = 15.0, []
        while left > 0:
            length = min(left, rng.uniform(0.8, 3.5))
            grade = 0.0 if rng.random() < 0.5 else float(np.clip(rng.normal(0, 4.0), -7, 7))
            course.append((length, "path" if rng.random() < 0.55 else "lawn", grade))
            left -= length
        out.append((course, rng.uniform(0.35, 0.95), int(rng.integers(1 << 30))))
    return out


def drive(program, vehicle, truth, case, limit=600.0):
    """Course time of a compiled controller, None when it does not arrive, and its shifts."""
    course, charge, seed = case
    rng = np.random.default_rng(seed)
    rig = Rig(vehicle, truth, course)
    rig.state[4] = charge
    sensors, pulses = vehicle["sensors"], vehicle["sensors"]["encoder"]["pulses-per-turn"]
    counted, before, duty, gear, shifts = 0, 0.0, 0.0, 0, 0
    with subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        while rig.time < limit:
            total = math.floor(rig.turned * pulses / math.tau)
            counts = max(0, round((total - counted) * (1 + rng.normal(0, sensors["encoder"]["noise"]))))
            omega = rig.state[0] * rig.ratios[rig.gear] / rig.radius if rig.gear is not None else 0.0
            read = lambda s, v: round((v + rng.normal(0, s["noise"])) / s["resolution"]) * s["resolution"]
            volts = read(sensors["battery"], rig.terminal(duty, rig.state, omega))
            grade = math.radians(rig.ground()[1])
            lean = math.degrees(math.atan2(GRAVITY * math.sin(grade) + (rig.state[0] - before) / TICK, GRAVITY * math.cos(grade)))
            tilt = read(sensors["tilt"], lean + truth["tilt_bias"])
            counted, before = total, rig.state[0]
            child.stdin.write(f"{counts} {round(1000 * volts)} 0 {round(10 * tilt)} {round(1000 * duty)} {round(10 * rig.angle())}\n")
            child.stdin.flush()
            wanted, driven, _ = (int(word) for word in child.stdout.readline().split())
            shifts += wanted != gear
            gear, duty = wanted, float(driven)
            rig.order(wanted)
            if rig.tick(duty):
                child.stdin.close()
                return rig.time, shifts
        child.stdin.close()
    return None, shifts


def lowgear(program, *arguments):
    out = subprocess.run([program, *map(str, arguments)], capture_output=True, text=True)
    if out.returncode:
        sys.exit(f"lowgear {arguments[0]}: {out.stdout}{out.stderr}")
    return out.stdout


def compiled(folder, header):
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(header, folder / "lowgear.h")
    (folder / "drive.c").write_text(HARNESS)
    subprocess.run([os.environ.get("CC", "cc"), "-O2", "-std=c99", "-o", folder / "drive", folder / "drive.c"], check=True)
    return str(folder / "drive")


def three_logs(vehicle, truth, folder, seed):
    """Some two minutes each: wheels off; path and lawn; ramp, spring scale and gear changes."""
    rng = np.random.default_rng(seed)
    gears, places = range(len(vehicle["gearbox"]["total-ratio"])), []

    def log(name, fill):
        logger = Logger(Cart(vehicle, truth), rng, jitter=0.1)
        fill(logger)
        places.append(folder / f"{name}.csv")
        places[-1].write_text(logger.text())
        return logger.time

    def free(l):
        for gear in gears:
            l.run("wheels-off", gear, None, [(3.0, 1.0), (2.0, 0.5)])

    def ground(l):
        for gear in gears:
            l.run("level surface=path", gear, ("path", 0.0), [(5.0, 1.0), (2.0, 0.6)])
        for gear in list(gears)[:2]:
            l.run("lawn", gear, ("lawn", 0.0), [(5.0, 1.0), (2.0, 0.7)])

    def rest(l):
        for gear in list(gears)[:2]:
            l.run("ramp grade_deg=5.0 surface=path", gear, ("path", 5.0), [(4.0, 1.0)])
        l.stall(gears[-1], 1.2)
        l.shifts([1, 2, 1, 0, 1, 2, 1, 0, 1, 2])

    lasted = [log("free", free), log("ground", ground), log("rest", rest)]
    return places, lasted


def race(drivers, vehicle, truth, cases):
    """Every driver over every course, and what the fitted table takes against each of the others, paired."""
    count = len(cases)
    jobs = [(binary, vehicle, truth, case) for binary in drivers.values() for case in cases]
    with multiprocessing.Pool() as pool:
        flat = pool.starmap(drive, jobs, chunksize=1)
    times = {name: flat[k * count:(k + 1) * count] for k, name in enumerate(drivers)}
    table = times["exported table, fitted"]
    print(f"\n{count} courses of 15 m in the independent world, through the exported C (mean time where all arrived):")
    arrived = [i for i in range(count) if all(t[i][0] is not None for t in times.values())]
    if len(arrived) < 2:
        return print("  fewer than two courses on which all arrived:", {n: sum(t is not None for t, _ in r) for n, r in times.items()})
    for name, result in times.items():
        done = sum(t is not None for t, _ in result)
        mean = statistics.mean(result[i][0] for i in arrived)
        shifts = statistics.mean(s for _, s in result)
        gaps = [table[i][0] / result[i][0] - 1 for i in arrived]
        error = statistics.stdev(gaps) / math.sqrt(len(gaps))
        print(f"  {name}: {done} of {count} arrived, {mean:.1f} s, {shifts:.1f} shifts; "
              f"the fitted table takes {100 * statistics.mean(gaps):+.1f} % ± {196 * error:.1f} % against it")


def main():
    program, folder = str(pathlib.Path(sys.argv[1]).resolve()), pathlib.Path(sys.argv[2])
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 7
    count = int(sys.argv[4]) if len(sys.argv) > 4 else 24
    folder.mkdir(parents=True, exist_ok=True)
    vehicle = tomllib.loads((HERE / "../../configs/vehicles/demo-cart.toml").read_text())
    truth = truth_of(vehicle, np.random.default_rng(seed))
    print("the unknown cart:", {k: v for k, v in truth.items() if k in ("ke", "ohm", "forth", "surfaces")})

    lowgear(program, "init", HERE / "../../configs/sheets/seed-tray-cart.toml", "--out", folder / "guess.toml")
    logs, lasted = three_logs(vehicle, truth, folder, seed)
    print("three logs of", ", ".join(f"{s:.0f} s" for s in lasted))
    told = lowgear(program, "fit", folder / "guess.toml", *logs, "--out", folder / "fitted.toml")
    (folder / "fit.txt").write_text(told)
    print("\n".join(line for line in told.splitlines() if line.startswith("  ")))
    lowgear(program, "check", folder / "fitted.toml")
    # Without logs the owner only has a guess at the ground, too: the fitted course with surfaces as a book has them.
    ground = (folder / "fitted-course.toml").read_text()
    guess = []
    surface = ""
    for line in ground.splitlines():
        if line.startswith("name = "):
            surface = line
        usual = {"rolling": 0.08 if "lawn" in surface else 0.03, "drag-s-m": 0.05 if "lawn" in surface else 0.0}
        key = line.split(" = ")[0]
        guess.append(f"{key} = {usual[key]} # a guess" if key in usual else line)
    (folder / "guess-course.toml").write_text("\n".join(guess) + "\n")

    drivers = {}
    for name in ("guess", "fitted"):
        study = folder / f"{name}-study.toml"
        study.write_text(STUDY.format(name=name, vehicle=f"{name}.toml", course=f"{name}-course.toml"))
        run = folder / f"{name}-run"
        shutil.rmtree(run, ignore_errors=True)
        lowgear(program, "study", study, "--out", run)
        for rule in ("tuned-speed-rule", "tuned-load-rule"):
            best = sorted((run / rule).glob("seed-*"))[0]
            out = folder / f"{name}-{rule}"
            lowgear(program, "export", study, "--policy", best, "--out", out, "--format", "c")
            drivers[f"{rule}, {name}"] = compiled(folder / f"bin-{name}-{rule}", out / "lowgear.h")
        drivers[f"exported table, {name}"] = compiled(folder / f"bin-{name}-table", run / "firmware/lowgear.h")

    race(drivers, vehicle, truth, courses(count, 1000 + seed))


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit(__doc__)
    main()
