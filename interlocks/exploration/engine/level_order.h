/* The stored states of one thread in order of depth, for what works through the levels again.
 *
 * A counting sort of slot numbers: four bytes a state, only while it is needed. A level cursor falls back
 * to looking through the whole table when there is no memory for that, which is slower and gives the same.
 */
#ifndef SG_EXPLORER_LEVEL_ORDER_H
#define SG_EXPLORER_LEVEL_ORDER_H

#include "run.h"

#define SG_AHEAD 16 /* states whose entries are asked for before they are read */

static void sg_levels_drop(sg_worker *me)
{
    if (me->order)
        sg_budget_give(&me->run->budget, me->store.count * sizeof *me->order);
    free(me->order);
    free(me->starts);
    me->order = NULL;
    me->starts = NULL;
}

/* 0 when memory is out. */
static int sg_levels_sort(sg_worker *me)
{
    const sg_store *s = &me->store;
    uint32_t deepest = me->run->summary.deepest;
    uint64_t bytes = s->count * sizeof *me->order;
    if (!sg_budget_take(&me->run->budget, bytes))
        return 0;
    me->order = malloc(bytes ? bytes : 1);
    me->starts = calloc((uint64_t)deepest + 3, sizeof *me->starts);
    if (!me->order || !me->starts) {
        if (!me->order)
            sg_budget_give(&me->run->budget, bytes);
        sg_levels_drop(me);
        return 0;
    }
    uint64_t *next = me->starts + 1; /* while placing: where the next slot of a depth goes */
    for (uint64_t slot = 0; slot < sg_store_slots(s); slot++)
        if (sg_slot_full(s, slot))
            next[sg_slot_depth(s, slot) + 1]++;
    for (uint32_t d = 0; d <= deepest; d++)
        next[d + 1] += next[d];
    for (uint64_t slot = 0; slot < sg_store_slots(s); slot++)
        if (sg_slot_full(s, slot))
            me->order[next[sg_slot_depth(s, slot)]++] = (uint32_t)slot;
    return 1;
}

typedef struct {
    const sg_worker *of;
    uint32_t depth;
    uint64_t at, end;
} sg_cursor;

static sg_cursor sg_cursor_at(const sg_worker *of, uint32_t depth)
{
    if (of->order)
        return (sg_cursor){of, depth, of->starts[depth], of->starts[depth + 1]};
    return (sg_cursor){of, depth, 0, sg_store_slots(&of->store)};
}

/* The next slot of the level, or SG_NOWHERE. */
static uint64_t sg_cursor_next(sg_cursor *c)
{
    const sg_store *s = &c->of->store;
    if (c->of->order) {
        if (c->at + SG_AHEAD < c->end) {
            __builtin_prefetch(sg_tag(s, c->of->order[c->at + SG_AHEAD]));
            __builtin_prefetch(sg_body(s, c->of->order[c->at + SG_AHEAD]));
        }
        return c->at < c->end ? c->of->order[c->at++] : SG_NOWHERE;
    }
    while (c->at < c->end) {
        uint64_t slot = c->at++;
        if (sg_slot_full(s, slot) && sg_slot_depth(s, slot) == c->depth)
            return slot;
    }
    return SG_NOWHERE;
}

#endif
