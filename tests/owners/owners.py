"""Owners who do the job end-to-end, from a data sheet to a verdict on their own ground, in a world that is not the simulator.

Each owner has a cart and a garden of `world.py`, a sheet of what can be read off scales, ruler and data sheet, and a hand-written rule.

    sheet -> `lowgear init` -> recipes, recorded by an exported controller -> `lowgear log`, `fit`, `validate` -> a small study
    -> table and rule exported into one firmware -> laps in pairs, in random order -> `lowgear log`, `trial judge` after some pairs

The owner stops at the first verdict of faster or slower, after the last look otherwise. What is true is found from other laps of the
same two controllers in the same world, many more than a trial has. A verdict is right if its claim holds for the true mean; none at all
is not right.

    python3 owners.py LOWGEAR OUT FIRST COUNT [PROCESSES]

writes OUT/owner-N.json for each owner and OUT/owners.txt with the sums. Needs nothing but Python's own library.
"""

import importlib
import importlib.util
import json
import multiprocessing
import os
import pathlib
import random
import shutil
import statistics
import subprocess
import sys

from world import TICK, Cart, owner

HERE = pathlib.Path(__file__).resolve().parent
LOOKS = (4, 5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 28, 34, 40, 50, 60)
TRUE_PAIRS = 50
PAIRS_PER_PACK = 5
MARGIN = 0.01
STUDY = (HERE / "study.toml.in").read_text()


class Failure(Exception):
    """A step that did not succeed, with what it said."""


def lowgear(program, *arguments):
    out = subprocess.run([program, *map(str, arguments)], capture_output=True, text=True)
    if out.returncode:
        raise Failure(f"lowgear {' '.join(map(str, arguments))}: {out.stdout[-500:]}{out.stderr[-500:]}")
    return out.stdout


def load(file):
    """An exported module, under a name of its own."""
    spec = importlib.util.spec_from_file_location(f"export_{abs(hash(str(file)))}", file)
    module = importlib.util.module_from_spec(spec)
    sys.path.insert(0, str(file.parent))
    spec.loader.exec_module(module)
    sys.path.pop(0)
    return module


class Recording:
    """Bytes of a recorder."""

    def __init__(self):
        self.bytes = bytearray()

    def put(self, buffer):
        self.bytes += bytes(buffer)


class Driver:
    """A controller with its recorder on a cart."""

    def __init__(self, cart, module, recorder, policy):
        self.cart, self.module, self.recorder, self.policy = cart, module, recorder, policy
        self.controller, self.duty = module.Controller(0), 0.0

    def tick(self, lap, asked, manual=None):
        """One tick; `asked` is the driver's duty, `manual` a gear that the owner wants by hand instead of the policy."""
        reading = self.cart.readings(self.duty)
        c = self.controller
        if manual is None:
            c.tick(*reading)
        else:
            due = c.sense(*reading)
            wanted = 1 if not due or c.gear == manual else (2 if manual > c.gear else 0)
            c.act(wanted, due)
        if self.recorder is not None:
            self.recorder.lap, self.recorder.policy = lap, self.policy
            self.recorder.record(c, *reading)
        self.cart.order(c.order, c.nudge or c.recalibrate)
        self.duty = asked if c.drive else 0.0
        self.cart.tick(self.duty)


def recipes(cart, module, recorder):
    """Drives the recipes; the labels by number of the run."""
    driver, labels = Driver(cart, module, recorder, 0), []

    def run(label, gear, phases, roll_s=3.0, where=None, held=False):
        cart.place(where, held=held)
        for _ in range(60):
            driver.tick(0, 0.0, manual=gear)
        labels.append(label)
        for seconds, duty in [(1.0, 0.0), *phases, (roll_s, 0.0)]:
            for _ in range(round(seconds / TICK)):
                driver.tick(len(labels), duty, manual=gear)
        cart.place()
        driver.tick(0, 0.0, manual=gear)

    for gear in range(3):
        run("wheels-off", gear, [(3.0, 1.0), (2.0, 0.5)])
    for _ in range(2):
        for gear in range(3):
            run("level surface=path", gear, [(4.0, 1.0), (2.0, 0.6)], where=("path", 0.0))
    for gear in range(2):
        run("lawn", gear, [(4.0, 1.0), (2.0, 0.7)], where=("lawn", 0.0))
        run("ramp grade_deg=5.0 surface=path", gear, [(4.0, 1.0)], where=("path", 5.0))
    for _ in range(2):
        cart.place(("path", 0.0))
        for _ in range(60):
            driver.tick(0, 0.0, manual=2)
        force = cart.pull() * (1 + cart.rng.gauss(0, 0.02))
        run(f"stall-pull force_n={force:.3f} error_n={0.02 * abs(force):.3f} surface=path", 2, [(1.5, 1.0)], 1.0,
            where=("path", 0.0), held=True)
        cart.rest(300.0)
    labels.append("shifts")
    for gear in (1, 2, 1, 0, 1, 2, 1, 0, 1, 2):
        for _ in range(30):
            driver.tick(len(labels), 0.0, manual=gear)
    driver.tick(0, 0.0, manual=2)
    return labels


def other_runs(cart, module, recorder):
    """Runs that no fit sees, for the gap."""
    driver, labels = Driver(cart, module, recorder, 0), []
    for gear, where, duty in [(0, "path", 0.8), (1, "path", 0.9), (2, "path", 1.0), (1, "lawn", 1.0), (0, "lawn", 0.9)]:
        cart.place((where, 0.0))
        for _ in range(80):
            driver.tick(0, 0.0, manual=gear)
        labels.append("level surface=path" if where == "path" else "lawn")
        for seconds, part in [(1.0, 0.0), (5.0, duty), (2.0, 0.6), (3.0, 0.0)]:
            for _ in range(round(seconds / TICK)):
                driver.tick(len(labels), part, manual=gear)
        cart.place()
        driver.tick(0, 0.0, manual=gear)
    return labels


def labelled(program, recording, labels, folder, name):
    """Decodes a recording, and writes the owner's labels into the log."""
    (folder / f"{name}.bin").write_bytes(recording.bytes)
    lowgear(program, "log", folder / f"{name}.bin", "--out", folder / f"{name}-raw.csv")
    lines = (folder / f"{name}-raw.csv").read_text().splitlines()
    at, before, out = lines[0].split(",").index("lap"), "0", [lines[0] + ",event"]
    for line in lines[1:]:
        lap = line.split(",")[at]
        event = "" if lap == before else ("end" if lap == "0" else labels[int(lap) - 1])
        before = lap
        out.append(f"{line},{event}")
    (folder / f"{name}.csv").write_text("\n".join(out) + "\n")
    return folder / f"{name}.csv"


class Trial:
    """Pairs of laps of two controllers in one program, as it is exported for a trial."""

    def __init__(self, cart, lap, firmware, rng):
        self.cart, self.lap, self.rng = cart, lap, rng
        self.recording = Recording()
        self.both = firmware.Trial(self.recording.put, 0)
        self.number, self.order, self.duty = 0, [], 0.0

    def tick(self, policy, lap, asked):
        self.both.tick(policy, lap, *self.cart.readings(self.duty))
        c = self.both.controller
        self.cart.order(c.order, c.nudge or c.recalibrate)
        self.duty = asked if c.drive else 0.0
        self.cart.tick(self.duty)

    def drive(self, policy, limit_s=400.0):
        """One lap; its time, or None where it was not finished."""
        cart = self.cart
        self.number += 1
        if self.number % (2 * PAIRS_PER_PACK) == 1:
            cart.charge = self.rng.uniform(0.75, 0.95)
        cart.rest(30.0)
        # Another line each time, and the ground is a little wetter or drier.
        cart.place(lap=self.lap, factor=self.rng.lognormvariate(0.0, 0.02))
        # The wheels are chocked until the lap begins: the controllers change places only while the motor stands.
        cart.held = True
        for _ in range(60):
            self.tick(policy, 0, 0.0)
        cart.held = False
        if self.both.policy != policy:
            raise Failure("the controllers did not change places")
        length, ticks = sum(part[0] for part in self.lap), 0
        while cart.way < length:
            self.tick(policy, self.number, 1.0)
            ticks += 1
            if ticks * TICK > limit_s:
                return None
        self.tick(policy, 0, 0.0)
        return ticks * TICK

    def pair(self):
        """A coin decides for one pair, the next has the opposite order. Times of rule and table."""
        if not self.order:
            first = self.rng.random() < 0.5
            self.order = [first, not first]
        table_first = self.order.pop(0)
        times = {policy: self.drive(policy) for policy in ((1, 0) if table_first else (0, 1))}
        return times[0], times[1]


def saved(pair):
    rule, table = pair
    return (rule - table) / (0.5 * (rule + table))


def one_board(folder):
    """The exported modules side by side, as on a board; this process has only these."""
    board = folder / "board"
    board.mkdir()
    for file in [*folder.glob("*.py"), *folder.glob("against/*.py")]:
        shutil.copy(file, board)
    sys.path.insert(0, str(board))
    firmware = importlib.import_module("lowgear_trial")
    modules = [firmware, firmware.lowgear, firmware.lowgear_against]
    if not all(module.self_test() for module in modules):
        raise Failure("self-test of the export for a trial")
    return firmware


def judged(program, trial, folder):
    (folder / "trial.bin").write_bytes(trial.recording.bytes)
    lowgear(program, "log", folder / "trial.bin", "--out", folder / "trial.csv")
    return lowgear(program, "trial", "judge", folder / "trial.csv", "--study", folder / "study.toml")


def verdict_of(text):
    first = text.splitlines()[0]
    for word, verdict in (("is faster than", "faster"), ("is slower than", "slower"), ("at most", "not slower")):
        if word in first:
            return verdict
    return "open"


def holds(verdict, gain):
    return {"faster": gain > 0, "slower": gain < 0, "not slower": gain > -MARGIN, "open": False}[verdict]


def go(program, folder, number):
    cart_of, ground, lap, (up, down), sheet = owner(number)
    text = (HERE / "../../configs/sheets/seed-tray-cart.toml").read_text()
    text = text.replace("wheel-diameter-m = 0.06", f"wheel-diameter-m = {sheet['diameter']:.4f}")
    (folder / "sheet.toml").write_text(text.replace("mass-kg = 5.0", f"mass-kg = {sheet['mass']:.2f}"))
    lowgear(program, "init", folder / "sheet.toml", "--out", folder / "first.toml")

    rule = dict(up=up, down=down)
    garden = HERE / "../../configs/courses/garden-mix.toml"
    (folder / "first-study.toml").write_text(STUDY.format(vehicle="first.toml", course=garden, **rule))
    lowgear(program, "export", folder / "first-study.toml", "--policy", "hand-rule", "--out", folder / "first", "--format", "micropython")
    module, recorder = load(folder / "first/lowgear.py"), load(folder / "first/lowgear_recorder.py")
    if not module.self_test():
        raise Failure("self-test of the first export")
    cart, recording = Cart(cart_of, ground, random.Random(number)), Recording()
    labels = recipes(cart, module, recorder.Recorder(recording.put))
    log = labelled(program, recording, labels, folder, "runs")
    recording = Recording()
    labels = other_runs(cart, module, recorder.Recorder(recording.put))
    other = labelled(program, recording, labels, folder, "other")
    fit = lowgear(program, "fit", folder / "first.toml", log, "--out", folder / "fitted.toml", "--accept-misfit")
    (folder / "fit.txt").write_text(fit)
    lowgear(program, "validate", folder / "fitted.toml", other, "--course", folder / "fitted-course.toml")

    (folder / "study.toml").write_text(STUDY.format(vehicle="fitted.toml", course="fitted-course.toml", **rule))
    lowgear(program, "study", folder / "study.toml", "--quick", "--threads", 1, "--out", folder / "run")
    table = sorted((folder / "run/table").glob("seed-*"))[0]
    said = lowgear(program, "export", folder / "study.toml", "--policy", table, "--against", "hand-rule", "--out", folder / "both", "--format", "micropython")
    (folder / "export.txt").write_text(said)
    firmware = one_board(folder / "both")

    trial = Trial(Cart(cart_of, ground, random.Random(9000 + number)), lap, firmware, random.Random(8000 + number))
    pairs, verdict, said = [], "open", ""
    for look in LOOKS:
        pairs += [trial.pair() for _ in range(look - len(pairs))]
        said = judged(program, trial, folder)
        verdict = verdict_of(said)
        if verdict in ("faster", "slower"):
            break
    (folder / "verdict.txt").write_text(said)
    # The truth: the same two controllers in the same world, other laps.
    more = Trial(Cart(cart_of, ground, random.Random(11000 + number)), lap, firmware, random.Random(12000 + number))
    differences = [saved(p) for p in (more.pair() for _ in range(TRUE_PAIRS)) if None not in p]
    summary = json.loads((folder / "run/summary.json").read_text())
    stated = next((one for one in summary.get("fitted", []) if "hand" in json.dumps(one["against"])), {})
    control = next((line for line in said.splitlines() if line.startswith("The differences are measured less")), "")
    return dict(
        owner=number, effect=cart_of["effect"], verdict=verdict, pairs=len(pairs),
        gain=statistics.mean(differences), error=statistics.stdev(differences) / len(differences) ** 0.5,
        scatter=statistics.stdev(differences), lost=TRUE_PAIRS - len(differences),
        right=holds(verdict, statistics.mean(differences)), fitted_ahead=stated.get("ahead"),
        fitted_vehicles=len(stated.get("time_percent", [])), gap_percent=stated.get("gap_percent"),
        variance_left=control.split("That leaves ")[1].split(" %")[0] if control else None,
    )


def one(job):
    program, out, number = job
    folder = out / f"owner-{number}"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    try:
        result = go(program, folder, number)
    except Exception as error:  # an owner that fails is a result, too
        result = dict(owner=number, failed=f"{type(error).__name__}: {error}"[:1500], right=False)
    (out / f"owner-{number}.json").write_text(json.dumps(result) + "\n")
    if os.environ.get("LOWGEAR_KEEP") is None:
        shutil.rmtree(folder, ignore_errors=True)
    return result


def text(results):
    done = [r for r in results if "failed" not in r]
    lines = [json.dumps(r) for r in results]
    counts = {v: sum(r["verdict"] == v for r in done) for v in ("faster", "slower", "not slower", "open")}
    lines.append(f"{len(results)} owners, {len(results) - len(done)} failed; verdicts {counts}")
    if done:
        lines.append(f"right: {sum(r['right'] for r in results)} of {len(results)}; wrong: "
                     f"{sum(not r['right'] and r['verdict'] != 'open' for r in done)}; "
                     f"mean number of pairs {statistics.mean(r['pairs'] for r in done):.1f}, median {statistics.median(r['pairs'] for r in done)}")
        lines.append(f"mean true gain {100 * statistics.mean(r['gain'] for r in done):.2f} %, mean scatter of a pair "
                     f"{100 * statistics.mean(r['scatter'] for r in done):.2f} %")
    return "\n".join(lines) + "\n"


def main():
    program, out = str(pathlib.Path(sys.argv[1]).resolve()), pathlib.Path(sys.argv[2]).resolve()
    first, count = int(sys.argv[3]), int(sys.argv[4])
    processes = int(sys.argv[5]) if len(sys.argv) > 5 else os.cpu_count()
    out.mkdir(parents=True, exist_ok=True)
    jobs, results = [(program, out, number) for number in range(first, first + count)], []
    with multiprocessing.Pool(processes, maxtasksperchild=1) as pool:
        for result in pool.imap_unordered(one, jobs):
            results.append(result)
            (out / "owners.txt").write_text(text(sorted(results, key=lambda r: r["owner"])))
    print((out / "owners.txt").read_text())


if __name__ == "__main__":
    if len(sys.argv) < 5:
        sys.exit(__doc__)
    main()
