/* Repeats test vectors with the generated header.
 *
 * Reads vectors on standard input and prints every line again, with the results it computes itself in
 * place of the ones it read: the output must equal the input.
 *   cc -std=c99 -o harness harness.c && ./harness < vectors.csv | diff vectors.csv -
 * `./harness sizes` prints the bytes of the controller's memory.
 */
#include "lowgear.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LINE 1024
#define MOST_FIELDS 32

/* Reads integers after the first comma; returns how many there were. */
static int fields(const char *line, long *value)
{
    int count = 0;
    const char *at = strchr(line, ',');
    while (at != NULL && count < MOST_FIELDS) {
        value[count] = strtol(at + 1, NULL, 10);
        count++;
        at = strchr(at + 1, ',');
    }
    return count;
}

static void print_values(const uint16_t *value)
{
    unsigned i;
    for (i = 0; i < LOWGEAR_AXES; i++) {
        printf(",%ld", (long)value[i] - (long)LOWGEAR_BIAS);
    }
}

/* tick,forced,encoder,mv,ma,tilt,duty,selector,preview -> ...,asked,request,drive,gear,nudge,recalibrate,park,
 * phase,verdict,values. `forced` 3 asks the table or network. */
static void tick(lowgear_state *state, const long *v)
{
    lowgear_raw raw;
    lowgear_command c;
    uint16_t value[LOWGEAR_AXES];
    uint8_t due, request;
    raw.encoder_counts = (uint16_t)v[1];
    raw.battery_mv = (uint16_t)v[2];
    raw.current_ma = (int16_t)v[3];
    raw.tilt_ddeg = (int16_t)v[4];
    raw.duty_permille = (uint16_t)v[5];
    raw.selector_ddeg = (uint16_t)v[6];
    raw.preview = (int16_t)v[7];
    due = lowgear_sense(state, &raw);
    request = v[0] != 3 ? (uint8_t)v[0] : (due ? lowgear_decide(state) : (uint8_t)LOWGEAR_HOLD);
    c = lowgear_act(state, request, due);
    lowgear_values(state, value);
    printf("tick,%ld,%ld,%ld,%ld,%ld,%ld,%ld,%ld", v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7]);
    printf(",%d,%d,%d,%d,%d,%d,%d,%d,%d", due, request, c.drive, c.gear, c.nudge, c.recalibrate, c.park,
        state->phase, state->verdict);
    print_values(value);
    printf("\n");
}

static void look(const long *v)
{
    uint16_t value[LOWGEAR_AXES];
    unsigned i;
    for (i = 0; i < LOWGEAR_AXES; i++) {
        value[i] = (uint16_t)(v[i] + (long)LOWGEAR_BIAS);
    }
    printf("look");
    print_values(value);
    printf(",%d\n", (int)lowgear_look(value));
}

#ifdef LOWGEAR_CELLS
/* The lowest values that lie in a cell. */
static void values_of(uint32_t cell, uint16_t *value)
{
    static const uint16_t count[] = LOWGEAR_EDGE_COUNTS;
    uint32_t first[LOWGEAR_AXES];
    uint32_t sum = 0u;
    int axis;
    for (axis = 0; axis < (int)LOWGEAR_AXES; axis++) {
        first[axis] = sum;
        sum += count[axis];
    }
    for (axis = (int)LOWGEAR_AXES - 1; axis >= 0; axis--) {
        const uint32_t bins = count[axis] + 1u;
        const uint32_t bin = cell % bins;
        value[axis] = bin > 0u ? LOWGEAR_READ16(&lowgear_edges[first[axis] + bin - 1u]) : (uint16_t)0u;
        cell /= bins;
    }
}

/* grid,first cell,decisions -> the decisions of that many cells, found through their values. */
static void grid(const char *line, const long *v)
{
    const char *digits = strrchr(line, ',') + 1;
    const size_t count = strspn(digits, "012");
    size_t i;
    printf("grid,%ld,", v[0]);
    for (i = 0; i < count; i++) {
        uint16_t value[LOWGEAR_AXES];
        values_of((uint32_t)v[0] + (uint32_t)i, value);
        printf("%d", (int)lowgear_look(value));
    }
    printf("\n");
}

#endif

static int starts(const char *line, const char *word)
{
    return strncmp(line, word, strlen(word)) == 0;
}

static void repeat(lowgear_state *state, const char *line)
{
    long v[MOST_FIELDS] = { 0 };
    const int count = fields(line, v);
    if (starts(line, "tick,") && count >= 8) {
        tick(state, v);
    } else if (starts(line, "start,") && count >= 1) {
        lowgear_start(state, (uint8_t)v[0]);
        printf("start,%ld\n", v[0]);
    } else if (starts(line, "park,") && count >= 1) {
        lowgear_raw raw = { 0, 0, 0, 0, 0, 0, 0 };
        raw.encoder_counts = (uint16_t)v[0];
        printf("park,%ld,%d\n", v[0], (int)lowgear_park(state, &raw));
    } else if (starts(line, "leave,")) {
        printf("leave,%d\n", (int)lowgear_leave_park(state));
    } else if (starts(line, "selftest,")) {
        printf("selftest,%d\n", (int)lowgear_self_test());
    } else if (starts(line, "look,") && count > (int)LOWGEAR_AXES) {
        look(v);
#ifdef LOWGEAR_CELLS
    } else if (starts(line, "grid,") && count >= 2) {
        grid(line, v);
#endif
    } else {
        fputs(line, stdout);
    }
}

int main(int argc, char **argv)
{
    static char line[LINE];
    lowgear_state state;
    if (argc > 1 && strcmp(argv[1], "sizes") == 0) {
        printf("state,%lu\n", (unsigned long)sizeof(lowgear_state));
        printf("raw,%lu\n", (unsigned long)sizeof(lowgear_raw));
        printf("command,%lu\n", (unsigned long)sizeof(lowgear_command));
        return 0;
    }
    lowgear_start(&state, 0);
    while (fgets(line, (int)sizeof line, stdin) != NULL) {
        repeat(&state, line);
    }
    return 0;
}
