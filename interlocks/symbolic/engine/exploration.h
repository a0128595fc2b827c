/* The search over sets: from the start sets, step by step, until no step leads out of what is stored.
 *
 * Acceleration (exact for whole ticks; Hendriks, Larsen 2002): a path that leads a key to itself and resets nothing may be taken again
 * and again as long as its guard G holds, so with Z what is left of the set, everything in the up-closure of (Z and G), cut one past G's upper
 * bounds, is reached. A path on which a counter changed is never accelerated.
 *
 * Beside the sets the search keeps which key leads to which, and at which keys something was reported: the map that a
 * confirmation is guided by.
 */
#ifndef SY_EXPLORATION_H
#define SY_EXPLORATION_H

#include "tick.h"

typedef struct {
    uint32_t from, to;
} sy_edge;

typedef struct {
    uint32_t event, node; /* event: a break's index, or SY_BREAKS + a goal's */
} sy_alarm;

typedef struct {
    sy_store store;
    sy_edge *edges;
    uint32_t edge_count, edge_room;
    sy_alarm *alarms;
    uint32_t alarm_count, alarm_room;
    uint8_t seen[SY_EVENTS + 1];
    uint32_t cursor;           /* first in, first out */
    uint32_t current;          /* set being expanded */
    uint32_t first_edge, first_alarm; /* of the set being expanded */
    unsigned long long steps, loops, expanded;
} sy_search;

static void sy_add_edge(sy_search *s, uint32_t to)
{
    uint32_t from = s->store.sets[s->current].key;
    if (from == to || to == SY_NOBODY)
        return;
    for (uint32_t i = s->first_edge; i < s->edge_count; i++)
        if (s->edges[i].to == to)
            return;
    if (s->edge_count == s->edge_room) {
        uint32_t room = s->edge_room ? s->edge_room * 2 : 4096;
        sy_edge *grown = sy_grow(&s->store, s->edges, sizeof *grown * s->edge_room, sizeof *grown * room);
        if (!grown)
            return;
        s->edges = grown;
        s->edge_room = room;
    }
    s->edges[s->edge_count++] = (sy_edge){from, to};
}

static void sy_add_alarm(sy_search *s, uint32_t event)
{
    uint32_t node = s->store.sets[s->current].key;
    s->seen[event] = 1;
    for (uint32_t i = s->first_alarm; i < s->alarm_count; i++)
        if (s->alarms[i].event == event)
            return;
    if (s->alarm_count == s->alarm_room) {
        uint32_t room = s->alarm_room ? s->alarm_room * 2 : 1024;
        sy_alarm *grown = sy_grow(&s->store, s->alarms, sizeof *grown * s->alarm_room, sizeof *grown * room);
        if (!grown)
            return;
        s->alarms = grown;
        s->alarm_room = room;
    }
    s->alarms[s->alarm_count++] = (sy_alarm){event, node};
}

static void sy_judge_search(void *self)
{
    sy_search *s = self;
    for (uint32_t i = 0; i < sy_broken_count; i++)
        sy_add_alarm(s, sy_broken[i]);
    for (int i = 0; i < SY_GOALS; i++)
        if (sy_now.cell[sy_goal_cell[i]])
            sy_add_alarm(s, (uint32_t)(SY_BREAKS + i));
}

/* What a path that leads its key to itself reaches when it is taken any number of times. */
static void sy_accelerate(sy_bound *m)
{
    int n = sy_now.layout.n;
    memcpy(m, sy_now.m, sizeof(sy_bound) * (size_t)(n * n));
    for (int i = 1; i < n; i++) {
        if (sy_now.layout.still[i])
            continue;
        m[i * n] = SY_UNBOUNDED;
        for (int f = 1; f < n; f++)
            if (sy_now.layout.still[f])
                m[i * n + f] = SY_UNBOUNDED;
    }
    for (int i = 1; i < n; i++)
        if (!sy_now.layout.still[i] && sy_now.most[i] < SY_UNBOUNDED)
            sy_tighten(m, n, i, 0, sy_now.most[i] + 1);
}

static int sy_end_search(void *self, const sy_middle *middle)
{
    static sy_bound wide[SY_DIMENSIONS * SY_DIMENSIONS];
    sy_search *s = self;
    (void)middle;
    s->steps++;
    if (sy_end.loops && sy_end.layout.n > 1) {
        const sy_set *set = &s->store.sets[s->current];
        s->loops++;
        sy_accelerate(wide);
        if (sy_includes(set->m, wide, sy_now.layout.n))
            return 1;
        int all = sy_includes(wide, set->m, sy_now.layout.n);
        sy_insert(&s->store, sy_end.key, &sy_now.layout, wide, s->current, 0);
        return !all && s->store.sets[s->current].m;
    }
    sy_insert(&s->store, sy_end.key, &sy_end.layout, sy_end.m, s->current, 0);
    sy_add_edge(s, sy_node_of(&s->store, sy_end.key, 0));
    return s->store.sets[s->current].m != NULL;
}

/* Every start set is offered to `take`. */
static void sy_each_start(void (*take)(void *self), void *self)
{
    static const uint8_t none[SY_KEY_BYTES];
    sy_ask.length = 0;
    do {
        memcpy(sy_now.cell, sy_cell_start, sizeof sy_now.cell);
        for (int i = 0; i < SY_CLOCKS; i++) {
            sy_set_to(i, sy_clock_start[i]);
            sy_now.dimension[i] = 0;
        }
        sy_now.layout.n = 1;
        sy_now.m[0] = 0;
        memcpy(sy_before, sy_now.clock, sizeof sy_before);
        sy_ask.at = 0;
        sy_begin();
        sy_finish(none, 1);
        take(self);
    } while (!sy_fault_code && sy_next_choices());
}

static void sy_start_search(void *self)
{
    sy_search *s = self;
    sy_insert(&s->store, sy_end.key, &sy_end.layout, sy_end.m, SY_NOBODY, 0);
}

/* Explores until done, stopped or out of memory; may be called again to go on. */
static void sy_explore(sy_search *s, const volatile int *stop)
{
    sy_bound *copy = malloc(sizeof(sy_bound) * SY_DIMENSIONS * SY_DIMENSIONS);
    uint8_t key[SY_KEY_BYTES];
    sy_visitor visitor = {sy_judge_search, sy_end_search, s};
    if (!copy) {
        sy_fault_code = SY_OUT_OF_MEMORY;
        return;
    }
    if (!s->store.set_count)
        sy_each_start(sy_start_search, s);
    while (s->cursor < s->store.set_count && !sy_fault_code && !s->store.out_of_memory && !*stop) {
        s->current = s->cursor;
        sy_set *set = &s->store.sets[s->current];
        if (set->m) {
            s->expanded++;
            s->first_edge = s->edge_count;
            s->first_alarm = s->alarm_count;
            memcpy(key, s->store.keys + (size_t)set->key * SY_KEY_BYTES, SY_KEY_BYTES);
            memcpy(copy, set->m, sizeof(sy_bound) * (size_t)set->n * set->n);
            sy_tick(key, copy, &visitor, stop);
        }
        if (!*stop && !s->store.out_of_memory)
            s->cursor++;
    }
    free(copy);
}

#endif
