/* The event loop: orders, interrupts, handlers, poll.
 *
 * Hardware events happen at their own instant whatever the processor does; handlers take their turn
 * by vector order (capture, coil compare, alarm compare, then the main loop's poll), never nest,
 * and what they order takes effect when they end.  The rules follow templates_c/core/st_port.h and
 * the ports; section numbers are those of the ATmega328P data sheet (DS40002061).
 */
#include "bench_internal.h"

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
        if (orders->alarm_on) {
            bench_match const match = bench_match_of(b, orders->alarm_at, now);
            b->alarm_at = match.at;
            b->irq_at[IRQ_ALARM] = match.at + b->set.latency_cycles;
        } else {
            bench_irq_clear(b, IRQ_ALARM);
        }
    }
}

/* After what the core did, in so many halves of an event. */
static inline void look_at_core(bench *b, int64_t now, int halves)
{
    if (state_is_none(&b->core)) {
        b->facts.state_out_of_range += halves;
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
    look_at_core(b, now, 1);
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
static inline void handler_ends(bench *b, int64_t now, int halves)
{
    b->busy_until = now;
    look_at_core(b, now, halves);
    bench_cpu_next(b);
}

/* Out of reset: the core from standstill or warm. */
static BENCH_APART void reset_ends(bench *b, int64_t now)
{
    st_init(&b->core, bench_tick_of(b, now), &b->kept, b->power_on != 0);
    b->irq_at[IRQ_POLL] = now + b->set.poll_every_cycles;
    if (ordered(b)) {
        arm(b, now);
    }
    handler_ends(b, now, 1);
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
    handler_ends(b, now, 1);
}

/* What was urgent is armed now; the rest of the event's work follows.  Handlers do not nest, so the
 * core may do it at once; what it orders takes effect when the time for it has passed. */
static BENCH_INLINE void urgent_ends(bench *b, int64_t now)
{
    if (ordered(b)) {
        arm(b, now);
    }
    if (b->core.to_settle == 0U) {
        handler_ends(b, now, 2);
        return;
    }
    look_at_core(b, now, 1);
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
    handler_ends(b, now, 1);
}

/* The core has decided; what it ordered takes effect at the end of the handler's time. */
static BENCH_INLINE void event_decided(bench *b, int which, int64_t now)
{
    int64_t const cycles =
        b->handler[which] + (b->core.orders.coil_fresh ? ordering_cycles(b) : 0);
    b->busy_cycles += cycles;
    if (!later(b, BENCH_URGENT, now + cycles)) {
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

/* True when the poll leaves nothing to arm. */
static inline int poll_was_idle(bench *b, int64_t now)
{
    b->irq_at[IRQ_POLL] = next_poll(b, now);
    b->facts.polls++;
    phase_read(b);
    st_on_poll(&b->core, bench_tick_of(b, now), bench_level_majority(b, now) != 0U);
    if (ordered(b)) {
        return 0;
    }
    if (b->core.to_settle == 0U) {
        return 1;
    }
    st_settle(&b->core);
    return !ordered(b);
}

/* Polls, one after another until something else happens.  One that orders nothing, as nearly all,
 * only holds events off for a while. */
static BENCH_INLINE int poll_begins(bench *b, int64_t *now)
{
    int64_t const other = bench_sooner(b->horizon, bench_irq_soonest(b));
    int64_t begin = *now;
    int64_t end;
    do {
        if (!poll_was_idle(b, begin)) {
            *now = begin;
            return IRQ_POLL;
        }
        end = begin + b->handler[IRQ_POLL];
        b->busy_cycles += b->handler[IRQ_POLL];
        look_at_core(b, end, 1);
        begin = bench_later(b->irq_at[IRQ_POLL], end);
    } while (begin < other);
    b->busy_until = end;
    b->cpu_at = bench_later(bench_sooner(b->irq_at[IRQ_POLL], bench_irq_soonest(b)), end);
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
static inline int alarm_asks(bench *b, st_ticks now, int level)
{
    if (b->irq_at[IRQ_CAPTURE] == BENCH_NEVER) {
        b->facts.alarms++;
        phase_read(b);
        st_on_alarm(&b->core, now, level != 0);
    }
    return IRQ_ALARM;
}

static inline int alarm_begins(bench *b, int64_t *now)
{
    uint8_t const level = bench_level_majority(b, *now);
    st_ticks const read_now = bench_tick_of(b, *now);
    bench_irq_clear(b, IRQ_ALARM);
    *now += b->set.capture_delay_cycles;
    b->busy_cycles += b->set.capture_delay_cycles;
    if (later(b, BENCH_ASKING, *now)) {
        b->read_level = level;
        b->read_now = read_now;
        return NOBODYS;
    }
    return alarm_asks(b, read_now, level);
}

/* Of the flags that wait the one of highest priority. */
static inline int handler_begins(bench *b, int64_t *now)
{
    if (b->matched) { /* told before any other event; its flag is up, but may not be served yet */
        int const coil = b->irq_at[IRQ_COIL] <= *now;
        bench_coil_tell(b);
        if (coil && (b->irq_at[IRQ_CAPTURE] > *now)) {
            return IRQ_COIL;
        }
    }
    if (b->irq_at[IRQ_CAPTURE] <= *now) {
        return capture_begins(b, *now);
    }
    return (b->irq_at[IRQ_ALARM] <= *now) ? alarm_begins(b, now) : poll_begins(b, now);
}

static BENCH_APART void handler_goes_on(bench *b, int from, int64_t now)
{
    if (from == BENCH_URGENT) {
        urgent_ends(b, now);
    } else if (from == BENCH_SETTLING) {
        settling_ends(b, now);
    } else {
        reset_ends(b, now);
    }
}

static inline void cpu_step(bench *b)
{
    int64_t now = b->cpu_at;
    int const from = b->running;
    int which = NOBODYS;
    if (from == BENCH_IDLE) {
        which = handler_begins(b, &now);
    } else {
        b->running = BENCH_IDLE;
        if (from == BENCH_ASKING) {
            which = alarm_asks(b, b->read_now, b->read_level);
        } else {
            handler_goes_on(b, from, now);
        }
    }
    if (which != NOBODYS) {
        event_decided(b, which, now);
    }
}

static void hardware_step(bench *b)
{
    int64_t const now = b->horizon;
    if (b->line_at == now) {
        bench_line_step(b, now);
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
    b->edge = 0;
    b->edges = count;
    b->out = out;
    bench_train_next(b);
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
    return b->edge;
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
    b->coil_at = BENCH_NEVER;
    st_keep(&b->core, &b->kept); /* as the main loop has done within the last millisecond */
    b->coil_armed = (uint8_t)ST_COIL_IDLE;
    b->matched = 0U;
    b->capture_masked = 1U;
    b->power_on = power_on;
    b->running = BENCH_IN_RESET;
    b->cpu_at = up;
    b->tick_offset = (uint64_t)-bench_tick_count(b, up);
}
