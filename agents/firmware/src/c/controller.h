@if table
/* Gear-shift controller: features, guard and decision table.
@else
/* Gear-shift controller: features, guard and decision network.
@end
@if table
 * Generated; change the table's source and generate again instead of editing.
@else
 * Generated; change the network's source and generate again instead of editing.
@end
 *
@PROVENANCE@
 *
 * CAUTIONS
@CAUTIONS@
 *
 * UNITS AND SCALING (integers throughout)
@UNITS@
 *
 * USE
 *   lowgear_state state;
 *   lowgear_start(&state, 0);                            the selector is to go to the lowest gear
 *   every tick: fill a lowgear_raw; lowgear_command c = lowgear_tick(&state, &raw);
 *               c.drive == 0: motor off. Otherwise: motor at the driver's duty.
 *               c.gear: send the selector to lowgear_angle_of(c.gear).
 *               c.nudge: repeat that order now. c.recalibrate: run against the reference first.
 *               c.park: send the selector to Park instead.
 *               state.phase == LOWGEAR_FAULTED: a reading is out of range, state.fault says which.
 *   once at power-up, motor off: lowgear_check_standing(&raw, FULL_DUTY) must return 0.
 *   once at power-up: lowgear_self_test() must return 1 (it costs its vectors in program memory; not
 *   calling it, or defining LOWGEAR_NO_SELF_TEST before including this file, saves them).
 *
 * PROGRAM MEMORY: tables go where LOWGEAR_ROM puts them and are read through LOWGEAR_READ (a byte) and
 * LOWGEAR_READ16 (two bytes). Where constants do not live in ordinary address space, define all three
 * before including this file, for example
 *   #define LOWGEAR_ROM PROGMEM
 *   #define LOWGEAR_READ(address) pgm_read_byte(address)
 *   #define LOWGEAR_READ16(address) pgm_read_word(address)
 */
#ifndef LOWGEAR_H
#define LOWGEAR_H

#include <stddef.h>
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

@if table
/* ---- decision table ---------------------------------------------------------------------------- */
@else
/* ---- decision network -------------------------------------------------------------------------- */
@end

@TABLE@

/* ---- types ------------------------------------------------------------------------------------- */

enum { LOWGEAR_DOWN = 0, LOWGEAR_HOLD = 1, LOWGEAR_UP = 2 };

enum {
    LOWGEAR_DRIVING = 0,       /* a gear is engaged and driven */
    LOWGEAR_CUTTING = 1,       /* drive cut, selector still at rest */
    LOWGEAR_MOVING = 2,        /* the selector moves, or the dogs have not entered yet */
    LOWGEAR_RECALIBRATING = 3, /* the selector runs against its reference */
    LOWGEAR_RESTING = 4,       /* the motor rests after a stall */
    LOWGEAR_PARKED = 5,        /* the selector stands in Park */
    LOWGEAR_FAULTED = 6        /* a reading is or was out of range; state.fault says which */
};

enum { /* which reading was out of range last; it stays when the fault is over */
    LOWGEAR_FAULT_NONE = 0,
    LOWGEAR_FAULT_ENCODER = 1,
    LOWGEAR_FAULT_BATTERY = 2,
    LOWGEAR_FAULT_CURRENT = 3,
    LOWGEAR_FAULT_TILT = 4,
    LOWGEAR_FAULT_DUTY = 5,
    LOWGEAR_FAULT_SELECTOR = 6
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

/* One reading of every sensor. An absent sensor reads 0; the selector angle is needed. */
typedef struct {
    uint16_t encoder_counts;  /* pulses counted during the last tick */
    uint16_t battery_mv;    /* battery voltage under load */
    int16_t current_ma;     /* motor current */
    int16_t tilt_ddeg;      /* accelerometer tilt, nose up positive */
    uint16_t duty_permille; /* duty that was commanded during the last tick, 0 while cut */
    uint16_t selector_ddeg; /* drum angle, 0 to 3599 */
    int16_t preview;        /* sensor ahead of the front axle, 0 on flat ground */
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
    uint8_t phase, gear, target, tries, recalibrated;
    uint8_t verdict;   /* what became of the last request */
    uint8_t fault;     /* which reading was out of range last */
    uint8_t jump_outs; /* times the selector has left its gear under drive, 0 to 255 */
@if speed preview
    uint8_t driven; /* driven at the tick before */
@end
@if fresh
    uint8_t fresh; /* 1: the speed filters restart */
@end
@if tilt
    uint8_t levelled; /* 1: the tilt filter has begun */
@end
@if failure
    uint8_t from_below; /* 1: the gear is on trial after an upshift */
@end
@if failed_count
    uint8_t failed_count; /* failed upshifts in a row, 0 to 7 */
@end
@if preview
    uint8_t strikes; /* two bits a strike, newest lowest: 0 none, 2 low, 3 high */
    uint8_t next_class; /* of the next strike; 0 none */
    uint8_t raised;  /* 0: flat ahead, 255: unknown, else steps of 8 mm since the reading rose, at least 1 */
@end
@CLOCKS@
@if preview
    uint16_t tick_way; /* way of the last tick, mm times 16 */
    uint16_t strike_mm[4]; /* where the front axle meets each strike, newest first, mm of the way */
    uint16_t next_mm; /* where an axle leaves the next strike */
@end
@if since_failed
    uint16_t since_failed; /* ticks since the last failed upshift, 0 to 1000 */
@end
@if stalled
    uint16_t stalled; /* ticks the driven motor has stood still, 0 to 1000 */
@end
@if battery_axis
    uint16_t battery_mv;
@end
@if current_axis
    int16_t current_ma;
@end
@if motor
    uint32_t motor_speed; /* 6 bits of fraction, as all filters */
@end
@if ratio_filter
    uint32_t speed_ratio; /* permille of the no-load speed at present voltage and duty */
@end
@if slow
    uint32_t load_slow; /* permille of the top gear's stall force */
@end
@if peak
    uint32_t load_peak;
@end
@if tilt
    int32_t tilt; /* tenths of a degree */
@end
@if preview
    uint32_t way; /* driven, mm times 4096 */
@end
} lowgear_state;

/* ---- arithmetic -------------------------------------------------------------------------------- */

static inline uint8_t lowgear_at_least(uint16_t value, uint16_t limit)
{
    return value >= limit ? 1u : 0u;
}

@if speed_filter
/* One step of a first-order filter: state + (value * 64 - state) / 2^bits, rounded down. */
static inline uint32_t lowgear_approach(uint32_t state, uint32_t value, uint8_t bits)
{
@if slow_filter
    /* The state times 2^bits would not fit; the difference is lifted above zero instead. */
    const uint32_t lift = UINT32_C(0x40000000);
    return state + (((value << 6) - state + lift) >> bits) - (lift >> bits);
@else
    return ((state << bits) - state + (value << 6)) >> bits;
@end
}

@end
@if speed
/* value / 1000 for values up to 65 535 000: by one multiplication, at most 2 short, and another for the rest. */
static inline uint32_t lowgear_thousandth(uint32_t value)
{
    const uint32_t quotient = ((value >> 10) * UINT32_C(67108)) >> 16;
    return quotient + (((value - quotient * 1000u) * 8389u) >> 23);
}

@end
@if quotient
/* rest / divisor, at most 2000, for divisors below 65 536, without a divider. The divisor is brought to 16 bits, its
 * reciprocal found by two steps of Newton's method from a straight line (14 bits of fraction, 48/17 - 32/17 x), and
 * the quotient, then at most one off, is put right by its rest. */
static inline uint32_t lowgear_quotient(uint32_t rest, uint32_t divisor)
{
    uint32_t inverse, quotient;
    if (rest >= divisor * 2000u) {
        return 2000u;
    }
    if (divisor < 256u) {
        divisor <<= 8;
        rest <<= 8;
    }
    if (divisor < 4096u) {
        divisor <<= 4;
        rest <<= 4;
    }
    if (divisor < 16384u) {
        divisor <<= 2;
        rest <<= 2;
    }
    if (divisor < 32768u) {
        divisor <<= 1;
        rest <<= 1;
    }
    inverse = 46262u - ((divisor * 30840u) >> 16);
    inverse = (inverse * (32768u - ((divisor * inverse) >> 16))) >> 14;
    inverse = (inverse * (32768u - ((divisor * inverse) >> 16))) >> 14;
    quotient = ((rest >> 11) * inverse) >> 19;
    if (rest < quotient * divisor) {
        return quotient - 1u;
    }
    return rest - quotient * divisor >= divisor ? quotient + 1u : quotient;
}

/* Motor speed over its no-load speed at this voltage, permille. */
static inline uint32_t lowgear_permille(uint16_t encoder_counts, uint32_t applied_mv)
{
    const uint16_t counts = encoder_counts < LOWGEAR_MOST_COUNTS ? encoder_counts : (uint16_t)LOWGEAR_MOST_COUNTS;
    return lowgear_quotient(LOWGEAR_SPEED_GAIN * counts, applied_mv);
}

@end
@if load
/* Load at the wheel, permille of the top gear's stall force. */
static inline uint32_t lowgear_load(uint32_t ratio, uint32_t scale)
{
    const uint32_t load = ratio < 1000u ? lowgear_thousandth((1000u - ratio) * scale) : 0u;
@if high_load
    return load > 30000u ? 30000u : load;
@else
    return load;
@end
}

@end
/* The drum angle of a gear, tenths of a degree. */
static inline uint16_t lowgear_angle_of(uint8_t gear)
{
    return LOWGEAR_READ16(&lowgear_gear_ddeg[gear < LOWGEAR_ANGLES ? gear : 0u]);
}

/* ---- features ---------------------------------------------------------------------------------- */

@if failure
static inline void lowgear_count_failure(lowgear_state *s)
{
@if since_failed
    s->since_failed = 0u;
@end
@if failed_count
    if (s->failed_count < 7u) {
        s->failed_count++;
    }
@end
}

@end
/* The selector has arrived in its target gear. An upshift soon taken back is a failed one. */
static inline void lowgear_arrive(lowgear_state *s)
{
@if failure
    if (s->target != s->gear) {
        if (s->target < s->gear && s->from_below
            && lowgear_at_least(LOWGEAR_FAILED_WINDOW_TICKS, s->gear_clock)) {
            lowgear_count_failure(s);
        }
        s->from_below = s->target > s->gear ? 1u : 0u;
    }
@end
@if gear_clock
    s->gear_clock = 0u;
@end
@if stalled
    s->stalled = 0u;
@end
@if fresh
    s->fresh = 1u;
@end
    s->gear = s->target;
    s->dwell = 0u;
}

@if speed
/* Motor speed always; ratio, load and standstill only tell something while voltage is applied. */
static inline void lowgear_filter_speed(lowgear_state *s, const lowgear_raw *raw)
{
    const uint16_t duty = raw->duty_permille;
@if battery
    const uint32_t applied_mv = duty < 1000u ? lowgear_thousandth((uint32_t)raw->battery_mv * duty) : raw->battery_mv;
@else
    const uint32_t applied_mv = duty < 1000u ? lowgear_thousandth((uint32_t)LOWGEAR_NOMINAL_MV * duty) : LOWGEAR_NOMINAL_MV;
@end
@if motor
    const uint32_t nominal = lowgear_permille(raw->encoder_counts, LOWGEAR_NOMINAL_MV);
    s->motor_speed = s->fresh ? nominal << 6 : lowgear_approach(s->motor_speed, nominal, LOWGEAR_FAST_SHIFT);
@end
    if (applied_mv == 0u) {
@if stalled
        s->stalled = 0u;
@end
        return;
    }
@if ratio_use
    {
        const uint32_t ratio = lowgear_permille(raw->encoder_counts, applied_mv);
@end
@if load
        const uint32_t scale = LOWGEAR_READ16(&lowgear_gear_scale[s->gear]);
@end
@if ratio_filter
        s->speed_ratio = s->fresh ? ratio << 6 : lowgear_approach(s->speed_ratio, ratio, LOWGEAR_FAST_SHIFT);
@end
@if slow
        s->load_slow = lowgear_approach(s->load_slow, lowgear_load(ratio, scale), LOWGEAR_SLOW_SHIFT);
@end
@if peak
        {
            const uint32_t fast = lowgear_load(s->speed_ratio >> 6, scale) << 6;
            s->load_peak -= s->load_peak >> LOWGEAR_PEAK_SHIFT;
            if (fast > s->load_peak) {
                s->load_peak = fast;
            }
        }
@end
@if ratio_use
    }
@end
@if fresh
    s->fresh = 0u;
@end
@if stalled
    if (lowgear_at_least(LOWGEAR_FEATURE_STALL_COUNTS, raw->encoder_counts) == 0u) {
        s->stalled = 0u;
    } else if (s->stalled < 1000u) {
        s->stalled++;
    } else {
        /* counts no further */
    }
@end
}

@end
@if preview
/* The way driven, mm. It wraps: lengths are differences, and those from 32768 on are below zero. */
static inline uint16_t lowgear_way_mm(const lowgear_state *s)
{
    return (uint16_t)(s->way >> 12);
}

/* 1 where the rear axle is where it meets a strike: lifted, it lowers the sensor, and the reading rises. */
static inline uint8_t lowgear_rear_on_strike(const lowgear_state *s)
{
    const uint16_t here_mm = (uint16_t)(lowgear_way_mm(s) - LOWGEAR_HOLD_MM - LOWGEAR_WHEELBASE_MM);
    const uint16_t *at = s->strike_mm;
    uint8_t strikes = s->strikes;
    uint8_t on = 0u;
    while (strikes != 0u) {
        if ((uint16_t)(*at - here_mm) <= LOWGEAR_HOLD_MM * 2u) {
            on = 1u;
        }
        strikes = (uint8_t)(strikes >> 2);
        at++;
    }
    return on;
}

/* A reading above the level: a new strike, or more of the last one. */
static inline void lowgear_rise(lowgear_state *s, uint32_t moved, uint8_t high)
{
    const uint16_t front_mm = (uint16_t)(lowgear_way_mm(s) + LOWGEAR_AHEAD_MM);
    if (s->raised != 0u) {
        const uint16_t raised = (uint16_t)(s->raised
            + ((uint16_t)((uint16_t)(s->way >> 15) - (uint16_t)((s->way - moved) >> 15)) & 8191u));
        s->raised = raised > LOWGEAR_STUCK_MM / 8u || raised >= 255u ? (uint8_t)255u : (uint8_t)raised;
    } else if (lowgear_rear_on_strike(s) != 0u) {
        s->raised = 1u;
    } else if (s->strikes == 0u || lowgear_at_least((uint16_t)(front_mm - s->strike_mm[0]), LOWGEAR_LOCKOUT_MM) != 0u) {
        s->strike_mm[3] = s->strike_mm[2];
        s->strike_mm[2] = s->strike_mm[1];
        s->strike_mm[1] = s->strike_mm[0];
        s->strike_mm[0] = front_mm;
        s->strikes = (uint8_t)((uint8_t)(s->strikes << 2) | 2u);
        s->raised = 1u;
        s->next_class = 0u;
    } else {
        /* the last strike, met again by an arm that bounces */
    }
    if (high != 0u && (s->strikes & 3u) == 2u && (uint16_t)(front_mm - s->strike_mm[0]) <= LOWGEAR_LOCKOUT_MM) {
        s->strikes++;
        s->next_class = 0u;
    }
}

/* Which strike an axle meets next: kept, so that a decision has not to search for it. */
static inline void lowgear_find_next(lowgear_state *s)
{
    const uint16_t here_mm = (uint16_t)(lowgear_way_mm(s) - LOWGEAR_HOLD_MM);
    const uint16_t *at = s->strike_mm;
    uint8_t strikes = s->strikes;
    uint16_t nearest = 32768u;
    uint8_t next = 0u;
    do {
        uint16_t left = (uint16_t)(*at - here_mm);
        if (left > 32767u) {
            left = (uint16_t)(left + LOWGEAR_WHEELBASE_MM); /* the front axle has met it */
        }
        if (left < nearest) {
            nearest = left;
            next = strikes;
        }
        at++;
        strikes = (uint8_t)(strikes >> 2);
    } while (strikes != 0u);
    s->next_class = (uint8_t)(next & 3u);
    s->next_mm = (uint16_t)(nearest + here_mm + LOWGEAR_HOLD_MM);
}

/* The way of a tick and the ground ahead. `engaged` is 1 when the motor was connected to the wheels throughout; when
 * it was not, the vehicle is taken to roll on as fast as before, and slower from tick to tick. */
static inline void lowgear_look_ahead(lowgear_state *s, const lowgear_raw *raw, uint8_t engaged)
{
    uint32_t moved;
    if (engaged != 0u) {
@if many_counts
        const uint16_t counts = raw->encoder_counts < 2000u ? raw->encoder_counts : (uint16_t)2000u;
@else
        const uint16_t counts = raw->encoder_counts;
@end
@if long_counts
        const uint16_t *way = lowgear_count_way + (uint8_t)(s->gear << 1);
        moved = counts * ((uint32_t)LOWGEAR_READ16(way) | (uint32_t)LOWGEAR_READ16(way + 1) << 16);
@else
        moved = (uint32_t)counts * LOWGEAR_READ16(&lowgear_count_way[s->gear]);
@end
@if long_ticks
        s->tick_way = moved >> 8 > 65535u ? (uint16_t)65535u : (uint16_t)(moved >> 8);
@else
        s->tick_way = (uint16_t)(moved >> 8);
@end
    } else {
        s->tick_way = s->tick_way > LOWGEAR_COAST ? (uint16_t)(s->tick_way - LOWGEAR_COAST) : (uint16_t)0u;
        moved = (uint32_t)s->tick_way << 8;
    }
    s->way += moved;
@if long_ticks
    if (s->strikes != 0u) { /* one tick may pass by more than a length that can be compared */
@else
    if (s->next_class != 0u && (uint16_t)(s->next_mm - lowgear_way_mm(s)) > 32767u) {
@end
        s->next_class = 0u;
        if ((uint16_t)(s->strike_mm[0] + LOWGEAR_WHEELBASE_MM + LOWGEAR_HOLD_MM - lowgear_way_mm(s)) > 32767u) {
            s->strikes = 0u; /* the rear axle has met the newest, and so every one */
        }
    }
    if (raw->preview < LOWGEAR_LOW_LEVEL) {
        s->raised = raw->preview < LOWGEAR_LEAST_PREVIEW ? (uint8_t)255u : (uint8_t)0u;
    } else if (raw->preview > LOWGEAR_MOST_PREVIEW) {
        s->raised = 255u;
    } else if (s->raised != 255u) {
        lowgear_rise(s, moved, raw->preview >= LOWGEAR_HIGH_LEVEL ? 1u : 0u);
    } else {
        /* unknown until it has been below the level */
    }
    if (s->next_class == 0u && s->strikes != 0u) {
        lowgear_find_next(s);
    }
}

/* The next strike of an axle: way to it, mm, up to 1000, and from bit 10 its class: 0 unknown, 1 none, 2 low, 3 high. */
static inline uint16_t lowgear_next_strike(const lowgear_state *s)
{
    if (s->next_class != 0u) {
        const uint16_t left = (uint16_t)(s->next_mm - lowgear_way_mm(s));
        if (left < 1000u + LOWGEAR_HOLD_MM) {
            return (uint16_t)((left > LOWGEAR_HOLD_MM ? left - LOWGEAR_HOLD_MM : 0u) + s->next_class * 1024u);
        }
    }
    return s->raised == 255u ? (uint16_t)1000u : (uint16_t)2024u;
}

@end
/* A reading covers the tick before it, so the filters take it only when the vehicle was driven then too. */
static inline void lowgear_observe(lowgear_state *s, const lowgear_raw *raw)
{
@if speed gear_clock preview
    const uint8_t driving = s->phase == LOWGEAR_DRIVING ? 1u : 0u;
@end
@if since_failed
    if (s->since_failed < 1000u) {
        s->since_failed++;
    }
@end
    if (s->phase == LOWGEAR_FAULTED) {
@if speed preview
        s->driven = 0u;
@end
@if preview
        s->strikes = 0u;
        s->next_class = 0u;
        s->raised = 255u;
        s->tick_way = 0u;
@end
        return; /* a reading that tells nothing */
    }
@if tilt
    {
        /* Lifted above zero, because the language leaves >> of negative values open. */
        const uint32_t lift = UINT32_C(0x40000000);
        const uint32_t floor = lift >> LOWGEAR_TILT_SHIFT;
        const int32_t value = (int32_t)raw->tilt_ddeg * 64;
        const int32_t apart = value - s->tilt;
        const uint32_t moved = ((uint32_t)apart + lift) >> LOWGEAR_TILT_SHIFT;
        s->tilt = s->levelled != 0u ? s->tilt + (int32_t)moved - (int32_t)floor : value;
    }
    s->levelled = 1u;
@end
@if gear_clock
    if (driving != 0u) {
        if (s->gear_clock < LOWGEAR_GEAR_CLOCK_MOST) {
            s->gear_clock++;
        }
@end
@if failure
        if (s->from_below && lowgear_at_least(LOWGEAR_FAILED_WINDOW_TICKS, s->gear_clock) == 0u) {
@end
@if failed_count
            s->failed_count = 0u;
@end
@if failure
            s->from_below = 0u;
        }
@end
@if gear_clock
    }
@end
@if speed
    if (driving != 0u && s->driven != 0u) {
        lowgear_filter_speed(s, raw);
    }
@end
@if preview
    lowgear_look_ahead(s, raw, driving != 0u && s->driven != 0u ? 1u : 0u);
@end
@if speed preview
    s->driven = driving;
@end
@if battery_axis
    s->battery_mv = raw->battery_mv;
@end
@if current_axis
    s->current_ma = raw->current_ma;
@end
    (void)raw;
}

@if tilt
/* Filtered tilt, tenths of a degree. */
static inline int16_t lowgear_tilt(const lowgear_state *s)
{
    const uint32_t lift = UINT32_C(0x40000000);
    const int32_t tilt = (int32_t)(((uint32_t)s->tilt + lift) >> 6) - (int32_t)(lift >> 6);
    return (int16_t)(tilt < -30000 ? -30000 : (tilt > 30000 ? 30000 : tilt));
}

@end
/* ---- guard: only it moves the gearbox ---------------------------------------------------------- */

static inline void lowgear_enter(lowgear_state *s, uint8_t phase)
{
    s->phase = phase;
    s->clock = 0u;
}

/* What would become of a request now. */
static inline uint8_t lowgear_check_request(const lowgear_state *s, uint8_t request)
{
    if (request != LOWGEAR_DOWN && request != LOWGEAR_UP) {
        return LOWGEAR_IDLE;
    }
    if (s->gear == (request == LOWGEAR_DOWN ? 0u : LOWGEAR_TOP_GEAR)) {
        return LOWGEAR_NO_SUCH_GEAR;
    }
    if (s->phase != LOWGEAR_DRIVING) {
        return LOWGEAR_BUSY;
    }
    if (lowgear_at_least(s->dwell, LOWGEAR_MIN_DWELL_TICKS) == 0u) {
        return LOWGEAR_DWELL;
    }
@if tilt_limit
    if (request == LOWGEAR_UP && lowgear_tilt(s) >= LOWGEAR_TILT_LIMIT_DDEG) {
        return LOWGEAR_TILT;
    }
@end
    return LOWGEAR_ACCEPTED;
}

/* Sets a target; with one try already made the selector is sent there again. */
static inline void lowgear_begin_move(lowgear_state *s, uint8_t target, uint8_t tries)
{
    s->target = target;
    s->tries = tries;
    s->recalibrated = 0u;
}

/* Retry, then recalibrate once, then go back to the gear that was left. */
static inline void lowgear_miss(lowgear_state *s)
{
    uint8_t phase = LOWGEAR_MOVING;
    if (lowgear_at_least(s->tries, LOWGEAR_RETRIES) == 0u) {
        s->tries++;
    } else if (!s->recalibrated) {
        s->recalibrated = 1u;
        s->tries = 0u;
        phase = LOWGEAR_RECALIBRATING;
    } else {
@if failure
        if (s->target > s->gear) {
            s->from_below = 0u;
            lowgear_count_failure(s);
        }
@end
        lowgear_begin_move(s, s->gear, 1u);
    }
    lowgear_enter(s, phase);
}

/* Whether the selector stands within so much of a gear, the shorter way round. */
static inline uint8_t lowgear_near(uint8_t gear, const lowgear_raw *raw, uint16_t within)
{
    const uint16_t there = LOWGEAR_READ16(&lowgear_gear_ddeg[gear]);
@if wraps
    uint16_t apart = (uint16_t)(raw->selector_ddeg > there ? raw->selector_ddeg - there
                                                           : there - raw->selector_ddeg);
    while (apart >= 3600u) {
        apart = (uint16_t)(apart - 3600u);
    }
    return lowgear_at_least(within, apart > 1800u ? (uint16_t)(3600u - apart) : apart);
@else
    /* No gear is so near to the end of the turn that its surroundings reach round it. */
    return (uint16_t)(raw->selector_ddeg + within - there) <= (uint16_t)(2u * within) ? 1u : 0u;
@end
}

/* The first reading out of its range, or LOWGEAR_FAULT_NONE. */
static inline uint8_t lowgear_fault_of(const lowgear_raw *raw)
{
    if (raw->encoder_counts > LOWGEAR_MAX_ENCODER_COUNTS) {
        return LOWGEAR_FAULT_ENCODER;
    }
@if battery_range
    if (raw->battery_mv < LOWGEAR_LEAST_BATTERY_MV || raw->battery_mv > LOWGEAR_MOST_BATTERY_MV) {
        return LOWGEAR_FAULT_BATTERY;
    }
@end
@if current_range
    if (raw->current_ma > LOWGEAR_MAX_CURRENT_MA || raw->current_ma < -LOWGEAR_MAX_CURRENT_MA) {
        return LOWGEAR_FAULT_CURRENT;
    }
@end
@if tilt_range
    if (raw->tilt_ddeg > LOWGEAR_MAX_TILT_DDEG || raw->tilt_ddeg < -LOWGEAR_MAX_TILT_DDEG) {
        return LOWGEAR_FAULT_TILT;
    }
@end
    if (raw->duty_permille > 1000u) {
        return LOWGEAR_FAULT_DUTY;
    }
    return raw->selector_ddeg >= 3600u ? (uint8_t)LOWGEAR_FAULT_SELECTOR : (uint8_t)LOWGEAR_FAULT_NONE;
}

/* Counts the ticks in a driven gear, and those in which its motor stands still; 1 when this is one. */
static inline uint8_t lowgear_count_standing(lowgear_state *s, const lowgear_raw *raw)
{
    if (s->dwell < LOWGEAR_DWELL_MOST) {
        s->dwell++;
    }
    if (raw->duty_permille == 0u || lowgear_at_least(LOWGEAR_STALL_COUNTS, raw->encoder_counts) == 0u) {
        s->standing = 0u;
        return 0u;
    }
    if (s->standing < LOWGEAR_STANDING_MOST) {
        s->standing++;
    }
    return 1u;
}

/* No drive. A selector that moves goes on to its target; one that has not been commanded to move yet stays. */
static inline void lowgear_take_fault(lowgear_state *s, uint8_t fault)
{
    s->fault = fault;
    if (s->phase != LOWGEAR_MOVING && s->phase != LOWGEAR_RECALIBRATING && s->phase != LOWGEAR_FAULTED) {
        lowgear_begin_move(s, s->gear, 0u);
    }
    lowgear_enter(s, LOWGEAR_FAULTED);
}

/* A driven gear: the selector must not have left it, the motor must not stand still for too long. */
static inline void lowgear_watch_drive(lowgear_state *s, const lowgear_raw *raw, uint8_t still)
{
    if (lowgear_near(s->gear, raw, LOWGEAR_LEAVE_DDEG) == 0u) {
        if (s->jump_outs < 255u) {
            s->jump_outs++;
        }
        lowgear_begin_move(s, s->gear, 1u);
        lowgear_enter(s, LOWGEAR_MOVING);
    } else if (still != 0u && lowgear_at_least(s->standing, LOWGEAR_STALL_CUT_TICKS) != 0u) {
        lowgear_enter(s, LOWGEAR_RESTING);
    } else {
        /* driven as it should be */
    }
}

static inline void lowgear_follow(lowgear_state *s, const lowgear_raw *raw)
{
    const uint8_t still = s->phase == LOWGEAR_DRIVING ? lowgear_count_standing(s, raw) : 0u;
    const uint8_t fault = lowgear_fault_of(raw);
    if (s->clock < LOWGEAR_CLOCK_MOST) {
        s->clock++;
    }
    if (s->phase == LOWGEAR_PARKED) {
        return;
    }
    if (fault != LOWGEAR_FAULT_NONE) {
        lowgear_take_fault(s, fault);
    } else if (s->phase == LOWGEAR_DRIVING) {
        lowgear_watch_drive(s, raw, still);
    } else if (s->phase == LOWGEAR_MOVING) {
        if (lowgear_near(s->target, raw, LOWGEAR_WINDOW_DDEG) != 0u) {
            lowgear_arrive(s);
            lowgear_enter(s, LOWGEAR_DRIVING);
        } else if (lowgear_at_least(s->clock, LOWGEAR_MOVE_TIMEOUT_TICKS) != 0u) {
            lowgear_miss(s);
        } else {
            /* on its way */
        }
    } else if (s->phase == LOWGEAR_RESTING) {
        if (lowgear_at_least(s->clock, LOWGEAR_STALL_REST_TICKS) != 0u) {
            s->standing = 0u;
            lowgear_enter(s, lowgear_near(s->gear, raw, LOWGEAR_LEAVE_DDEG)
                    ? LOWGEAR_DRIVING : LOWGEAR_MOVING);
        }
    } else if (lowgear_at_least(s->clock, s->phase == LOWGEAR_CUTTING ? LOWGEAR_CUT_LEAD_TICKS
                   : s->phase == LOWGEAR_FAULTED ? LOWGEAR_FAULT_CLEAR_TICKS : LOWGEAR_RECALIBRATE_TICKS) != 0u) {
        lowgear_enter(s, LOWGEAR_MOVING);
    } else {
        /* still waiting */
    }
}

static inline lowgear_command lowgear_order(lowgear_state *s, uint8_t request)
{
    lowgear_command c = { 0u, s->gear, 0u, 0u, 0u };
    s->verdict = lowgear_check_request(s, request);
    if (s->phase == LOWGEAR_MOVING || s->phase == LOWGEAR_RECALIBRATING || s->phase == LOWGEAR_FAULTED) {
        c.gear = s->target;
        if (s->clock == 0u) {
            c.recalibrate = s->phase == LOWGEAR_RECALIBRATING ? 1u : 0u;
            c.nudge = (s->phase == LOWGEAR_MOVING && s->tries > 0u) ? 1u : 0u;
        }
    }
    if (s->verdict == LOWGEAR_ACCEPTED) {
        lowgear_begin_move(s, (uint8_t)(s->gear + request - LOWGEAR_HOLD), 0u);
@if cut_lead
        lowgear_enter(s, LOWGEAR_CUTTING);
@else
        lowgear_enter(s, LOWGEAR_MOVING);
        c.gear = s->target;
@end
    }
    c.drive = s->phase == LOWGEAR_DRIVING ? 1u : 0u;
    c.park = s->phase == LOWGEAR_PARKED ? 1u : 0u;
    return c;
}

/* Asks for Park: only when the motor stands still and no shift is under way. Returns the verdict. */
static inline uint8_t lowgear_park(lowgear_state *s, const lowgear_raw *raw)
{
    if (s->phase != LOWGEAR_DRIVING) {
        s->verdict = LOWGEAR_BUSY;
    } else if (lowgear_at_least(LOWGEAR_STALL_COUNTS, raw->encoder_counts) == 0u) {
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
    s->verdict = LOWGEAR_IDLE;
    if (s->phase == LOWGEAR_PARKED) {
        lowgear_begin_move(s, s->gear, 0u);
        lowgear_enter(s, LOWGEAR_MOVING);
        s->verdict = LOWGEAR_ACCEPTED;
    }
    return s->verdict;
}

/* ---- decision ---------------------------------------------------------------------------------- */

@if battery_axis
static inline uint16_t lowgear_battery(const lowgear_state *s)
{
    const uint32_t permille = s->battery_mv * UINT32_C(1000) / LOWGEAR_BATTERY_MV;
    return permille > 30000u ? (uint16_t)30000u : (uint16_t)permille;
}

@end
@if current_axis
static inline int16_t lowgear_current(const lowgear_state *s)
{
    const int32_t permille = (int32_t)s->current_ma * 1000 / (int32_t)LOWGEAR_STALL_MA;
    return (int16_t)(permille < -2000 ? -2000 : (permille > 2000 ? 2000 : permille));
}

@end
@if table
/* The features on the axes of the table, in their order, plus LOWGEAR_BIAS. */
@else
/* The features that the network sees, each once, plus LOWGEAR_BIAS. */
@end
static inline void lowgear_values(const lowgear_state *s, uint16_t *value)
{
@VALUES@
}

@if table
/* One step of a search: goes on by so many edges when the value has reached the one there. */
#define LOWGEAR_STEP(at, by)                                                                               \
    if (here >= LOWGEAR_READ16(edge + (at))) {                                                             \
        edge += (by);                                                                                      \
    }

/* What the table decides for these values: LOWGEAR_DOWN, LOWGEAR_HOLD or LOWGEAR_UP. */
static inline uint8_t lowgear_look(const uint16_t *value)
{
    const uint16_t *edge = lowgear_edges;
    lowgear_index cell = 0u;
    uint16_t here = 0u;
    ptrdiff_t bin = 0;
    uint8_t code;
@LOOK@
    code = (uint8_t)((uint8_t)(LOWGEAR_READ(&lowgear_cells[cell >> 2]) >> (uint8_t)((cell & 3u) << 1)) & 3u);
@if spare_code
    return code > LOWGEAR_UP ? (uint8_t)LOWGEAR_HOLD : code;
@else
    return code;
@end
}
@else
static inline uint8_t lowgear_clamped(uint32_t value)
{
    return value > 255u ? (uint8_t)255u : (uint8_t)value;
}

/* The activation of an input, 0 to 255; 128 stands for zero. */
static inline uint8_t lowgear_input(const uint16_t *value, const uint16_t *input)
{
    const uint16_t code = LOWGEAR_READ16(input);
    const uint8_t shift = (uint8_t)(code >> 8);
    const int32_t low = (int32_t)LOWGEAR_READ16(input + 1) - 32768;
    const int32_t here = (int32_t)value[code & 15u] - (int32_t)LOWGEAR_BIAS;
    if ((code & 48u) == 0u) {
        return here == low ? (uint8_t)192u : (uint8_t)128u; /* one gear, one class */
    }
    if ((code & 48u) == 16u) {
        const int32_t above = here - low;
        const uint32_t steps = (uint32_t)above >> shift;
        return above > 0 ? lowgear_clamped(steps) : (uint8_t)0u;
    }
    {
        /* 16 times the logarithm to base 2, linear between powers of two. */
        const int32_t lifted = here + low;
        uint32_t rest = lifted < 1 ? UINT32_C(1) : (uint32_t)lifted;
        int32_t sum = (int32_t)shift - 16;
        while (rest >= 32u) {
            rest >>= 1;
            sum += 16;
        }
        while (rest < 16u) {
            rest <<= 1;
            sum -= 16;
        }
        sum += (int32_t)rest;
        return sum > 0 ? lowgear_clamped((uint32_t)sum) : (uint8_t)0u;
    }
}

/* The sum of weights times activations. Weights are stored plus 128: 128 times the sum of the activations is too much. */
static inline uint32_t lowgear_products(const uint8_t *weight, const uint8_t *x, uint8_t width)
{
    uint32_t products = 0u;
    uint8_t i;
    for (i = 0u; i < width; i++) {
        products += (uint32_t)(uint16_t)((uint16_t)LOWGEAR_READ(&weight[i]) * x[i]);
    }
    return products;
}

/* What the network decides for these values: LOWGEAR_DOWN, LOWGEAR_HOLD or LOWGEAR_UP. Holding goes before shifting
 * down before shifting up where their sums are equal. */
static inline uint8_t lowgear_look(const uint16_t *value)
{
    uint8_t activation[2][LOWGEAR_WIDTH];
    int32_t best = 0;
    const uint8_t *weight = lowgear_weights;
    const uint16_t *bias = lowgear_biases;
    uint8_t width = LOWGEAR_INPUTS;
    uint8_t request = LOWGEAR_HOLD;
    uint8_t layer, i;
    for (i = 0u; i < LOWGEAR_INPUTS; i++) {
        activation[0][i] = lowgear_input(value, &lowgear_inputs[(uint8_t)(i << 1)]);
    }
    for (layer = 0u; layer < LOWGEAR_LAYERS; layer++) {
        const uint8_t *x = activation[layer & 1u];
        uint8_t *y = activation[(layer & 1u) ^ 1u];
        const uint8_t units = LOWGEAR_READ(&lowgear_layers[(uint8_t)(layer << 1)]);
        const uint8_t shift = LOWGEAR_READ(&lowgear_layers[(uint8_t)(layer << 1) + 1u]);
        int32_t total = 0;
        for (i = 0u; i < width; i++) {
            total += (int32_t)x[i] * 128;
        }
        for (i = 0u; i < units; i++) {
            const int32_t own = (int32_t)lowgear_products(weight, x, width)
                + ((int32_t)LOWGEAR_READ16(bias) - 32768) * 16 - total;
            const uint32_t scaled = (uint32_t)own >> shift;
            y[i] = own > 0 ? lowgear_clamped(scaled) : (uint8_t)0u;
            if (i == LOWGEAR_DOWN || own > best || (own == best && i == LOWGEAR_HOLD)) {
                best = own; /* in the end that of the last layer */
                request = i;
            }
            weight += width;
            bias++;
        }
        width = units;
    }
    return request;
}
@end

static inline uint8_t lowgear_decide(const lowgear_state *s)
{
    uint16_t value[LOWGEAR_AXES];
    lowgear_values(s, value);
    return lowgear_look(value);
}

/* ---- the tick ---------------------------------------------------------------------------------- */

/* The selector is sent to `gear` from wherever it stands; no drive before it has been seen there. */
static inline void lowgear_start(lowgear_state *s, uint8_t gear)
{
    volatile uint8_t *byte = (volatile uint8_t *)s; /* volatile: no call of memset for so little */
    uint8_t left = (uint8_t)sizeof *s;
    while (left != 0u) {
        left--;
        byte[left] = 0u;
    }
    s->gear = gear < LOWGEAR_TOP_GEAR ? gear : (uint8_t)LOWGEAR_TOP_GEAR;
    s->target = s->gear;
    s->phase = LOWGEAR_MOVING;
@if since_failed
    s->since_failed = 1000u;
@end
@if fresh
    s->fresh = 1u;
@end
@if preview
    s->raised = 255u;
@end
    s->since_decision = LOWGEAR_DECISION_TICKS;
}

/* First half of a tick: takes a reading. Returns 1 when a decision is due. */
static inline uint8_t lowgear_sense(lowgear_state *s, const lowgear_raw *raw)
{
    lowgear_follow(s, raw);
    lowgear_observe(s, raw);
    if (s->since_decision < LOWGEAR_SINCE_DECISION_MOST) {
        s->since_decision++;
    }
    return (s->phase == LOWGEAR_DRIVING && s->dwell != 0u
        && lowgear_at_least(s->since_decision, LOWGEAR_DECISION_TICKS)) ? 1u : 0u;
}

/* Second half of a tick: hands a request to the guard. `decided` restarts the decision clock. */
static inline lowgear_command lowgear_act(lowgear_state *s, uint8_t request, uint8_t decided)
{
    if (decided != 0u) {
        s->since_decision = 0u;
    }
    return lowgear_order(s, request);
}

/* One whole tick: sense, decide when due, act. */
static inline lowgear_command lowgear_tick(lowgear_state *s, const lowgear_raw *raw)
{
    const uint8_t due = lowgear_sense(s, raw);
    return lowgear_act(s, due ? lowgear_decide(s) : (uint8_t)LOWGEAR_HOLD, due);
}

/* ---- checks of the readings' units ----------------------------------------------------------------- */

/* At power-up, vehicle standing, motor off: the first reading that such a vehicle cannot have. `full_duty` is what
 * your loop would report at full throttle: 1000 and nothing else. Unless the answer is 0 the motor stays off. */
static inline uint8_t lowgear_check_standing(const lowgear_raw *raw, uint16_t full_duty)
{
    const uint8_t fault = lowgear_fault_of(raw);
    if (fault != LOWGEAR_FAULT_NONE) {
        return fault;
    }
    if (raw->encoder_counts > 0u) {
        return LOWGEAR_FAULT_ENCODER;
    }
@if battery_range
    if (raw->battery_mv < LOWGEAR_LEAST_STANDING_MV || raw->battery_mv > LOWGEAR_MOST_STANDING_MV) {
        return LOWGEAR_FAULT_BATTERY;
    }
@end
@if current_range
    if (raw->current_ma > LOWGEAR_MAX_CURRENT_MA / 16 || raw->current_ma < -(LOWGEAR_MAX_CURRENT_MA / 16)) {
        return LOWGEAR_FAULT_CURRENT;
    }
@end
@if tilt_range
    if (raw->tilt_ddeg > 450 || raw->tilt_ddeg < -450) {
        return LOWGEAR_FAULT_TILT;
    }
@end
    return full_duty != 1000u || raw->duty_permille > 0u ? (uint8_t)LOWGEAR_FAULT_DUTY : (uint8_t)LOWGEAR_FAULT_NONE;
}

/* In the first run, wheels off the ground and turning freely at a steady duty: LOWGEAR_FAULT_ENCODER when the motor's
 * speed does not go with duty and voltage, so that one of them is in another unit. */
static inline uint8_t lowgear_check_free(const lowgear_raw *raw)
{
    const uint8_t fault = lowgear_fault_of(raw);
    if (fault != LOWGEAR_FAULT_NONE) {
        return fault;
    }
    {
        const uint32_t speed = (uint32_t)raw->encoder_counts * LOWGEAR_SPEED_GAIN;
@if battery
        const uint32_t applied_mv = (uint32_t)raw->battery_mv * raw->duty_permille / 1000u;
@else
        const uint32_t applied_mv = (uint32_t)LOWGEAR_NOMINAL_MV * raw->duty_permille / 1000u;
@end
        return speed < applied_mv * 400u || speed > applied_mv * 1300u ? (uint8_t)LOWGEAR_FAULT_ENCODER
                                                                   : (uint8_t)LOWGEAR_FAULT_NONE;
    }
}

/* Whether the time since the last tick, in microseconds, is that of one tick: between a half and one and a half.
 * When it is not, a tick was missed or doubled: give no drive in this one. */
static inline uint8_t lowgear_on_time(uint32_t elapsed_us)
{
    return elapsed_us >= LOWGEAR_TICK_US / 2u && elapsed_us <= LOWGEAR_TICK_US / 2u * 3u ? 1u : 0u;
}

/* ---- self-test --------------------------------------------------------------------------------- */

#ifndef LOWGEAR_NO_SELF_TEST
static inline uint16_t lowgear_mix(uint16_t sum, uint16_t value)
{
    return (uint16_t)(sum * 31u + value);
}

/* Runs stored readings through a controller of its own; 1 when every answer is as it was on the host. */
static inline uint8_t lowgear_self_test(void)
{
    /* Ticks, then the reading: encoder, battery, current, tilt (both plus 32768), duty, selector, preview (plus 32768). */
    static const uint16_t run[@RUNS@][8] LOWGEAR_ROM = {
@VECTORS@
    };
    lowgear_state state;
    uint16_t sum = 0u;
    uint8_t i, axis;
    lowgear_start(&state, 0u);
    for (i = 0u; i < @RUNS@u; i++) {
        uint16_t left = LOWGEAR_READ16(&run[i][0]);
        lowgear_raw raw;
        raw.encoder_counts = LOWGEAR_READ16(&run[i][1]);
        raw.battery_mv = LOWGEAR_READ16(&run[i][2]);
        raw.current_ma = (int16_t)((int32_t)LOWGEAR_READ16(&run[i][3]) - 32768);
        raw.tilt_ddeg = (int16_t)((int32_t)LOWGEAR_READ16(&run[i][4]) - 32768);
        raw.duty_permille = LOWGEAR_READ16(&run[i][5]);
        raw.selector_ddeg = LOWGEAR_READ16(&run[i][6]);
        raw.preview = (int16_t)((int32_t)LOWGEAR_READ16(&run[i][7]) - 32768);
        for (; left != 0u; left--) {
            uint16_t value[LOWGEAR_AXES];
            const lowgear_command c = lowgear_tick(&state, &raw);
            sum = lowgear_mix(sum, c.drive);
            sum = lowgear_mix(sum, c.gear);
            sum = lowgear_mix(sum, (uint16_t)(c.nudge + 2u * c.recalibrate + 4u * c.park));
            sum = lowgear_mix(sum, (uint16_t)(state.phase + 8u * state.verdict));
            lowgear_values(&state, value);
            for (axis = 0u; axis < LOWGEAR_AXES; axis++) {
                sum = lowgear_mix(sum, value[axis]);
            }
        }
    }
    return sum == @SELF_SUM@u ? 1u : 0u;
}
#endif

#endif
