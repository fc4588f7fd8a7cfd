/* The drill: random but repeatable readings for a controller, made on the target itself, and a running sum of
 * all its answers. The host makes the same readings and the same sums; a line is printed after every
 * thousand ticks, so that a difference is located.
 *
 * Random numbers: xorshift with 32 bits (Marsaglia 2003, "Xorshift RNGs", Journal of Statistical Software 8).
 * Sums: of the words, and of those sums, modulo 2^16 each (Fletcher 1982, "An arithmetic checksum for serial
 * transmissions", IEEE Transactions on Communications 30): additions alone, which 8-bit machines are quick at.
 *
 * DRILL_TICKS, DRILL_SPAN (encoder counts at no-load speed), DRILL_NOMINAL_MV and DRILL_TIMEOUT come from the
 * command line; `drill_line` is the target's own way to print.
 */
#ifndef DRILL_H
#define DRILL_H

#define DRILL_LOOKS UINT32_C(2000)

#include "lowgear.h"
#ifdef DRILL_LAPS
#include "lowgear_laps.h"

static lowgear_laps drill_laps;
#endif

static void drill_line(const char *what, uint32_t number, uint32_t sum);

static uint32_t drill_random = UINT32_C(2463534242);
static uint16_t drill_words = 1u, drill_sums = 0u;

static uint32_t drill_next(void)
{
    drill_random ^= drill_random << 13;
    drill_random ^= drill_random >> 17;
    drill_random ^= drill_random << 5;
    return drill_random;
}

static void drill_add(uint16_t word)
{
    drill_words = (uint16_t)(drill_words + word);
    drill_sums = (uint16_t)(drill_sums + drill_words);
}

static inline uint32_t drill_sum(void)
{
    return (uint32_t)drill_sums << 16 | drill_words;
}

/* A toy vehicle. Not modelled: almost everything. It only leads the controller through all its states. */
typedef struct {
    uint16_t encoder, selector, duty;
    int16_t tilt, preview;
    uint8_t sent, stuck, mood;
} drill_toy;

static void drill_begin(drill_toy *toy, lowgear_state *state)
{
    const uint32_t r = drill_next();
    const uint8_t gear = (uint8_t)((r >> 8) % (LOWGEAR_TOP_GEAR + 1u));
    toy->mood = (uint8_t)(r & 3u);
    toy->encoder = 0u;
    toy->duty = 1000u;
    toy->tilt = (int16_t)((int32_t)((r >> 16) % 401u) - 200);
    toy->sent = gear;
    toy->stuck = 0u;
    toy->preview = 0;
    toy->selector = lowgear_angle_of(gear);
    lowgear_start(state, gear);
#ifdef DRILL_LAPS
    lowgear_laps_begin(&drill_laps);
#endif
}

/* One whole tick of what a control loop calls. */
static inline lowgear_command drill_whole(lowgear_state *state, const lowgear_raw *raw)
{
#ifdef DRILL_LAPS
    return lowgear_laps_tick(&drill_laps, state, raw);
#else
    return lowgear_tick(state, raw);
#endif
}

/* The selector runs to its target, or sticks short of it until an order frees it. */
static void drill_turn(drill_toy *toy, const lowgear_command *c, uint32_t r)
{
    const uint16_t target = lowgear_angle_of(c->gear);
    const uint16_t pace = 300u;
    if (c->gear != toy->sent) {
        toy->sent = c->gear;
        toy->stuck = (r & 7u) < 1u + toy->mood ? 1u : 0u;
    }
    if ((c->nudge || c->recalibrate) && (r & 24u) == 0u) {
        toy->stuck = 0u;
    }
    if (toy->stuck) {
        return;
    }
    if (toy->selector > target) {
        toy->selector = (uint16_t)(toy->selector - target > pace ? toy->selector - pace : target);
    } else {
        toy->selector = (uint16_t)(target - toy->selector > pace ? toy->selector + pace : target);
    }
}

static void drill_read(drill_toy *toy, const lowgear_command *c, lowgear_raw *raw)
{
    const uint32_t r = drill_next();
    drill_turn(toy, c, r);
    if (((r >> 5) & 31u) == 0u) {
        toy->encoder = (uint16_t)((r >> 10) % (DRILL_SPAN + DRILL_SPAN / 8u + 1u));
    } else if (((r >> 5) & 127u) == 1u) {
        toy->encoder = 0u;
    }
    if (((r >> 12) & 63u) == 0u) {
        toy->duty = (uint16_t)((r >> 20) & 1u ? 1000u : (r >> 21) % 1100u);
    }
    if (((r >> 8) & 63u) == 3u) {
        toy->tilt = (int16_t)((int32_t)((r >> 16) % 401u) - 200);
    }
    if (((r >> 14) & 7u) == 5u) {
        toy->preview = (int16_t)((r >> 3) & 1u ? (r >> 20) & 255u : 0u);
    }
    raw->encoder_counts = c->drive ? (uint16_t)(toy->encoder + (toy->encoder ? (r & 1u) : 0u)) : (uint16_t)(toy->encoder / 2u);
    raw->battery_mv = (uint16_t)(DRILL_NOMINAL_MV + ((r >> 9) & 511u) - 256u);
    raw->current_ma = (int16_t)((int32_t)((r >> 7) & 4095u) - 1024);
    raw->tilt_ddeg = (int16_t)(toy->tilt + (int16_t)((r >> 18) & 7u));
    raw->duty_permille = c->drive ? toy->duty : (uint16_t)0u;
    raw->selector_ddeg = toy->selector;
    raw->preview = toy->preview;
    if (toy->mood == 3u && (r >> 29) == 0u) {
        /* Anything at all, in one place. */
        const uint32_t wild = drill_next();
        const uint16_t word = (uint16_t)(wild & 65535u);
        const int16_t sign = (int16_t)((int32_t)word - 32768);
        switch ((wild >> 16) % 6u) {
        case 0u: raw->encoder_counts = word; break;
        case 1u: raw->battery_mv = word; break;
        case 2u: raw->current_ma = sign; break;
        case 3u: raw->tilt_ddeg = sign; break;
        case 4u: raw->duty_permille = word; break;
        default: raw->selector_ddeg = word; break;
        }
    }
}

/* Asks for Park, or leaves it. */
static inline void drill_park(lowgear_state *state, const lowgear_raw *raw)
{
    if (state->phase == LOWGEAR_PARKED) {
        drill_add(lowgear_leave_park(state));
    } else {
        drill_add(lowgear_park(state, raw));
    }
}

static inline void drill_sum_up(const lowgear_state *state, const lowgear_command *c, uint8_t due)
{
    uint16_t value[LOWGEAR_AXES];
    uint8_t axis;
    drill_add((uint16_t)(due + 2u * c->drive + 4u * c->nudge + 8u * c->recalibrate + 16u * c->park));
    drill_add((uint16_t)(c->gear + 16u * state->phase + 256u * state->verdict));
    lowgear_values(state, value);
    for (axis = 0u; axis < LOWGEAR_AXES; axis++) {
        drill_add((uint16_t)(value[axis] - LOWGEAR_BIAS));
    }
}

#ifdef LOWGEAR_CELLS
/* Every cell, looked up through the lowest values in it. */
static inline void drill_cells(void)
{
    static const uint16_t count[] = LOWGEAR_EDGE_COUNTS;
    uint16_t bin[LOWGEAR_AXES] = { 0 };
    uint32_t cell;
    for (cell = 0u; cell < LOWGEAR_CELLS; cell++) {
        uint16_t value[LOWGEAR_AXES];
        uint16_t first = 0u;
        uint8_t axis;
        for (axis = 0u; axis < LOWGEAR_AXES; axis++) {
            value[axis] = bin[axis] ? LOWGEAR_READ16(&lowgear_edges[first + bin[axis] - 1u]) : (uint16_t)0u;
            first = (uint16_t)(first + count[axis]);
        }
        drill_add(lowgear_look(value));
        for (axis = LOWGEAR_AXES; axis > 0u; axis--) {
            bin[axis - 1u]++;
            if (bin[axis - 1u] <= count[axis - 1u]) {
                break;
            }
            bin[axis - 1u] = 0u;
        }
    }
    drill_line("cells", LOWGEAR_CELLS, drill_sum());
}
#else
/* A network has no cells: values of any size instead. */
static inline void drill_cells(void)
{
    uint32_t look;
    for (look = 0u; look < DRILL_LOOKS; look++) {
        uint16_t value[LOWGEAR_AXES];
        uint8_t axis;
        for (axis = 0u; axis < LOWGEAR_AXES; axis++) {
            uint32_t r = look * UINT32_C(2654435761) + axis * UINT32_C(374761393);
            r ^= r >> 15;
            value[axis] = (uint16_t)(((r >> 8) & ((r & 1u) != 0u ? 1023u : 16383u)) + LOWGEAR_BIAS);
        }
        drill_add(lowgear_look(value));
    }
    drill_line("cells", DRILL_LOOKS, drill_sum());
}
#endif

static inline void drill_ticks(uint32_t ticks)
{
    lowgear_state state;
    drill_toy toy = { 0u, 0u, 0u, 0, 0, 0u, 0u, 0u };
    lowgear_command c = { 1u, 0u, 0u, 0u, 0u };
    lowgear_raw raw;
    uint32_t tick;
    for (tick = 0u; tick < ticks; tick++) {
        uint8_t due, request;
        uint32_t r;
        if ((tick & 511u) == 0u) {
            drill_begin(&toy, &state);
            c.drive = 1u;
            c.gear = toy.sent;
            c.nudge = 0u;
            c.recalibrate = 0u;
            c.park = 0u;
        }
        drill_read(&toy, &c, &raw);
        r = drill_next();
        due = lowgear_sense(&state, &raw);
        request = due ? lowgear_decide(&state) : (uint8_t)LOWGEAR_HOLD;
        if (toy.mood != 0u && (r & 7u) == 0u) {
            request = (uint8_t)((r >> 3) % 3u);
        }
        c = lowgear_act(&state, request, due);
        drill_sum_up(&state, &c, due);
        if (toy.mood == 2u && ((r >> 8) & 63u) == 0u) {
            drill_park(&state, &raw);
        }
        if ((tick + 1u) % 1000u == 0u) {
            drill_line("ticks", tick + 1u, drill_sum());
        }
    }
}

static inline void drill(void)
{
    drill_line("selftest", 1u, lowgear_self_test());
    drill_cells();
    drill_ticks((uint32_t)DRILL_TICKS);
    drill_line("end", (uint32_t)DRILL_TICKS, drill_sum());
}

#endif
