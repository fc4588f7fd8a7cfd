"""What a feeler or a gyroscope is worth in a world that is not the simulator: obstacles under the wheels, exported C at the wheel.

Unknown carts are drawn around a vehicle file (INVENTED), each drives the same courses on a level path with canes, rows of
canes and slabs under every controller (ahead.c has the equations; it shares no line with the simulator). A controller is
the header of an export.

    python3 ahead.py VEHICLE.toml FOLDER COURSES NAME=HEADER.h [NAME=HEADER.h ...]

Prints a line of JSON per controller: mean time where all arrived, gear changes, ticks standing under drive, how many of the
obstacles of 4.5 mm and more the controller expects when the rear axle strikes them, and the mean difference in time to the
first controller, paired by course, with its standard error. Needs a C compiler.
"""

import json
import math
import os
import pathlib
import random
import statistics
import subprocess
import sys
import tomllib

HERE = pathlib.Path(__file__).resolve().parent
GRAVITY = 9.80665
PER_CART = 20
LENGTH_M = 15.0


def constants(line):
    """Motor constants from a data sheet by the textbook relations."""
    s = line["data-sheet"]
    ohm = s["rated-voltage-v"] / s["stall-current-a"]
    kt = s["stall-torque-nm"] / (s["stall-current-a"] - s["no-load-current-a"])
    return kt, (s["rated-voltage-v"] - ohm * s["no-load-current-a"]) / s["no-load-speed-rad-s"], ohm, s["no-load-current-a"]


def cart_of(vehicle, rng):
    """The numbers of a cart around the file's, in the order that ahead.c reads them."""
    near = lambda width: rng.uniform(1 - width, 1 + width)
    chassis, box, select = vehicle["chassis"], vehicle["gearbox"], vehicle["selector"]
    battery, heat, sensors = vehicle["battery"], vehicle["motor"]["heat"], vehicle["sensors"]
    gears, radius = len(box["total-ratio"]), chassis["wheel-radius-m"]
    kt, ke, ohm, i0 = constants(vehicle["motor"]["line"])
    strength, rolling, friction = near(0.04), 0.032 * near(0.2), 0.85 * near(0.1)
    worn = near(0.06)
    pressed = near(1.0)
    numbers = [gears, len(battery["ocv-v"])]
    numbers += [select["angle-deg"][select["order"].index(str(gear + 1))] for gear in range(gears)]
    numbers += box["total-ratio"]
    numbers += [efficiency * worn for efficiency in box["efficiency"] + box["back-efficiency"]]
    numbers += battery["ocv-v"]
    numbers += [chassis["mass-kg"] * near(0.1), chassis["wheel-inertia-kg-m2"] / radius**2, radius, chassis["drag-n"] * near(0.2)]
    numbers += [kt * strength, ke * strength, ohm * near(0.06), i0 * near(0.2), vehicle["motor"]["rotor-inertia-kg-m2"]]
    numbers += [battery["resistance-ohm"] * rng.uniform(0.8, 1.6), 3600 * battery["capacity-ah"], rolling, friction]
    numbers += [heat["winding-j-k"], heat["housing-j-k"], heat["winding-to-housing-k-w"], heat["housing-to-air-k-w"]]
    numbers += [heat["magnet-per-k"], select["speed-deg-s"], select["acceleration-deg-s2"], select["settling-s"]]
    numbers += [sensors["encoder"]["pulses-per-turn"], sensors["encoder"]["noise"] * rng.uniform(0.5, 2.0)]
    numbers += [sensors["battery"]["resolution"], sensors["battery"]["noise"]]
    numbers += [sensors["tilt"]["resolution"], sensors["tilt"]["noise"], rng.uniform(-1.5, 1.5)]
    mounted = near(0.04)
    if "gyro" in sensors:
        numbers += [0.1, 1.0, 0.01, 1.0, sensors["gyro"]["noise-deg"], 0.0, 0.01, 0.0, 0.0]
    else:
        feeler, roller = sensors["feeler"], sensors["feeler"]["roller"]
        load = GRAVITY * (roller["roller-kg"] + 0.5 * roller["arm-kg"]) + roller["hinge-nm"] / feeler["arm-m"] * pressed
        numbers += [feeler["ahead-m"] * mounted, feeler["arm-m"], feeler["roller-radius-m"], feeler["fall-m-s"]]
        numbers += [feeler["noise-deg"], feeler["hysteresis-deg"], feeler["resolution-deg"], 0.0]
        numbers += [load * min(rolling * radius / feeler["roller-radius-m"], friction)]
    numbers += [chassis["axles"][-1]["behind-front-m"], 0.5, sensors["gyro"]["fade-s"] if "gyro" in sensors else 0.0]
    return numbers


def course(rng, off):
    """A course: length, charge, delay in ticks, seed, what the sensor is off by, obstacles of wheels and feeler. INVENTED."""
    wheels = [(rng.uniform(0.3, LENGTH_M), rng.uniform(0.003, 0.0078), 0) for _ in range(poisson(rng, 0.25 * LENGTH_M))]
    for _ in range(poisson(rng, 0.07 * LENGTH_M)):
        at, step, height = rng.uniform(0.3, LENGTH_M), rng.uniform(0.25, 0.5), rng.uniform(0.004, 0.0075)
        wheels += [(at + i * step, height, 0) for i in range(rng.randint(3, 7))]
    wheels += [(rng.uniform(0.3, LENGTH_M), rng.uniform(0.003, 0.007), 1) for _ in range(poisson(rng, 0.03 * LENGTH_M))]
    wheels = apart(sorted(wheels))
    track = [o for o in wheels if o[2] or rng.random() >= 0.1]
    track += [(rng.uniform(0.3, LENGTH_M), height, 0) for _, height, edge in wheels if not edge and rng.random() < 0.1]
    numbers = [LENGTH_M, rng.uniform(0.2, 1.0), rng.randint(0, 3), rng.getrandbits(48), rng.gauss(0.0, off)]
    for obstacles in (wheels, apart(sorted(track))):
        numbers += [len(obstacles), *(value for obstacle in obstacles for value in obstacle)]
    return numbers


def apart(obstacles):
    """Those that do not meet the one before: two under a wheel at once are one higher obstacle, which no file means."""
    kept = []
    for obstacle in obstacles:
        if not kept or obstacle[0] - kept[-1][0] > 0.05:
            kept.append(obstacle)
    return kept


def poisson(rng, mean):
    """A number of events (Knuth's product of uniforms)."""
    limit, count, product = math.exp(-mean), 0, rng.random()
    while product > limit:
        count, product = count + 1, product * rng.random()
    return count


def compiled(folder, name, header):
    place = folder / name
    place.mkdir(parents=True, exist_ok=True)
    (place / "lowgear.h").write_text(pathlib.Path(header).read_text())
    program = place / "drive"
    strict = ["-O2", "-std=c99", "-Wall", "-Wextra", "-ffp-contract=off"]
    subprocess.run([os.environ.get("CC", "cc"), *strict, f"-I{place}", "-o", program, HERE / "ahead.c", "-lm"], check=True)
    return program


def driven(program, scenes):
    """Time, gear changes, standing ticks, obstacles that the rear axle strikes and those expected, of every course."""
    rows = []
    for numbers in scenes:
        text = " ".join(repr(value) for value in numbers)
        out = subprocess.run([program], input=text, capture_output=True, text=True, check=True).stdout
        rows += [tuple(float(word) for word in line.split()) for line in out.splitlines()]
    return rows


def main(vehicle_file, folder, count, controllers):
    vehicle = tomllib.loads(pathlib.Path(vehicle_file).read_text())
    rng, scenes = random.Random(18), []
    off = 0.1 if "gyro" in vehicle["sensors"] else 0.3  # degrees per second, degrees
    for first in range(0, count, PER_CART):
        numbers, courses = cart_of(vehicle, rng), min(PER_CART, count - first)
        for value in [courses], *(course(rng, off) for _ in range(courses)):
            numbers = numbers + list(value)
        scenes.append(numbers)
    results = {name: driven(compiled(folder, name, header), scenes) for name, header in controllers.items()}
    finished = [i for i in range(count) if all(rows[i][0] > 0 for rows in results.values())]
    first = next(iter(results.values()))
    for name, rows in results.items():
        gaps = [rows[i][0] / first[i][0] - 1 for i in finished]
        mean = lambda values: statistics.fmean(values) if values else 0.0
        print(json.dumps({
            "name": name,
            "courses": count,
            "finished": sum(row[0] > 0 for row in rows),
            "time_s": round(mean([rows[i][0] for i in finished]), 3),
            "shifts": round(mean([row[1] for row in rows]), 3),
            "standing_ticks": round(mean([row[2] for row in rows]), 3),
            "expected_percent": round(100 * sum(row[4] for row in rows) / sum(row[3] for row in rows), 1),
            "to_first_percent": round(100 * mean(gaps), 3),
            "standard_error": round(100 * statistics.stdev(gaps) / math.sqrt(len(gaps)), 3) if len(gaps) > 1 else None,
        }))


if __name__ == "__main__":
    if len(sys.argv) < 5:
        sys.exit(__doc__)
    main(sys.argv[1], pathlib.Path(sys.argv[2]), int(sys.argv[3]), dict(word.split("=", 1) for word in sys.argv[4:]))
