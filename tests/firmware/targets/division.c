/* Divisions of the controller against the processor's own. The estimate of a quotient rises with the dividend, so
 * the first and the last dividend of every quotient stand for all between them. */
#include <stdio.h>
#include "lowgear.h"

int main(void)
{
    uint32_t value, divisor, wrong = 0u;
    for (value = 0u; value <= UINT32_C(65535000); value++) {
        wrong += lowgear_thousandth(value) != value / 1000u;
    }
    for (divisor = 1u; divisor < 65536u; divisor++) {
        uint32_t quotient;
        for (quotient = 0u; quotient <= 2001u; quotient++) {
            const uint32_t least = quotient * divisor, most = least + divisor - 1u;
            const uint32_t expected = quotient < 2000u ? quotient : 2000u;
            wrong += lowgear_quotient(least, divisor) != expected;
            wrong += lowgear_quotient(most, divisor) != expected;
        }
    }
    printf("%lu wrong\n", (unsigned long)wrong);
    return 0;
}
