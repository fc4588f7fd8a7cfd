# The drill in Python: the same steps as drill.h; see there. Started with three numbers: ticks, span, nominal mV.
# Every tick of the controller runs with the heap locked: one that allocates ends the run.
import sys

import lowgear

try:
    from micropython import heap_lock, heap_unlock
except ImportError:

    def heap_lock():
        pass

    def heap_unlock():
        pass


TICKS, SPAN, NOMINAL_MV = (int(word) for word in sys.argv[1:4])
MASK = 0xFFFFFFFF
random = 2463534242
words, sums = 1, 0


def step():
    global random
    r = random
    r ^= (r << 13) & MASK
    r ^= r >> 17
    r ^= (r << 5) & MASK
    random = r
    return r


def add(word):
    global words, sums
    words = (words + word) & 65535
    sums = (sums + words) & 65535


def line(what, number):
    print("%s %d %08x" % (what, number, sums << 16 | words))


def looks():
    """A network has no cells: values of any size instead."""
    value = [0] * lowgear.AXES
    for look in range(2000):
        for axis in range(lowgear.AXES):
            r = (look * 2654435761 + axis * 374761393) & MASK
            r ^= r >> 15
            value[axis] = (r >> 8) & (1023 if r & 1 else 16383)
        add(lowgear.look(value))
    line("cells", 2000)


def cells():
    value = [0] * lowgear.AXES
    for cell in range(lowgear.COUNT):
        rest = cell
        for axis in range(lowgear.AXES - 1, -1, -1):
            edges = lowgear.EDGES[axis]
            bin = rest % (len(edges) + 1)
            rest //= len(edges) + 1
            value[axis] = edges[bin - 1] if bin else -lowgear.BIAS
        add(lowgear.look(value))
    line("cells", lowgear.COUNT)


def ticks():
    c = lowgear.Controller(0)
    gears = lowgear.TOP_GEAR + 1
    angle = lowgear.GEAR_DDEG
    encoder = duty = tilt = preview = sent = stuck = mood = selector = 0
    for tick in range(TICKS):
        if tick & 511 == 0:
            r = step()
            sent = (r >> 8) % gears
            mood = r & 3
            encoder = 0
            duty = 1000
            tilt = (r >> 16) % 401 - 200
            stuck = False
            preview = 0
            selector = angle[sent]
            c.start(sent)
            c.drive, c.order, c.nudge, c.recalibrate, c.parked = 1, sent, 0, 0, 0
        r = step()
        # The selector runs to its target, or sticks short of it until an order frees it.
        target = angle[c.order]
        if c.order != sent:
            sent = c.order
            stuck = (r & 7) < 1 + mood
        if (c.nudge or c.recalibrate) and r & 24 == 0:
            stuck = False
        if not stuck:
            if selector > target:
                selector = selector - 300 if selector - target > 300 else target
            else:
                selector = selector + 300 if target - selector > 300 else target
        if (r >> 5) & 31 == 0:
            encoder = (r >> 10) % (SPAN + SPAN // 8 + 1)
        elif (r >> 5) & 127 == 1:
            encoder = 0
        if (r >> 12) & 63 == 0:
            duty = 1000 if (r >> 20) & 1 else (r >> 21) % 1100
        if (r >> 8) & 63 == 3:
            tilt = (r >> 16) % 401 - 200
        if (r >> 14) & 7 == 5:
            preview = (r >> 20) & 255 if (r >> 3) & 1 else 0
        raw0 = (encoder + (r & 1) if encoder else 0) if c.drive else encoder // 2
        raw1 = NOMINAL_MV + ((r >> 9) & 511) - 256
        raw2 = ((r >> 7) & 4095) - 1024
        raw3 = tilt + ((r >> 18) & 7)
        raw4 = duty if c.drive else 0
        raw5 = selector
        if mood == 3 and r >> 29 == 0:
            wild = step()
            word = wild & 65535
            where = (wild >> 16) % 6
            if where == 0:
                raw0 = word
            elif where == 1:
                raw1 = word
            elif where == 2:
                raw2 = word - 32768
            elif where == 3:
                raw3 = word - 32768
            elif where == 4:
                raw4 = word
            else:
                raw5 = word
        r = step()
        heap_lock()
        due = c.sense(raw0, raw1, raw2, raw3, raw4, raw5, preview)
        c.values()
        request = lowgear.look(c.value) if due else 1
        if mood and r & 7 == 0:
            request = (r >> 3) % 3
        c.act(request, due)
        heap_unlock()
        add(due + 2 * c.drive + 4 * c.nudge + 8 * c.recalibrate + 16 * c.parked)
        add(c.order + 16 * c.phase + 256 * c.verdict)
        for value in c.value:
            add(value)
        if mood == 2 and (r >> 8) & 63 == 0:
            add(c.leave_park() if c.phase == 5 else c.park(raw0))
        if (tick + 1) % 1000 == 0:
            line("ticks", tick + 1)


print("selftest 1 %08x" % lowgear.self_test())
cells() if hasattr(lowgear, "EDGES") else looks()
ticks()
line("end", TICKS)
