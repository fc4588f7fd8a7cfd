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
 *
 * Only one controller drives, with a guard of its own. They change places between two laps, with the motor standing
 * and no duty. The one that takes over begins as at power-up: no drive before the selector has been seen in the
 * lowest gear. The checks at power-up are those of lowgear.h; call lowgear_against_self_test() as well.
 */
#ifndef LOWGEAR_TRIAL_H
#define LOWGEAR_TRIAL_H

#include "lowgear.h"
#include "lowgear_recorder.h"
#include "against/lowgear_against.h"
#include "against/lowgear_against_recorder.h"

/* Both have the same readings in the same places; otherwise this does not compile. */
typedef char lowgear_trial_readings_agree[sizeof(lowgear_raw) == sizeof(lowgear_against_raw) ? 1 : -1];

typedef struct {
    lowgear_state tested;
    lowgear_recorder recorder;
    lowgear_against_state against;
    lowgear_against_recorder against_recorder;
    uint8_t policy; /* which one drives, 0 or 1 */
} lowgear_trial;

static inline void lowgear_trial_start(lowgear_trial *t, uint8_t policy)
{
    lowgear_start(&t->tested, 0u);
    lowgear_against_start(&t->against, 0u);
    lowgear_recorder_start(&t->recorder);
    lowgear_against_recorder_start(&t->against_recorder);
    t->recorder.policy = 1u;
    t->policy = policy & 1u;
}

/* The other one takes over; the numbers of the ticks go on. */
static inline void lowgear_trial_change(lowgear_trial *t)
{
    if (t->policy == 0u) {
        lowgear_start(&t->tested, 0u);
        t->recorder.tick = t->against_recorder.tick;
        t->recorder.unwrapped = t->against_recorder.unwrapped;
    } else {
        lowgear_against_start(&t->against, 0u);
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
    if ((policy & 1u) != t->policy && lap == 0u && raw->duty_permille == 0u && raw->encoder_counts == 0u) {
        lowgear_trial_change(t);
    }
    t->recorder.lap = lap;
    t->against_recorder.lap = lap;
    if (t->policy != 0u) {
        c = lowgear_record_tick(&t->recorder, &t->tested, raw, put);
    } else {
        lowgear_against_raw own;
        lowgear_against_command order;
        uint8_t i;
        for (i = 0u; i < sizeof own; i++) {
            ((uint8_t *)&own)[i] = ((const uint8_t *)raw)[i];
        }
        order = lowgear_against_record_tick(&t->against_recorder, &t->against, &own, put);
        c.drive = order.drive;
        c.gear = order.gear;
        c.nudge = order.nudge;
        c.recalibrate = order.recalibrate;
        c.park = order.park;
    }
    return c;
}

#endif
