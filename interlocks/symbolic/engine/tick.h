/* One tick of a set of situations: key and bounds in, key and bounds out, choice by choice.
 *
 * The tick runs in stages (sy_stage: what comes before the scan, the exits of each sequence, the outputs, the
 * requirements, what is dropped, at last the parts), with removal of repeats between them, or what one asks
 * and what the others ask would multiply. What no later stage reads is blanked by the generated code, so that
 * situations which differ in nothing that matters are the same bytes. Of two that differ in their guards only,
 * one is kept: each gives the same sets one tick later, and a guard says no more than how far a path may be
 * taken at once.
 *
 * At the end what was reset leaves the set, what begins to run enters it, everything that runs grows by one, and a
 * clock that has reached its limit, past which nothing tells values apart, becomes a constant of the key.
 */
#ifndef SY_TICK_H
#define SY_TICK_H

#include "state.h"
#include "store.h"

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
    for (int k = 0; k < SY_KEY_CLOCKS; k++) {
        int i = sy_key_clock[k];
        int32_t status = sy_key_get(key, i);
        if (status >= 0 || status < SY_COUNTS)
            continue;
        int d = layout->n++;
        layout->clock[d] = sy_key_cell[i].index;
        layout->still[d] = (uint8_t)sy_is_still(status);
        layout->counter[d] = (uint16_t)(status == SY_COUNTS ? sy_key_cell[i].index + 1 : 0);
    }
}

static void sy_load(sy_work *w, const uint8_t *key, const sy_bound *m)
{
    sy_situation *o = &w->origin;
    memcpy(o->cell, sy_cell_start, sizeof o->cell);
    for (int i = 0; i < SY_CLOCKS; i++) {
        o->clock[i] = (sy_value){-1, (sy_bound)sy_clock_start[i]};
        w->dimension[i] = 0;
    }
    sy_layout_of(key, &w->layout);
    for (int d = 1; d < w->layout.n; d++) {
        int clock = w->layout.clock[d];
        o->clock[clock] = (sy_value){(sy_bound)clock, 0};
        w->dimension[clock] = d;
    }
    for (int i = 0; i < SY_KEY_CELLS; i++) {
        int32_t value = sy_key_get(key, i);
        if (!sy_key_cell[i].clock)
            o->cell[sy_key_cell[i].index] = (sy_cell)value;
        else if (value >= 0 || value < SY_COUNTS)
            o->clock[sy_key_cell[i].index] = (sy_value){-1, (sy_bound)value};
    }
    memcpy(o->m, m, sizeof(sy_bound) * (size_t)(w->layout.n * w->layout.n));
    for (int d = 0; d < w->layout.n; d++) {
        o->least[d] = INT32_MIN;
        o->most[d] = INT32_MAX;
    }
    memcpy(w->before, o->clock, sizeof w->before);
}

static void sy_take(sy_work *w, const sy_situation *from)
{
    int n = w->layout.n;
    memcpy(&w->now, from, SY_PLAIN_BYTES);
    memcpy(w->now.m, from->m, sizeof(sy_bound) * (size_t)(n * n));
    memcpy(w->now.least, from->least, sizeof(int32_t) * (size_t)n);
    memcpy(w->now.most, from->most, sizeof(int32_t) * (size_t)n);
    w->ask.at = 0;
    w->broken_count = w->mark_count = 0;
}

/* Adds a dimension to the result. */
static void sy_add(sy_work *w, int part, int32_t status, int source, int shift)
{
    sy_layout *layout = &w->end.layout;
    int d = layout->n++;
    sy_key_put(w->end.key, part, status);
    layout->clock[d] = sy_key_cell[part].index;
    layout->still[d] = (uint8_t)sy_is_still(status);
    layout->counter[d] = (uint16_t)(status == SY_COUNTS ? sy_key_cell[part].index + 1 : 0);
    w->end.source[d] = source;
    w->end.shift[d] = shift;
    w->end.turn[d] = 0;
}

/* Adds what a turn has given to the result: `value` is such a one. */
static void sy_add_turned(sy_work *w, int part, sy_value value)
{
    int turn = -2 - value.variable, d = w->end.layout.n;
    sy_add(w, part, SY_RUNS, w->dimension[w->turned[turn].of.variable], value.offset);
    w->end.turn[d] = turn + 1;
}

/* A counter stands in the set, between two ticks, with the value it has, or in the key. Returns whether it is what it was. */
static int sy_end_of_counter(sy_work *w, int part, int clock)
{
    sy_value value = w->now.clock[clock];
    if (w->counters_in_key && value.variable == -1 && sy_marks(clock)[1] >= 0) { /* less would be taken for a status */
        sy_key_put(w->end.key, part, value.offset);
        return w->before[clock].variable == -1 && w->before[clock].offset == value.offset;
    }
    if (value.variable >= 0) {
        sy_add(w, part, SY_COUNTS, w->dimension[value.variable], value.offset);
        return value.variable == clock && !value.offset;
    }
    /* Set to the value that it has is no change: the tightened set tells. */
    int d = w->before[clock].variable == clock ? w->dimension[clock] : 0, n = w->layout.n;
    int same = d && -w->now.m[d] == value.offset && w->now.m[d * n] == value.offset;
    sy_add(w, part, SY_COUNTS, 0, value.offset);
    return same;
}

/* A clock that has not been counted in this tick stands still; returns whether the set says so already. */
static int sy_end_of_stopped(sy_work *w, int part, int clock)
{
    if (w->travels_kept && sy_stops[clock]) {
        sy_add(w, part, SY_STANDS, w->dimension[clock], 0);
        return 1;
    }
    sy_key_put(w->end.key, part, sy_number(w, clock));
    return 0;
}

static int sy_end_of_clock(sy_work *w, int part, int clock, int starting)
{
    sy_value value = w->now.clock[clock];
    int up = sy_direction[clock] > 0;
    if (value.variable == clock) {
        int grown = up ? value.offset : -value.offset;
        if (!grown)
            return sy_end_of_stopped(w, part, clock);
        if (up ? sy_ge(w, clock, sy_limit(w, clock)) : sy_le(w, clock, 0)) {
            sy_key_put(w->end.key, part, up ? sy_limit(w, clock) : 0);
            return 0;
        }
        sy_add(w, part, SY_RUNS, w->dimension[clock], grown);
        return grown == 1;
    }
    if (value.variable < -1 && !up && !sy_le(w, clock, 0) && !sy_ge(w, clock, sy_limit(w, clock))) {
        sy_add_turned(w, part, value);
        return 0;
    }
    if (value.variable != -1) { /* took another's value, and goes on as a number */
        sy_set_to(w, clock, sy_number(w, clock));
        value = w->now.clock[clock];
    }
    int rests = !starting && w->before[clock].variable < 0 && w->before[clock].offset == value.offset;
    if (rests || value.offset <= 0 || value.offset >= sy_limit(w, clock)) {
        sy_key_put(w->end.key, part, value.offset);
        return rests;
    }
    sy_add(w, part, SY_RUNS, 0, up ? value.offset : -value.offset);
    return 0;
}

/* What a turn gives is bounded by itself: how it differs from anything else is given away. */
static void sy_end_turned(sy_work *w, int d)
{
    int low, high, n = w->end.layout.n;
    sy_range(w, (sy_value){(sy_bound)(-1 - w->end.turn[d]), (sy_bound)w->end.shift[d]}, &low, &high);
    w->end.m[d * n] = (sy_bound)-low;
    w->end.m[d] = (sy_bound)high;
    for (int i = 1; i < n; i++)
        if (i != d)
            sy_unlink(w->end.m, n, i, d);
}

/* The end of a tick (or of the choice of a start): fills w->end. `key` is the key before. */
static void sy_finish(sy_work *w, const uint8_t *key, int starting)
{
    sy_result *end = &w->end;
    int same = !starting;
    end->counted = 0;
    end->layout.n = 1;
    end->layout.still[0] = 0;
    end->layout.counter[0] = 0;
    end->layout.clock[0] = -1;
    end->source[0] = end->shift[0] = end->turn[0] = 0;
    sy_pack(w, end->key);
    for (int i = 0; i < SY_KEY_CLOCKS; i++) {
        int part = sy_key_clock[i], index = sy_key_cell[part].index;
        if (sy_is_counter[index])
            end->counted |= !sy_end_of_counter(w, part, index);
        else
            same &= sy_end_of_clock(w, part, index, starting);
    }
    int n = end->layout.n, old = w->layout.n;
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            end->m[i * n + j] = (sy_bound)(i == j ? 0
                                                  : sy_sum(w->now.m[end->source[i] * old + end->source[j]],
                                                           end->shift[i] - end->shift[j]));
    for (int i = 1; i < n; i++)
        if (end->turn[i])
            sy_end_turned(w, i);
    end->loops = same && !end->counted && !memcmp(end->key, key, SY_KEY_BYTES);
}

/* -- stages ------------------------------------------------------------------------------------ */

static int sy_keep_picks(sy_work *w, const uint32_t *before, uint32_t *kept)
{
    kept[0] = w->pick_count;
    kept[1] = 0;
    uint32_t most = w->pick_count + before[1] + w->ask.at;
    if (most > w->pick_room) {
        uint32_t room = 2 * most + 64;
        uint32_t *grown = sizeof *grown * room > w->cap ? NULL : realloc(w->picks, sizeof *grown * room);
        if (!grown)
            return 0;
        w->picks = grown;
        w->pick_room = room;
    }
    memcpy(w->picks + w->pick_count, w->picks + before[0], sizeof *w->picks * before[1]);
    w->pick_count += before[1];
    for (uint32_t i = 0; i < w->ask.at; i++)
        if (!w->ask.of_clock[i])
            w->picks[w->pick_count++] = w->ask.pick[i];
    kept[1] = w->pick_count - kept[0];
    return 1;
}

static int sy_resize(void **at, size_t bytes)
{
    void *grown = realloc(*at, bytes);
    if (grown)
        *at = grown;
    return grown != NULL;
}

static int sy_more_room(sy_work *w, sy_layer *layer)
{
    uint32_t room = layer->room ? layer->room * 2 : 32;
    size_t each = sizeof(sy_situation) + sizeof *layer->hash + sizeof *layer->picks + 3 * sizeof *layer->table;
    if (each * room > w->cap || !sy_resize((void **)&layer->bytes, sizeof(sy_situation) * room) ||
        !sy_resize((void **)&layer->hash, sizeof *layer->hash * room) ||
        !sy_resize((void **)&layer->picks, sizeof *layer->picks * room) ||
        !sy_resize((void **)&layer->place, sizeof *layer->place * room) ||
        !sy_resize((void **)&layer->table, sizeof *layer->table * 2 * room)) {
        w->fault = SY_OUT_OF_MEMORY;
        return 0;
    }
    layer->room = room;
    layer->mask = 2 * room - 1;
    memset(layer->table, 0xff, sizeof *layer->table * 2 * room);
    for (uint32_t i = 0; i < layer->count; i++) {
        uint32_t at = (uint32_t)layer->hash[i] & layer->mask;
        while (layer->table[at] != SY_NOBODY)
            at = (at + 1) & layer->mask;
        layer->table[layer->place[i] = at] = i;
    }
    return 1;
}

static sy_situation *sy_situation_of(const sy_layer *layer, uint32_t i)
{
    return (sy_situation *)(void *)(layer->bytes + sizeof(sy_situation) * i);
}

/* Whether every path of `b` lies in the guard of `a`. */
static int sy_wider_guard(const sy_situation *a, const sy_situation *b, int n)
{
    for (int d = 1; d < n; d++)
        if (a->least[d] > b->least[d] || a->most[d] < b->most[d])
            return 0;
    return 1;
}

/* Keeps what a stage left, unless another vector of answers left the same. */
static void sy_keep(sy_work *w, sy_layer *layer, const uint32_t *before)
{
    size_t n = (size_t)w->layout.n;
    uint64_t h = sy_hash(&w->now, SY_PLAIN_BYTES) ^ sy_hash(w->now.m, sizeof(sy_bound) * n * n);
    if (layer->count == layer->room && !sy_more_room(w, layer))
        return;
    uint32_t at = (uint32_t)h & layer->mask, i = layer->count;
    for (; layer->table[at] != SY_NOBODY; at = (at + 1) & layer->mask) {
        sy_situation *other = sy_situation_of(layer, layer->table[at]);
        if (layer->hash[layer->table[at]] == h && !memcmp(other, &w->now, SY_PLAIN_BYTES) &&
            !memcmp(other->m, w->now.m, sizeof(sy_bound) * n * n)) {
            if (!sy_wider_guard(&w->now, other, (int)n))
                return;
            i = layer->table[at];
            break;
        }
    }
    sy_situation *kept = sy_situation_of(layer, i);
    memcpy(kept, &w->now, SY_PLAIN_BYTES);
    memcpy(kept->m, w->now.m, sizeof(sy_bound) * n * n);
    memcpy(kept->least, w->now.least, sizeof(int32_t) * n);
    memcpy(kept->most, w->now.most, sizeof(int32_t) * n);
    layer->table[layer->place[i] = at] = i;
    layer->hash[i] = h;
    if (w->keep_picks && !sy_keep_picks(w, before, layer->picks[i]))
        w->fault = SY_OUT_OF_MEMORY;
    layer->count += i == layer->count;
}

static void sy_empty(sy_layer *layer)
{
    for (uint32_t i = 0; i < layer->count; i++)
        layer->table[layer->place[i]] = SY_NOBODY;
    layer->count = 0;
}

/* Called at each end of a stage before the parts, and at each end of a tick. `picks` are the answers before the
 * present stage: where they begin in w->picks, and how many; those of the stage stand in w->ask. */
typedef struct {
    void (*judged)(void *self, sy_work *w, int goals, const uint32_t *picks); /* goals: they are known here */
    int (*ended)(void *self, sy_work *w, const uint32_t *picks);              /* 0: go no further with this set */
    void *self;
} sy_visitor;

/* w->alive says which answers are kept from the start; what turns out to be asked for is added to it. */
static void sy_tick(sy_work *w, const uint8_t *key, const sy_bound *m, const sy_visitor *visitor,
                    const volatile int *stop)
{
    static const uint32_t none[2];
    sy_load(w, key, m);
again:
    w->pick_count = 0;
    sy_layer *in = NULL, *out = &w->layer[0];
    for (int stage = 0; stage < SY_STAGES; stage++) {
        int last = stage == SY_STAGES - 1;
        uint32_t count = in ? in->count : 1;
        if (!last)
            sy_empty(out);
        for (uint32_t i = 0; i < count; i++) {
            const uint32_t *picks = in ? in->picks[i] : none;
            w->ask.length = 0;
            do {
                sy_take(w, in ? sy_situation_of(in, i) : &w->origin);
                sy_stage[stage](w);
                if (w->given_up) {
                    w->given_up = 0;
                    goto again;
                }
                for (uint32_t k = 0; k < w->mark_count; k++)
                    w->covered[w->mark[k]] = 1;
                if (last) {
                    sy_finish(w, key, 0);
                    if (!visitor->ended(visitor->self, w, picks))
                        return;
                } else {
                    if (w->broken_count || stage == SY_GOALS_KNOWN)
                        visitor->judged(visitor->self, w, stage == SY_GOALS_KNOWN, picks);
                    sy_keep(w, out, picks);
                }
                if (w->fault || *stop)
                    return;
            } while (sy_next_choices(w));
        }
        in = out;
        out = &w->layer[in == &w->layer[0]];
    }
}

#endif
