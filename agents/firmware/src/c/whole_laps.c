/* Everything that a control loop with a memory of the way calls, for the size sheet. */
#include "lowgear_laps.h"

lowgear_command lowgear_whole_tick(lowgear_laps *l, lowgear_state *s, const lowgear_raw *r);
void lowgear_whole_start(lowgear_laps *l, lowgear_state *s);
void lowgear_whole_begin(lowgear_laps *l);
uint8_t lowgear_whole_park(lowgear_state *s, const lowgear_raw *r);
uint8_t lowgear_whole_leave(lowgear_state *s);
uint16_t lowgear_whole_angle(uint8_t gear);

lowgear_command lowgear_whole_tick(lowgear_laps *l, lowgear_state *s, const lowgear_raw *r)
{
    return lowgear_laps_tick(l, s, r);
}
void lowgear_whole_start(lowgear_laps *l, lowgear_state *s)
{
    lowgear_start(s, 0u);
    lowgear_laps_start(l);
}
void lowgear_whole_begin(lowgear_laps *l) { lowgear_laps_begin(l); }
uint8_t lowgear_whole_park(lowgear_state *s, const lowgear_raw *r) { return lowgear_park(s, r); }
uint8_t lowgear_whole_leave(lowgear_state *s) { return lowgear_leave_park(s); }
uint16_t lowgear_whole_angle(uint8_t gear) { return lowgear_angle_of(gear); }
