# A board that is not there, as example_board.c.
state = {"tick": 0, "duty": 0, "encoder": 0, "selector": 2100, "sent": 2100}


def wait_for_tick():
    state["tick"] += 1
    if not state["duty"]:
        state["encoder"] = 0
    elif state["encoder"] < 110:
        state["encoder"] += 2
    way = state["sent"] - state["selector"]
    state["selector"] += max(-225, min(225, way))
    return 100000 if state["tick"] == 230 else 50000


def stop_pressed():
    return 150 < state["tick"] <= 200


def reading_age():
    return 9 if state["tick"] > 250 else 0


def duty_asked():
    return 1000


def drive(permille):
    state["duty"] = permille
    print("%d,%d,%d" % (state["tick"], permille, state["selector"]))


def duty_most():
    return 1000


def selector(ddeg):
    state["sent"] = ddeg


def reference():
    pass


def go_on():
    return state["tick"] < 300


def read():
    return state["encoder"], 7400, 0, 0, state["selector"]
