/* The recorder alone, for its size. */
#include "lowgear_recorder.h"

void record_start(lowgear_recorder *r);
void record_tick(lowgear_recorder *r, const lowgear_state *s, const lowgear_raw *raw, uint8_t request, uint8_t asked,
    const lowgear_command *c, void (*put)(uint8_t));
extern lowgear_recorder record_state;
lowgear_recorder record_state = { 0 };

void record_start(lowgear_recorder *r) { lowgear_recorder_start(r); }
void record_tick(lowgear_recorder *r, const lowgear_state *s, const lowgear_raw *raw, uint8_t request, uint8_t asked,
    const lowgear_command *c, void (*put)(uint8_t))
{
    lowgear_record(r, s, raw, request, asked, c, put);
}
