/* Gear-shift controller: features, guard and decision table.
 * Generated; change the table's source and generate again instead of editing.
 *
@PROVENANCE@ *
 * CAUTIONS
 * - A stalled or climbing motor turns all its power into heat and can pass 100 degrees C within a minute
 *   or two. Set a current limit as well, let it cool, do not touch it.
 * - Lithium cells can burn. Use a pack with protection and a fuse, charge it attended, never swollen or
 *   wet, never below its cut-off voltage.
 * - Pinch points: selector, dogs, gears and wheels move without warning once a table is loaded.
 * - First run of every new table: wheels off the ground, vehicle held; then low duty on clear, flat ground.
 * - Keep a physical emergency stop or the battery plug in reach.
 * - Loss of signal, a stale sensor or a failed shift must end in zero drive: never drive the motor unless
 *   `drive` of the last command is set and that command is not older than one tick.
 * - In neutral a vehicle on a slope rolls away: chock its wheels.
 * - The table is as good as the simulation it comes from: check it against the real motor and gears.
 * - For small unmanned vehicles only: never for vehicles that carry or lift people, never on roads.
 *
 * UNITS AND SCALING (integers throughout)
 * - _ticks: controller ticks; call lowgear_tick() exactly once a tick.
 * - _permille: thousandths. _ddeg: tenths of a degree. _mv: millivolts. _ma: milliamperes.
 * - Speeds are permille of the motor's no-load speed, loads permille of the top gear's stall force.
 * - Filters carry 6 bits of fraction.
 *
 * USE
 *   lowgear_state state;
 *   lowgear_start(&state, 0);                            the lowest gear is engaged
 *   every tick: fill a lowgear_raw; lowgear_command c = lowgear_tick(&state, &raw);
 *               c.drive == 0: motor off. Otherwise: motor at the driver's duty.
 *               c.gear: send the selector to lowgear_angle_of(c.gear).
 *               c.nudge: repeat that order now. c.recalibrate: run against the reference first.
 *               c.park: send the selector to Park instead.
 *
 * PROGRAM MEMORY: tables go where LOWGEAR_ROM puts them and are read through LOWGEAR_READ (a byte) and
 * LOWGEAR_READ16 (two bytes). Define all three before including this file where constants do not live in
 * ordinary address space.
 */
#ifndef LOWGEAR_H
#define LOWGEAR_H

#include <stdint.h>

#ifndef LOWGEAR_ROM
#define LOWGEAR_ROM
#endif
#ifndef LOWGEAR_READ
#define LOWGEAR_READ(address) (*(address))
#endif
#ifndef LOWGEAR_READ16
#define LOWGEAR_READ16(address) (*(address))
#endif

#define LOWGEAR_FORMAT @FORMAT@
#define LOWGEAR_HASH "@HASH@"

/* ---- settings ---------------------------------------------------------------------------------- */

@SETTINGS@
/* ---- decision table ---------------------------------------------------------------------------- */

@TABLE@
/* ---- types ------------------------------------------------------------------------------------- */

#define LOWGEAR_FEATURES 12

enum { LOWGEAR_DOWN = 0, LOWGEAR_HOLD = 1, LOWGEAR_UP = 2 };

enum {
    LOWGEAR_DRIVING = 0,       /* a gear is engaged and driven */
    LOWGEAR_CUTTING = 1,       /* drive cut, selector still at rest */
    LOWGEAR_MOVING = 2,        /* the selector moves, or the dogs have not entered yet */
    LOWGEAR_RECALIBRATING = 3, /* the selector runs against its reference */
    LOWGEAR_RESTING = 4,       /* the motor rests after a stall */
    LOWGEAR_PARKED = 5         /* the selector stands in Park */
};

enum {
    LOWGEAR_IDLE = 0,         /* nothing was asked for */
    LOWGEAR_ACCEPTED = 1,     /* the shift begins */
    LOWGEAR_NO_SUCH_GEAR = 2, /* there is no such gear */
    LOWGEAR_BUSY = 3,         /* a shift or a rest is under way */
    LOWGEAR_DWELL = 4,        /* the minimum dwell has not passed */
    LOWGEAR_TILT = 5,         /* too steep for an upshift */
    LOWGEAR_TURNING = 6       /* the motor turns: no Park */
};

enum {
    LOWGEAR_F_GEAR = 0,         /* gear engaged, 0 is the lowest */
    LOWGEAR_F_MOTOR_SPEED = 1,  /* permille of no-load speed at nominal voltage, 0 to 2000 */
    LOWGEAR_F_SPEED_RATIO = 2,  /* permille of no-load speed at present voltage and duty, 0 to 2000 */
    LOWGEAR_F_LOAD_SLOW = 3,    /* slow load, permille of the top gear's stall force, 0 to 30000 */
    LOWGEAR_F_LOAD_PEAK = 4,    /* decaying peak of the load, same unit */
    LOWGEAR_F_TILT = 5,         /* filtered tilt, tenths of a degree, nose up positive */
    LOWGEAR_F_BATTERY = 6,      /* permille of nominal voltage, 1000 without a sensor */
    LOWGEAR_F_DWELL = 7,        /* ticks since the gear engaged, 0 to 1000 */
    LOWGEAR_F_SINCE_FAILED = 8, /* ticks since the last failed upshift, 0 to 1000 */
    LOWGEAR_F_FAILED_COUNT = 9, /* failed upshifts in a row, 0 to 7 */
    LOWGEAR_F_STALLED = 10,     /* ticks the driven motor has stood still, 0 to 1000 */
    LOWGEAR_F_CURRENT = 11      /* permille of stall current, 0 without a sensor, -2000 to 2000 */
};

/* One reading of every sensor. An absent sensor reads 0; the selector angle is needed. */
typedef struct {
    uint16_t tacho_counts;  /* pulses counted during the last tick */
    uint16_t battery_mv;    /* battery voltage under load */
    int16_t current_ma;     /* motor current */
    int16_t tilt_ddeg;      /* accelerometer tilt, nose up positive */
    uint16_t duty_permille; /* duty that was commanded during the last tick, 0 while cut */
    uint16_t selector_ddeg; /* drum angle, 0 to 3599 */
} lowgear_raw;

/* The order for the coming tick. */
typedef struct {
    uint8_t drive;       /* 1: the motor may be driven */
    uint8_t gear;        /* the gear the selector is sent to */
    uint8_t nudge;       /* 1: send the selector again, after a miss */
    uint8_t recalibrate; /* 1: run the selector against its reference */
    uint8_t park;        /* 1: send the selector to Park instead */
} lowgear_command;

/* Everything the controller remembers. */
typedef struct {
    int32_t motor_speed, speed_ratio, load_slow, load_peak, tilt; /* filters, 6 bits of fraction */
    int16_t feature[LOWGEAR_FEATURES];
    uint16_t dwell, since_failed, stalled; /* clocks of the features */
    uint16_t clock, guard_dwell, guard_stalled;
    uint16_t since_decision;
    uint8_t seen_gear, failed_count, came_from_below, fresh, levelled, driven_before;
    uint8_t phase, gear, target, tries, recalibrated, verdict, missed_upshift;
    uint8_t asked, request; /* whether the table was asked at the last tick, and what was requested */
} lowgear_state;

/* ---- arithmetic -------------------------------------------------------------------------------- */

/* value / 2^bits, rounded towards minus infinity; the language leaves >> of negative values open. */
static inline int32_t lowgear_floor_shift(int32_t value, uint8_t bits)
{
    return value >= 0 ? (value >> bits) : (-1 - ((-1 - value) >> bits));
}

static inline int32_t lowgear_clamp(int32_t value, int32_t low, int32_t high)
{
    return value < low ? low : (value > high ? high : value);
}

static inline uint8_t lowgear_at_least(uint16_t value, uint16_t limit)
{
    return value >= limit ? 1u : 0u;
}

static inline uint16_t lowgear_count_up(uint16_t ticks, uint16_t most)
{
    return ticks < most ? (uint16_t)(ticks + 1u) : most;
}

/* One step of a first-order filter. */
static inline int32_t lowgear_approach(int32_t state, int32_t value, uint8_t bits)
{
    return state + lowgear_floor_shift(value * 64 - state, bits);
}

/* counts * gain / applied_mv, at most 2000; the product saturates. */
static inline int32_t lowgear_permille(uint16_t tacho_counts, uint32_t applied_mv)
{
    const uint32_t gain = LOWGEAR_SPEED_GAIN;
    uint32_t counts = tacho_counts > 2000u ? 2000u : (uint32_t)tacho_counts;
    uint32_t product, permille;
    if (applied_mv == 0u) {
        return 0;
    }
    product = (counts != 0u && gain > UINT32_MAX / counts) ? UINT32_MAX : counts * gain;
    permille = product / applied_mv;
    return permille > 2000u ? 2000 : (int32_t)permille;
}

static inline uint32_t lowgear_applied_mv(const lowgear_raw *raw)
{
    uint32_t duty = raw->duty_permille > 1000u ? 1000u : (uint32_t)raw->duty_permille;
#if LOWGEAR_BATTERY_FITTED
    uint32_t battery_mv = raw->battery_mv;
#else
    uint32_t battery_mv = LOWGEAR_NOMINAL_MV;
#endif
    return battery_mv * duty / 1000u;
}

/* The drum angle of a gear, tenths of a degree. */
static inline uint16_t lowgear_angle_of(uint8_t gear)
{
    return LOWGEAR_READ16(&lowgear_gear_ddeg[gear % LOWGEAR_MAX_GEARS]);
}

/* ---- features ---------------------------------------------------------------------------------- */

static inline void lowgear_restart_gear(lowgear_state *s)
{
    s->dwell = 0u;
    s->stalled = 0u;
    s->fresh = 1u;
}

static inline void lowgear_count_failure(lowgear_state *s)
{
    s->since_failed = 0u;
    if (s->failed_count < 7u) {
        s->failed_count = (uint8_t)(s->failed_count + 1u);
    }
}

/* A gear change: an upshift soon taken back is a failed one. */
static inline void lowgear_note_gear(lowgear_state *s)
{
    if (s->gear < s->seen_gear && s->came_from_below
        && lowgear_at_least(LOWGEAR_FAILED_WINDOW_TICKS, s->dwell)) {
        lowgear_count_failure(s);
    }
    s->came_from_below = s->gear > s->seen_gear ? 1u : 0u;
    s->seen_gear = s->gear;
    lowgear_restart_gear(s);
}

static inline void lowgear_filter_load(lowgear_state *s, int32_t ratio)
{
    const int32_t scale = (int32_t)LOWGEAR_READ16(&lowgear_gear_scale[s->gear % LOWGEAR_MAX_GEARS]);
    int32_t load = lowgear_clamp((1000 - ratio) * scale / 1000, 0, 30000);
    int32_t fast = 1000 - lowgear_floor_shift(s->speed_ratio, 6u);
    s->load_slow = lowgear_approach(s->load_slow, load, LOWGEAR_SLOW_SHIFT);
    s->load_peak -= lowgear_floor_shift(s->load_peak, LOWGEAR_PEAK_SHIFT);
    fast = lowgear_clamp(fast * scale / 1000, 0, 30000) * 64;
    if (fast > s->load_peak) {
        s->load_peak = fast;
    }
}

/* Motor speed always; ratio, load and standstill only tell something while voltage is applied. */
static inline void lowgear_filter_speed(lowgear_state *s, const lowgear_raw *raw)
{
    const int32_t nominal = lowgear_permille(raw->tacho_counts, LOWGEAR_NOMINAL_MV);
    const uint32_t applied_mv = lowgear_applied_mv(raw);
    int32_t ratio;
    s->motor_speed = s->fresh ? nominal * 64 : lowgear_approach(s->motor_speed, nominal, LOWGEAR_FAST_SHIFT);
    if (applied_mv == 0u) {
        s->stalled = 0u;
        return;
    }
    ratio = lowgear_permille(raw->tacho_counts, applied_mv);
    s->speed_ratio = s->fresh ? ratio * 64 : lowgear_approach(s->speed_ratio, ratio, LOWGEAR_FAST_SHIFT);
    s->fresh = 0u;
    lowgear_filter_load(s, ratio);
    if (lowgear_at_least(LOWGEAR_FEATURE_STALL_COUNTS, raw->tacho_counts)) {
        s->stalled = lowgear_count_up(s->stalled, 1000u);
    } else {
        s->stalled = 0u;
    }
}

static inline void lowgear_publish(lowgear_state *s, const lowgear_raw *raw)
{
    int16_t *f = s->feature;
    (void)raw;
    f[LOWGEAR_F_GEAR] = (int16_t)s->gear;
    f[LOWGEAR_F_MOTOR_SPEED] = (int16_t)lowgear_floor_shift(s->motor_speed, 6u);
    f[LOWGEAR_F_SPEED_RATIO] = (int16_t)lowgear_floor_shift(s->speed_ratio, 6u);
    f[LOWGEAR_F_LOAD_SLOW] = (int16_t)lowgear_floor_shift(s->load_slow, 6u);
    f[LOWGEAR_F_LOAD_PEAK] = (int16_t)lowgear_floor_shift(s->load_peak, 6u);
    f[LOWGEAR_F_TILT] = (int16_t)lowgear_clamp(lowgear_floor_shift(s->tilt, 6u), -30000, 30000);
#if LOWGEAR_BATTERY_FITTED
    f[LOWGEAR_F_BATTERY] =
        (int16_t)lowgear_clamp((int32_t)raw->battery_mv * 1000 / LOWGEAR_NOMINAL_DIVISOR, 0, 30000);
#else
    f[LOWGEAR_F_BATTERY] = 1000;
#endif
    f[LOWGEAR_F_DWELL] = (int16_t)s->dwell;
    f[LOWGEAR_F_SINCE_FAILED] = (int16_t)s->since_failed;
    f[LOWGEAR_F_FAILED_COUNT] = (int16_t)s->failed_count;
    f[LOWGEAR_F_STALLED] = (int16_t)s->stalled;
#if LOWGEAR_CURRENT_FITTED
    f[LOWGEAR_F_CURRENT] =
        (int16_t)lowgear_clamp((int32_t)raw->current_ma * 1000 / LOWGEAR_STALL_MA, -2000, 2000);
#else
    f[LOWGEAR_F_CURRENT] = 0;
#endif
}

/* A reading covers the tick before it, so the filters take it only when the vehicle was driven then too. */
static inline void lowgear_observe(lowgear_state *s, const lowgear_raw *raw)
{
    const uint8_t driving = s->phase == LOWGEAR_DRIVING ? 1u : 0u;
    if (s->gear != s->seen_gear) {
        lowgear_note_gear(s);
    }
    s->since_failed = lowgear_count_up(s->since_failed, 1000u);
    s->tilt = s->levelled ? lowgear_approach(s->tilt, raw->tilt_ddeg, LOWGEAR_TILT_SHIFT)
                          : (int32_t)raw->tilt_ddeg * 64;
    s->levelled = 1u;
    if (driving) {
        s->dwell = lowgear_count_up(s->dwell, 1000u);
        if (s->came_from_below && !lowgear_at_least(LOWGEAR_FAILED_WINDOW_TICKS, s->dwell)) {
            s->failed_count = 0u;
            s->came_from_below = 0u;
        }
        if (s->driven_before) {
            lowgear_filter_speed(s, raw);
        }
    }
    s->driven_before = driving;
    lowgear_publish(s, raw);
}

/* ---- guard: only it moves the gearbox ---------------------------------------------------------- */

static inline void lowgear_enter(lowgear_state *s, uint8_t phase)
{
    s->phase = phase;
    s->clock = 0u;
}

static inline uint8_t lowgear_just_engaged(const lowgear_state *s)
{
    return (s->phase == LOWGEAR_DRIVING && s->guard_dwell == 0u) ? 1u : 0u;
}

/* What would become of a request now. */
static inline uint8_t lowgear_judge(const lowgear_state *s, uint8_t request)
{
    if (request != LOWGEAR_DOWN && request != LOWGEAR_UP) {
        return LOWGEAR_IDLE;
    }
    if (request == LOWGEAR_DOWN ? s->gear == 0u : lowgear_at_least((uint16_t)(s->gear + 1u), LOWGEAR_GEARS)) {
        return LOWGEAR_NO_SUCH_GEAR;
    }
    if (s->phase != LOWGEAR_DRIVING) {
        return LOWGEAR_BUSY;
    }
    if (!lowgear_at_least(s->guard_dwell, LOWGEAR_MIN_DWELL_TICKS)) {
        return LOWGEAR_DWELL;
    }
    if (request == LOWGEAR_UP && s->feature[LOWGEAR_F_TILT] >= LOWGEAR_TILT_LIMIT_DDEG) {
        return LOWGEAR_TILT;
    }
    return LOWGEAR_ACCEPTED;
}

/* Switches the motor off for a rest when it stands still under drive for too long. */
static inline void lowgear_watch_stall(lowgear_state *s, const lowgear_raw *raw)
{
    const uint8_t still = (raw->duty_permille > 0u
        && lowgear_at_least(LOWGEAR_STALL_COUNTS, raw->tacho_counts)) ? 1u : 0u;
    s->guard_dwell = lowgear_count_up(s->guard_dwell, UINT16_MAX);
    s->guard_stalled = still ? lowgear_count_up(s->guard_stalled, UINT16_MAX) : 0u;
    if (still && lowgear_at_least(s->guard_stalled, LOWGEAR_STALL_CUT_TICKS)) {
        lowgear_enter(s, LOWGEAR_RESTING);
    }
}

/* Retry, then recalibrate once, then go back to the gear that was left. */
static inline void lowgear_miss(lowgear_state *s)
{
    if (!lowgear_at_least(s->tries, LOWGEAR_RETRIES)) {
        s->tries = (uint8_t)(s->tries + 1u);
        lowgear_enter(s, LOWGEAR_MOVING);
    } else if (!s->recalibrated) {
        s->recalibrated = 1u;
        s->tries = 0u;
        lowgear_enter(s, LOWGEAR_RECALIBRATING);
    } else {
        if (s->target > s->gear) {
            s->missed_upshift = 1u;
        }
        s->target = s->gear;
        s->recalibrated = 0u;
        s->tries = 1u;
        lowgear_enter(s, LOWGEAR_MOVING);
    }
}

static inline void lowgear_watch_arrival(lowgear_state *s, const lowgear_raw *raw)
{
    const uint16_t target = lowgear_angle_of(s->target);
    const uint16_t selector = raw->selector_ddeg;
    uint16_t apart = (uint16_t)(selector > target ? selector - target : target - selector);
    apart = (uint16_t)(apart % 3600u);
    if (apart > 1800u) {
        apart = (uint16_t)(3600u - apart);
    }
    if (lowgear_at_least(LOWGEAR_WINDOW_DDEG, apart)) {
        s->gear = s->target;
        s->guard_dwell = 0u;
        lowgear_enter(s, LOWGEAR_DRIVING);
    } else if (lowgear_at_least(s->clock, LOWGEAR_MOVE_TIMEOUT_TICKS)) {
        lowgear_miss(s);
    }
}

static inline void lowgear_follow(lowgear_state *s, const lowgear_raw *raw)
{
    s->clock = lowgear_count_up(s->clock, UINT16_MAX);
    if (s->phase == LOWGEAR_DRIVING) {
        lowgear_watch_stall(s, raw);
    } else if (s->phase == LOWGEAR_CUTTING) {
        if (lowgear_at_least(s->clock, LOWGEAR_CUT_LEAD_TICKS)) {
            lowgear_enter(s, LOWGEAR_MOVING);
        }
    } else if (s->phase == LOWGEAR_MOVING) {
        lowgear_watch_arrival(s, raw);
    } else if (s->phase == LOWGEAR_RECALIBRATING) {
        if (lowgear_at_least(s->clock, LOWGEAR_RECALIBRATE_TICKS)) {
            lowgear_enter(s, LOWGEAR_MOVING);
        }
    } else if (s->phase == LOWGEAR_RESTING && lowgear_at_least(s->clock, LOWGEAR_STALL_REST_TICKS)) {
        lowgear_enter(s, LOWGEAR_DRIVING);
        s->guard_stalled = 0u;
    }
}

static inline lowgear_command lowgear_order(lowgear_state *s, uint8_t request)
{
    const uint8_t begins = s->clock == 0u ? 1u : 0u;
    lowgear_command c;
    c.recalibrate = (begins && s->phase == LOWGEAR_RECALIBRATING) ? 1u : 0u;
    c.nudge = (begins && s->phase == LOWGEAR_MOVING && s->tries > 0u) ? 1u : 0u;
    s->verdict = lowgear_judge(s, request);
    if (s->verdict == LOWGEAR_ACCEPTED) {
        s->target = (uint8_t)(request == LOWGEAR_UP ? s->gear + 1u : s->gear - 1u);
        s->tries = 0u;
        s->recalibrated = 0u;
        lowgear_enter(s, lowgear_at_least(0u, LOWGEAR_CUT_LEAD_TICKS) ? LOWGEAR_MOVING : LOWGEAR_CUTTING);
    }
    c.drive = s->phase == LOWGEAR_DRIVING ? 1u : 0u;
    c.gear = (s->phase == LOWGEAR_MOVING || s->phase == LOWGEAR_RECALIBRATING) ? s->target : s->gear;
    c.park = s->phase == LOWGEAR_PARKED ? 1u : 0u;
    return c;
}

/* Asks for Park: only when the motor stands still and no shift is under way. Returns the verdict. */
static inline uint8_t lowgear_park(lowgear_state *s, const lowgear_raw *raw)
{
    if (s->phase != LOWGEAR_DRIVING) {
        s->verdict = LOWGEAR_BUSY;
    } else if (!lowgear_at_least(LOWGEAR_STALL_COUNTS, raw->tacho_counts)) {
        s->verdict = LOWGEAR_TURNING;
    } else {
        lowgear_enter(s, LOWGEAR_PARKED);
        s->verdict = LOWGEAR_ACCEPTED;
    }
    return s->verdict;
}

/* Leaves Park: back to the gear that was engaged, without drive until the selector arrives. */
static inline uint8_t lowgear_leave_park(lowgear_state *s)
{
    if (s->phase == LOWGEAR_PARKED) {
        s->target = s->gear;
        s->tries = 0u;
        s->recalibrated = 0u;
        lowgear_enter(s, LOWGEAR_MOVING);
        s->verdict = LOWGEAR_ACCEPTED;
    } else {
        s->verdict = LOWGEAR_IDLE;
    }
    return s->verdict;
}

/* ---- decision ---------------------------------------------------------------------------------- */

/* The cell that these features lie in: the last axis varies fastest. */
static inline uint32_t lowgear_cell(const int16_t *feature)
{
    uint32_t cell = 0u;
    uint16_t first = 0u;
    uint8_t axis;
    for (axis = 0u; axis < LOWGEAR_AXES; axis++) {
        const uint16_t edges = LOWGEAR_READ16(&lowgear_axis_edges[axis]);
        const uint8_t index = LOWGEAR_READ(&lowgear_axis_feature[axis]);
        const uint16_t value = (uint16_t)((int32_t)feature[index] + 32768);
        uint16_t bin = 0u;
        while (bin < edges && LOWGEAR_READ16(&lowgear_edges[first + bin]) <= value) {
            bin++;
        }
        cell = cell * ((uint32_t)edges + 1u) + bin;
        first = (uint16_t)(first + edges);
    }
    return cell;
}

/* What the table decides: LOWGEAR_DOWN, LOWGEAR_HOLD or LOWGEAR_UP. */
static inline uint8_t lowgear_decide(const int16_t *feature)
{
    const uint32_t cell = lowgear_cell(feature);
    const uint32_t byte = LOWGEAR_READ(&lowgear_cells[cell / 4u]);
    const uint8_t code = (uint8_t)((byte >> (2u * (cell % 4u))) & 3u);
    return code > LOWGEAR_UP ? (uint8_t)LOWGEAR_HOLD : code;
}

/* ---- the tick ---------------------------------------------------------------------------------- */

/* A vehicle that stands with `gear` engaged. */
static inline void lowgear_start(lowgear_state *s, uint8_t gear)
{
    const lowgear_state blank = { 0 };
    *s = blank;
    s->gear = gear < LOWGEAR_MAX_GEARS ? gear : (uint8_t)(LOWGEAR_MAX_GEARS - 1u);
    s->seen_gear = s->gear;
    s->target = s->gear;
    s->since_failed = 1000u;
    s->fresh = 1u;
    s->since_decision = LOWGEAR_DECISION_TICKS;
    s->request = LOWGEAR_HOLD;
}

/* First half of a tick: takes a reading. Returns 1 when a decision is due. */
static inline uint8_t lowgear_sense(lowgear_state *s, const lowgear_raw *raw)
{
    lowgear_follow(s, raw);
    if (s->missed_upshift) {
        s->missed_upshift = 0u;
        s->came_from_below = 0u;
        lowgear_count_failure(s);
    }
    if (lowgear_just_engaged(s) && s->gear == s->seen_gear) {
        lowgear_restart_gear(s);
    }
    lowgear_observe(s, raw);
    s->since_decision = lowgear_count_up(s->since_decision, UINT16_MAX);
    s->asked = (s->phase == LOWGEAR_DRIVING && !lowgear_just_engaged(s)
        && lowgear_at_least(s->since_decision, LOWGEAR_DECISION_TICKS)) ? 1u : 0u;
    return s->asked;
}

/* Second half of a tick: hands a request to the guard. `decided` restarts the decision clock. */
static inline lowgear_command lowgear_act(lowgear_state *s, uint8_t request, uint8_t decided)
{
    if (decided) {
        s->since_decision = 0u;
    }
    s->request = request;
    return lowgear_order(s, request);
}

/* One whole tick: sense, decide when due, act. */
static inline lowgear_command lowgear_tick(lowgear_state *s, const lowgear_raw *raw)
{
    const uint8_t due = lowgear_sense(s, raw);
    return lowgear_act(s, due ? lowgear_decide(s->feature) : (uint8_t)LOWGEAR_HOLD, due);
}

#endif
