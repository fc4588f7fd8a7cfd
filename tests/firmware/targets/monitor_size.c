/* The monitor alone, for its size. */
#define LOWGEAR_NO_SELF_TEST
#define LOWGEAR_AGAINST_NO_SELF_TEST
#include "lowgear_trial.h"

void monitor_start(lowgear_monitor *m);
uint8_t monitor_take(lowgear_monitor *m, const lowgear_raw *raw, uint8_t phase, uint8_t gear);
extern lowgear_monitor monitor_state;
lowgear_monitor monitor_state = { 0 };

void monitor_start(lowgear_monitor *m) { lowgear_monitor_start(m, 0u); }
uint8_t monitor_take(lowgear_monitor *m, const lowgear_raw *raw, uint8_t phase, uint8_t gear)
{
    return lowgear_monitor_take(m, raw->encoder_counts, raw->duty_permille, phase, gear);
}
