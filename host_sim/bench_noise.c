/* Noise on the pickup line that follows the coil's own switching: patterns of toggles. */
#include "bench_internal.h"

static uint64_t draw(bench *b)
{
    uint64_t z = (b->random += UINT64_C(0x9E3779B97F4A7C15)); /* splitmix64, Vigna, public domain */
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

static double draw_unit(bench *b)
{
    return (double)(draw(b) >> 11) * 0x1p-53;
}

static void noise_soonest(bench *b)
{
    int i;
    b->noise_at = BENCH_NEVER;
    for (i = 0; i < b->bursts; i++) {
        if (b->burst[i].at < b->noise_at) {
            b->noise_at = b->burst[i].at;
        }
    }
    bench_line_soonest(b);
}

static int64_t burst_cycle(const bench *b, const bench_burst *burst)
{
    return burst->begin + (int64_t)(*burst->next * (double)b->set.cycles_hz);
}

void bench_noise_begin(bench *b, int64_t now, int on)
{
    int const level = b->train_level ^ b->noise_level;
    const bench_noise *const noise = &b->set.noise[(on ? 2 : 0) + level];
    bench_burst burst;
    int64_t pattern;
    if (noise->patterns == 0) {
        return;
    }
    pattern = (int64_t)(draw_unit(b) * (double)noise->patterns);
    burst.begin = now + (int64_t)(draw_unit(b) * b->set.noise_jitter_s * (double)b->set.cycles_hz);
    burst.next = noise->offset_s + noise->first[pattern];
    burst.end = noise->offset_s + noise->first[pattern + 1];
    if (burst.next == burst.end) {
        return;
    }
    if (b->bursts == BENCH_BURSTS) {
        b->facts.noise_dropped++;
        return;
    }
    burst.at = burst_cycle(b, &burst);
    b->burst[b->bursts++] = burst;
    b->facts.noise_bursts++;
    noise_soonest(b);
}

/* Every toggle due now; two in one cycle leave the line as it was. */
void bench_noise_step(bench *b, int64_t now)
{
    int i = 0;
    while (i < b->bursts) {
        bench_burst *const burst = &b->burst[i];
        if (burst->at > now) {
            i++;
            continue;
        }
        b->noise_level ^= 1U;
        burst->next++;
        if (burst->next == burst->end) {
            *burst = b->burst[--b->bursts];
        } else {
            burst->at = burst_cycle(b, burst);
        }
    }
    noise_soonest(b);
}
