"""What a memory of the way is worth in a world that is not the simulator: laps of a way, exported C at the wheel.

Each way is driven by an unknown cart (ahead.py draws it, without a feeler) for ten laps: obstacles stay, are missed now and
then and come on top, the start is never quite at the mark, the wheels are never quite as large and turn further than the cart
moves. INVENTED. A controller is the header of an export made with --lap-memory; it drives every way twice, with its memory and
without it.

    python3 laps.py VEHICLE.toml FOLDER WAYS FOLDER_OF_EXPORT

Prints a line of JSON: laps finished by both, and the mean difference in time on laps 3 to 10, paired by way, with its standard
error; ticks standing under drive; the same on the first lap, where nothing is known.
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

import ahead

HERE = pathlib.Path(__file__).resolve().parent
LAPS = 10
LEARNING = 2
ROLLER_DRAG = -4  # where ahead.cart_of has it


def way(rng):
    """The obstacles of a way, as on the level path of ahead.py."""
    length = ahead.LENGTH_M
    all_of_it = [(rng.uniform(0.3, length), rng.uniform(0.003, 0.0078), 0) for _ in range(ahead.poisson(rng, 0.25 * length))]
    for _ in range(ahead.poisson(rng, 0.07 * length)):
        at, step, height = rng.uniform(0.3, length), rng.uniform(0.25, 0.5), rng.uniform(0.004, 0.0075)
        all_of_it += [(at + i * step, height, 0) for i in range(rng.randint(3, 7))]
    all_of_it += [(rng.uniform(0.3, length), rng.uniform(0.003, 0.007), 1) for _ in range(ahead.poisson(rng, 0.03 * length))]
    return sorted(all_of_it)


def lap(rng, obstacles):
    """One lap: length, charge, delay in ticks, seed, no feeler, factor on the radius, slip with its spread, obstacles."""
    start = rng.gauss(0.0, 0.01)
    met = [o for o in obstacles if o[2] or rng.random() < 0.85]
    met += [(rng.uniform(0.3, ahead.LENGTH_M), rng.uniform(0.003, 0.0078), 0)
            for _ in range(ahead.poisson(rng, 0.02 * ahead.LENGTH_M))]
    met = ahead.apart(sorted((at - start, height, edge) for at, height, edge in met))
    numbers = [ahead.LENGTH_M - start, rng.uniform(0.2, 1.0), rng.randint(0, 3), rng.getrandbits(48), 0.0]
    numbers += [rng.gauss(1.0, 0.004), 0.01, 0.02]
    return numbers + [len(met), *(value for obstacle in met for value in obstacle), 0]


def compiled(folder, export, memory):
    program = folder / ("with" if memory else "without")
    flags = ["-O2", "-std=c99", "-Wall", "-Wextra", "-ffp-contract=off", "-DLAPS", *(["-DMEMORY"] if memory else [])]
    command = [os.environ.get("CC", "cc"), *flags, f"-I{export}", "-o", program, HERE / "ahead.c", "-lm"]
    subprocess.run(command, check=True)
    return program


def main(vehicle_file, folder, count, export):
    vehicle = tomllib.loads(pathlib.Path(vehicle_file).read_text())
    folder.mkdir(parents=True, exist_ok=True)
    rng, scenes = random.Random(22), []
    for _ in range(count):
        numbers, obstacles = ahead.cart_of(vehicle, rng), way(rng)
        numbers[ROLLER_DRAG] = 0.0
        laps = [value for _ in range(LAPS) for value in lap(rng, obstacles)]
        scenes.append([*numbers, LAPS, *laps])
    programs = [compiled(folder, export, memory) for memory in (True, False)]
    rows = [[ahead.driven(program, [scene]) for scene in scenes] for program in programs]

    def gap(first, last):
        """Difference in time on these laps of each way, those left out that one of both has not finished."""
        gaps = []
        for learned, alone in zip(*rows):
            pairs = [(a[0], b[0]) for a, b in zip(learned[first:last], alone[first:last]) if a[0] > 0 and b[0] > 0]
            if pairs:
                gaps.append(sum(a for a, _ in pairs) / sum(b for _, b in pairs) - 1)
        return gaps

    gaps = gap(LEARNING, LAPS)
    judged = [[row for laps in side for row in laps[LEARNING:]] for side in rows]
    print(json.dumps({
        "ways": count,
        "time_s": round(statistics.fmean(row[0] for row in judged[1] if row[0] > 0), 2),
        "finished": [sum(row[0] > 0 for row in side) for side in judged],
        "gain_percent": round(-100 * statistics.fmean(gaps), 3),
        "standard_error": round(100 * statistics.stdev(gaps) / math.sqrt(len(gaps)), 3),
        "standing_ticks": [round(statistics.fmean(row[2] for row in side), 2) for side in judged],
        "shifts": [round(statistics.fmean(row[1] for row in side), 2) for side in judged],
        "first_lap_gain_percent": round(-100 * statistics.fmean(gap(0, 1)), 3),
    }))


if __name__ == "__main__":
    if len(sys.argv) != 5:
        sys.exit(__doc__)
    main(sys.argv[1], pathlib.Path(sys.argv[2]), int(sys.argv[3]), pathlib.Path(sys.argv[4]))
