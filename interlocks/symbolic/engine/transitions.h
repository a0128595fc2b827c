/* Every step of the stored sets, listed once: of which set what part takes it, and what becomes of the clocks.
 *
 * The search came to its end, so each step leads into a stored key. What part of the set takes a step is exact: the
 * statements were asked choice by choice, a comparison cut the set in two, and a travel that turned round is kept
 * as the turn itself. So a set of situations of the target key has an exact set of situations before it.
 *
 * A step whose part lies in that of another one to the same key with the same effect is left out.
 */
#ifndef SY_TRANSITIONS_H
#define SY_TRANSITIONS_H

#include "exploration.h"

/* A clock of the target: the old clock `source` (0: none) and `shift`, or what turn - 1 gives of it and `shift`. */
typedef struct {
    int32_t shift;
    uint8_t source;
    uint16_t turn;
} sy_effect;

typedef struct {
    uint32_t set, key;  /* from, into */
    uint32_t next;      /* the next one into the same key */
    sy_bound *m;        /* what of the set takes it */
    size_t effects;     /* where those of the target's clocks begin; of a loop: the guard's upper bounds, as shifts */
    uint8_t n, to;      /* dimensions before and after */
    uint8_t loops, inside, turns; /* `inside`: all of it leads into one stored set */
} sy_transition;

typedef struct {
    uint32_t set, next;
    int goal;
    sy_bound *m; /* what of the set shows the goal in this very tick */
} sy_goal_part;

typedef struct {
    sy_search *search;
    sy_store memory; /* nothing but what is counted under the cap */
    sy_transition *list;
    uint32_t count, room;
    sy_effect *effects;
    size_t effect_count, effect_room;
    sy_goal_part *goals;
    uint32_t goal_count, goal_room;
    uint32_t *into; /* by key: the first transition, or SY_NOBODY */
    uint32_t set, first, first_goal; /* the set whose steps are listed, and where its own begin */
    unsigned long long outside; /* steps into no stored key: the search was not at its end */
} sy_transitions;

/* Room for one more in a list that grows by halves; NULL at the end of memory. */
static void *sy_one_more(sy_store *s, void *list, size_t size, size_t count, size_t room, size_t *grown)
{
    if (count < room)
        return list;
    *grown = count + count / 2 + 256;
    return sy_grow(s, list, size * room, size * *grown);
}

static void sy_list_goals(void *self, sy_work *w, int goals, const uint32_t *picks)
{
    sy_transitions *t = self;
    int n = w->layout.n;
    (void)picks;
    for (int goal = 0; goals && goal < SY_GOALS; goal++) {
        size_t room = t->goal_room;
        int known = !w->now.cell[sy_goal_cell[goal]];
        for (uint32_t i = t->first_goal; i < t->goal_count && !known; i++)
            known = t->goals[i].goal == goal && sy_includes(t->goals[i].m, w->now.m, n);
        if (known)
            continue;
        sy_goal_part *grown = sy_one_more(&t->memory, t->goals, sizeof *grown, t->goal_count, room, &room);
        sy_bound *m = grown ? sy_kept(&t->memory, w->now.m, n) : NULL;
        t->goals = grown ? grown : t->goals;
        t->goal_room = grown ? (uint32_t)room : t->goal_room;
        if (m)
            t->goals[t->goal_count++] = (sy_goal_part){t->set, 0, goal, m};
    }
}

/* Whether a transition that is listed already does all that the present one does. */
static int sy_known_step(const sy_transitions *t, const sy_work *w, const sy_transition *other, uint32_t key, int loops)
{
    if (other->key != key || !other->loops != !loops || !sy_includes(other->m, w->now.m, other->n))
        return 0;
    const sy_effect *effect = t->effects + other->effects;
    for (int i = 0; i < other->to; i++)
        if (loops ? effect[i].shift != w->now.most[i]
                  : effect[i].shift != w->end.shift[i] || effect[i].source != w->end.source[i] ||
                        effect[i].turn != w->end.turn[i])
            return 0;
    return 1;
}

static int sy_list_step(void *self, sy_work *w, const uint32_t *picks)
{
    sy_transitions *t = self;
    sy_store *s = &t->search->store;
    uint32_t key = sy_node_of(s, w->end.key, 0);
    int n = w->layout.n, to = w->end.layout.n, loops = w->end.loops, inside = 0, turns = 0;
    size_t room = t->room, effect_room = t->effect_room;
    (void)picks;
    for (int i = 1; i < n && loops; i++)
        loops = w->layout.still[i] ? loops : 2;
    if (loops == 1)
        return 1; /* nothing moves at all */
    if (key == SY_NOBODY) {
        t->outside++;
        return 1;
    }
    for (uint32_t i = t->first; i < t->count; i++)
        if (sy_known_step(t, w, &t->list[i], key, loops))
            return 1;
    for (uint32_t at = s->nodes[key].sets; at != SY_NOBODY && !inside; at = s->sets[at].next)
        inside = sy_includes(s->sets[at].m, w->end.m, to);
    sy_transition *list = sy_one_more(&t->memory, t->list, sizeof *list, t->count, room, &room);
    t->list = list ? list : t->list;
    t->room = list ? (uint32_t)room : t->room;
    sy_effect *effects =
        sy_one_more(&t->memory, t->effects, sizeof *effects, t->effect_count + SY_DIMENSIONS, effect_room, &effect_room);
    t->effects = effects ? effects : t->effects;
    t->effect_room = effects ? effect_room : t->effect_room;
    sy_bound *m = list && effects ? sy_kept(&t->memory, w->now.m, n) : NULL;
    if (!m)
        return 0;
    for (int i = 0; i < to; i++) {
        effects[t->effect_count + (size_t)i] =
            loops ? (sy_effect){w->now.most[i], (uint8_t)i, 0}
                  : (sy_effect){w->end.shift[i], (uint8_t)w->end.source[i], (uint16_t)w->end.turn[i]};
        turns |= !loops && w->end.turn[i];
    }
    list[t->count++] = (sy_transition){t->set, key, 0, m, t->effect_count, (uint8_t)n, (uint8_t)to,
                                       (uint8_t)(loops != 0), (uint8_t)inside, (uint8_t)turns};
    t->effect_count += (size_t)to;
    return 1;
}

/* Lists every step of the stored sets; 0 if it was cut short. */
static int sy_list_steps(sy_transitions *t, sy_search *search, size_t cap, const volatile int *stop)
{
    const sy_store *s = &search->store;
    sy_work *w = &search->work[0];
    sy_visitor visitor = {sy_list_goals, sy_list_step, t};
    memset(t, 0, sizeof *t);
    sy_store_open(&t->memory, cap, (sy_manner){0, 0});
    t->search = search;
    for (uint32_t at = 0; at < s->set_count && !t->memory.out_of_memory; at++) {
        const sy_set *set = &s->sets[at];
        if (!set->m)
            continue;
        t->set = at;
        t->first = t->count;
        t->first_goal = t->goal_count;
        w->alive = s->nodes[set->key].alive;
        sy_tick(w, s->keys + (size_t)set->key * SY_KEY_BYTES, set->m, &visitor, stop);
        if (*stop || w->fault)
            return 0;
    }
    t->into = sy_grow(&t->memory, NULL, 0, sizeof *t->into * ((size_t)s->node_count + 1));
    if (t->memory.out_of_memory)
        return 0;
    memset(t->into, 0xff, sizeof *t->into * ((size_t)s->node_count + 1));
    for (uint32_t i = t->count; i-- > 0;) {
        t->list[i].next = t->into[t->list[i].key];
        t->into[t->list[i].key] = i;
    }
    return 1;
}

static void sy_transitions_close(sy_transitions *t)
{
    free(t->list);
    free(t->effects);
    free(t->goals);
    free(t->into);
    sy_store_close(&t->memory);
    memset(t, 0, sizeof *t);
}

#endif
