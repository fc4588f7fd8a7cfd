/* The drill, and the cost of a tick, on an emulated Cortex-M.
 *
 * Linked at address 0 with the vector table below. Text goes out by semihosting (Arm IHI 0100: call
 * SYS_WRITE0 is 4, SYS_EXIT is 24 (0x18)), a recording by the serial port. Time is counted by the system timer (Armv6-M Architecture
 * Reference Manual, B3.3): under `-icount` it counts instructions, a fixed number of them per step.
 */
#include "drill.h"
#ifdef DRILL_RECORD
#include "record.h"
#endif

extern uint32_t stack_top, data_load, data_start, data_end, bss_start, bss_end;

static uint32_t host(uint32_t call, const void *argument)
{
    register uint32_t r0 __asm__("r0") = call;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static void leave(void)
{
    (void)host(24u, (const void *)0x20026u); /* ADP_Stopped_ApplicationExit */
    for (;;) {
    }
}

static char *put(char *at, uint32_t value, uint32_t base, uint8_t least)
{
    char digits[12];
    uint8_t count = 0u;
    do {
        digits[count++] = "0123456789abcdef"[value % base];
        value /= base;
    } while (value != 0u || count < least);
    while (count != 0u) {
        *at++ = digits[--count];
    }
    return at;
}

static void drill_line(const char *what, uint32_t number, uint32_t sum)
{
    char line[48];
    char *at = line;
    while (*what != '\0') {
        *at++ = *what++;
    }
    *at++ = ' ';
    at = put(at, number, 10u, 1u);
    *at++ = ' ';
    at = put(at, sum, 16u, 8u);
    *at++ = '\n';
    *at = '\0';
    (void)host(4u, line);
}

#ifdef DRILL_RECORD
/* The board's first serial port (Cortex-M System Design Kit Technical Reference Manual, ARM DDI 0479, 4.3 UART). */
#define UART(offset) (*(volatile uint32_t *)(0x40004000u + (offset)))
#define UART_DATA 0x0u
#define UART_STATE 0x4u /* bit 0: the byte before is not out yet */
#define UART_CONTROL 0x8u
#define UART_DIVIDER 0x10u

static void serial_begin(void)
{
    UART(UART_DIVIDER) = 217u; /* 115200 baud at 25 MHz */
    UART(UART_CONTROL) = 1u;
}

/* Waits until the byte is out: none is lost at the end. */
static void record_put(uint8_t byte)
{
    UART(UART_DATA) = byte;
    while ((UART(UART_STATE) & 1u) != 0u) {
    }
}
#endif

#ifdef COUNT_TICKS
#define TIMER_CONTROL (*(volatile uint32_t *)0xE000E010u)
#define TIMER_RELOAD (*(volatile uint32_t *)0xE000E014u)
#define TIMER_VALUE (*(volatile uint32_t *)0xE000E018u)

__attribute__((noinline)) static void nothing(lowgear_state *s, const lowgear_raw *raw, lowgear_command *c)
{
    __asm__ volatile("" : : "r"(s), "r"(raw), "r"(c) : "memory");
}

__attribute__((noinline)) static void whole(lowgear_state *s, const lowgear_raw *raw, lowgear_command *c)
{
    *c = drill_whole(s, raw);
}

/* A thousand instructions and the return, to tell how many timer steps an instruction takes. */
__attribute__((noinline)) static void thousand(lowgear_state *s, const lowgear_raw *raw, lowgear_command *c)
{
    __asm__ volatile(".rept 1000\n nop\n .endr" : : "r"(s), "r"(raw), "r"(c) : "memory");
}

static uint32_t stopped(void (*call)(lowgear_state *, const lowgear_raw *, lowgear_command *), lowgear_state *s,
    const lowgear_raw *raw, lowgear_command *c)
{
    uint32_t from;
    TIMER_VALUE = 0u;
    from = TIMER_VALUE;
    call(s, raw, c);
    return (from - TIMER_VALUE) & 0xFFFFFFu;
}

/* The mean and the most timer steps of a tick in which the table decides, beyond those of an empty call. */
static void count(void)
{
    lowgear_state state;
    drill_toy toy = { 0u, 0u, 0u, 0, 0, 0u, 0u, 0u };
    lowgear_command c = { 1u, 0u, 0u, 0u, 0u };
    lowgear_raw raw;
    uint32_t tick, most = 0u, total = 0u, decided = 0u, any = 0u;
    TIMER_RELOAD = 0xFFFFFFu;
    TIMER_CONTROL = 5u;
    for (tick = 0u; tick < (uint32_t)DRILL_TICKS; tick++) {
        uint32_t steps, empty;
        if ((tick & 511u) == 0u) {
            drill_begin(&toy, &state);
            toy.mood = 0u;
        }
        drill_read(&toy, &c, &raw);
        empty = stopped(nothing, &state, &raw, &c);
        steps = stopped(whole, &state, &raw, &c) - empty;
        any = steps > any ? steps : any;
        if (state.since_decision == 0u) {
            decided++;
            total += steps;
            most = steps > most ? steps : most;
        }
    }
    drill_line("thousand", stopped(thousand, &state, &raw, &c) - stopped(nothing, &state, &raw, &c), 0u);
    drill_line("decided", decided, total);
    drill_line("most", most, any);
}
#endif

void start(void);
void start(void)
{
    uint32_t *from = &data_load, *to;
    for (to = &data_start; to < &data_end; to++) {
        *to = *from++;
    }
    for (to = &bss_start; to < &bss_end; to++) {
        *to = 0u;
    }
#ifdef COUNT_TICKS
    count();
#elif defined DRILL_RECORD
    serial_begin();
    record();
#else
    drill();
#endif
    leave();
}

static void fault(void)
{
    (void)host(4u, "fault\n");
    leave();
}

__attribute__((section(".vectors"), used)) static const void *const vectors[16] = { &stack_top, (void *)start,
    (void *)fault, (void *)fault, (void *)fault, (void *)fault, (void *)fault };
