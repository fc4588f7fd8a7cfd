/* Prints what the self-test of a memory of the way answers. */
#include <stdio.h>

#include "lowgear_laps.h"

int main(void)
{
    printf("%u\n", (unsigned)lowgear_laps_self_test());
    return 0;
}
