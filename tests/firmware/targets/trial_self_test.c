/* Prints what the self-test of a trial answers. */
#include <stdio.h>

#include "lowgear_trial.h"

int main(void)
{
    printf("%u\n", (unsigned)lowgear_trial_self_test());
    return 0;
}
