/* A board that is not there, to run the example: the selector stands in third gear, as after a brown-out, and turns
 * to where it is sent; the cart speeds up; then someone presses stop, a tick comes late, and later a sensor no longer
 * answers. Prints a line for every tick.
 */
#include <stdint.h>
#include <stdio.h>

#include "lowgear.h"

static unsigned tick, duty, encoder;
static uint16_t selector = 2100u, sent = 2100u;

uint32_t board_wait_for_tick(void)
{
    tick++;
    encoder = duty ? (encoder < 110u ? encoder + 2u : encoder) : 0u;
    if (selector > sent) {
        selector = (uint16_t)(selector > sent + 225 ? selector - 225 : sent);
    } else {
        selector = (uint16_t)(sent > selector + 225 ? selector + 225 : sent);
    }
    return tick == 230u ? 100000u : 50000u;
}
uint16_t board_duty_most(void) { return 1000u; }
uint8_t board_stop_pressed(void) { return tick > 150u && tick <= 200u; }
uint8_t board_reading_age(void) { return tick > 250u ? 9u : 0u; }
uint16_t board_duty_asked(void) { return 1000u; }
void board_drive(uint16_t permille) { duty = permille; printf("%u,%u,%u\n", tick, duty, (unsigned)selector); }
void board_selector(uint16_t ddeg) { sent = ddeg; }
void board_reference(void) { }
uint8_t board_go_on(void) { return tick < 300u; }

void board_read(lowgear_raw *raw)
{
    raw->encoder_counts = (uint16_t)encoder;
    raw->battery_mv = 7400u;
    raw->current_ma = 0;
    raw->tilt_ddeg = 0;
    raw->selector_ddeg = selector;
}
