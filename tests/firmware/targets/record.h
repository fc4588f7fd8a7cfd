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
#elif defined DRILL_LAPS
/* A toy vehicle on a way of 6 m with a place at 3.4 m where its top gear is slow, and on three laps of four one at 4 m where it
 * stalls. */
typedef struct {
    uint32_t way; /* mm times 4096 */
    uint16_t selector, encoder;
    uint8_t gear, hard;
} lap_toy;

/* Moves on by a tick. 1: a lap begins. */
static uint8_t lap_move(lap_toy *toy, const lowgear_command *c)
{
    const uint16_t *way = lowgear_laps_way + 2u * toy->gear;
    const uint16_t angle = lowgear_angle_of(c->gear), pace = 300u;
    const uint16_t at_mm = (uint16_t)(toy->way >> 12);
    const uint8_t in_place = toy->hard != 0u && at_mm >= 4000u && at_mm < 4150u ? 1u : 0u;
    const uint32_t r = drill_next();
    uint16_t wanted = (uint16_t)(DRILL_SPAN - DRILL_SPAN / 16u * (r & 7u));
    if (toy->gear == LOWGEAR_TOP_GEAR && at_mm >= 3300u && at_mm < 3600u) {
        wanted = DRILL_SPAN / 10u;
    }
    if (in_place != 0u) {
        wanted = toy->gear == LOWGEAR_TOP_GEAR ? (uint16_t)0u : (uint16_t)(DRILL_SPAN * 2u / 5u + 1u);
    }
    toy->encoder = (uint16_t)((toy->encoder + wanted) / 2u);
    toy->way += toy->encoder * ((uint32_t)LOWGEAR_READ16(way) | (uint32_t)LOWGEAR_READ16(way + 1) << 16);
    if (toy->selector > angle) {
        toy->selector = (uint16_t)(toy->selector - angle > pace ? toy->selector - pace : angle);
    } else {
        toy->selector = (uint16_t)(angle - toy->selector > pace ? toy->selector + pace : angle);
    }
    if (toy->selector == angle) {
        toy->gear = c->gear;
    }
    if (toy->way < UINT32_C(6000) << 12) {
        return 0u;
    }
    toy->way = 0u;
    toy->hard = (r >> 8 & 3u) != 0u ? 1u : 0u;
    return 1u;
}

/* Lap after lap. The label of a frame holds the position and the counter, its policy says that a lap has begun. */
static void record(void)
{
    static lowgear_state state;
    static lowgear_recorder recorder;
    static lap_toy toy;
    lowgear_command c = { 1u, 0u, 0u, 0u, 0u };
    lowgear_raw raw;
    uint32_t tick;
    lowgear_start(&state, 0u);
    lowgear_laps_start(&drill_laps);
    lowgear_recorder_start(&recorder);
    toy.selector = lowgear_angle_of(0u);
    toy.hard = 1u;
    for (tick = 0u; tick < (uint32_t)DRILL_TICKS; tick++) {
        uint8_t due, request;
        recorder.policy = lap_move(&toy, &c);
        if (recorder.policy != 0u) {
            lowgear_laps_begin(&drill_laps);
        }
        raw.encoder_counts = toy.encoder;
        raw.battery_mv = (drill_next() & 1023u) == 0u ? (uint16_t)0u : (uint16_t)DRILL_NOMINAL_MV;
        raw.current_ma = 0;
        raw.tilt_ddeg = (int16_t)(drill_next() & 15u);
        raw.duty_permille = c.drive ? (uint16_t)((drill_next() & 127u) == 0u ? 700u : 1000u) : (uint16_t)0u;
        raw.selector_ddeg = toy.selector;
        raw.preview = 0;
        due = lowgear_laps_sense(&drill_laps, &state, &raw);
        request = due ? lowgear_laps_decide(&drill_laps, &state) : (uint8_t)LOWGEAR_HOLD;
        c = lowgear_act(&state, request, due);
        recorder.lap = (uint8_t)(lowgear_laps_position_mm(&drill_laps) + 64u * drill_laps.needless);
        lowgear_record(&recorder, &state, &raw, request, due, &c, record_put);
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
