/* An independent world with obstacles: the cart, its sensors, a feeler or a gyroscope, driven by an exported controller.
 *
 * Shares no line with the simulator. Fourth-order Runge-Kutta with steps of 1 ms. A wheel on an obstacle moves along the
 * exact circle about its top; the share of mass above it moves along, so that the mass in the direction of travel is
 * M + sum m tan^2, and a strike keeps what a plastic contact keeps of the momentum along the new direction:
 *
 *     (M + sum m tan^2) dv/dt + v^2/2 d(sum m tan^2)/dx = tractive force - resistance - sum W tan
 *
 * With -DLAPS the courses are laps of one way, on wheels that turn further than the cart moves, as laps.py writes them; with
 * -DMEMORY the controller learns that way lap by lap.
 *
 * Reads numbers from the standard input as ahead.py writes them; prints a line per course: time in s, -1 where it was not
 * finished, gear changes, ticks in which the motor stood still under drive, obstacles of 4.5 mm and more that the rear axle
 * strikes, and those of them that the controller expects there then (of a controller that knows no strikes: none).
 */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include "lowgear.h"
#ifdef MEMORY
#include "lowgear_laps.h"

static lowgear_laps laps;
#endif

#define GRAVITY 9.80665
#define COPPER 0.00393
#define TICK_S 0.05
#define STEP_S 0.001
#define MOST 512
#define GEARS 8

typedef struct {
    double mass, wheels, radius, drag, kt, ke, ohm, i0, rotor, source, capacity, rolling, friction;
    double winding_j_k, housing_j_k, link_k_w, air_k_w, magnet;
    double servo[3], angle[GEARS], ratio[GEARS], forth[GEARS], back[GEARS], ocv[32];
    double pulses, encoder_noise, battery[2], tilt[2], tilt_bias;
    double ahead, arm, roller, fall, noise, play, step, offset, roller_drag, wheelbase, front_share, fade;
    int gears, cells;
} cart_data;

typedef struct {
    double at, height;
    int edge;
} obstacle;

typedef struct {
    double x, v, winding, housing, charge, spin, moving, turned, arm_m, shown, pitch, faded, peak;
    int gear, target; /* gear -1: none */
} cart_state;

static cart_data cart;
static obstacle wheels[MOST], track[MOST];
static int wheel_count, track_count;
static uint64_t seed;
static int struck, expected;
#ifdef LAPS
#define SLIP_M 0.2
static double radius_of_file, slip_mean, slip_sd, slips[MOST];
#endif

static double uniform(void)
{
    uint64_t z = (seed += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return ((double)((z ^ (z >> 31)) >> 11) + 0.5) / 9007199254740992.0;
}

static double normal(void)
{
    const double radius = sqrt(-2.0 * log(uniform()));
    return radius * cos(6.283185307179586 * uniform());
}

static double number(void)
{
    double value = 0.0;
    if (scanf("%lf", &value) != 1) {
        fprintf(stderr, "the input ends too early\n");
        exit(1);
    }
    return value;
}

static void numbers(double *to, int count)
{
    int i;
    for (i = 0; i < count; i++) {
        to[i] = number();
    }
}

/* Half the way on which a wheel of this radius rolls over a top of this height. */
static double reach(double radius, double height)
{
    return height < radius ? sqrt((2.0 * radius - height) * height) : radius;
}

/* Height of the middle of a wheel over flat ground, its slope, and how that changes. */
static void lifted(const obstacle *all, int count, double radius, double x, double *z, double *slope, double *bend)
{
    int i;
    *z = *slope = *bend = 0.0;
    for (i = 0; i < count; i++) {
        const double d = x - all[i].at, a = reach(radius, all[i].height);
        if (all[i].edge && d >= 0.0) {
            *z += all[i].height;
        } else if (d > -a && d < a) {
            const double root = sqrt(radius * radius - d * d);
            *z += root - (radius - all[i].height);
            *slope += -d / root;
            *bend += -radius * radius / (root * root * root);
        }
    }
}

static double open_circuit(double charge)
{
    const double at = fmin(fmax(charge, 0.0), 1.0) * (cart.cells - 1);
    const int i = (int)fmin(at, cart.cells - 2);
    return cart.ocv[i] + (cart.ocv[i + 1] - cart.ocv[i]) * (at - i);
}

static double magnets(const cart_state *s)
{
    return 1.0 - cart.magnet * s->housing;
}

static double current(const cart_state *s, double duty, double omega)
{
    const double ohm = cart.ohm * (1.0 + COPPER * s->winding);
    if (duty <= 0.0) {
        return 0.0;
    }
    return (duty * open_circuit(s->charge) - magnets(s) * cart.ke * omega) / (ohm + duty * duty * cart.source);
}

static double turn_of(int gear)
{
    return cart.ratio[gear] / cart.radius;
}

/* Mass in the direction of travel beyond the rotor's, force of the flanks, and what the bend of the path takes. */
static void flanks(double x, double v, double *mass, double *force)
{
    const double share[2] = { cart.front_share, 1.0 - cart.front_share };
    int i;
    *mass = cart.mass + cart.wheels;
    *force = 0.0;
    for (i = 0; i < 2; i++) {
        double z, slope, bend;
        const double m = cart.mass * share[i];
        lifted(wheels, wheel_count, cart.radius, x - (i ? cart.wheelbase : 0.0), &z, &slope, &bend);
        *mass += m * slope * slope;
        *force += m * GRAVITY * slope + v * v * m * slope * bend;
    }
}

static double rate(const cart_state *s, double duty, double x, double v)
{
    const double steady = cart.drag + cart.mass * GRAVITY * cart.rolling + cart.roller_drag;
    double mass, force, way, turn, electric, friction, rotor, forth, back, motor, load, a;
    flanks(x, v, &mass, &force);
    if (s->gear < 0) {
        way = v > 0.0 ? 1.0 : v < 0.0 ? -1.0 : force > steady ? -1.0 : 0.0;
        return way == 0.0 ? 0.0 : -(force + steady * way) / mass;
    }
    turn = turn_of(s->gear);
    electric = cart.kt * magnets(s) * current(s, duty, v * turn);
    friction = cart.kt * cart.i0;
    rotor = cart.rotor * turn * turn;
    forth = cart.forth[s->gear];
    back = 1.0 / cart.back[s->gear];
    way = v > 0.0 ? 1.0 : -1.0;
    if (v == 0.0) {
        const double push = fmax(electric - friction, 0.0) * turn * forth;
        const double hold = (electric + friction) * turn * back;
        if (push - force > steady) {
            way = 1.0;
        } else if (force - hold > steady) {
            way = -1.0;
        } else {
            return 0.0;
        }
    }
    motor = (electric - friction * way) * turn;
    load = force + steady * way;
    a = (forth * motor - load) / (mass + forth * rotor);
    if ((motor - rotor * a) * way < 0.0) {
        a = (back * motor - load) / (mass + back * rotor);
    }
    return a;
}

/* Whether the controller has the next strike near: readings may be three ticks late. */
static int expects(const lowgear_state *controller)
{
#ifdef LOWGEAR_AHEAD_MM
    const uint16_t next = lowgear_next_strike(controller);
    return next >> 10 >= 2 && (next & 1023) <= 80;
#else
    (void)controller;
    return 0;
#endif
}

/* A wheel that has reached the foot of an obstacle strikes it. */
static void strike(cart_state *s, double before, const lowgear_state *controller)
{
    int axle, i;
    for (axle = 0; axle < 2; axle++) {
        const double behind = axle ? cart.wheelbase : 0.0;
        const double m = cart.mass * (axle ? 1.0 - cart.front_share : cart.front_share);
        for (i = 0; i < wheel_count; i++) {
            const double a = reach(cart.radius, wheels[i].height);
            const double foot = wheels[i].at - a, heel = wheels[i].at + a;
            const int forward = before - behind <= foot && s->x - behind > foot;
            const int back = !wheels[i].edge && before - behind >= heel && s->x - behind < heel;
            if (axle && forward && wheels[i].height >= 0.0045) {
                struck++;
                expected += expects(controller);
            }
            if (forward || back) {
                const double root = cart.radius - wheels[i].height, slope = a / root;
                double mass, force;
                flanks(before, 0.0, &mass, &force);
                if (s->gear >= 0) {
                    mass += cart.rotor * turn_of(s->gear) * turn_of(s->gear);
                }
                s->v *= mass / (mass + m * slope * slope);
            }
        }
    }
}

static void warm(cart_state *s, double duty, double v)
{
    double omega, amps, link, friction;
    if (s->gear < 0) {
        s->spin = fmax(s->spin - cart.kt * cart.i0 / cart.rotor * STEP_S, 0.0);
        omega = s->spin;
        duty = 0.0;
    } else {
        omega = fabs(v) * turn_of(s->gear);
    }
#ifdef LAPS
    s->turned += omega * STEP_S * (1.0 + slips[(int)fmin(fmax(s->x, 0.0) / SLIP_M, MOST - 1)]);
#else
    s->turned += omega * STEP_S;
#endif
    amps = current(s, duty, omega);
    link = (s->winding - s->housing) / cart.link_k_w;
    friction = (cart.kt * cart.i0 + (cart.ke - cart.kt) * magnets(s) * amps) * omega;
    s->housing += STEP_S * (friction + link - s->housing / cart.air_k_w) / cart.housing_j_k;
    s->winding += STEP_S * (amps * amps * cart.ohm * (1.0 + COPPER * s->winding) - link) / cart.winding_j_k;
    s->charge -= STEP_S * duty * amps / cart.capacity;
}

/* The arm falls no faster than its damper lets it; the roller is lifted at once. */
static void feel(cart_state *s)
{
    double front, rear, ground, ignored[2];
    lifted(wheels, wheel_count, cart.radius, s->x, &front, &ignored[0], &ignored[1]);
    lifted(wheels, wheel_count, cart.radius, s->x - cart.wheelbase, &rear, &ignored[0], &ignored[1]);
    lifted(track, track_count, cart.roller, s->x + cart.ahead, &ground, &ignored[0], &ignored[1]);
    ground -= front + (front - rear) / cart.wheelbase * cart.ahead;
    s->arm_m = fmax(ground, s->arm_m - cart.fall * STEP_S);
    if (cart.fade > 0.0) { /* the gyroscope's rate, added up; its zero is off by the offset */
        const double pitch = asin(fmax(fmin((front - rear) / cart.wheelbase, 1.0), -1.0)) * 57.29577951308232;
        s->faded += pitch - s->pitch + (cart.offset - s->faded / cart.fade) * STEP_S;
        s->pitch = pitch;
        s->peak = fmax(s->peak, s->faded);
    }
}

static void step(cart_state *s, double duty, const lowgear_state *controller)
{
    const double h = STEP_S, x = s->x, v = s->v;
    const double k1 = rate(s, duty, x, v);
    const double k2 = rate(s, duty, x + 0.5 * h * v, v + 0.5 * h * k1);
    const double k3 = rate(s, duty, x + 0.5 * h * (v + 0.5 * h * k1), v + 0.5 * h * k2);
    const double k4 = rate(s, duty, x + h * (v + 0.5 * h * k2), v + h * k3);
    double fresh = v + h * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0;
    if (v * fresh < 0.0 || (v > 0.0 && fresh < 1e-6 && k1 < 0.0)) {
        fresh = 0.0;
    }
    s->x = x + 0.5 * h * (v + fresh);
    s->v = fresh;
    strike(s, x, controller);
    warm(s, duty, 0.5 * (v + fresh));
    feel(s);
}

static void order(cart_state *s, int gear)
{
    const double way = fabs(cart.angle[gear] - cart.angle[s->target]);
    const double speed = cart.servo[0], acceleration = cart.servo[1];
    if (gear == s->target) {
        return;
    }
    s->moving = cart.servo[2]
        + (way <= speed * speed / acceleration ? 2.0 * sqrt(way / acceleration) : way / speed + speed / acceleration);
    if (s->gear >= 0) {
        s->spin = fabs(s->v) * turn_of(s->gear);
    }
    s->gear = -1;
    s->target = gear;
}

static void engage(cart_state *s)
{
    const double turn = turn_of(s->target), rotor = cart.rotor * turn * turn;
    double mass, force;
    flanks(s->x, 0.0, &mass, &force);
    s->gear = s->target;
    s->v = (mass * s->v + rotor * s->spin / turn) / (mass + rotor);
}

static double stepped(double value, const double *sensor)
{
    return floor((value + sensor[1] * normal()) / sensor[0] + 0.5) * sensor[0];
}

/* The readings at the end of a tick. */
static lowgear_raw sense(cart_state *s, double duty, double *counted, double before, double highest)
{
    const double omega = s->gear >= 0 ? fabs(s->v) * turn_of(s->gear) : 0.0;
    const double pulses = floor(s->turned * cart.pulses / 6.283185307179586);
    const double volts = open_circuit(s->charge) - cart.source * duty * current(s, duty, omega);
    const double lean = atan2((s->v - before) / TICK_S, GRAVITY) * 57.29577951308232 + cart.tilt_bias;
    const double angle = asin(fmax(fmin(highest / cart.arm, 1.0), -1.0)) * 57.29577951308232 + cart.offset;
    lowgear_raw raw;
    const double counts = (pulses - *counted) * (1.0 + cart.encoder_noise * normal());
    *counted = pulses;
    s->shown = fmin(fmax(s->shown, angle - 0.5 * cart.play), angle + 0.5 * cart.play);
    raw.encoder_counts = (uint16_t)fmax(floor(counts + 0.5), 0.0);
    raw.battery_mv = (uint16_t)(1000.0 * stepped(volts, cart.battery) + 0.5);
    raw.current_ma = 0;
    raw.tilt_ddeg = (int16_t)floor(10.0 * stepped(lean, cart.tilt) + 0.5);
    raw.duty_permille = (uint16_t)(1000.0 * duty + 0.5);
    raw.selector_ddeg = (uint16_t)(10.0 * (cart.angle[s->target] - (s->gear < 0 ? 12.0 : 0.0)) + 0.5);
    raw.preview = (int16_t)floor(10.0 * floor((s->shown + cart.noise * normal()) / cart.step + 0.5) * cart.step + 0.5);
    if (cart.fade > 0.0) {
        raw.preview = (int16_t)floor(100.0 * (s->peak + cart.noise * normal()) + 0.5);
        s->peak = s->faded;
    }
    return raw;
}

static void drive(double length, double charge, int late, double limit)
{
    cart_state s = { 0 };
    lowgear_state controller;
    lowgear_raw past[8];
    double duty = 0.0, counted = 0.0, before = 0.0, highest = 0.0;
    int tick = 0, gear = 0, shifts = 0, stalls = 0;
    s.charge = charge;
    struck = expected = 0;
    lowgear_start(&controller, 0u);
#ifdef LAPS
    for (tick = 0; tick < MOST; tick++) {
        slips[tick] = slip_mean + slip_sd * normal();
    }
    tick = 0;
#endif
#ifdef MEMORY
    /* The cart stands at the mark. */
    lowgear_laps_begin(&laps);
    laps.tick_way = 0u;
#endif
    while (tick * TICK_S < limit) {
        int i;
        lowgear_command c;
        lowgear_raw raw = sense(&s, duty, &counted, before, highest);
        const lowgear_raw fresh = raw;
        past[tick % 8] = raw;
        raw = past[tick < late ? 0 : (tick - late) % 8];
        raw.selector_ddeg = fresh.selector_ddeg;
        raw.duty_permille = fresh.duty_permille;
#ifdef MEMORY
        c = lowgear_laps_tick(&laps, &controller, &raw);
#else
        c = lowgear_tick(&controller, &raw);
#endif
        before = s.v;
        shifts += c.gear != gear;
        gear = c.gear;
        duty = c.drive ? 1.0 : 0.0;
        stalls += c.drive && s.gear >= 0 && s.v == 0.0;
        order(&s, gear);
        highest = -1.0;
        for (i = 0; i < (int)(TICK_S / STEP_S + 0.5); i++) {
            if (s.gear < 0 && (s.moving -= STEP_S) <= 0.0) {
                engage(&s);
            }
            step(&s, duty, &controller);
            highest = fmax(highest, s.arm_m);
            if (s.x >= length) {
                printf("%.3f %d %d %d %d\n", tick * TICK_S + (i + 1) * STEP_S, shifts, stalls, struck, expected);
                return;
            }
        }
        tick++;
    }
    printf("-1 %d %d %d %d\n", shifts, stalls, struck, expected);
}

static int read_obstacles(obstacle *to)
{
    const int count = (int)number();
    int i;
    for (i = 0; i < count; i++) {
        const double at = number(), height = number(), edge = number();
        if (i < MOST) {
            to[i].at = at;
            to[i].height = height;
            to[i].edge = edge > 0.5;
        }
    }
    return count < MOST ? count : MOST;
}

int main(void)
{
    int courses;
    if (!lowgear_self_test()) {
        fprintf(stderr, "the self-test failed\n");
        return 1;
    }
#ifdef MEMORY
    if (!lowgear_laps_self_test()) {
        fprintf(stderr, "the self-test of the memory failed\n");
        return 1;
    }
    lowgear_laps_start(&laps);
#endif
    cart.gears = (int)number();
    cart.cells = (int)number();
    numbers(cart.angle, cart.gears);
    numbers(cart.ratio, cart.gears);
    numbers(cart.forth, cart.gears);
    numbers(cart.back, cart.gears);
    numbers(cart.ocv, cart.cells);
    numbers(&cart.mass, 18);
    numbers(cart.servo, 3);
    numbers(&cart.pulses, 7);
    numbers(&cart.ahead, 12);
#ifdef LAPS
    radius_of_file = cart.radius;
#endif
    for (courses = (int)number(); courses > 0; courses--) {
        const double length = number(), charge = number();
        const int late = (int)number();
        seed = (uint64_t)number();
        cart.offset = number();
#ifdef LAPS
        cart.radius = radius_of_file * number();
        slip_mean = number();
        slip_sd = number();
#endif
        wheel_count = read_obstacles(wheels);
        track_count = read_obstacles(track);
        drive(length, charge, late, 600.0);
    }
    return 0;
}
