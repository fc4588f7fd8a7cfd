/* Two controllers in one program, for a trial: lowgear (policy 1) and what it is compared with, lowgear_against
 * (policy 0). Generated with them; generate again instead of editing.
 *
 * USE
 *   lowgear_trial trial;
 *   lowgear_trial_start(&trial, 0u);                     policy 0 drives first
 *   every tick, in place of lowgear_tick:
 *       lowgear_command c = lowgear_trial_tick(&trial, &raw, policy, lap, put);
 *   policy: which one is wanted, 0 or 1, from a switch. lap: number of the lap, 0 between two laps, from a button or a
 *   landmark sensor. put: as in lowgear_recorder.h. trial.policy says which one drives.
 *   once at power-up: lowgear_trial_self_test() must return 1, as must lowgear_self_test() and
 *   lowgear_against_self_test().
 *
 * Only one controller drives, with a guard of its own. They change places between two laps, with the motor standing
 * and no duty. The one that takes over begins as at power-up: no drive before the selector has been seen in the
 * lowest gear. The other checks at power-up are those of lowgear.h.
 *
 * THE MONITOR: where policy 1 is slower per metre, or takes back more upshifts per metre, than policy 0 was in
 * simulation, policy 0 decides in its place, with the same guard and without a stop: trial.monitor.fallback is 1, and
 * the recording says so. lowgear_trial.md has its rules. trial.monitored = 0u switches it off.
 */
#ifndef LOWGEAR_TRIAL_H
#define LOWGEAR_TRIAL_H

#include "lowgear.h"
#include "lowgear_recorder.h"

/* Tables of both lie in the same memory: a compiler may keep one copy of what is equal in both. */
#ifndef LOWGEAR_AGAINST_ROM
#define LOWGEAR_AGAINST_ROM LOWGEAR_ROM
#define LOWGEAR_AGAINST_READ(address) LOWGEAR_READ(address)
#define LOWGEAR_AGAINST_READ16(address) LOWGEAR_READ16(address)
#endif
#include "against/lowgear_against.h"
#include "against/lowgear_against_recorder.h"

/* Both have the same readings in the same places; otherwise this does not compile. */
typedef char lowgear_trial_readings_agree[sizeof(lowgear_raw) == sizeof(lowgear_against_raw) ? 1 : -1];

/* ---- monitor ----------------------------------------------------------------------------------- */

/* Ways are mm times 4096. */
#define LOWGEAR_MONITOR_PACE UINT32_C(@PACE@)         /* way that is due in a tick */
#define LOWGEAR_MONITOR_BEHIND UINT32_C(@BEHIND@)     /* limit of what is missing of it */
#define LOWGEAR_MONITOR_FAILURE UINT32_C(@FAILURE@)   /* way in which one failed upshift is allowed */
#define LOWGEAR_MONITOR_FAILURES UINT32_C(@FAILURES@) /* limit of what they have taken beyond that */
#define LOWGEAR_MONITOR_RELEASE UINT32_C(@RELEASE@)   /* way until the second try of policy 1 */
#define LOWGEAR_MONITOR_WINDOW @WINDOW@u              /* ticks in which an upshift taken back has failed */
#define LOWGEAR_MONITOR_FULL_DUTY @FULL@u             /* permille from which time counts */
#define LOWGEAR_MONITOR_FALLBACKS 3u                  /* fallbacks after which policy 0 stays */
#define LOWGEAR_MONITOR_MOST UINT32_C(536870912)      /* a sum that has reached this grows no further */

/* Way of an encoder count in each gear: the low 16 bits, then the high ones. */
static const uint16_t lowgear_monitor_way[@HALVES@] LOWGEAR_ROM = {
    @WAYS_C@
};

typedef struct {
    uint32_t behind, failures, release;
    uint16_t gear_ticks;
    uint8_t gear, from_below;
    uint8_t fallbacks; /* how often it has gone back to policy 0 */
    uint8_t fallback;  /* 1: policy 0 decides in place of policy 1 */
} lowgear_monitor;

static inline void lowgear_monitor_start(lowgear_monitor *m, uint8_t gear)
{
    m->behind = 0u;
    m->failures = 0u;
    m->release = 0u;
    m->gear_ticks = 0u;
    m->gear = gear;
    m->from_below = 0u;
    m->fallbacks = 0u;
    m->fallback = 0u;
}

/* Takes the reading of a tick, between sense and act; `phase` and `gear` are the guard's. 1: policy 0 decides. */
static inline uint8_t lowgear_monitor_take(
    lowgear_monitor *m, uint16_t encoder_counts, uint16_t duty_permille, uint8_t phase, uint8_t gear)
{
    const uint8_t driven = phase == LOWGEAR_DRIVING && duty_permille >= LOWGEAR_MONITOR_FULL_DUTY ? 1u : 0u;
    const uint8_t shifting = phase >= LOWGEAR_CUTTING && phase <= LOWGEAR_RESTING ? 1u : 0u;
    uint32_t way = 0u;
    if (driven) {
        const uint16_t *of = lowgear_monitor_way + 2u * gear;
        way = LOWGEAR_READ16(of) | (uint32_t)LOWGEAR_READ16(of + 1) << 16;
        way *= encoder_counts < 2000u ? encoder_counts : 2000u;
    }
    if (driven || shifting) {
        const uint32_t due = m->behind < LOWGEAR_MONITOR_MOST ? m->behind + LOWGEAR_MONITOR_PACE : m->behind;
        m->behind = due > way ? due - way : 0u;
    }
    m->failures = m->failures > way ? m->failures - way : 0u;
    if (m->gear_ticks < 65535u) {
        m->gear_ticks++;
    }
    if (gear != m->gear) {
        if (gear < m->gear && m->from_below && m->gear_ticks <= LOWGEAR_MONITOR_WINDOW
            && m->failures < LOWGEAR_MONITOR_MOST) {
            m->failures += LOWGEAR_MONITOR_FAILURE;
        }
        m->from_below = gear > m->gear ? 1u : 0u;
        m->gear = gear;
        m->gear_ticks = 0u;
    }
    if (!m->fallback) {
        if (m->behind <= LOWGEAR_MONITOR_BEHIND && m->failures <= LOWGEAR_MONITOR_FAILURES) {
            return 0u;
        }
        m->fallback = 1u;
        m->release = LOWGEAR_MONITOR_RELEASE << m->fallbacks;
        m->fallbacks++;
    } else {
        if (m->fallbacks >= LOWGEAR_MONITOR_FALLBACKS || m->behind > LOWGEAR_MONITOR_BEHIND / 2u) {
            return 1u;
        }
        m->release = m->release > way ? m->release - way : 0u;
        if (m->release != 0u) {
            return 1u;
        }
        m->fallback = 0u;
    }
    m->behind = 0u;
    m->failures = 0u;
    return m->fallback;
}

#ifndef LOWGEAR_NO_SELF_TEST
/* Ticks, encoder counts, duty, phase (1: the selector moves), gear. */
static const uint16_t lowgear_monitor_runs[@RUNS@][5] LOWGEAR_ROM = {
@RUNS_C@
};

/* Runs stored readings through a monitor of its own; 1 when every answer is as it was on the host. */
static inline uint8_t lowgear_trial_self_test(void)
{
    lowgear_monitor m;
    uint16_t sum = 0u, tick;
    uint8_t run;
    lowgear_monitor_start(&m, 0u);
    for (run = 0u; run < @RUNS@u; run++) {
        const uint16_t *r = lowgear_monitor_runs[run];
        const uint8_t phase = LOWGEAR_READ16(r + 3) ? LOWGEAR_MOVING : LOWGEAR_DRIVING;
        for (tick = LOWGEAR_READ16(r); tick > 0u; tick--) {
            const uint8_t fallback = lowgear_monitor_take(
                &m, LOWGEAR_READ16(r + 1), LOWGEAR_READ16(r + 2), phase, (uint8_t)LOWGEAR_READ16(r + 4));
            sum = (uint16_t)((uint16_t)(sum * 31u) + fallback + 2u * m.fallbacks);
            sum = (uint16_t)((uint16_t)(sum * 31u) + (uint16_t)(m.behind >> 12));
            sum = (uint16_t)((uint16_t)(sum * 31u) + (uint16_t)(m.failures >> 12));
        }
    }
    return sum == @RUNS_SUM@u ? 1u : 0u;
}
#endif

/* ---- both in turn ------------------------------------------------------------------------------ */

typedef struct {
    lowgear_state tested;
    lowgear_recorder recorder;
    lowgear_against_state against;
    lowgear_against_recorder against_recorder;
    lowgear_monitor monitor;
    uint8_t monitored; /* 1: policy 1 drives with the monitor */
    uint8_t policy;    /* which one drives, 0 or 1 */
} lowgear_trial;

static inline void lowgear_trial_start(lowgear_trial *t, uint8_t policy)
{
    lowgear_start(&t->tested, 0u);
    lowgear_against_start(&t->against, 0u);
    lowgear_recorder_start(&t->recorder);
    lowgear_against_recorder_start(&t->against_recorder);
    lowgear_monitor_start(&t->monitor, 0u);
    t->recorder.policy = 1u;
    t->monitored = 1u;
    t->policy = policy & 1u;
}

/* The other one takes over; the numbers of the ticks go on, and the monitor keeps its sums. */
static inline void lowgear_trial_change(lowgear_trial *t)
{
    lowgear_start(&t->tested, 0u);
    lowgear_against_start(&t->against, 0u);
    t->monitor.gear = 0u;
    t->monitor.from_below = 0u;
    if (t->policy == 0u) {
        t->recorder.tick = t->against_recorder.tick;
        t->recorder.unwrapped = t->against_recorder.unwrapped;
    } else {
        t->against_recorder.tick = t->recorder.tick;
        t->against_recorder.unwrapped = t->recorder.unwrapped;
    }
    t->policy ^= 1u;
}

/* One whole tick of the controller that drives, recorded. */
static inline lowgear_command lowgear_trial_tick(
    lowgear_trial *t, const lowgear_raw *raw, uint8_t policy, uint8_t lap, void (*put)(uint8_t))
{
    lowgear_command c;
    lowgear_against_raw own;
    uint8_t i;
    if ((policy & 1u) != t->policy && lap == 0u && raw->duty_permille == 0u && raw->encoder_counts == 0u) {
        lowgear_trial_change(t);
    }
    for (i = 0u; i < sizeof own; i++) {
        ((uint8_t *)&own)[i] = ((const uint8_t *)raw)[i];
    }
    t->recorder.lap = lap;
    t->against_recorder.lap = lap;
    if (t->policy != 0u) {
        /* The other controller follows with the same requests, so that its guard and its features are those of the one
         * that drives: it can decide at any moment. */
        const uint8_t due = lowgear_sense(&t->tested, raw);
        uint8_t request = LOWGEAR_HOLD;
        (void)lowgear_against_sense(&t->against, &own);
        t->recorder.fallback = t->monitored
            ? lowgear_monitor_take(
                  &t->monitor, raw->encoder_counts, raw->duty_permille, t->tested.phase, t->tested.gear)
            : (uint8_t)0u;
        if (due) {
            request = t->recorder.fallback ? lowgear_against_decide(&t->against) : lowgear_decide(&t->tested);
        }
        c = lowgear_act(&t->tested, request, due);
        (void)lowgear_against_act(&t->against, request, due);
        lowgear_record(&t->recorder, &t->tested, raw, request, due, &c, put);
    } else {
        const lowgear_against_command order = lowgear_against_record_tick(&t->against_recorder, &t->against, &own, put);
        c.drive = order.drive;
        c.gear = order.gear;
        c.nudge = order.nudge;
        c.recalibrate = order.recalibrate;
        c.park = order.park;
    }
    return c;
}

/* Asks for Park, as lowgear_park does; both controllers follow. */
static inline uint8_t lowgear_trial_park(lowgear_trial *t, const lowgear_raw *raw)
{
    lowgear_against_raw own;
    uint8_t i, verdict;
    for (i = 0u; i < sizeof own; i++) {
        ((uint8_t *)&own)[i] = ((const uint8_t *)raw)[i];
    }
    verdict = lowgear_against_park(&t->against, &own);
    return t->policy != 0u ? lowgear_park(&t->tested, raw) : verdict;
}

/* Leaves Park, as lowgear_leave_park does. */
static inline uint8_t lowgear_trial_leave_park(lowgear_trial *t)
{
    const uint8_t verdict = lowgear_against_leave_park(&t->against);
    return t->policy != 0u ? lowgear_leave_park(&t->tested) : verdict;
}

#endif
