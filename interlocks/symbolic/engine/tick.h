/* One tick of a set of situations: key and bounds in, key and bounds out, choice by choice.
 *
 * Two stages with removal of repeats between them, or what the scan asks and what the parts ask would multiply: first switches, faults,
 * scan and requirements, then the parts. At the end what was reset leaves the set, what begins to run enters it, everything that runs
 * grows by one, and a clock that has reached its limit, past which nothing tells values apart, becomes a constant of the key.
 */
#ifndef SY_TICK_H
#define SY_TICK_H

#include "state.h"
#include "store.h"

typedef struct {
    uint8_t key[SY_KEY_BYTES];
    sy_layout layout;
    sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS];
    int source[SY_DIMENSIONS], shift[SY_DIMENSIONS]; /* new x_i = old x_source + shift */
    int turn[SY_DIMENSIONS]; /* or what turn - 1 gives of old x_source, and shift; else 0 */
    int loops; /* the key is the same and nothing was reset: the path may be taken any number of times */
} sy_result;

static sy_result sy_end;
static sy_value sy_before[SY_CLOCKS + 1];
static uint32_t sy_broken[SY_BREAKS + 1];
static uint32_t sy_broken_count;

static void sy_break(int index)
{
    sy_broken[sy_broken_count++] = (uint32_t)index;
}

static uint8_t sy_covered[SY_MARKS];

static void sy_cover(int index)
{
    sy_covered[index] = 1;
}

static int32_t sy_key_get(const uint8_t *key, int part)
{
    int32_t value = 0;
    memcpy(&value, key + sy_key_cell[part].at, sy_key_cell[part].bytes);
    return value + sy_key_cell[part].low;
}

static void sy_key_put(uint8_t *key, int part, int32_t value)
{
    value -= sy_key_cell[part].low;
    memcpy(key + sy_key_cell[part].at, &value, sy_key_cell[part].bytes);
}

static int sy_is_still(int32_t status)
{
    return status == SY_STANDS || status == SY_COUNTS;
}

/* Layout of the sets of a key. */
static void sy_layout_of(const uint8_t *key, sy_layout *layout)
{
    layout->n = 1;
    layout->still[0] = layout->counter[0] = 0;
    layout->clock[0] = -1;
    for (int i = 0; i < SY_KEY_CELLS; i++) {
        if (!sy_key_cell[i].clock)
            continue;
        int32_t status = sy_key_get(key, i);
        if (status >= 0 || status < SY_COUNTS)
            continue;
        int d = layout->n++;
        layout->clock[d] = sy_key_cell[i].index;
        layout->still[d] = (uint8_t)sy_is_still(status);
        layout->counter[d] = (uint16_t)(status == SY_COUNTS ? sy_key_cell[i].index + 1 : 0);
    }
}

static sy_situation sy_origin; /* the set whose step is worked out, as every path begins with it */

static void sy_load(const uint8_t *key, const sy_bound *m)
{
    sy_situation *o = &sy_origin;
    memcpy(o->cell, sy_cell_start, sizeof o->cell);
    for (int i = 0; i < SY_CLOCKS; i++) {
        o->clock[i] = (sy_value){-1, sy_clock_start[i]};
        o->dimension[i] = 0;
    }
    sy_layout_of(key, &o->layout);
    for (int d = 1; d < o->layout.n; d++) {
        int clock = o->layout.clock[d];
        o->clock[clock] = (sy_value){clock, 0};
        o->dimension[clock] = d;
    }
    for (int i = 0; i < SY_KEY_CELLS; i++) {
        int32_t value = sy_key_get(key, i);
        if (!sy_key_cell[i].clock)
            o->cell[sy_key_cell[i].index] = value;
        else if (value >= 0 || value < SY_COUNTS)
            o->clock[sy_key_cell[i].index] = (sy_value){-1, value};
    }
    memcpy(o->m, m, sizeof(sy_bound) * (size_t)(o->layout.n * o->layout.n));
    for (int d = 0; d < o->layout.n; d++) {
        o->least[d] = INT32_MIN;
        o->most[d] = INT32_MAX;
    }
    memcpy(sy_before, o->clock, sizeof sy_before);
    sy_now.layout = o->layout;
    memcpy(sy_now.dimension, o->dimension, sizeof sy_now.dimension);
}

/* Everything but layout and dimensions, which are the same all through the step of a set. */
static void sy_take(const sy_situation *from)
{
    int n = sy_now.layout.n;
    memcpy(sy_now.cell, from->cell, sizeof sy_now.cell);
    memcpy(sy_now.clock, from->clock, sizeof sy_now.clock);
    memcpy(sy_now.m, from->m, sizeof(sy_bound) * (size_t)(n * n));
    memcpy(sy_now.least, from->least, sizeof(int32_t) * (size_t)n);
    memcpy(sy_now.most, from->most, sizeof(int32_t) * (size_t)n);
    sy_ask.at = 0;
    sy_broken_count = 0;
}

/* Adds a dimension to the result. */
static void sy_add(int part, int32_t status, int source, int shift)
{
    sy_layout *layout = &sy_end.layout;
    int d = layout->n++;
    sy_key_put(sy_end.key, part, status);
    layout->clock[d] = sy_key_cell[part].index;
    layout->still[d] = (uint8_t)sy_is_still(status);
    layout->counter[d] = (uint16_t)(status == SY_COUNTS ? sy_key_cell[part].index + 1 : 0);
    sy_end.source[d] = source;
    sy_end.shift[d] = shift;
    sy_end.turn[d] = 0;
}

/* Adds what a turn has given to the result: `value` is such a one. */
static void sy_add_turned(int part, sy_value value)
{
    int turn = -2 - value.variable, d = sy_end.layout.n;
    sy_add(part, SY_RUNS, sy_now.dimension[sy_turned[turn].of.variable], value.offset);
    sy_end.turn[d] = turn + 1;
}

/* A counter stands in the set, between two ticks, with the value it has. Returns whether it is what it was. */
static int sy_end_of_counter(int part, int clock)
{
    sy_value value = sy_now.clock[clock];
    if (value.variable >= 0) {
        sy_add(part, SY_COUNTS, sy_now.dimension[value.variable], value.offset);
        return value.variable == clock && !value.offset;
    }
    /* Set to the value that it has is no change: the tightened set tells. */
    int d = sy_before[clock].variable == clock ? sy_now.dimension[clock] : 0, n = sy_now.layout.n;
    int same = d && -sy_now.m[d] == value.offset && sy_now.m[d * n] == value.offset;
    sy_add(part, SY_COUNTS, 0, value.offset);
    return same;
}

/* A clock that has not been counted in this tick stands still; returns whether the set says so already. */
static int sy_end_of_stopped(int part, int clock)
{
    if (sy_travels_kept && sy_stops[clock]) {
        sy_add(part, SY_STANDS, sy_now.dimension[clock], 0);
        return 1;
    }
    sy_key_put(sy_end.key, part, sy_number(clock));
    return 0;
}

static int sy_end_of_clock(int part, int clock, int starting)
{
    sy_value value = sy_now.clock[clock];
    int up = sy_direction[clock] > 0;
    if (value.variable == clock) {
        int grown = up ? value.offset : -value.offset;
        if (!grown)
            return sy_end_of_stopped(part, clock);
        if (up ? sy_ge(clock, sy_limit(clock)) : sy_le(clock, 0)) {
            sy_key_put(sy_end.key, part, up ? sy_limit(clock) : 0);
            return 0;
        }
        sy_add(part, SY_RUNS, sy_now.dimension[clock], grown);
        return grown == 1;
    }
    if (value.variable < -1 && !up && !sy_le(clock, 0) && !sy_ge(clock, sy_limit(clock))) {
        sy_add_turned(part, value);
        return 0;
    }
    if (value.variable != -1) { /* took another's value, and goes on as a number */
        sy_set_to(clock, sy_number(clock));
        value = sy_now.clock[clock];
    }
    int rests = !starting && sy_before[clock].variable < 0 && sy_before[clock].offset == value.offset;
    if (rests || value.offset <= 0 || value.offset >= sy_limit(clock)) {
        sy_key_put(sy_end.key, part, value.offset);
        return rests;
    }
    sy_add(part, SY_RUNS, 0, up ? value.offset : -value.offset);
    return 0;
}

/* What a turn gives is bounded by itself: how it differs from anything else is forgotten. */
static void sy_end_turned(int d, int n)
{
    int low, high;
    sy_range((sy_value){-1 - sy_end.turn[d], sy_end.shift[d]}, &low, &high);
    sy_end.m[d * n] = (sy_bound)-low;
    sy_end.m[d] = (sy_bound)high;
    for (int i = 1; i < n; i++)
        if (i != d)
            sy_unlink(sy_end.m, n, i, d);
}

/* The end of a tick (or of the choice of a start): fills sy_end. `key` is the key before. */
static void sy_finish(const uint8_t *key, int starting)
{
    int same = !starting;
    sy_end.layout.n = 1;
    sy_end.layout.still[0] = 0;
    sy_end.layout.counter[0] = 0;
    sy_end.layout.clock[0] = -1;
    sy_end.source[0] = sy_end.shift[0] = sy_end.turn[0] = 0;
    memset(sy_end.key, 0, sizeof sy_end.key);
    for (int part = 0; part < SY_KEY_CELLS; part++) {
        int index = sy_key_cell[part].index;
        if (!sy_key_cell[part].clock)
            sy_key_put(sy_end.key, part, sy_now.cell[index]);
        else if (sy_is_counter[index])
            same &= sy_end_of_counter(part, index);
        else
            same &= sy_end_of_clock(part, index, starting);
    }
    int n = sy_end.layout.n, old = sy_now.layout.n;
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            sy_end.m[i * n + j] =
                (sy_bound)(i == j ? 0
                                  : sy_sum(sy_now.m[sy_end.source[i] * old + sy_end.source[j]],
                                           sy_end.shift[i] - sy_end.shift[j]));
    for (int i = 1; i < n; i++)
        if (sy_end.turn[i])
            sy_end_turned(i, n);
    sy_end.loops = same && !memcmp(sy_end.key, key, SY_KEY_BYTES);
}

/* -- the two stages ---------------------------------------------------------------------------- */

typedef struct {
    sy_situation situation;
    uint64_t hash;
    uint32_t picks, pick_count; /* the answers that were no comparisons, in `sy_middle_picks` */
} sy_middle;

static sy_middle *sy_middles;
static uint32_t sy_middle_count, sy_middle_room;
static uint32_t *sy_middle_table, sy_middle_mask; /* by hash, twice as many places as middles */
static size_t sy_middle_cap = SIZE_MAX;           /* most bytes of middles: a set may have very many */
static uint32_t *sy_picks;
static uint32_t sy_pick_count, sy_pick_room;

static int sy_keep_picks(uint32_t *first, uint32_t *count)
{
    *first = sy_pick_count;
    *count = 0;
    if (sy_pick_count + sy_ask.at > sy_pick_room) {
        uint32_t room = 2 * (sy_pick_count + sy_ask.at) + 64;
        uint32_t *grown = realloc(sy_picks, sizeof *grown * room);
        if (!grown)
            return 0;
        sy_picks = grown;
        sy_pick_room = room;
    }
    for (uint32_t i = 0; i < sy_ask.at; i++)
        if (!sy_ask.of_clock[i]) {
            sy_picks[sy_pick_count++] = sy_ask.pick[i];
            ++*count;
        }
    return 1;
}

static uint64_t sy_mix(uint64_t h, uint32_t x)
{
    h = (h ^ x) * 0x9E3779B97F4A7C15u;
    return h ^ h >> 29;
}

static int sy_same_middle(const sy_situation *a, const sy_situation *b)
{
    for (int i = 0; i < SY_LATER_CELLS; i++)
        if (a->cell[sy_later_cell[i]] != b->cell[sy_later_cell[i]])
            return 0;
    if (memcmp(a->clock, b->clock, sizeof a->clock))
        return 0;
    int n = sy_now.layout.n;
    return !memcmp(a->m, b->m, sizeof(sy_bound) * (size_t)(n * n)) &&
           !memcmp(a->least, b->least, sizeof(int32_t) * (size_t)n) &&
           !memcmp(a->most, b->most, sizeof(int32_t) * (size_t)n);
}

static int sy_more_middles(void)
{
    uint32_t room = sy_middle_room ? sy_middle_room * 2 : 32;
    sy_middle *grown = sizeof *grown * room > sy_middle_cap ? NULL : realloc(sy_middles, sizeof *grown * room);
    if (grown)
        sy_middles = grown;
    uint32_t *table = grown ? realloc(sy_middle_table, sizeof *table * 2 * room) : NULL;
    if (!table) {
        sy_fault_code = SY_OUT_OF_MEMORY;
        return 0;
    }
    sy_middle_table = table;
    sy_middle_room = room;
    sy_middle_mask = 2 * room - 1;
    memset(table, 0xff, sizeof *table * 2 * room);
    for (uint32_t i = 0; i < sy_middle_count; i++) {
        uint32_t at = (uint32_t)sy_middles[i].hash & sy_middle_mask;
        while (table[at] != SY_NOBODY)
            at = (at + 1) & sy_middle_mask;
        table[at] = i;
    }
    return 1;
}

/* Keeps what the first stage left, unless another vector of answers left the same. */
static void sy_keep_middle(void)
{
    uint64_t h = 1469598103934665603u;
    int n = sy_now.layout.n;
    for (int i = 0; i < SY_LATER_CELLS; i++)
        h = sy_mix(h, (uint32_t)sy_now.cell[sy_later_cell[i]]);
    for (int i = 0; i < SY_CLOCKS; i++)
        h = sy_mix(sy_mix(h, (uint32_t)sy_now.clock[i].variable), (uint32_t)sy_now.clock[i].offset);
    for (int i = 0; i < n * n; i++)
        h = sy_mix(h, (uint32_t)sy_now.m[i]);
    if (sy_middle_count == sy_middle_room && !sy_more_middles())
        return;
    uint32_t at = (uint32_t)h & sy_middle_mask;
    for (; sy_middle_table[at] != SY_NOBODY; at = (at + 1) & sy_middle_mask)
        if (sy_middles[sy_middle_table[at]].hash == h &&
            sy_same_middle(&sy_middles[sy_middle_table[at]].situation, &sy_now))
            return;
    sy_middle_table[at] = sy_middle_count;
    sy_middle *kept = &sy_middles[sy_middle_count];
    memcpy(kept->situation.cell, sy_now.cell, sizeof sy_now.cell);
    memcpy(kept->situation.clock, sy_now.clock, sizeof sy_now.clock);
    memcpy(kept->situation.m, sy_now.m, sizeof(sy_bound) * (size_t)(n * n));
    memcpy(kept->situation.least, sy_now.least, sizeof(int32_t) * (size_t)n);
    memcpy(kept->situation.most, sy_now.most, sizeof(int32_t) * (size_t)n);
    kept->hash = h;
    if (!sy_keep_picks(&kept->picks, &kept->pick_count))
        sy_fault_code = SY_OUT_OF_MEMORY;
    sy_middle_count++;
}

/* Called at each end of a first stage, and at each end of a tick. */
typedef struct {
    void (*judged)(void *self);
    int (*ended)(void *self, const sy_middle *middle); /* 0: go no further with this set */
    void *self;
} sy_visitor;

static void sy_tick(const uint8_t *key, const sy_bound *m, const sy_visitor *visitor, const volatile int *stop)
{
    sy_middle_count = sy_pick_count = 0;
    if (sy_middle_table)
        memset(sy_middle_table, 0xff, sizeof *sy_middle_table * ((size_t)sy_middle_mask + 1));
    sy_ask.length = 0;
    sy_load(key, m);
    do {
        sy_take(&sy_origin);
        sy_stage1();
        visitor->judged(visitor->self);
        sy_keep_middle();
    } while (!sy_fault_code && !*stop && sy_next_choices());
    for (uint32_t i = 0; i < sy_middle_count && !sy_fault_code && !*stop; i++) {
        sy_ask.length = 0;
        do {
            sy_take(&sy_middles[i].situation);
            sy_stage2();
            sy_finish(key, 0);
            if (!visitor->ended(visitor->self, &sy_middles[i]))
                return;
        } while (!sy_fault_code && !*stop && sy_next_choices());
    }
}

#endif
