/* The serial port while the chip runs: each byte leaves this process at the instant, counted from
 * the chip's release, at which it left the chip. */
#define _POSIX_C_SOURCE 200809L

#include <errno.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

#include "simavr_fix.h"

static int live_end = -1;
static struct timespec begin;

void sim_live_begin(const char *descriptor)
{
    live_end = atoi(descriptor);
    (void)clock_gettime(CLOCK_MONOTONIC, &begin);
}

static struct timespec due(double after_s)
{
    time_t whole = (time_t)after_s;
    long rest = begin.tv_nsec + (long)((after_s - (double)whole) * 1e9);
    return (struct timespec){begin.tv_sec + whole + rest / 1000000000L, rest % 1000000000L};
}

void sim_live_byte(uint8_t byte)
{
    if (live_end < 0) {
        return;
    }
    struct timespec when = due((double)sim_now() / (double)sim.job.f_cpu_hz);
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &when, NULL) == EINTR) {
    }
    /* A line that nobody reads overflows, as a real one does. */
    if (write(live_end, &byte, 1) < 0) {
        return;
    }
}
