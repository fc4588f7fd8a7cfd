/* The drill, and the cost of a tick, on an emulated 8-bit AVR, with its tables in program memory.
 *
 * Text goes out by the serial port, which the emulator prints. Sleeping with interrupts off ends the
 * emulation (ATmega328P data sheet: 10 Power management, 20 USART0, 16 Timer/Counter1).
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>

#define LOWGEAR_ROM PROGMEM
#define LOWGEAR_READ(address) pgm_read_byte(address)
#define LOWGEAR_READ16(address) pgm_read_word(address)
#include "drill.h"
#ifdef DRILL_RECORD
#include "record.h"
#endif

static void put_char(char c)
{
    while (!(UCSR0A & (1 << UDRE0))) {
    }
    UDR0 = (uint8_t)c;
}

static void put(uint32_t value, uint8_t base, uint8_t least)
{
    char digits[12];
    uint8_t count = 0u;
    do {
        const char digit = (char)(value % base);
        digits[count++] = (char)(digit < 10 ? digit + '0' : digit - 10 + 'a');
        value /= base;
    } while (value != 0u || count < least);
    while (count != 0u) {
        put_char(digits[--count]);
    }
}

static void drill_line(const char *what, uint32_t number, uint32_t sum)
{
    while (*what != '\0') {
        put_char(*what++);
    }
    put_char(' ');
    put(number, 10u, 1u);
    put_char(' ');
    put(sum, 16u, 8u);
    put_char('\n');
}

#ifdef DRILL_RECORD
/* The emulator prints what the port sends line by line, so a byte is sent as a line. */
static void record_put(uint8_t byte)
{
    drill_line("byte", byte, 0u);
}
#endif

#ifdef COUNT_TICKS
__attribute__((noinline)) static void nothing(lowgear_state *s, const lowgear_raw *raw, lowgear_command *c)
{
    __asm__ volatile("" : : "r"(s), "r"(raw), "r"(c) : "memory");
}

__attribute__((noinline)) static void whole(lowgear_state *s, const lowgear_raw *raw, lowgear_command *c)
{
    *c = drill_whole(s, raw);
}

static uint16_t stopped(void (*call)(lowgear_state *, const lowgear_raw *, lowgear_command *), lowgear_state *s,
    const lowgear_raw *raw, lowgear_command *c)
{
    TCNT1 = 0u;
    call(s, raw, c);
    return TCNT1;
}

/* The mean and the most cycles of a tick in which the table decides, beyond those of an empty call. */
static void count(void)
{
    lowgear_state state;
    drill_toy toy = { 0u, 0u, 0u, 0, 0, 0u, 0u, 0u };
    lowgear_command c = { 1u, 0u, 0u, 0u, 0u };
    lowgear_raw raw;
    uint32_t tick, total = 0u;
    uint16_t most = 0u, any = 0u, decided = 0u;
    TCCR1A = 0u;
    TCCR1B = 1u;
    for (tick = 0u; tick < (uint32_t)DRILL_TICKS; tick++) {
        uint16_t cycles, empty;
        if ((tick & 511u) == 0u) {
            drill_begin(&toy, &state);
            toy.mood = 0u;
        }
        drill_read(&toy, &c, &raw);
        empty = stopped(nothing, &state, &raw, &c);
        cycles = (uint16_t)(stopped(whole, &state, &raw, &c) - empty);
        any = cycles > any ? cycles : any;
        if (state.since_decision == 0u) {
            decided++;
            total += cycles;
            most = cycles > most ? cycles : most;
        }
    }
    drill_line("decided", decided, total);
    drill_line("most", most, any);
}
#endif

int main(void)
{
    UCSR0B = 1 << TXEN0;
#ifdef COUNT_TICKS
    count();
#elif defined DRILL_RECORD
    record();
#else
    drill();
#endif
    cli();
    sleep_enable();
    sleep_cpu();
    return 0;
}
