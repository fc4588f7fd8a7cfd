/* A control loop for a trial: two exported controllers in one program, which drive in turn.
 *
 * The functions named board_ are yours. The checks at power-up, of the time between two ticks and of the age of the
 * readings are those of example_loop.c and belong here as well.
 */
#include "lowgear_trial.h"

void board_wait_for_tick(void);      /* returns every LOWGEAR_TICK_US */
uint8_t board_stop_pressed(void);    /* 1 while the stop button is pressed or its wire is broken */
uint16_t board_duty_asked(void);     /* the driver's duty, permille, without a sign */
void board_read(lowgear_raw *raw);   /* encoder, battery, current, tilt, selector */
void board_drive(uint16_t permille); /* 0: motor off */
void board_selector(uint16_t ddeg);  /* servo to this angle */
uint8_t board_policy(void);          /* the switch: 0 for the rule, 1 for the table */
uint8_t board_lap(void);             /* number of the lap, 0 between two laps */
void board_put(uint8_t byte);        /* serial port or memory card */
uint8_t board_go_on(void);           /* 0 ends the loop; a vehicle's never does */

static lowgear_trial trial;

int main(void)
{
    lowgear_raw raw;
    uint16_t duty = 0u;
    board_drive(0u);
    lowgear_trial_start(&trial, board_policy());
    while (board_go_on()) {
        lowgear_command c;
        board_wait_for_tick();
        board_read(&raw);
        raw.duty_permille = duty; /* what the motor was really given during the last tick */
        c = lowgear_trial_tick(&trial, &raw, board_policy(), board_lap(), board_put);
        duty = c.drive && !board_stop_pressed() ? board_duty_asked() : (uint16_t)0u;
        board_drive(duty);
        board_selector(lowgear_angle_of(c.gear)); /* c.recalibrate: against the reference first */
    }
    board_drive(0u);
    return 0;
}
