/* Scanners of recordings: one pass, no allocation; what is not a level change is forgotten. */
#include "scan.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

#define EXPORT __attribute__((visibility("default")))
#define MANTISSA_MAX 100000000000000000ULL
#define RUN_ROWS 64U
#define LINES 4
#define EVEN 0.02

typedef struct {
    double *at_s;
    uint8_t *line;
    uint8_t *level;
    size_t count;
} output;

EXPORT size_t scan_size(void)
{
    return sizeof(scan_state);
}

static void put(scan_state *s, output *out, int line, int level)
{
    if (level == s->level[line]) {
        return;
    }
    out->at_s[out->count] = s->time_s;
    out->line[out->count] = (uint8_t)line;
    out->level[out->count] = (uint8_t)level;
    out->count++;
    s->level[line] = level;
}

/* A run of even steps a thousand times (a million times) as long as the one before: the unit of
 * time has changed within the file. */
static void watch_units(scan_state *s, double step)
{
    if (fabs(step - s->run_step_s) > EVEN * s->run_step_s) {
        s->run_step_s = step;
        s->run_rows = 0U;
        return;
    }
    s->run_rows++;
    if (s->run_rows != RUN_ROWS) {
        return;
    }
    if (s->even_step_s > 0.0) {
        double const thousands = log10(s->run_step_s / s->even_step_s) / 3.0;
        double const whole = nearbyint(thousands);
        if (whole != 0.0 && fabs(thousands - whole) < EVEN / 3.0) {
            s->error = SCAN_UNITS;
        }
    }
    s->even_step_s = s->run_step_s;
}

static void advance_to(scan_state *s, double time_s)
{
    if (s->rows == 0U) {
        s->first_s = time_s;
    } else {
        double const step = time_s - s->time_s;
        if (step < 0.0) {
            s->error = SCAN_BACKWARDS;
            return;
        }
        if (step > 0.0 && step < s->step_min_s) {
            s->step_min_s = step;
        }
        if (step > s->step_max_s) {
            s->step_max_s = step;
        }
        if (s->separator != 0 && s->time_col >= 0) {
            watch_units(s, step);
        }
    }
    s->time_s = time_s;
    s->rows++;
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static double power_of_ten(int exponent)
{
    static double const exact[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8,  1e9,  1e10, 1e11,
                                   1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};
    int const size = exponent < 0 ? -exponent : exponent;
    double const power = size < 23 ? exact[size] : pow(10.0, size);
    return exponent < 0 ? 1.0 / power : power;
}

static const char *exponent_of(const char *at, const char *end, int *exponent)
{
    bool minus = false;
    int value = 0;
    const char *p = at + 1;
    if (p < end && (*p == '-' || *p == '+')) {
        minus = *p == '-';
        p++;
    }
    if (p >= end || !is_digit(*p)) {
        return at;
    }
    for (; p < end && is_digit(*p); p++) {
        value = value < 400 ? value * 10 + (*p - '0') : value;
    }
    *exponent += minus ? -value : value;
    return p;
}

/* A decimal number with blanks or quotes around it, and nothing else. */
static bool number(const char *p, const char *end, char decimal, double *value)
{
    uint64_t mantissa = 0U;
    int exponent = 0, digits = 0;
    bool minus = false, point = false;
    while (p < end && (*p == ' ' || *p == '"')) {
        p++;
    }
    while (end > p && (end[-1] == ' ' || end[-1] == '"' || end[-1] == '\r')) {
        end--;
    }
    if (p < end && (*p == '-' || *p == '+')) {
        minus = *p == '-';
        p++;
    }
    for (; p < end && (is_digit(*p) || (*p == decimal && !point)); p++) {
        if (*p == decimal) {
            point = true;
            continue;
        }
        digits++;
        if (mantissa < MANTISSA_MAX) {
            mantissa = mantissa * 10U + (uint64_t)(*p - '0');
            exponent -= point ? 1 : 0;
        } else {
            exponent += point ? 0 : 1;
        }
    }
    if (digits > 0 && p < end && (*p == 'e' || *p == 'E')) {
        p = exponent_of(p, end, &exponent);
    }
    /* Dividing by an exact power keeps decimals correctly rounded. */
    *value = exponent < 0 ? (double)mantissa / power_of_ten(-exponent)
                          : (double)mantissa * power_of_ten(exponent);
    *value = minus ? -*value : *value;
    return digits > 0 && p == end;
}

static void row(scan_state *s, const char *p, const char *end, output *out)
{
    double value[1 + LINES] = {0.0};
    int found = s->time_col < 0 ? 1 : 0;
    int last = s->time_col;
    for (int k = 0; k < s->lines; k++) {
        last = s->line_col[k] > last ? s->line_col[k] : last;
    }
    for (int column = 0; column <= last && p <= end; column++) {
        const char *stop = memchr(p, s->separator, (size_t)(end - p));
        stop = stop == NULL ? end : stop;
        for (int k = 0; k <= s->lines; k++) {
            if (column != (k == 0 ? s->time_col : s->line_col[k - 1])) {
                continue;
            }
            if (!number(p, stop, (char)s->decimal, &value[k])) {
                s->error = SCAN_NO_NUMBER;
                return;
            }
            found++;
        }
        p = stop + 1;
    }
    if (found < 1 + s->lines) {
        s->error = SCAN_FEW_COLUMNS;
        return;
    }
    advance_to(s, (s->time_col < 0 ? (double)s->rows : value[0]) * s->time_scale);
    for (int k = 0; k < s->lines && s->error == 0; k++) {
        put(s, out, k, value[1 + k] > s->threshold);
    }
}

EXPORT size_t scan_csv(scan_state *s, const char *text, size_t size, size_t *used, double *at_s,
                       uint8_t *line, uint8_t *level, size_t room)
{
    output out = {at_s, line, level, 0U};
    size_t at = 0U;
    while (at < size && s->error == 0 && out.count + (size_t)LINES <= room) {
        const char *begin = text + at;
        const char *stop = memchr(begin, '\n', size - at);
        if (stop == NULL) {
            break;
        }
        if (stop > begin && *begin != '\r' && *begin != '#' && *begin != ';') {
            row(s, begin, stop, &out);
        }
        if (s->error == 0) {
            at = (size_t)(stop - text) + 1U;
        }
    }
    *used = at;
    return out.count;
}

static void change(scan_state *s, char value, const char *id, size_t size, output *out)
{
    for (int k = 0; k < s->lines; k++) { /* two lines may be one signal */
        if (strlen(s->id[k]) != size || memcmp(s->id[k], id, size) != 0) {
            continue;
        }
        if (value == '0' || value == '1') {
            put(s, out, k, value == '1');
        } else {
            s->unknown++;
        }
    }
}

static void keyword(scan_state *s, const char *p, size_t size)
{
    if (size == 4U && memcmp(p, "$end", 4U) == 0) {
        s->in_comment = 0;
    } else if (size == 8U && memcmp(p, "$comment", 8U) == 0) {
        s->in_comment = 1;
    } /* $dumpvars, $dumpall, $dumpon, $dumpoff: their values count */
}

static void token(scan_state *s, const char *p, size_t size, output *out)
{
    double value;
    if (*p == '$') {
        keyword(s, p, size);
    } else if (s->in_comment != 0) {
        return;
    } else if (s->vector != 0) {
        change(s, (char)s->vector, p, size, out);
        s->vector = 0;
    } else if (*p == '#') {
        if (number(p + 1, p + size, '.', &value)) {
            advance_to(s, value * s->time_scale);
        } else {
            s->error = SCAN_NO_NUMBER;
        }
    } else if (strchr("bBrR", *p) != NULL) {
        s->vector = p[size - 1U];
    } else if (strchr("01xXzZ", *p) != NULL && size > 1U) {
        change(s, *p, p + 1, size - 1U, out);
    } else {
        s->error = SCAN_NO_NUMBER;
    }
}

static bool blank(char c)
{
    return c == ' ' || c == '\n' || c == '\r' || c == '\t';
}

EXPORT size_t scan_vcd(scan_state *s, const char *text, size_t size, size_t *used, double *at_s,
                       uint8_t *line, uint8_t *level, size_t room)
{
    output out = {at_s, line, level, 0U};
    size_t at = 0U;
    *used = 0U;
    while (s->error == 0 && out.count + (size_t)LINES <= room) {
        size_t stop;
        while (at < size && blank(text[at])) {
            at++;
        }
        *used = at;
        for (stop = at; stop < size && !blank(text[stop]); stop++) {
        }
        if (stop >= size) {
            break; /* the token may go on in the next block */
        }
        token(s, text + at, stop - at, &out);
        if (s->error == 0) {
            *used = stop;
        }
        at = stop;
    }
    return out.count;
}
