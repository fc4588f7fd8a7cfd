"""The motion of many carts at once, one per row of a file, written from the equations in small steps.

Every cart has its own course. All take a step together, each as long as it may: at the most `longest`, and no
further than the next place where its ground changes. Speeds by Heun's method; forces are constant or linear in
the place between two such places, so their sums are computed there, cart by cart, and kept.
"""

import bisect
import math

import numpy as np

GRAVITY = 9.80665
COPPER = 0.00393
NEUTRAL = -1
# A wheel that rolls back off an obstacle more slowly than this and is pushed against it stays there, m/s.
BOUNCE = 0.01
FREE, FRONT, BEHIND = 0, 1, 2


def contact(radius, top, height, rod, driven):
    """Begin, top, end, slope of the force, width and cosine of a wheel on an obstacle."""
    cosine = (radius - height / 2) / (radius + height / 2) if rod else 1 - height / radius
    sine = math.sqrt(1 - cosine * cosine)
    slope = sine if driven else sine / cosine
    width = 2 * height / slope
    return top - width, top, top + width if rod else top, slope, width, cosine, rod


class Carts:
    """State and sums of all carts, one array element each."""

    def __init__(self, rows, longest):
        self.rows, self.longest = rows, longest
        n = len(rows)

        def column(key):
            return np.array([row[key] for row in rows], float)

        self.mass, self.wheel, self.radius = column("mass"), column("wheel_mass"), column("radius")
        self.body = self.mass + self.wheel
        self.cold_motor, self.magnet = (column("kt"), column("ke"), column("i0")), column("magnet")
        self.cold_ohm, self.inertia, self.source_ohm = column("ohm"), column("rotor"), column("source_ohm")
        self.air_drag = 0.6 * column("drag_area")
        self.heat = np.array([row["heat"] for row in rows], float).T
        self.ocv_table = np.array([row["ocv"] for row in rows], float)
        self.gears = np.array([row["gears"] for row in rows], float)
        self.length = column("length")
        self.air, self.ampere_s = column("air"), 3600 * column("ah")
        self.x, self.v, self.w, self.a = (np.zeros(n) for _ in range(4))
        self.turned, self.energy, self.last_current = (np.zeros(n) for _ in range(3))
        self.winding, self.housing, self.charge = np.zeros(n), np.zeros(n), column("charge")
        self.slipping = np.zeros(n, bool)
        self.duty, self.drum = np.zeros(n), np.full(n, np.inf)
        self.gear, self.target = np.zeros(n, int), np.zeros(n, int)
        self.turn, self.rotor, self.forth, self.back = (np.zeros(n) for _ in range(4))
        self.grade, self.rolling, self.drag, self.grip = (np.zeros(n) for _ in range(4))
        self.rolling_a, self.grip_a, self.front_lost = (np.zeros(n) for _ in range(3))
        self.peak, self.fall, self.front, self.behind = (np.zeros(n) for _ in range(4))
        self.ahead, self.astern = np.zeros(n), np.zeros(n)
        self.events = [None] * n
        self.starts = [[s[0] for s in row["segments"]] for row in rows]
        self.contacts = [
            [[contact(row["radius"], *o, axle[1]) for o in row["obstacles"]] for axle in row["axles"]] for row in rows
        ]
        # Per axle: segment, first obstacle that is not behind it, whether it is on it, what it rests against.
        self.spots = [[self.first_spot(k, i) for i in range(len(rows[k]["axles"]))] for k in range(n)]
        self.warm_and_drain(None)
        for k in range(n):
            self.mesh(k, 0)
            self.survey(k)

    def first_spot(self, k, axle):
        at = -self.rows[k]["axles"][axle][0]
        segment = max(bisect.bisect_right(self.starts[k], at) - 1, 0)
        return [segment, sum(c[2] <= at for c in self.contacts[k][axle]), False, FREE]

    def mesh(self, k, gear):
        """Puts a gear (or none) in mesh, speeds untouched."""
        self.gear[k] = gear
        ratio, forth, back = (0.0, 1.0, 1.0) if gear == NEUTRAL else self.gears[k, gear]
        self.turn[k] = ratio / self.radius[k]
        self.rotor[k] = self.inertia[k] * self.turn[k] ** 2
        self.forth[k], self.back[k] = forth, back

    def survey(self, k):
        """Sums of the forces on cart `k`, and the next places ahead and astern where they change."""
        row, weight = self.rows[k], self.mass[k] * GRAVITY
        grade = drag = grip = peak = fall = front = behind = lost = rolling_a = grip_a = 0.0
        rolling = row["drag"]
        ahead, astern = (self.length[k], ("finish", 0)), (-math.inf, None)
        for i, (back, driven, share, per_grade) in enumerate(row["axles"]):
            segment, near, on, touch = self.spots[k][i]
            start, sine, surface = row["segments"][segment]
            crr, viscous, friction = row["surfaces"][surface]
            cosine, lean, contacts = math.sqrt(1 - sine * sine), 1.0, self.contacts[k][i]
            # What presses the axle on the ground, and what an acceleration adds to it.
            load = weight * share
            pressed, pressed_a = weight * (share * cosine + per_grade * sine), self.mass[k] * per_grade
            grade += load * sine
            rolling += pressed * crr * row["rolling_factor"]
            rolling_a += pressed_a * crr * row["rolling_factor"]
            drag += load * viscous * row["rolling_factor"]
            if on:
                _, top, _, slope, width, lean, _ = contacts[near]
                fall += load * slope / width
                peak += load * slope / width * (top + back)
            if touch == FRONT:
                front += load * contacts[near][3]
                if driven:
                    lost += friction * row["friction_factor"] * pressed * (1 - contacts[near][5])
            if touch == BEHIND:
                behind += load * contacts[near - 1][3]
            if driven:
                grip += friction * row["friction_factor"] * pressed * lean
                grip_a += friction * row["friction_factor"] * pressed_a * lean
            if segment + 1 < len(row["segments"]):
                ahead = min(ahead, (row["segments"][segment + 1][0] + back, ("border", i)))
            if segment > 0:
                astern = max(astern, (start + back, ("border", i)))
            if near < len(contacts):
                ahead = min(ahead, (contacts[near][2 if on else 0] + back, ("leave" if on else "mount", i)))
            if on:
                astern = max(astern, (contacts[near][0] + back, ("leave", i)))
            elif near > 0:
                astern = max(astern, (contacts[near - 1][2] + back, ("mount", i)))
        self.grade[k], self.rolling[k], self.drag[k], self.grip[k] = grade, rolling, drag, grip
        self.rolling_a[k], self.grip_a[k], self.front_lost[k] = rolling_a, grip_a, lost
        self.peak[k], self.fall[k], self.front[k], self.behind[k] = peak, fall, front, behind
        self.ahead[k], self.astern[k], self.events[k] = ahead[0], astern[0], (ahead[1], astern[1])

    def happens(self, k, forward):
        """The event at the place that cart `k` has come to. Whether it is the end."""
        kind, i = self.events[k][0 if forward else 1]
        self.x[k] = self.ahead[k] if forward else self.astern[k]
        spot = self.spots[k][i]
        if kind == "finish":
            return True
        if kind == "border":
            spot[0] += 1 if forward else -1
        if kind == "mount":
            spot[1] -= 0 if forward else 1
            spot[2] = True
            bump = self.contacts[k][i][spot[1]]
            if forward or bump[6]:
                self.strike(k, i, bump[5])
        if kind == "leave":
            bump = self.contacts[k][i][spot[1]]
            spot[2] = False
            spot[1] += 1 if forward else 0
            if bump[6] or not forward:
                self.strike(k, i, bump[5])
                self.survey(k)
                self.rest_against(k, spot, forward)
        self.survey(k)
        return False

    def strike(self, k, axle, cosine):
        total = self.mass[k] if self.slipping[k] else self.body[k] + self.rotor[k]
        self.v[k] *= 1 - self.mass[k] * self.rows[k]["axles"][axle][2] * (1 - cosine) / total
        self.lock(k)

    def lock(self, k):
        if self.gear[k] != NEUTRAL and not self.slipping[k]:
            self.w[k] = self.v[k] * self.turn[k]

    def rest_against(self, k, spot, forward):
        if abs(self.v[k]) > BOUNCE:
            return
        push = min(self.stall_push()[k], max(self.grip[k], 0.0))
        net = push - self.grade[k] - self.slope_force(self.x)[k]
        if net < -self.rolling[k] if forward else net > -self.rolling[k]:
            self.v[k] = 0.0
            self.lock(k)
            spot[3] = FRONT if not forward else BEHIND

    def slope_force(self, x):
        return self.peak - self.fall * x

    def stall_push(self):
        current = np.where(self.duty > 0, self.duty * self.ocv / self.ohm, 0.0)
        return np.maximum(self.kt * (current - self.i0), 0.0) * self.turn * self.forth

    def disengage(self, k):
        self.mesh(k, NEUTRAL)
        self.slipping[k] = False

    def engage(self, k):
        """Both sides take a common speed."""
        self.mesh(k, self.target[k])
        difference = self.w[k] / self.turn[k] - self.v[k]
        self.v[k] += self.rotor[k] / (self.body[k] + self.rotor[k]) * difference
        if abs(self.v[k]) < 1e-9:
            self.v[k] = 0.0
        self.w[k] = self.v[k] * self.turn[k]
        self.drum[k] = np.inf
        if self.v[k] != 0.0:
            self.let_go(k, 0.0)

    def let_go(self, k, way):
        """Leaves rest: a wheel that rests against an obstacle in the way is on it from now on."""
        for spot in self.spots[k]:
            if spot[3] == FRONT and way > 0:
                spot[2] = True
            if spot[3] == BEHIND and way < 0:
                spot[1], spot[2] = spot[1] - 1, True
            spot[3] = FREE
        self.survey(k)

    def directions(self):
        """Way of each cart: that of its speed, or the one that drive and slope overcome, or 0."""
        way = np.sign(self.v)
        still = way == 0
        if still.any():
            slope = self.grade + self.slope_force(self.x)
            driven = self.duty > 0
            current = np.where(driven, self.duty * self.ocv / self.ohm, 0.0)
            hold = self.kt * (current + self.i0) * self.turn / self.back
            push = np.minimum(self.stall_push(), self.grip - self.front_lost)
            starts = push - slope > self.rolling + self.front + np.where(driven, 0.0, hold)
            falls = slope - np.minimum(hold, self.grip) > self.rolling + self.behind
            way = np.where(still, np.where(starts, 1.0, np.where(falls, -1.0, 0.0)), way)
            for k in np.flatnonzero(still & (way != 0) & (self.front + self.behind > 0)):
                self.let_go(k, way[k])
        return way

    def rates(self, x, v, w, way):
        """Acceleration of body and motor, current, and how far the contact force is beyond the grip."""
        current = np.where(self.duty > 0, (self.duty * self.ocv - self.ke * w) / self.ohm, 0.0)
        geared = self.turn > 0
        spin = np.where(geared & ~self.slipping, way, np.where(w < 0, -1.0, 1.0))
        torque = self.kt * (current - self.i0 * spin)
        resist = self.grade + self.slope_force(x) + self.rolling * way + (self.drag + self.air_drag * np.abs(v)) * v
        # Loads follow the acceleration, and both are solved for together.
        sliding = (self.grip - resist) / (self.mass + self.rolling_a * way - self.grip_a)
        carried = np.where(self.slipping, self.wheel, self.body + self.rolling_a * way)
        against = np.where(self.slipping, self.grip + self.grip_a * sliding, resist)
        pull = self.turn * torque
        share = self.forth
        a = (share * pull - against) / (carried + share * self.rotor)
        # The losses are on the side that the torque goes to.
        share = np.where((pull - self.rotor * a) * spin >= 0, share, 1 / self.back)
        a = (share * pull - against) / (carried + share * self.rotor)
        beyond = share * (pull - self.rotor * a) - self.wheel * a - self.grip - self.grip_a * a
        body = np.where(self.slipping, sliding, a)
        return body * (way != 0), np.where(geared, a * self.turn, torque / self.inertia), current, beyond

    def longest_step(self, left, way):
        """No longer than may be, than the drum takes, and than the way to the next place."""
        dt = np.minimum(np.minimum(self.longest, left), self.drum)
        distance = np.where(way > 0, self.ahead - self.x, self.x - self.astern)
        speed = np.abs(self.v)
        with np.errstate(divide="ignore", invalid="ignore"):
            guess = np.where(speed > 0, distance / speed, np.inf)
            mean = speed + 0.5 * self.a * way * np.minimum(guess, dt)
            guess = np.where(mean > 0, distance / mean, np.inf)
        return np.maximum(np.where(guess < dt, guess, dt), 0.0)

    def step(self, left):
        """One step of every cart that has time left; returns the time used and the carts that finished."""
        way = self.directions()
        dt = self.longest_step(left, way)
        v, w = self.v, self.w
        a0, b0, i0, beyond = self.rates(self.x, v, w, way)
        a1, b1, _, _ = self.rates(self.x + dt * v, v + dt * a0, w + dt * b0, way)
        moved_v = v + 0.5 * dt * (a0 + a1)
        # A cart that would turn round stops there, and the rest of the step is another one.
        stops = (v * moved_v < 0) & (left > 0)
        dt = np.where(stops, dt * v / np.where(stops, v - moved_v, 1.0), dt)
        moved_v = np.where(stops, 0.0, moved_v)
        moved_w = w + 0.5 * dt * (b0 + b1)
        geared = self.turn > 0
        locked = geared & ~self.slipping
        moved_w = np.where(locked, moved_v * self.turn, moved_w)
        moved_w = np.where(~geared & (moved_w * w <= 0), 0.0, moved_w)
        self.x = self.x + 0.5 * dt * (v + moved_v)
        self.v, self.w, self.a = moved_v, moved_w, a0
        self.book(dt, w, moved_w, i0)
        stalled_push = self.stall_push() - self.grip + self.front_lost
        begins = locked & np.where(way == 0, (self.duty > 0) & (stalled_push > 0), beyond > 0)
        ends = self.slipping & (moved_w <= moved_v * self.turn)
        self.slipping = (self.slipping | begins & (left > 0)) & ~ends
        self.w = np.where(ends, moved_v * self.turn, self.w)
        arrived = np.where(way > 0, self.ahead - self.x, self.x - self.astern) < 1e-8
        finished = [k for k in np.flatnonzero(arrived & (way != 0) & (left > 0)) if self.happens(k, way[k] > 0)]
        return dt, finished

    def book(self, dt, w0, w1, i0):
        i1 = np.where(self.duty > 0, (self.duty * self.ocv - self.ke * w1) / self.ohm, 0.0)
        self.last_current = i1
        turned = 0.5 * dt * (w0 + w1)
        self.turned += turned
        charge = 0.5 * dt * (i0 + i1)
        self.tick_charge += self.duty * charge
        self.tick_winding_j += self.winding_ohm * dt * (i0 * i0 + i0 * i1 + i1 * i1) / 3
        friction = self.kt * self.i0 * np.abs(turned) + (self.ke - self.kt) * 0.25 * dt * (i0 + i1) * (w0 + w1)
        self.tick_friction_j += friction

    def warm_and_drain(self, tick):
        """Heat and charge at the end of a tick, and the supply of the next."""
        if tick is not None:
            c_w, c_h, r_wh, r_ha = self.heat
            for _ in range(2):
                link = (self.winding - self.housing) / r_wh
                self.winding = self.winding + 0.5 * (self.tick_winding_j - link * tick) / c_w
                self.housing = (
                    self.housing + 0.5 * (self.tick_friction_j + (link - self.housing / r_ha) * tick) / c_h
                )
            self.energy += self.ocv * self.tick_charge
            self.charge = self.charge - self.tick_charge / self.ampere_s
        last = self.ocv_table.shape[1] - 1
        at = np.clip(self.charge, 0.0, 1.0) * last
        i = np.minimum(at.astype(int), last - 1)
        k = np.arange(len(at))
        self.ocv = self.ocv_table[k, i] + (self.ocv_table[k, i + 1] - self.ocv_table[k, i]) * (at - i)
        magnets = 1 - self.magnet * (self.air - 20 + self.housing)
        kt, ke, idle = self.cold_motor
        self.kt, self.ke, self.i0 = kt * magnets, ke * magnets, idle / magnets
        self.winding_ohm = self.cold_ohm * (1 + COPPER * (self.air - 20 + self.winding))
        self.tick_charge, self.tick_winding_j, self.tick_friction_j = (np.zeros(len(at)) for _ in range(3))

    def drive(self, tick, duty, moving):
        """One tick of all carts in `moving` at `duty`; returns the time that passed and who finished."""
        self.duty = np.where(moving, duty, 0.0)
        self.ohm = self.winding_ohm + self.duty**2 * self.source_ohm
        left = np.where(moving, tick, 0.0)
        finished = np.zeros(len(left), bool)
        unused = np.zeros(len(left))
        while (left > 1e-12).any():
            used, ends = self.step(left)
            left = np.where(left > 1e-12, left - used, 0.0)
            self.drum -= used
            for k in ends:
                finished[k], unused[k], left[k] = True, left[k], 0.0
            for k in np.flatnonzero(self.drum <= 1e-12):
                self.engage(k)
        self.terminal = self.ocv - self.source_ohm * self.duty * self.last_current
        self.warm_and_drain(tick)
        return np.where(moving, tick - unused, 0.0), finished
