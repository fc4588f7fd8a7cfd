/* The memory of the way alone, for its size: what it adds to the controller's tick. */
#define LOWGEAR_NO_SELF_TEST
#include "lowgear_laps.h"

void laps_begin(lowgear_laps *l);
void laps_count(lowgear_laps *l, const lowgear_state *s, const lowgear_raw *raw);
uint8_t laps_advise(lowgear_laps *l, const lowgear_state *s, uint8_t policy, uint8_t may_rise);
extern lowgear_laps laps_state;
lowgear_laps laps_state = { 0 };

void laps_begin(lowgear_laps *l) { lowgear_laps_begin(l); }
void laps_count(lowgear_laps *l, const lowgear_state *s, const lowgear_raw *raw) { lowgear_laps_count(l, s, raw); }
uint8_t laps_advise(lowgear_laps *l, const lowgear_state *s, uint8_t policy, uint8_t may_rise)
{
    return lowgear_laps_advise(l, s, policy, may_rise);
}
