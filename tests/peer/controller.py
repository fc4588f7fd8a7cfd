"""The controller of many carts at once, in integers: features, guard and threshold rule. No shift ever misses
here, so retries and recalibration are left out."""

import numpy as np

FRACTION = 6
SATURATED = 1000
DRIVING, CUTTING, MOVING, RESTING = range(4)
DOWN, HOLD, UP = range(3)


def half_away(value):
    """Rounds halves away from zero."""
    return np.sign(value) * np.floor(np.abs(value) + 0.5)


class Controller:
    """Sensors without noise, features, guard and rule."""

    def __init__(self, carts, settings, rule):
        n = len(carts.rows)
        self.carts, self.set, self.rule = carts, settings, rule
        s, ke = settings, carts.rows[0]["ke"]
        tick = s["tick_s"]
        self.gain = round(1e6 * 2 * np.pi * ke / (s["pulses"] * tick))
        self.nominal = int(1000 * s["nominal_v"])
        self.stall_counts = int(0.01 * s["nominal_v"] * 1e6 / (1e6 * 2 * np.pi * ke / (s["pulses"] * tick)))
        ratios = carts.gears[0, :, 0]
        self.scale = np.round(1000 * ratios / ratios[-1]).astype(int)
        self.top = len(ratios) - 1
        self.dwell_ticks, self.cut_ticks, self.rest_ticks, self.failed_ticks = (
            int(half_away(s[key] / tick)) for key in ("min_dwell_s", "stall_cut_s", "stall_rest_s", "failed_window_s")
        )
        zero = lambda: np.zeros(n, int)
        self.counted, self.last_v, self.bias = np.zeros(n), np.zeros(n), np.array([r["bias"] for r in carts.rows])
        self.phase, self.gear, self.goal, self.clock, self.dwell, self.stood = (zero() for _ in range(6))
        self.seen, self.motor_speed, self.ratio, self.slow, self.peak, self.tilt = (zero() for _ in range(6))
        self.age, self.failed, self.stalled = zero(), zero(), zero()
        self.since_failed = np.full(n, SATURATED)
        self.from_below, self.driven_before = np.zeros(n, bool), np.zeros(n, bool)
        self.fresh = np.ones(n, bool)
        self.first = True
        self.since = np.full(n, s["decision_ticks"])
        self.wish, self.agreed = np.full(n, HOLD), zero()
        waits, wait = [0] * 8, np.float32(rule["retry_ticks"])
        for i in range(1, 8):
            waits[i] = int(half_away(min(wait, np.float32(1000))))
            wait = min(wait * np.float32(rule["retry_growth"]), np.float32(1000))
        self.waits = np.array(waits)
        self.up = np.array(rule["up"] + [9999])
        self.down = np.array([-9999] + rule["down"])

    def sense(self, duty):
        """Takes a reading at the end of a tick; returns for whom a decision is due."""
        counts, battery, tilt = self.read()
        self.follow(counts, duty)
        self.observe(counts, battery, tilt, duty)
        self.since += 1
        settled = (self.phase == DRIVING) & (self.dwell > 0)
        return settled & (self.since >= self.set["decision_ticks"])

    def read(self):
        carts = self.carts
        pulses = np.floor(carts.turned / (2 * np.pi) * self.set["pulses"])
        counts = np.clip(pulses - self.counted, 0, 60000).astype(int)
        self.counted = pulses
        a = (carts.v - self.last_v) / self.set["tick_s"]
        self.last_v = carts.v.copy()
        sine = np.array([r["segments"][spot[0][0]][1] for r, spot in zip(carts.rows, carts.spots)])
        shown = np.degrees(np.arctan2(9.80665 * sine + a, 9.80665 * np.sqrt(1 - sine * sine))) + self.bias
        steps = self.set["battery_step"], self.set["tilt_step"]
        battery = half_away(1000 * half_away(carts.terminal / steps[0]) * steps[0]).astype(int)
        tilt = np.clip(half_away(10 * half_away(shown / steps[1]) * steps[1]), -900, 900).astype(int)
        return counts, battery, tilt

    def follow(self, counts, duty):
        """The guard follows the selector."""
        self.clock += 1
        phase = self.phase.copy()
        driving, cutting, moving, resting = (phase == p for p in (DRIVING, CUTTING, MOVING, RESTING))
        self.dwell = np.where(driving, self.dwell + 1, self.dwell)
        still = (counts <= self.stall_counts) & (duty > 0)
        self.stood = np.where(driving, np.where(still, self.stood + 1, 0), self.stood)
        self.enter(driving & still & (self.stood >= self.cut_ticks), RESTING)
        self.enter(cutting & (self.clock >= self.set["cut_lead_ticks"]), MOVING)
        arrived = moving & (self.carts.gear == self.goal)
        self.gear = np.where(arrived, self.goal, self.gear)
        self.dwell = np.where(arrived, 0, self.dwell)
        self.enter(arrived, DRIVING)
        rested = resting & (self.clock >= self.rest_ticks)
        self.stood = np.where(rested, 0, self.stood)
        self.enter(rested, DRIVING)

    def enter(self, mask, phase):
        self.phase = np.where(mask, phase, self.phase)
        self.clock = np.where(mask, 0, self.clock)

    def observe(self, counts, battery, tilt, duty):
        """Features; `>>` rounds down in both languages."""
        changed = self.gear != self.seen
        back = changed & (self.gear < self.seen) & self.from_below & (self.age <= self.failed_ticks)
        self.since_failed = np.where(back, 0, self.since_failed)
        self.failed = np.where(back, np.minimum(self.failed + 1, 7), self.failed)
        self.from_below = np.where(changed, self.gear > self.seen, self.from_below)
        self.seen = self.gear.copy()
        self.age, self.stalled = np.where(changed, 0, self.age), np.where(changed, 0, self.stalled)
        self.fresh = self.fresh | changed
        self.since_failed = np.minimum(self.since_failed + 1, SATURATED)
        wanted = tilt << FRACTION
        self.tilt = wanted if self.first else self.tilt + ((wanted - self.tilt) >> self.set["tilt_shift"])
        self.first = False
        driving = self.phase == DRIVING
        self.age = np.where(driving, np.minimum(self.age + 1, SATURATED), self.age)
        proved = driving & self.from_below & (self.age > self.failed_ticks)
        self.failed = np.where(proved, 0, self.failed)
        self.from_below &= ~proved
        self.filter(driving & self.driven_before, counts, battery * np.asarray(duty) // 1000)
        self.driven_before = driving

    def filter(self, on, counts, applied):
        few = np.minimum(counts, 2000)
        nominal = np.minimum(few * self.gain // self.nominal, 2000) << FRACTION
        fast = self.set["fast_shift"]
        smooth = self.motor_speed + ((nominal - self.motor_speed) >> fast)
        self.motor_speed = np.where(on, np.where(self.fresh, nominal, smooth), self.motor_speed)
        self.stalled = np.where(on & (applied == 0), 0, self.stalled)
        on = on & (applied > 0)
        ratio = np.minimum(few * self.gain // np.maximum(applied, 1), 2000)
        smooth = self.ratio + (((ratio << FRACTION) - self.ratio) >> fast)
        self.ratio = np.where(on, np.where(self.fresh, ratio << FRACTION, smooth), self.ratio)
        self.fresh = self.fresh & ~on
        scale = self.scale[self.seen]
        load = np.clip((1000 - ratio) * scale // 1000, 0, 30000) << FRACTION
        self.slow = np.where(on, self.slow + ((load - self.slow) >> self.set["slow_shift"]), self.slow)
        quick = np.clip((1000 - (self.ratio >> FRACTION)) * scale // 1000, 0, 30000) << FRACTION
        peak = np.maximum(self.peak - (self.peak >> self.set["peak_shift"]), quick)
        self.peak = np.where(on, peak, self.peak)
        still = counts <= self.stall_counts
        self.stalled = np.where(on, np.where(still, np.minimum(self.stalled + 1, SATURATED), 0), self.stalled)

    def features(self):
        """Speed ratio, slow and peak load, and tilt, one row per cart."""
        return np.array([f >> FRACTION for f in (self.ratio, self.slow, self.peak, self.tilt)]).T

    def mask(self):
        ready = (self.phase == DRIVING) & (self.dwell >= self.dwell_ticks)
        return ready & (self.gear > 0), ready & (self.gear < self.top)

    def decide(self, due):
        """What the threshold rule asks for where a decision is due."""
        may_down, may_up = self.mask()
        speed = (self.ratio if self.rule["ratio"] else self.motor_speed) >> FRACTION
        stands = self.rule["stall_ticks"] is not None and self.stalled >= (self.rule["stall_ticks"] or 0)
        at_once = due & stands & may_down
        slow, fast = speed < self.down[self.seen], speed >= self.up[self.seen]
        ready = self.since_failed >= self.waits[self.failed]
        wish = np.where(slow, DOWN, np.where(fast & ready, UP, HOLD))
        agreed = np.where(wish == self.wish, self.agreed + 1, 1)
        asked = due & ~at_once
        allowed = np.where(wish == DOWN, may_down, np.where(wish == UP, may_up, True))
        acts = asked & (agreed >= self.rule["hold_decisions"]) & allowed
        self.agreed = np.where(at_once | acts, 0, np.where(asked, agreed, self.agreed))
        self.wish = np.where(at_once, HOLD, np.where(asked, wish, self.wish))
        return np.where(at_once, DOWN, np.where(acts, wish, HOLD))

    def act(self, request, due):
        """The guard's order: who may drive, and the selector sent where a cut is over."""
        self.since = np.where(due, 0, self.since)
        may_down, may_up = self.mask()
        accepted = (request == DOWN) & may_down | (request == UP) & may_up
        self.goal = np.where(accepted, self.gear + request - 1, self.goal)
        self.enter(accepted, CUTTING if self.set["cut_lead_ticks"] else MOVING)
        sent = (self.phase == MOVING) & (self.carts.target != self.goal)
        for k in np.flatnonzero(sent):
            move = abs(self.set["angle"][self.goal[k]] - self.set["angle"][self.carts.target[k]])
            self.carts.disengage(k)
            self.carts.target[k] = self.goal[k]
            self.carts.drum[k] = self.move_time(move)
        return self.phase == DRIVING, accepted

    def move_time(self, angle):
        speed, rise, settling = self.set["servo"]
        if angle <= speed * speed / rise:
            return 2 * (angle / rise) ** 0.5 + settling
        return angle / speed + speed / rise + settling
