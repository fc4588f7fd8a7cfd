/* Two exported controllers in one program, for a trial of a rule against a table, each with the other's readings in
 * its recording: `lowgear export … --prefix rule` and the same with the table under its own prefix.
 *
 * Only one of them drives. They change places while the vehicle stands between two laps, and the one that takes over
 * begins as at power-up: it gives no drive before the selector has been seen in the lowest gear. The functions named
 * board_ are yours; the checks at power-up of example_loop.c belong here as well.
 */
#include "lowgear.h"
#include "lowgear_recorder.h"
#include "rule.h"
#include "rule_recorder.h"

void board_wait_for_tick(void);         /* returns every LOWGEAR_TICK_US */
uint8_t board_stop_pressed(void);       /* 1 while the stop button is pressed or its wire is broken */
uint16_t board_duty_asked(void);        /* the driver's duty, permille, without a sign */
void board_read(lowgear_raw *raw);      /* encoder, battery, current, tilt, selector */
void board_drive(uint16_t permille);    /* 0: motor off */
void board_selector(uint16_t ddeg);     /* servo to this angle */
uint8_t board_policy(void);             /* the switch: 0 for the rule, 1 for the table */
uint8_t board_lap(void);                /* number of the lap, 0 between two laps */
void board_put(uint8_t byte);           /* serial port or memory card */
uint8_t board_go_on(void);              /* 0 ends the loop; a vehicle's never does */

static lowgear_state table_state;
static lowgear_recorder table_recorder;
static rule_state rule_memory;
static rule_recorder rule_recording;

/* A tick of the rule, with the readings and the order of the table's types. */
static lowgear_command rule_turn(const lowgear_raw *raw)
{
    rule_raw own;
    rule_command c;
    lowgear_command order;
    own.encoder_counts = raw->encoder_counts;
    own.battery_mv = raw->battery_mv;
    own.current_ma = raw->current_ma;
    own.tilt_ddeg = raw->tilt_ddeg;
    own.duty_permille = raw->duty_permille;
    own.selector_ddeg = raw->selector_ddeg;
    c = rule_record_tick(&rule_recording, &rule_memory, &own, board_put);
    order.drive = c.drive;
    order.gear = c.gear;
    order.nudge = c.nudge;
    order.recalibrate = c.recalibrate;
    order.park = c.park;
    return order;
}

/* The other policy takes over; the numbers of the ticks go on. */
static void take_over(uint8_t policy)
{
    if (policy != 0u) {
        lowgear_start(&table_state, 0u);
        table_recorder.tick = rule_recording.tick;
        table_recorder.unwrapped = rule_recording.unwrapped;
    } else {
        rule_start(&rule_memory, 0u);
        rule_recording.tick = table_recorder.tick;
        rule_recording.unwrapped = table_recorder.unwrapped;
    }
}

int main(void)
{
    lowgear_raw raw;
    uint16_t duty = 0u;
    uint8_t policy = 0u;
    board_drive(0u);
    rule_start(&rule_memory, 0u);
    rule_recorder_start(&rule_recording);
    lowgear_recorder_start(&table_recorder);
    table_recorder.policy = 1u;
    while (board_go_on()) {
        lowgear_command c;
        board_wait_for_tick();
        board_read(&raw);
        raw.duty_permille = duty;
        if (board_policy() != policy && board_lap() == 0u && duty == 0u && raw.encoder_counts == 0u) {
            policy = board_policy();
            take_over(policy);
        }
        table_recorder.lap = rule_recording.lap = board_lap();
        c = policy != 0u ? lowgear_record_tick(&table_recorder, &table_state, &raw, board_put) : rule_turn(&raw);
        duty = c.drive && !board_stop_pressed() ? board_duty_asked() : (uint16_t)0u;
        board_drive(duty);
        board_selector(lowgear_angle_of(c.gear)); /* c.recalibrate: against the reference first, as in example_loop.c */
    }
    board_drive(0u);
    return 0;
}
