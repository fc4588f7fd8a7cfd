/* A board that is not there, to run the example of a trial: laps of 150 ticks with 50 ticks of standing between them;
 * the switch is turned in the middle of a lap, which must not matter before its end. Prints every byte sent.
 */
#include <stdint.h>
#include <stdio.h>

#include "lowgear.h"

static unsigned tick, duty, encoder;
static uint16_t selector = 500u, sent = 500u;

void board_wait_for_tick(void)
{
    tick++;
    encoder = duty ? (encoder < 110u ? encoder + 2u : encoder) : (encoder > 10u ? encoder - 10u : 0u);
    if (selector > sent) {
        selector = (uint16_t)(selector > sent + 225 ? selector - 225 : sent);
    } else {
        selector = (uint16_t)(sent > selector + 225 ? selector + 225 : sent);
    }
}
uint8_t board_stop_pressed(void) { return 0u; }
uint8_t board_lap(void) { return (uint8_t)(tick % 200u < 50u ? 0u : tick / 200u + 1u); }
uint16_t board_duty_asked(void) { return board_lap() ? 1000u : 0u; }
void board_drive(uint16_t permille) { duty = permille; }
void board_selector(uint16_t ddeg) { sent = ddeg; }
uint8_t board_policy(void) { return (uint8_t)((tick + 100u) / 200u & 1u); }
uint8_t board_go_on(void) { return tick < 1800u; }
void board_put(uint8_t byte) { printf("byte %u\n", byte); }

void board_read(lowgear_raw *raw)
{
    static const lowgear_raw nothing;
    *raw = nothing; /* what is not fitted reads 0 */
    raw->encoder_counts = (uint16_t)encoder;
    raw->battery_mv = 7400u;
    raw->selector_ddeg = selector;
}
