/* Recorded ticks of the toy vehicle, sent by the target's own `record_put`: to its serial port, or each byte as a line of
 * its own. */
#ifndef RECORD_H
#define RECORD_H

#include "drill.h"
#include "lowgear_recorder.h"
#ifdef DRILL_TRIAL
#include "lowgear_trial.h"
#endif

static void record_put(uint8_t byte);

#ifdef DRILL_TRIAL
/* Both controllers in one program, policy 1 wanted throughout; a new start every 1024 ticks. */
static void record(void)
{
    static lowgear_trial trial;
    static drill_toy toy;
    lowgear_command c = { 1u, 0u, 0u, 0u, 0u };
    lowgear_raw raw;
    uint32_t tick;
    for (tick = 0u; tick < (uint32_t)DRILL_TICKS; tick++) {
        if ((tick & 1023u) == 0u) {
            drill_begin(&toy, &trial.tested);
            lowgear_trial_start(&trial, 1u);
            c.drive = 1u;
            c.gear = toy.sent;
            c.nudge = 0u;
            c.recalibrate = 0u;
            c.park = 0u;
        }
        drill_read(&toy, &c, &raw);
        c = lowgear_trial_tick(&trial, &raw, 1u, (uint8_t)((tick >> 10) + 1u), record_put);
    }
}
#else
static void record(void)
{
    static lowgear_state state;
    static lowgear_recorder recorder;
    static drill_toy toy;
    lowgear_command c = { 1u, 0u, 0u, 0u, 0u };
    lowgear_raw raw;
    uint32_t tick;
    for (tick = 0u; tick < (uint32_t)DRILL_TICKS; tick++) {
        if ((tick & 511u) == 0u) {
            drill_begin(&toy, &state);
            lowgear_recorder_start(&recorder);
            c.drive = 1u;
            c.gear = toy.sent;
            c.nudge = 0u;
            c.recalibrate = 0u;
            c.park = 0u;
        }
        drill_read(&toy, &c, &raw);
        recorder.policy = (uint8_t)(tick >> 9 & 1u);
        recorder.lap = (uint8_t)(tick >> 6);
        c = lowgear_record_tick(&recorder, &state, &raw, record_put);
    }
}
#endif

#endif
