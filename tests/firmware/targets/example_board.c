/* A board that is not there, to run the example: the cart speeds up, its selector follows; then somebody
 * presses stop, and later a sensor no longer answers. Prints a line for every tick.
 */
#include <stdint.h>
#include <stdio.h>

#include "lowgear.h"

static unsigned tick, duty, tacho;
static uint16_t selector;

void board_wait_for_tick(void) { tick++; tacho = duty ? (tacho < 110u ? tacho + 2u : tacho) : 0u; }
uint8_t board_stop_pressed(void) { return tick > 150u && tick <= 200u; }
uint8_t board_reading_age(void) { return tick > 250u ? 9u : 0u; }
uint16_t board_duty_asked(void) { return 1000u; }
void board_drive(uint16_t permille) { duty = permille; printf("%u,%u,%u\n", tick, duty, (unsigned)selector); }
void board_selector(uint16_t ddeg) { selector = ddeg; }
void board_reference(void) { }
uint8_t board_go_on(void) { return tick < 300u; }

void board_read(lowgear_raw *raw)
{
    raw->tacho_counts = (uint16_t)tacho;
    raw->battery_mv = 7400u;
    raw->current_ma = 0;
    raw->tilt_ddeg = 0;
    raw->selector_ddeg = selector;
}
