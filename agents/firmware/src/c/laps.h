/* A memory of the way for the controller in lowgear.h: a vehicle that drives the same way again learns where it stalls and
 * where its top gear runs easily. Generated with it; generate again instead of editing.
 *
 * USE
 *   lowgear_laps laps;                                   @BYTES@ bytes, more where the compiler pads
 *   lowgear_laps_start(&laps);                           after lowgear_start: nothing is known of the way
 *   lowgear_laps_begin(&laps);                           where a lap begins: a switch, a magnet, a word of the driver
 *   every tick, in place of lowgear_tick:
 *       lowgear_command c = lowgear_laps_tick(&laps, &state, &raw);
 *   laps.needless: needless advice of this lap less advice that paid. At 2 the memory is silent until the lap ends; on
 *   every lap, it tells that the way has changed.
 *   once at power-up: lowgear_laps_self_test() must return 1, as must lowgear_self_test().
 *   With the recorder: lowgear_laps_sense, lowgear_laps_decide where it returned 1, lowgear_act, lowgear_record.
 *
 * Every lap begins at the same place. Where none has begun the way goes on from the last one, and beyond @REACH@ m the table
 * decides alone. On another way, or where the way has changed for good: lowgear_laps_start. What has been learned may be kept
 * over a loss of power: write laps.marks and laps.easy to lasting memory and read them back after lowgear_laps_start.
 *
 * The memory asks the guard, as the table does: no shift that the guard would not carry out. It knows nothing of what a
 * vehicle may run into. lowgear_laps.md has all its rules.
 */
#ifndef LOWGEAR_LAPS_H
#define LOWGEAR_LAPS_H

#include "lowgear.h"

#define LOWGEAR_LAPS_LAST_CELL 255u     /* cells are of 64 mm */
#define LOWGEAR_LAPS_NO_CELL 65535u
#define LOWGEAR_LAPS_MOST_MARK 3u       /* a mark as new: withdrawn after as many needless holds */
#define LOWGEAR_LAPS_LOOK_MM @LOOK@u      /* it looks so far ahead */
#define LOWGEAR_LAPS_EARLY @EARLY@u        /* speed ratio from which the top gear drives the same load faster, permille */
#define LOWGEAR_LAPS_RETRY_TICKS @RETRY@u   /* no early upshift for so long after one that was taken back */
#define LOWGEAR_LAPS_EASY 300u          /* the top gear runs easily above this speed ratio */
#define LOWGEAR_LAPS_HEAVY 450u         /* below this one in the gear below, the top gear would stand still, or nearly so */
#define LOWGEAR_LAPS_STANDS 60u         /* a shift down below this one is because of a stall */
#define LOWGEAR_LAPS_SETTLING_TICKS 6u  /* in gear, before the speed ratio tells of the ground */
#define LOWGEAR_LAPS_PAID_TICKS 60u     /* in top gear, and an early upshift has paid */
#define LOWGEAR_LAPS_BEFORE_CELLS 4u    /* a load confirms a mark from so many cells before it */
#define LOWGEAR_LAPS_BEHIND_CELLS 3u    /* until so many behind it */
#define LOWGEAR_LAPS_MOST_NEEDLESS 2u
#define LOWGEAR_LAPS_COAST UINT32_C(@COAST@)

/* Way of an encoder count in each gear, mm times 4096: the low 16 bits, then the high ones. */
static const uint16_t lowgear_laps_way[@HALVES@] LOWGEAR_ROM = {
    @WAYS_C@
};
/* Force that slows the vehicle down by one count per tick and tick, permille of the top gear's stall force. */
static const uint16_t lowgear_laps_inertia[@GEARS@] LOWGEAR_ROM = {
    @INERTIA_C@
};
/* Ratio of each gear over the top gear's, permille. */
static const uint16_t lowgear_laps_scale[@GEARS@] LOWGEAR_ROM = {
    @SCALE_C@
};

typedef struct {
    uint32_t way;      /* from the beginning of the lap, mm times 4096 */
    uint16_t tick_way; /* way of the last tick, mm times 16 */
    uint16_t counts;   /* of the last tick in gear */
    int16_t mean;      /* mean resistance, permille of the top gear's stall force */
    uint16_t cell;     /* of the last decision */
    uint16_t held;     /* the marked cell for which an upshift is held back */
    uint8_t settled;   /* ticks in gear, up to 3 */
    uint8_t confirmed; /* 1: a load has confirmed the mark of that cell */
    uint8_t early;     /* 1: the last upshift was the memory's */
    uint8_t needless;  /* needless advice of this lap less advice that paid */
    uint8_t easy[32];  /* one bit a cell, lowest bits first: the top gear ran easily */
    uint8_t marks[64]; /* two bits a cell, lowest bits first: how sure it is that the vehicle stalls there */
} lowgear_laps;

/* A lap begins here. */
static inline void lowgear_laps_begin(lowgear_laps *l)
{
    l->way = 0u;
    l->cell = 0u;
    l->held = LOWGEAR_LAPS_NO_CELL;
    l->early = 0u;
    l->needless = 0u;
}

/* Nothing is known of the way, and a lap begins. */
static inline void lowgear_laps_start(lowgear_laps *l)
{
    uint8_t i;
    for (i = 0u; i < sizeof l->marks; i++) {
        l->marks[i] = 0u;
    }
    for (i = 0u; i < sizeof l->easy; i++) {
        l->easy[i] = 0u;
    }
    l->tick_way = 0u;
    l->counts = 0u;
    l->mean = 0;
    l->settled = 0u;
    l->confirmed = 0u;
    lowgear_laps_begin(l);
}

/* The way from the beginning of the lap, mm. */
static inline uint16_t lowgear_laps_position_mm(const lowgear_laps *l)
{
    const uint32_t way_mm = l->way >> 12;
    return way_mm > 65535u ? (uint16_t)65535u : (uint16_t)way_mm;
}

/* ---- dead reckoning ------------------------------------------------------------------------------ */

/* Load of a reading, permille of the top gear's stall force: below zero where the wheels drive the motor. */
static inline int32_t lowgear_laps_load(const lowgear_raw *raw, uint8_t gear)
{
    const uint32_t scale = LOWGEAR_READ16(&lowgear_laps_scale[gear]);
    const uint16_t duty = raw->duty_permille;
@if battery
    const uint32_t applied_mv = duty < 1000u ? lowgear_thousandth((uint32_t)raw->battery_mv * duty) : raw->battery_mv;
@else
    const uint32_t applied_mv = duty < 1000u ? lowgear_thousandth((uint32_t)LOWGEAR_NOMINAL_MV * duty) : LOWGEAR_NOMINAL_MV;
@end
    const uint32_t ratio = applied_mv == 0u ? 1000u : lowgear_permille(raw->encoder_counts, applied_mv);
    return ratio > 1000u ? -(int32_t)lowgear_thousandth((ratio - 1000u) * scale)
                         : (int32_t)lowgear_thousandth((1000u - ratio) * scale);
}

/* The mean resistance, after a tick in gear. */
static inline void lowgear_laps_resist(lowgear_laps *l, const lowgear_raw *raw, uint16_t counts, uint8_t gear)
{
    const int32_t slower = (int32_t)l->counts - (int32_t)counts;
    int32_t above = lowgear_laps_load(raw, gear) + slower * (int32_t)LOWGEAR_READ16(&lowgear_laps_inertia[gear]);
    above = above < -16000 ? -16000 : (above > 16000 ? 16000 : above);
    above -= l->mean;
    /* An eighth of it, rounded down, from -30 to 30. */
    above = above < -240 ? 0 : (above > 240 ? 480 : above + 240);
    above = (int32_t)((uint32_t)above >> 3) - 30 + l->mean;
    l->mean = (int16_t)above;
}

/* Takes the reading of a tick, after lowgear_sense. */
static inline void lowgear_laps_count(lowgear_laps *l, const lowgear_state *s, const lowgear_raw *raw)
{
    const uint8_t driving = s->phase == LOWGEAR_DRIVING ? 1u : 0u;
    const uint16_t counts = raw->encoder_counts < 2000u ? raw->encoder_counts : (uint16_t)2000u;
    uint32_t moved;
    if (driving != 0u && l->settled != 0u) {
        const uint16_t *way = lowgear_laps_way + (uint8_t)(s->gear << 1);
        moved = counts * ((uint32_t)LOWGEAR_READ16(way) | (uint32_t)LOWGEAR_READ16(way + 1) << 16);
        moved = moved > UINT32_C(8388607) ? UINT32_C(8388607) : moved;
        l->tick_way = (uint16_t)(moved >> 8);
    } else {
        /* The vehicle slows down by the resistance that it had: less for each tick by that, rounded down. */
        const uint32_t lift = UINT32_C(0x40000000);
        const int32_t force = (int32_t)l->mean * (int32_t)LOWGEAR_LAPS_COAST;
        const int32_t slower = (int32_t)(((uint32_t)force + lift) >> 12) - (int32_t)(lift >> 12);
        const int32_t left = (int32_t)l->tick_way - slower;
        if (left < 0) {
            l->tick_way = 0u;
        } else {
            l->tick_way = left > 65535 ? (uint16_t)65535u : (uint16_t)left;
        }
        moved = (uint32_t)l->tick_way << 8;
    }
    if (l->way < UINT32_C(268435456)) {
        l->way += moved;
    }
    if (driving == 0u) {
        l->settled = 0u;
        return;
    }
    if (l->settled < 3u) {
        l->settled++;
    } else {
        lowgear_laps_resist(l, raw, counts, s->gear);
    }
    l->counts = counts;
}

/* ---- memory --------------------------------------------------------------------------------------- */

/* Marks of a cell, 0 to 3. */
static inline uint8_t lowgear_laps_mark(const lowgear_laps *l, uint16_t cell)
{
    return (uint8_t)((uint8_t)(l->marks[cell >> 2] >> (uint8_t)((cell & 3u) << 1)) & 3u);
}

static inline void lowgear_laps_set_mark(lowgear_laps *l, uint16_t cell, uint8_t mark)
{
    const uint8_t shift = (uint8_t)((cell & 3u) << 1);
    uint8_t *byte = &l->marks[cell >> 2];
    *byte = (uint8_t)((*byte & (uint8_t)~(uint8_t)(3u << shift)) | (uint8_t)(mark << shift));
}

static inline uint8_t lowgear_laps_is_easy(const lowgear_laps *l, uint16_t cell)
{
    return (uint8_t)((uint8_t)(l->easy[cell >> 3] >> (cell & 7u)) & 1u);
}

static inline void lowgear_laps_set_easy(lowgear_laps *l, uint16_t cell, uint8_t easy)
{
    const uint8_t bit = (uint8_t)(1u << (cell & 7u));
    uint8_t *byte = &l->easy[cell >> 3];
    *byte = easy != 0u ? (uint8_t)(*byte | bit) : (uint8_t)(*byte & (uint8_t)~bit);
}

static inline void lowgear_laps_judge(lowgear_laps *l, uint8_t needless)
{
    if (needless == 0u) {
        l->needless = l->needless > 0u ? (uint8_t)(l->needless - 1u) : (uint8_t)0u;
    } else if (l->needless < 255u) {
        l->needless++;
    } else {
        /* counts no further */
    }
}

/* Marks the cell of a stall, and whether the top gear runs easily on the cells since the last decision. */
static inline void lowgear_laps_learn(
    lowgear_laps *l, const lowgear_state *s, uint16_t before, uint8_t policy, uint8_t stalled)
{
    if (stalled != 0u) {
        lowgear_laps_set_mark(l, l->cell, LOWGEAR_LAPS_MOST_MARK);
    }
    if (s->gear != LOWGEAR_TOP_GEAR) {
        return;
    }
    if (policy == LOWGEAR_DOWN) {
        lowgear_laps_set_easy(l, l->cell, 0u);
    } else if ((uint16_t)(s->speed_ratio >> 6) > LOWGEAR_LAPS_EASY) {
        for (; before <= l->cell; before++) {
            lowgear_laps_set_easy(l, before, 1u);
        }
    } else {
        /* it tells nothing of the ground */
    }
}

/* Whether a load has confirmed the mark for which an upshift is held back; once it lies behind, what follows from it. */
static inline void lowgear_laps_weigh_hold(lowgear_laps *l, const lowgear_state *s, uint8_t below_top, uint8_t stalled)
{
    if (l->held == LOWGEAR_LAPS_NO_CELL) {
        return;
    }
    if (stalled != 0u
        || (below_top != 0u && s->gear_clock > LOWGEAR_LAPS_SETTLING_TICKS
            && (uint16_t)(s->speed_ratio >> 6) < LOWGEAR_LAPS_HEAVY
            && (uint16_t)(l->cell + LOWGEAR_LAPS_BEFORE_CELLS) >= l->held)) {
        l->confirmed = 1u;
    }
    if (l->cell > l->held + LOWGEAR_LAPS_BEHIND_CELLS) {
        const uint8_t mark = lowgear_laps_mark(l, l->held);
        if (l->confirmed != 0u) {
            lowgear_laps_set_mark(l, l->held, LOWGEAR_LAPS_MOST_MARK);
        } else if (mark > 0u) {
            lowgear_laps_set_mark(l, l->held, (uint8_t)(mark - 1u));
        } else {
            /* withdrawn already */
        }
        lowgear_laps_judge(l, l->confirmed != 0u ? (uint8_t)0u : (uint8_t)1u);
        l->held = LOWGEAR_LAPS_NO_CELL;
    }
}

/* Whether an early upshift has paid. */
static inline void lowgear_laps_weigh_early(lowgear_laps *l, const lowgear_state *s, uint8_t policy)
{
    if (l->early != 0u) {
        const uint8_t lost = s->gear != LOWGEAR_TOP_GEAR || policy == LOWGEAR_DOWN ? 1u : 0u;
        if (lost != 0u || s->gear_clock > LOWGEAR_LAPS_PAID_TICKS) {
            l->early = 0u;
            lowgear_laps_judge(l, lost);
        }
    }
}

/* Holds an upshift back where a cell up to `last` is marked. */
static inline uint8_t lowgear_laps_hold_back(lowgear_laps *l, uint16_t last)
{
    uint16_t cell;
    for (cell = l->cell; cell <= last; cell++) {
        if (lowgear_laps_mark(l, cell) != 0u) {
            if (l->held == LOWGEAR_LAPS_NO_CELL) {
                l->held = cell;
                l->confirmed = 0u;
            }
            return LOWGEAR_HOLD;
        }
    }
    return LOWGEAR_UP;
}

/* Whether the top gear pays by now and ran easily as far as `last`. */
static inline uint8_t lowgear_laps_rises_early(const lowgear_laps *l, const lowgear_state *s, uint16_t last)
{
    uint16_t cell;
    if ((uint16_t)(s->speed_ratio >> 6) < LOWGEAR_LAPS_EARLY || s->since_failed <= LOWGEAR_LAPS_RETRY_TICKS) {
        return 0u;
    }
    for (cell = l->cell; cell <= last; cell++) {
        if (lowgear_laps_mark(l, cell) != 0u || (cell > l->cell && lowgear_laps_is_easy(l, cell) == 0u)) {
            return 0u;
        }
    }
    return 1u;
}

/* What to ask the guard for where the table asks for `policy`. */
static inline uint8_t lowgear_laps_advise(lowgear_laps *l, const lowgear_state *s, uint8_t policy, uint8_t may_rise)
{
    const uint16_t position_mm = lowgear_laps_position_mm(l);
    const uint16_t before = l->cell;
    const uint8_t below_top = s->gear + 1u == LOWGEAR_TOP_GEAR ? 1u : 0u;
    const uint8_t stalled = policy == LOWGEAR_DOWN
            && (s->stalled > 0u || (uint16_t)(s->speed_ratio >> 6) < LOWGEAR_LAPS_STANDS) ? 1u : 0u;
    uint16_t last = position_mm < 65535u - LOWGEAR_LAPS_LOOK_MM ? (uint16_t)(position_mm + LOWGEAR_LAPS_LOOK_MM)
                                                               : (uint16_t)65535u;
    last = (uint16_t)(last >> 6);
    if (last > LOWGEAR_LAPS_LAST_CELL) {
        last = LOWGEAR_LAPS_LAST_CELL;
    }
    /* A vehicle that rolls back does not drive its way again. */
    if ((uint16_t)(position_mm >> 6) > l->cell) {
        l->cell = (uint16_t)(position_mm >> 6);
    }
    if (l->cell > LOWGEAR_LAPS_LAST_CELL) {
        return policy;
    }
    lowgear_laps_learn(l, s, before, policy, stalled);
    lowgear_laps_weigh_hold(l, s, below_top, stalled);
    lowgear_laps_weigh_early(l, s, policy);
    if (below_top == 0u || l->needless >= LOWGEAR_LAPS_MOST_NEEDLESS) {
        return policy;
    }
    if (policy == LOWGEAR_UP) {
        return lowgear_laps_hold_back(l, last);
    }
    if (policy == LOWGEAR_HOLD && may_rise != 0u && lowgear_laps_rises_early(l, s, last) != 0u) {
        l->early = 1u;
        return LOWGEAR_UP;
    }
    return policy;
}

/* ---- the tick -------------------------------------------------------------------------------------- */

/* First half of a tick: takes a reading. Returns 1 when a decision is due. */
static inline uint8_t lowgear_laps_sense(lowgear_laps *l, lowgear_state *s, const lowgear_raw *raw)
{
    const uint8_t due = lowgear_sense(s, raw);
    lowgear_laps_count(l, s, raw);
    return due;
}

/* What to ask the guard for, where a decision is due: the table's request, held back or early by what was learned. */
static inline uint8_t lowgear_laps_decide(lowgear_laps *l, const lowgear_state *s)
{
    const uint8_t asked = lowgear_decide(s);
    const uint8_t policy = lowgear_check_request(s, asked) == LOWGEAR_ACCEPTED ? asked : (uint8_t)LOWGEAR_HOLD;
    return lowgear_laps_advise(l, s, policy, lowgear_check_request(s, LOWGEAR_UP) == LOWGEAR_ACCEPTED ? 1u : 0u);
}

/* One whole tick: sense, decide when due, act. */
static inline lowgear_command lowgear_laps_tick(lowgear_laps *l, lowgear_state *s, const lowgear_raw *raw)
{
    const uint8_t due = lowgear_laps_sense(l, s, raw);
    return lowgear_act(s, due ? lowgear_laps_decide(l, s) : (uint8_t)LOWGEAR_HOLD, due);
}

/* ---- self-test ------------------------------------------------------------------------------------- */

#ifndef LOWGEAR_NO_SELF_TEST
/* Ticks (0: a lap begins), encoder counts, phase, gear, speed ratio, ticks of standstill, what the table asks for. */
static const uint16_t lowgear_laps_runs[@RUNS@][7] LOWGEAR_ROM = {
@RUNS_C@
};

/* Three laps of stored readings through a memory of its own; 1 when every answer is as it was on the host. */
static inline uint8_t lowgear_laps_self_test(void)
{
    lowgear_laps l;
    lowgear_state s;
    lowgear_raw raw = { 0u, @NOMINAL@u, 0, 0, 1000u, 0u, 0 };
    uint16_t sum = 0u;
    uint8_t run;
    lowgear_start(&s, 0u);
    lowgear_laps_start(&l);
    s.gear_clock = 100u;
    for (run = 0u; run < @RUNS@u; run++) {
        const uint16_t *at = lowgear_laps_runs[run];
        uint16_t left = LOWGEAR_READ16(&at[0]);
        if (left == 0u) {
            lowgear_laps_begin(&l);
        }
        raw.encoder_counts = LOWGEAR_READ16(&at[1]);
        s.phase = (uint8_t)LOWGEAR_READ16(&at[2]);
        s.gear = (uint8_t)LOWGEAR_READ16(&at[3]);
        s.speed_ratio = (uint32_t)LOWGEAR_READ16(&at[4]) << 6;
        s.stalled = LOWGEAR_READ16(&at[5]);
        for (; left != 0u; left--) {
            lowgear_laps_count(&l, &s, &raw);
            sum = (uint16_t)(sum * 31u + lowgear_laps_advise(&l, &s, (uint8_t)LOWGEAR_READ16(&at[6]), 1u));
            sum = (uint16_t)(sum * 31u + lowgear_laps_position_mm(&l));
            sum = (uint16_t)(sum * 31u + l.needless);
        }
    }
    return sum == @RUNS_SUM@u ? 1u : 0u;
}
#endif

#endif
