# The memory of the way written from its specification alone: carries out its tables over given ticks. Lines of the file: whether
# a lap begins, counts, voltage at the motor, speed gain, phase, gear, speed ratio, dwell, ticks since the last failed upshift and
# of standstill, whether a decision is due, the table's request, whether an upshift is allowed; then the expected request,
# position and counter.
import sys

NAMES = ["begin", "encoder_counts", "applied_mv", "SPEED_GAIN", "phase", "gear", "speed_ratio", "dwell", "since_failed",
         "stalled", "due", "policy", "may_rise"]


def rows(text, heading):
    """The rows of the table below a heading."""
    part = text.split("## " + heading, 1)[1].split("\n## ")[0]
    lines = [line for line in part.splitlines() if line.startswith("|")]
    return [[cell.strip().strip("`") for cell in line.strip("|").split("|")] for line in lines[2:]]


def steps(text, heading):
    """When to do what."""
    return [
        (None if when == "-" else when, [part.split(" = ", 1) for part in do.split("; ")])
        for when, do in rows(text, heading)
    ]


def carry_out(table, names):
    for when, assignments in table:
        if when is None or eval(when, names):
            for name, value in assignments:
                names[name.strip()] = eval(value, names)


def quotient(a, b):
    return abs(a) // b * (1 if a >= 0 else -1)


def main(page, ticks):
    text = open(page).read()
    names = {name: eval(value) for name, value in rows(text, "Settings") + rows(text, "State")}
    names.update({"DRIVING": 0, "DOWN": 0, "HOLD": 1, "UP": 2, "quotient": quotient})
    begin, way, decide = (steps(text, heading) for heading in ["Where a lap", "The way", "What to ask"])
    count, wrong = 0, 0
    for line in open(ticks):
        values = [int(word) for word in line.split(",")]
        names.update(zip(NAMES, values))
        if names["begin"]:
            carry_out(begin, names)
        carry_out(way, names)
        names["asked"] = 1
        if names["due"]:
            carry_out(decide, names)
        count += 1
        wrong += [names["asked"], min(names["way"] // 4096, 65535), names["needless"]] != values[len(NAMES):]
    print("%d ticks, %d wrong" % (count, wrong))


main(sys.argv[1], sys.argv[2])
