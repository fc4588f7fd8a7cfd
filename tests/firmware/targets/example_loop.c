/* A control loop around an exported controller: the seed-tray cart.
 *
 * The functions named board_ are yours: they read your sensors and move your motor and selector.
 */
#include "lowgear.h"

void board_wait_for_tick(void);      /* returns every TICK_MS, and restarts the watchdog */
uint8_t board_stop_pressed(void);    /* 1 while the stop button is pressed or its wire is broken */
uint8_t board_reading_age(void);     /* ticks since every sensor last answered */
uint16_t board_duty_asked(void);     /* the driver's duty, permille */
void board_read(lowgear_raw *raw);   /* tacho, battery, current, tilt, selector */
void board_drive(uint16_t permille); /* 0: motor off */
void board_selector(uint16_t ddeg);  /* servo to this angle */
void board_reference(void);          /* selector against its reference */
uint8_t board_go_on(void);           /* 0 ends the loop; a vehicle's never does */

int main(void)
{
    lowgear_state state;
    uint16_t duty = 0u;
    board_drive(0u);
    if (!lowgear_self_test()) {
        return 1; /* stay off: the table in memory is not the one that was exported */
    }
    board_selector(lowgear_angle_of(0u));
    lowgear_start(&state, 0u);
    while (board_go_on()) {
        lowgear_raw raw;
        lowgear_command c;
        board_wait_for_tick();
        board_read(&raw);
        raw.duty_permille = duty; /* what the motor was really given during the last tick */
        c = lowgear_tick(&state, &raw);
        if (board_stop_pressed() || board_reading_age() > 1u) {
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
