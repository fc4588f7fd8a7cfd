/* A control loop around an exported controller: the seed-tray cart.
 *
 * The functions named board_ are yours: they read your sensors and move your motor and selector.
 */
#include "lowgear.h"

uint32_t board_wait_for_tick(void);  /* returns every LOWGEAR_TICK_US, restarts the watchdog; microseconds since the last */
uint8_t board_stop_pressed(void);    /* 1 while the stop button is pressed or its wire is broken */
uint8_t board_reading_age(void);     /* ticks since every sensor last answered */
uint16_t board_duty_asked(void);     /* the driver's duty, permille, without a sign */
uint16_t board_duty_most(void);      /* the same at full throttle: 1000 */
void board_read(lowgear_raw *raw);   /* encoder, battery, current, tilt, selector */
void board_drive(uint16_t permille); /* 0: motor off */
void board_selector(uint16_t ddeg);  /* servo to this angle */
void board_reference(void);          /* selector against its reference */
uint8_t board_go_on(void);           /* 0 ends the loop; a vehicle's never does */

int main(void)
{
    lowgear_state state;
    lowgear_raw raw;
    uint16_t duty = 0u;
    board_drive(0u);
    if (!lowgear_self_test()) {
        return 1; /* stay off: the table in memory is not the one that was exported */
    }
    board_read(&raw);
    raw.duty_permille = 0u;
    if (lowgear_check_standing(&raw, board_duty_most()) != LOWGEAR_FAULT_NONE) {
        return 2; /* stay off: a sensor is dead or a reading in another unit */
    }
    lowgear_start(&state, 0u); /* wherever the selector stands: no drive before it has arrived */
    while (board_go_on()) {
        lowgear_command c;
        const uint8_t on_time = lowgear_on_time(board_wait_for_tick());
        board_read(&raw);
        raw.duty_permille = duty; /* what the motor was really given during the last tick */
        c = lowgear_tick(&state, &raw);
        if (!on_time || board_stop_pressed() || board_reading_age() > 1u) {
            c.drive = 0u; /* the guard cannot know of these: whatever it allows, the motor is off */
        }
        duty = c.drive ? board_duty_asked() : 0u;
        board_drive(duty);
        if (c.recalibrate) {
            board_reference();
        } else {
            board_selector(lowgear_angle_of(c.gear));
        }
    }
    board_drive(0u);
    return 0;
}
