/* The event loop: pickup line, capture filter, capture register, compare units, interrupts, poll.
 *
 * Hardware events happen at their own instant whatever the processor does; handlers take their turn
 * by vector order (capture, coil compare, alarm compare, then the main loop's poll), never nest,
 * and what they order takes effect when they end.  The rules follow templates_c/core/st_port.h and
 * the ports; section numbers are those of the ATmega328P data sheet (DS40002061).
 */
#include "bench_internal.h"

/* ---- Pickup line and capture unit (16.6) ----------------------------------------------------- */

static void capture_latch(bench *b, uint8_t level, int64_t at)
{
    b->filtered = level;
    if (level != b->capture_level) {
        return;
    }
    if (b->capture_masked) {
        b->facts.while_masked++;
        return;
    }
    if (b->irq_at[IRQ_CAPTURE] != BENCH_NEVER) {
        b->facts.overwritten++;
    }
    b->latched = bench_tick_of(b, at);
    bench_irq_raise(b, IRQ_CAPTURE, at + b->set.latency_cycles);
}

static void line_recorded(bench *b, int64_t now, uint8_t level)
{
    bench_out *const out = b->out;
    double const at_s = bench_seconds_of(b, now);
    if (at_s >= out->line_from_s) {
        out->line_s[out->line_count] = at_s;
        out->line_level[out->line_count] = level;
        out->line_count++;
    }
}

/* A level that the filter has not yet seen for long enough is forgotten. */
static void line_changed(bench *b, int64_t now)
{
    uint8_t const level = b->train_level ^ b->noise_level;
    b->recent_head = (b->recent_head + 1U) % BENCH_RECENT;
    b->recent[b->recent_head] = now;
    b->facts.edges++;
    if (b->out->line_count < b->out->line_room) {
        line_recorded(b, now, level);
    }
    if (b->set.filter_cycles == 0) {
        capture_latch(b, level, now + b->set.capture_delay_cycles);
        return;
    }
    b->facts.filtered_out += (b->filter_at != BENCH_NEVER);
    b->candidate = level;
    b->candidate_from = now;
    b->filter_at = (level != b->filtered) ? now + b->set.filter_cycles : BENCH_NEVER;
}

static void filter_passed(bench *b)
{
    b->filter_at = BENCH_NEVER;
    capture_latch(b, b->candidate, b->candidate_from + b->set.capture_delay_cycles);
}

static void train_next(bench *b)
{
    b->train_at = (b->edge_left > 0) ? bench_cycle_from(b, *b->edge_s) : BENCH_NEVER;
}

static void edges_due(bench *b, int64_t now)
{
    uint8_t const before = b->train_level ^ b->noise_level;
    while (b->train_at <= now) { /* edges of one cycle are one sample */
        b->train_level = *b->active & 1U;
        b->second_there = (*b->active >> 1) & 1U;
        b->edge_s++;
        b->active++;
        b->edge_left--;
        train_next(b);
    }
    if (b->noise_at <= now) {
        bench_noise_step(b, now);
    }
    if (before != (b->train_level ^ b->noise_level)) {
        line_changed(b, now);
    }
}

static void line_step(bench *b, int64_t now)
{
    if (b->filter_at <= now) {
        filter_passed(b);
    } else {
        edges_due(b, now);
    }
    bench_line_soonest(b);
}

static int level_at(const bench *b, int64_t when)
{
    int level = b->train_level ^ b->noise_level;
    unsigned i;
    for (i = 0U; i < BENCH_RECENT; i++) {
        if (b->recent[(b->recent_head - i) % BENCH_RECENT] <= when) {
            break;
        }
        level ^= 1;
    }
    return level;
}

static BENCH_APART uint8_t level_voted(const bench *b, int64_t now)
{
    int const sum = level_at(b, now) + level_at(b, now - b->set.read_gap_cycles) +
                    level_at(b, now - (2 * b->set.read_gap_cycles));
    return sum >= 2;
}

/* Three reads, the last of them now. */
static inline uint8_t level_majority(const bench *b, int64_t now)
{
    if (b->recent[b->recent_head] <= now - (2 * b->set.read_gap_cycles)) {
        return b->train_level ^ b->noise_level; /* of old: all three reads see it */
    }
    return level_voted(b, now);
}

/* ---- Orders ---------------------------------------------------------------------------------- */

static BENCH_APART void mode_seen(bench *b, int64_t now)
{
    bench_out *const out = b->out;
    b->mode = b->core.s.mode;
    b->facts.mode_changes++;
    if ((out != NULL) && (out->mode_count < out->mode_room)) {
        out->mode_s[out->mode_count] = bench_seconds_of(b, now);
        out->mode[out->mode_count] = b->mode;
        out->mode_count++;
    }
}

static inline int state_is_none(const st_core *c)
{
    unsigned const last_mode = (ST_RUN > ST_WARM) ? ST_RUN : ST_WARM;
    return BENCH_SELDOM(c->s.mode > last_mode) || BENCH_SELDOM(c->phase > (unsigned)ST_PH_STORM) ||
           BENCH_SELDOM(c->orders.coil > (unsigned)ST_COIL_OFF_AT) ||
           BENCH_SELDOM(c->orders.capture > (unsigned)ST_CAPTURE_TRAIL);
}

static int ordered(const bench *b)
{
    const st_orders *const orders = &b->core.orders;
    return orders->coil_fresh | orders->capture_fresh | orders->alarm_fresh;
}

static BENCH_INLINE void arm(bench *b, int64_t now)
{
    st_orders *const orders = &b->core.orders;
    if (orders->coil_fresh) {
        bench_coil_arm(b, now);
        bench_look_ahead(b);
    }
    if (orders->capture_fresh) {
        orders->capture_fresh = false;
        b->capture_masked = orders->capture == (uint8_t)ST_CAPTURE_MASKED;
        if (!b->capture_masked) {
            b->capture_level = orders->capture == (uint8_t)ST_CAPTURE_LEAD;
        }
        bench_irq_clear(b, IRQ_CAPTURE); /* cleared when unmasked, ignored when masked */
    }
    if (orders->alarm_fresh) {
        orders->alarm_fresh = false;
        bench_irq_clear(b, IRQ_ALARM);
        b->alarm_at = BENCH_NEVER;
        if (orders->alarm_on) {
            bench_match const match = bench_match_of(b, orders->alarm_at, now);
            b->alarm_at = match.at;
            b->irq_at[IRQ_ALARM] = b->alarm_at + b->set.latency_cycles;
        }
    }
}

/* After whatever the core did. */
static inline void look_at_core(bench *b, int64_t now)
{
    if (state_is_none(&b->core)) {
        b->facts.state_out_of_range++;
    }
    if (BENCH_SELDOM(b->core.s.mode != b->mode)) {
        mode_seen(b, now);
    }
}

static inline void apply(bench *b, int64_t now)
{
    if (ordered(b)) {
        arm(b, now);
    }
    look_at_core(b, now);
}

static BENCH_APART void guard_acts(bench *b, int64_t now)
{
    b->facts.guard_forced++;
    b->coil_at = BENCH_NEVER;
    b->matched = 0U;
    bench_irq_clear(b, IRQ_COIL);
    bench_coil_pin(b, now, 0U);
    st_on_forced_off(&b->core, bench_tick_of(b, now));
    apply(b, now);
    st_settle(&b->core);
    apply(b, now);
}

/* ---- Handlers -------------------------------------------------------------------------------- */

/* What was ordered is armed. */
static inline void handler_ends(bench *b, int64_t now)
{
    b->running = BENCH_IDLE;
    b->busy_until = now;
    look_at_core(b, now);
    bench_cpu_schedule(b);
}

/* Out of reset: the core from standstill or warm. */
static BENCH_APART void reset_ends(bench *b, int64_t now)
{
    st_init(&b->core, bench_tick_of(b, now), &b->kept, b->power_on != 0);
    b->irq_at[IRQ_POLL] = now + b->set.poll_every_cycles;
    if (ordered(b)) {
        arm(b, now);
    }
    handler_ends(b, now);
}

static inline int64_t ordering_cycles(const bench *b)
{
    return b->set.order_cycles + ((b->core.s.missing != 0U) ? b->set.bridge_cycles : 0);
}

/* The processor does what `running` says when it comes to `at`.  True when the hardware does something
 * before: then cpu_step comes back to it. */
static inline int later(bench *b, int running, int64_t at)
{
    if (at < b->horizon) {
        return 0;
    }
    b->running = running;
    b->cpu_at = at;
    return 1;
}

static BENCH_APART void settling_ends(bench *b, int64_t now)
{
    arm(b, now);
    handler_ends(b, now);
}

/* What was urgent is armed now; the rest of the event's work follows.  Handlers do not nest, so the
 * core may do it at once; what it orders takes effect when the time for it has passed. */
static BENCH_INLINE void urgent_ends(bench *b, int64_t now)
{
    apply(b, now);
    st_settle(&b->core);
    if (ordered(b)) {
        int64_t const cycles = b->set.settle_cycles;
        b->busy_cycles += cycles;
        if ((cycles != 0) && later(b, BENCH_SETTLING, now + cycles)) {
            return;
        }
        now += cycles;
        arm(b, now);
    }
    handler_ends(b, now);
}

/* The core has decided; what it ordered takes effect at the end of the handler's time. */
static BENCH_INLINE void event_decided(bench *b, int which, int64_t now)
{
    int64_t const cycles =
        b->handler[which] + (b->core.orders.coil_fresh ? ordering_cycles(b) : 0);
    b->busy_cycles += cycles;
    if ((cycles == 0) || !later(b, BENCH_URGENT, now + cycles)) {
        urgent_ends(b, now + cycles);
    }
}

static void phase_read(bench *b)
{
#if ST_CFG_TWO_COILS
    b->core.second_there = b->second_there != 0U;
#else
    (void)b;
#endif
}

/* What the handlers below return: whose decision is to be carried out. */
#define NOBODYS (-1) /* the handler has ended, or goes on later */

static int64_t next_poll(const bench *b, int64_t now)
{
    int64_t due = b->irq_at[IRQ_POLL];
    do { /* one that is due while another waits is left out */
        due += b->set.poll_every_cycles;
    } while (due <= now);
    return due;
}

/* A poll that orders nothing, as nearly all, only holds events off for a while. */
static int poll_begins(bench *b, int64_t now)
{
    b->irq_at[IRQ_POLL] = next_poll(b, now);
    b->facts.polls++;
    phase_read(b);
    st_on_poll(&b->core, bench_tick_of(b, now), level_majority(b, now) != 0U);
    if (!ordered(b)) {
        st_settle(&b->core);
    }
    if (ordered(b)) {
        return IRQ_POLL;
    }
    b->busy_cycles += b->handler[IRQ_POLL];
    handler_ends(b, now + b->handler[IRQ_POLL]);
    return NOBODYS;
}

static int capture_begins(bench *b, int64_t now)
{
    bench_irq_clear(b, IRQ_CAPTURE);
    b->facts.captured++;
    st_on_capture(&b->core, b->latched, bench_tick_of(b, now));
    return IRQ_CAPTURE;
}

/* The alarm has read the level.  An edge that the reads saw has its flag up by now: it goes first,
 * and orders an alarm of its own. */
static inline int alarm_asks(bench *b)
{
    if (b->irq_at[IRQ_CAPTURE] == BENCH_NEVER) {
        b->facts.alarms++;
        phase_read(b);
        st_on_alarm(&b->core, b->read_now, b->read_level != 0U);
    }
    return IRQ_ALARM;
}

static inline int alarm_begins(bench *b, int64_t *now)
{
    int64_t const begin = *now;
    bench_irq_clear(b, IRQ_ALARM);
    b->alarm_at = BENCH_NEVER;
    b->read_level = level_majority(b, begin);
    b->read_now = bench_tick_of(b, begin);
    *now = begin + b->set.capture_delay_cycles;
    b->busy_cycles += b->set.capture_delay_cycles;
    return later(b, BENCH_ASKING, *now) ? NOBODYS : alarm_asks(b);
}

/* Of the flags that wait the one of highest priority. */
static inline int handler_begins(bench *b, int64_t *now)
{
    int const coil = b->irq_at[IRQ_COIL] <= *now;
    if (b->matched) { /* told before any other event */
        bench_coil_tell(b);
    }
    if (b->irq_at[IRQ_CAPTURE] <= *now) {
        return capture_begins(b, *now);
    }
    if (coil) { /* told above */
        bench_irq_clear(b, IRQ_COIL);
        return IRQ_COIL;
    }
    return (b->irq_at[IRQ_ALARM] <= *now) ? alarm_begins(b, now) : poll_begins(b, *now);
}

static BENCH_APART void handler_goes_on(bench *b, int64_t now)
{
    if (b->running == BENCH_URGENT) {
        urgent_ends(b, now);
    } else if (b->running == BENCH_SETTLING) {
        settling_ends(b, now);
    } else {
        reset_ends(b, now);
    }
}

static inline void cpu_step(bench *b)
{
    int64_t now = b->cpu_at;
    int which = NOBODYS;
    if (b->running == BENCH_IDLE) {
        which = handler_begins(b, &now);
    } else if (b->running == BENCH_ASKING) {
        which = alarm_asks(b);
    } else {
        handler_goes_on(b, now);
    }
    if (which != NOBODYS) {
        event_decided(b, which, now);
    }
}

static void hardware_step(bench *b)
{
    int64_t const now = b->horizon;
    if (b->line_at == now) {
        line_step(b, now);
    } else if (b->coil_at == now) {
        bench_coil_match(b, now);
    } else {
        guard_acts(b, now);
        bench_cpu_schedule(b);
    }
    bench_look_ahead(b);
}

static int64_t next_event(const bench *b)
{
    int64_t const hardware = bench_sooner(bench_sooner(b->line_at, b->coil_at), b->guard_at);
    return bench_sooner(hardware, b->cpu_at);
}

/* Edges before `until_s`, in order; `active` is the pickup's level after each in bit 0, the phase
 * sensor's (1: second cylinder) in bit 1.  Events before it are worked off.  Returns the edges taken:
 * fewer than given when the room for output ran out (call again with the rest). */
BENCH_API int64_t bench_feed(bench *b, const double *edge_s, const uint8_t *active, int64_t count,
                             double until_s, bench_out *out)
{
    b->until = bench_cycle_from(b, until_s);
    b->stop = bench_has_room(out) ? b->until : INT64_MIN;
    b->edge_s = edge_s;
    b->active = active;
    b->edge_left = count;
    b->out = out;
    train_next(b);
    bench_line_soonest(b);
    bench_look_ahead(b);
    for (;;) {
        while (b->cpu_at < b->horizon) {
            cpu_step(b);
        }
        if (b->horizon >= b->stop) {
            break;
        }
        hardware_step(b);
    }
    b->facts.end_s = (next_event(b) >= b->until) ? until_s : bench_seconds_of(b, next_event(b));
    b->out = NULL;
    b->train_at = BENCH_NEVER;
    bench_line_soonest(b);
    return count - b->edge_left;
}

/* The chip resets at the end of what was fed: outputs off at once, nothing watched until `down_s`
 * later; the counter then starts again from 0. */
BENCH_API void bench_reset(bench *b, double down_s, int power_on, bench_out *out)
{
    int64_t const now = bench_cycle_from(b, b->facts.end_s);
    int64_t const up = now + (int64_t)(down_s * (double)b->set.cycles_hz);
    int i;
    b->out = out;
    bench_coil_pin(b, now, 0U);
    b->out = NULL;
    for (i = 0; i < IRQ_COUNT; i++) {
        bench_irq_clear(b, i);
    }
    b->coil_at = b->alarm_at = BENCH_NEVER;
    st_keep(&b->core, &b->kept); /* as the main loop has done within the last millisecond */
    b->coil_armed = (uint8_t)ST_COIL_IDLE;
    b->matched = 0U;
    b->capture_masked = 1U;
    b->power_on = power_on;
    b->running = BENCH_IN_RESET;
    b->cpu_at = up;
    b->tick_offset = (uint64_t)-bench_tick_count(b, up);
}
