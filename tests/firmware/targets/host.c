/* The drill on the system's own compiler. */
#include "drill.h"
#ifdef DRILL_RECORD
#include "record.h"
#endif

#include <stdio.h>

static void drill_line(const char *what, uint32_t number, uint32_t sum)
{
    printf("%s %lu %08lx\n", what, (unsigned long)number, (unsigned long)sum);
}

#ifdef DRILL_RECORD
static void record_put(uint8_t byte)
{
    drill_line("byte", byte, 0u);
}
#endif

int main(void)
{
#ifdef DRILL_RECORD
    record();
#else
    drill();
#endif
    return 0;
}
