# The controller written from its documents alone: carries out the tables of specification.md and looks decisions up in
# table.csv or works them out by network.csv, and answers vectors.csv by that. Knows nothing of the controller but how such tables are read.
import sys

sys.setrecursionlimit(10000)


def sections(text):
    """The rows of every table by the heading or the line above it."""
    found, heading, above = {}, "", ""
    for line in text.splitlines():
        if line.startswith("#"):
            heading = line.lstrip("# ").strip()
            above = ""
        elif line.startswith("|"):
            cells = [cell.strip().strip("`") for cell in line.strip("|").split("|")]
            found.setdefault((heading, above), []).append(cells)
        elif line.strip():
            above = line.strip()
    return {key: rows[2:] for key, rows in found.items()}


def only(tables, heading, above=None):
    rows = [rows for (h, a), rows in tables.items() if h.startswith(heading) and (above is None or a.startswith(above))]
    assert len(rows) == 1, (heading, above, len(rows))
    return rows[0]


def steps(rows):
    """Each row's condition and assignments, compiled."""
    made = []
    for when, do in rows:
        condition = None if when == "-" else compile(when, "<when>", "eval")
        parts = [part.split(" = ", 1) for part in do.split("; ")]
        made.append((condition, [(name.strip(), compile(value, "<do>", "eval")) for name, value in parts]))
    return made


def carry_out(made, names):
    for condition, assignments in made:
        if condition is None or eval(condition, {}, names):
            for name, value in assignments:
                result = eval(value, {}, names)
                names[name] = int(result)


class Table:
    """table.csv: bounds of every axis, and the decision of every row."""

    def __init__(self, text):
        lines = [line for line in text.splitlines() if line and not line.startswith("#")]
        head = lines[0].split(",")
        self.axes = [name[: -len("-from")] for name in head if name.endswith("-from")]
        codes = {"down": 0, "hold": 1, "up": 2}
        self.rows = {}
        self.edges = [set() for _ in self.axes]
        for line in lines[1:]:
            fields = line.split(",")
            lows = []
            for axis in range(len(self.axes)):
                low = fields[1 + 2 * axis]
                low = None if low == "" else int(low)
                lows.append(low)
                if low is not None:
                    self.edges[axis].add(low)
            self.rows[tuple(lows)] = codes[fields[-1]]
        self.edges = [sorted(edges) for edges in self.edges]

    def decide(self, values):
        key = []
        for value, edges in zip(values, self.edges):
            below = [edge for edge in edges if edge <= value]
            key.append(below[-1] if below else None)
        return self.rows[tuple(key)]


class Network:
    """network.csv: inputs, layers and units."""

    def __init__(self, text):
        rows = [line.split(",") for line in text.splitlines() if line and not line.startswith("#")]
        self.inputs = [(row[1], row[2], int(row[3]), int(row[4])) for row in rows if row[0] == "input"]
        self.layers = []
        for row in rows:
            if row[0] == "layer":
                self.layers.append((int(row[2]), []))
            elif row[0] == "unit":
                self.layers[-1][1].append([int(word) for word in row[1:]])
        self.axes = list(dict.fromkeys(feature for feature, _, _, _ in self.inputs))

    def activation(self, value, form, low, shift):
        if form == "equal":
            return 192 if value == low else 128
        if form == "linear":
            return min(max((value - low) >> shift, 0), 255)
        number = max(value + low, 1)
        power = number.bit_length() - 5
        whole = number >> power if power >= 0 else number << -power
        return min(max(64 + 16 * power + whole - 16 + shift - 64, 0), 255)

    def decide(self, values):
        seen = dict(zip(self.axes, values))
        x = [self.activation(seen[feature], form, low, shift) for feature, form, low, shift in self.inputs]
        for shift, units in self.layers:
            sums = [16 * bias + sum(w * a for w, a in zip(weights, x)) for bias, *weights in units]
            x = [min(max(s >> shift, 0), 255) for s in sums]
        return max((1, 0, 2), key=lambda request: sums[request])


def decider(folder):
    try:
        return Table(open(folder + "/table.csv").read())
    except OSError:
        return Network(open(folder + "/network.csv").read())


def main(folder):
    tables = sections(open(folder + "/specification.md").read())
    table = decider(folder)
    constants = {name: eval(value) for name, value in only(tables, "Settings") + only(tables, "Codes")}
    start = [(name, compile(value, "<start>", "eval")) for name, value, _ in only(tables, "State")]
    readings = [row[0] for row in only(tables, "Readings")]
    sense, act = steps(only(tables, "First half")), steps(only(tables, "Second half"))
    park, leave = steps(only(tables, "Park", "Asking")), steps(only(tables, "Park", "Leaving"))
    feature = {name: compile(value, "<feature>", "eval") for name, value in only(tables, "Features")}
    names, wrong, checked = {}, 0, 0
    for number, line in enumerate(open(folder + "/vectors.csv"), 1):
        kind, *fields = line.strip().split(",")
        if kind == "start":
            names = dict(constants, gear=int(fields[0]), target=int(fields[0]), min=min, max=max, abs=abs)
            for name, value in start:
                names[name] = eval(value, {}, names)
            continue
        if kind == "look":
            values = [int(field) for field in fields]
            answer, expected = [table.decide(values[:-1])], values[-1:]
        elif kind == "grid" or kind == "selftest":
            continue
        elif kind == "park":
            names["encoder_counts"] = int(fields[0])
            carry_out(park, names)
            answer, expected = [names["verdict"]], [int(fields[1])]
        elif kind == "leave":
            carry_out(leave, names)
            answer, expected = [names["verdict"]], [int(fields[0])]
        else:
            values = [int(field) for field in fields]
            names.update(zip(readings, values[1:8]))
            carry_out(sense, names)
            seen = [eval(feature[axis], {}, names) for axis in table.axes]
            request = values[0] if values[0] != 3 else table.decide(seen) if names["due"] else 1
            names.update(request=request, asked=names["due"])
            carry_out(act, names)
            reported = ["due", "request", "drive", "order", "nudge", "recalibrate", "park", "phase", "verdict"]
            answer, expected = [names[name] for name in reported] + seen, values[8:]
        checked += 1
        if answer != expected:
            wrong += 1
            if wrong <= 5:
                print("line %d: %s\n  expected %s\n  found    %s" % (number, line.strip(), expected, answer))
    print("%d answers, %d wrong" % (checked, wrong))


main(sys.argv[1])
