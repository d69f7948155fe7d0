/* Compiled as C for simavr and as C++ for yasimavr. */
#include "chip_record.h"

#include <stdlib.h>
#include <string.h>

void chip_record_begin(chip_record *r, const chip_job *job, chip_result *result)
{
    memset(r, 0, sizeof *r);
    memset(result, 0, sizeof *result);
    r->job = job;
    r->result = result;
    result->main_cycle = -1;
    result->safe_cycle = -1;
    result->phase_cycle = INT64_MIN;
    result->last_reset_cycle = -1;
    r->unsafe_since = -1;
    for (int v = 0; v < CHIP_VECTORS; v++) {
        r->raised_at[v] = -1;
    }
}

void chip_record_end(chip_record *r)
{
    free(r->changes);
    free(r->serial);
    r->changes = NULL;
    r->serial = NULL;
}

static void *with_room(void *block, size_t *room, size_t needed, size_t item)
{
    if (needed <= *room) {
        return block;
    }
    *room = *room != 0u ? *room * 2u : 1024u;
    void *bigger = realloc(block, *room * item);
    if (bigger == NULL) {
        abort();
    }
    return bigger;
}

static int all_driven_off(const chip_record *r)
{
    for (int i = 0; i < r->job->coil_count; i++) {
        if (!r->coil_driven_off[i]) {
            return 0;
        }
    }
    return 1;
}

static void safe_again(chip_record *r, int64_t cycle)
{
    int64_t took = cycle - r->unsafe_since;
    r->unsafe_since = -1;
    r->result->resets_made_safe++;
    if (took > r->result->safe_after_reset_max) {
        r->result->safe_after_reset_max = took;
    }
}

static void add_change(chip_record *r, int64_t cycle, int channel, int on)
{
    size_t count = (size_t)r->result->change_count;
    r->changes = (chip_change *)with_room(r->changes, &r->changes_room, count + 1u,
                                          sizeof *r->changes);
    chip_change *change = &r->changes[count];
    change->cycle = cycle;
    change->channel = channel;
    change->on = on;
    r->result->change_count++;
}

void chip_record_coil(chip_record *r, int64_t cycle, int channel, int driven, int level)
{
    int on = driven && level == r->job->coils[channel].on_level;
    r->coil_driven_off[channel] = driven && !on;
    if (r->result->safe_cycle < 0 && all_driven_off(r)) {
        r->result->safe_cycle = cycle;
    }
    if (r->unsafe_since >= 0 && all_driven_off(r)) {
        safe_again(r, cycle);
    }
    if (on == r->coil_on[channel]) {
        return;
    }
    r->coil_on[channel] = on;
    add_change(r, cycle, channel, on);
}

void chip_record_line(chip_record *r, int64_t cycle, int level)
{
    add_change(r, cycle, CHIP_CHANNEL_LINE, level);
}

void chip_record_serial(chip_record *r, uint8_t byte)
{
    size_t count = (size_t)r->result->serial_count;
    r->serial = (uint8_t *)with_room(r->serial, &r->serial_room, count + 1u, 1u);
    r->serial[count] = byte;
    r->result->serial_count++;
}

void chip_record_reset(chip_record *r, int64_t cycle, int kind)
{
    add_change(r, cycle, CHIP_CHANNEL_RESET, kind);
    r->result->resets[kind]++;
    r->result->last_reset_cycle = cycle;
    r->unsafe_since = cycle;
    memset(r->coil_driven_off, 0, sizeof r->coil_driven_off);
    r->depth = 0;
    for (int v = 0; v < CHIP_VECTORS; v++) {
        r->raised_at[v] = -1;
    }
}

void chip_record_raised(chip_record *r, int64_t cycle, int vector)
{
    if (r->raised_at[vector] < 0) {
        r->raised_at[vector] = cycle;
    }
}

void chip_record_withdrawn(chip_record *r, int vector)
{
    r->raised_at[vector] = -1;
}

void chip_record_entered(chip_record *r, int64_t cycle, int vector)
{
    int64_t wait = r->raised_at[vector] < 0 ? 0 : cycle - r->raised_at[vector];
    if (wait > r->result->handlers[vector].wait_max) {
        r->result->handlers[vector].wait_max = wait;
    }
    r->raised_at[vector] = -1;
    if (r->depth < CHIP_VECTORS) {
        r->nesting[r->depth] = (uint8_t)vector;
        r->entered_at[r->depth] = cycle;
        r->depth++;
    }
}

void chip_record_left(chip_record *r, int64_t cycle)
{
    if (r->depth == 0) {
        return; /* a RETI without an interrupt: upset program counter */
    }
    r->depth--;
    chip_handler *handler = &r->result->handlers[r->nesting[r->depth]];
    int64_t took = cycle - r->entered_at[r->depth];
    handler->count++;
    handler->cycles_total += took;
    if (took > handler->cycles_max) {
        handler->cycles_max = took;
    }
    if (r->depth == 0) {
        r->result->busy_cycles += took;
    }
}

uint8_t chip_random_byte(uint64_t *state)
{
    /* Knuth's 64-bit linear congruential generator (MMIX); the top bits are the good ones. */
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return (uint8_t)(*state >> 56);
}
