/* Recorder for the controller in lowgear.h: one frame a tick, into any place that takes bytes.
 * Generated with it; generate again instead of editing.
 *
 * USE
 *   lowgear_recorder recorder;
 *   lowgear_recorder_start(&recorder);                   after lowgear_start
 *   every tick, in place of lowgear_tick:
 *       lowgear_command c = lowgear_record_tick(&recorder, &state, &raw, put);
 *   void put(uint8_t byte) is yours: a serial port, a memory card, a ring buffer. It must not wait longer than a tick
 *   has time for: 24 bytes a tick, and 28 more every 256 ticks. At 20 ticks a second a serial port with 9600 baud does.
 *   recorder.lap: label of the lap, 0 outside of laps. recorder.policy: 0 or 1, which policy drives.
 *   To keep only the last N seconds (before a stall, say), let put write into an array in a circle; a frame is found
 *   again in any part of it.
 *   On the computer: lowgear log FILE --out run.csv
 *
 * FRAME (low byte first; a request, a verdict, a phase and a fault have the codes of lowgear.h)
 *   0, 1    tick, goes round          2 to 13  encoder, mV, mA, tilt, duty, selector as in lowgear_raw
 *   14, 15  reading of a preview sensor, 0 without one
 *   16      low bits of what was asked, verdict (from bit 2), phase (from bit 5)
 *   17      gear, ordered gear (from bit 3), policy (bit 6), high bit of what was asked (bit 7)
 *   18      drive, nudge, recalibrate, park (bits 0 to 3), fault (from bit 4), tick has not gone round (bit 7)
 *   19      lap                       20, 21   checksum, high byte first
 * ASKED, three bits: 4, 5, 6 for down, hold, up; 1 not asked. While the monitor has gone back to the rule: 2, 3, 0 for
 *   down, hold, up of the rule; 7 not asked.
 * CHECKSUM: CRC-16, polynomial 0x1021, first value 0xffff, high bit first; of "123456789" it is 0x29b1.
 * FRAMING: consistent overhead byte stuffing; a zero ends a frame and nothing else.
 */
#ifndef LOWGEAR_RECORDER_H
#define LOWGEAR_RECORDER_H

#include "lowgear.h"

#define LOWGEAR_FRAME_BYTES 24u
#define LOWGEAR_HEADER_BYTES 28u

/* What the numbers mean, as it goes out: first, and every 256 ticks. */
static const uint8_t lowgear_recording_header[LOWGEAR_HEADER_BYTES] LOWGEAR_ROM = {
@HEADER@
};

/* What the recorder remembers. */
typedef struct {
    uint16_t tick;
    uint8_t unwrapped; /* 1: the tick has not gone round yet */
    uint8_t policy;    /* which policy drives, 0 or 1 */
    uint8_t lap;       /* label of the lap, 0 outside of laps */
    uint8_t fallback;  /* 1: the monitor has gone back to the rule */
} lowgear_recorder;

static inline void lowgear_recorder_start(lowgear_recorder *r)
{
    r->tick = 0u;
    r->unwrapped = 1u;
    r->policy = 0u;
    r->lap = 0u;
    r->fallback = 0u;
}

static inline uint16_t lowgear_crc16(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)((crc >> 8) ^ byte);
    x = (uint8_t)(x ^ (x >> 4));
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^ x);
}

static inline uint8_t *lowgear_put16(uint8_t *to, uint16_t value)
{
    to[0] = (uint8_t)(value & 255u);
    to[1] = (uint8_t)(value >> 8);
    return to + 2;
}

/* Writes the frame of a tick, after lowgear_act: `request` is what the policy asked for, if it was asked. */
static inline void lowgear_record(lowgear_recorder *r, const lowgear_state *s, const lowgear_raw *raw,
    uint8_t request, uint8_t asked, const lowgear_command *c, void (*put)(uint8_t))
{
    uint8_t wire[LOWGEAR_FRAME_BYTES];
    uint8_t *to = wire + 1;
    uint16_t crc = 0xffffu;
    uint8_t i, distance, code = (uint8_t)(request + (uint8_t)(asked << 2));
    if (r->fallback) {
        code ^= 6u;
    }
    if ((r->tick & 255u) == 0u) {
        for (i = 0u; i < LOWGEAR_HEADER_BYTES; i++) {
            put(LOWGEAR_READ(&lowgear_recording_header[i]));
        }
    }
    to = lowgear_put16(to, r->tick);
    to = lowgear_put16(to, raw->encoder_counts);
    to = lowgear_put16(to, raw->battery_mv);
    to = lowgear_put16(to, (uint16_t)raw->current_ma);
    to = lowgear_put16(to, (uint16_t)raw->tilt_ddeg);
    to = lowgear_put16(to, raw->duty_permille);
    to = lowgear_put16(to, raw->selector_ddeg);
    to = lowgear_put16(to, (uint16_t)raw->preview);
    to[0] = (uint8_t)((code & 3u) | (uint8_t)(s->verdict << 2) | (uint8_t)(s->phase << 5));
    to[1] = (uint8_t)(s->gear | (uint8_t)(c->gear << 3) | (uint8_t)((r->policy & 1u) << 6)
        | (uint8_t)((code & 4u) << 5));
    to[2] = (uint8_t)(c->drive | (uint8_t)(c->nudge << 1) | (uint8_t)(c->recalibrate << 2) | (uint8_t)(c->park << 3)
        | (uint8_t)(s->fault << 4) | (uint8_t)(r->unwrapped << 7));
    to[3] = r->lap;
    for (i = 1u; i < LOWGEAR_FRAME_BYTES - 3u; i++) {
        crc = lowgear_crc16(crc, wire[i]);
    }
    wire[LOWGEAR_FRAME_BYTES - 3u] = (uint8_t)(crc >> 8);
    wire[LOWGEAR_FRAME_BYTES - 2u] = (uint8_t)(crc & 255u);
    /* From the end: every zero, and the first byte, holds the distance to the next zero. */
    wire[LOWGEAR_FRAME_BYTES - 1u] = 0u;
    wire[0] = 0u;
    distance = 1u;
    i = (uint8_t)(LOWGEAR_FRAME_BYTES - 1u);
    do {
        i--;
        if (wire[i] == 0u) {
            wire[i] = distance;
            distance = 0u;
        }
        distance++;
    } while (i != 0u);
    for (i = 0u; i < LOWGEAR_FRAME_BYTES; i++) {
        put(wire[i]);
    }
    r->tick++;
    if (r->tick == 0u) {
        r->unwrapped = 0u;
    }
}

/* One whole tick, recorded: sense, decide when due, act. */
static inline lowgear_command lowgear_record_tick(
    lowgear_recorder *r, lowgear_state *s, const lowgear_raw *raw, void (*put)(uint8_t))
{
    const uint8_t due = lowgear_sense(s, raw);
    const uint8_t request = due ? lowgear_decide(s) : (uint8_t)LOWGEAR_HOLD;
    const lowgear_command c = lowgear_act(s, request, due);
    lowgear_record(r, s, raw, request, due, &c, put);
    return c;
}

#endif
