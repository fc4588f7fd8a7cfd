# The monitor of a trial written from its specification alone: carries out its table over given ticks. Lines of the file: whether
# it is a new start, counts, duty, phase, gear; then the expected fallback and both sums.
import sys


def rows(text, heading):
    """The rows of the table below a heading."""
    part = text.split("## " + heading, 1)[1].split("\n## ")[0]
    lines = [line for line in part.splitlines() if line.startswith("|")]
    return [[cell.strip().strip("`") for cell in line.strip("|").split("|")] for line in lines[2:]]


def main(page, ticks):
    text = open(page).read()
    constants = {name: eval(value) for name, value in rows(text, "Settings")}
    codes = ["DRIVING", "CUTTING", "MOVING", "RECALIBRATING", "RESTING", "PARKED", "FAULTED"]
    constants.update({name: code for code, name in enumerate(codes)})
    start = {name: int(value) for name, value in rows(text, "State")}
    steps = [
        (None if when == "-" else when, [part.split(" = ", 1) for part in do.split("; ")])
        for when, do in rows(text, "The monitor")
    ]
    names, count, wrong = {}, 0, 0
    for line in open(ticks):
        new, *values = [int(word) for word in line.split(",")]
        if new:
            names = {**constants, **start}
        names.update(zip(["encoder_counts", "duty_permille", "phase", "gear"], values))
        for when, assignments in steps:
            if when is None or eval(when, {}, names):
                for name, value in assignments:
                    names[name.strip()] = int(eval(value, {}, names))
        count += 1
        wrong += [names["fallback"], names["behind"], names["failures"]] != values[4:]
    print("%d ticks, %d wrong" % (count, wrong))


main(sys.argv[1], sys.argv[2])
