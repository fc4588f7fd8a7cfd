# Drives given readings through a controller with a memory of the way in a small Python, and prints what it asks the guard for,
# the position and the counter, line by line. Lines of the file: whether a lap begins, a reading.
import sys

import lowgear
import lowgear_laps


def main():
    assert lowgear_laps.self_test() and lowgear.self_test()
    controller = lowgear.Controller(0)
    laps = lowgear_laps.Laps(controller)
    with open(sys.argv[1]) as lines:
        for line in lines:
            words = [int(word) for word in line.strip().split(",")]
            if words[0]:
                laps.begin()
            due = laps.sense(*words[1:])
            request = laps.decide() if due else lowgear.HOLD
            controller.act(request, due)
            print(request, laps.position_mm(), laps.needless)


main()
