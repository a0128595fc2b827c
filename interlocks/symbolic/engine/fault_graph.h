/* What each fault leads to, over the keys of an exhausted search.
 *
 * A cell of the key holds the number of the fault that has begun, and one its phase: 0 before it has begun, else even where
 * the machine worked in the last tick and odd where it did not. A clock, if there is one, counts the ticks since the fault
 * began. Then, for each fault:
 *
 *   restless  keys that lead to one another (a strongly connected component: Tarjan 1972, without recursion) hold both
 *             phases: a run may stop and work again for ever. Every run that does stays in such keys at last.
 *   longest   the most that the clock comes to where the machine worked; SY_NEVER_ENDS if it comes to its limit there
 *
 * Keys and sets may be more than what is reached, so both are true of all that is: what is not restless here does
 * not stop and work again for ever, and nothing works for longer.
 */
#ifndef SY_FAULT_GRAPH_H
#define SY_FAULT_GRAPH_H

#include "exploration.h"

#define SY_NEVER_ENDS INT32_MAX

/* Where in the key these stand; since: -1 where there is no clock. */
typedef struct {
    int fault, phase, since;
} sy_fault_cells;

typedef struct {
    uint32_t *first, *into; /* where each key leads to */
    uint32_t *index, *low, *next, *path, *stack;
    uint8_t *closed;
} sy_components;

static int sy_components_open(sy_components *x, const sy_search *s)
{
    size_t nodes = s->store.node_count;
    x->first = calloc(nodes + 2, sizeof *x->first);
    x->into = malloc(sizeof *x->into * ((size_t)s->edge_count + 1));
    x->index = calloc(nodes + 1, sizeof *x->index);
    x->low = calloc(nodes + 1, sizeof *x->low);
    x->next = calloc(nodes + 1, sizeof *x->next);
    x->path = malloc(sizeof *x->path * (nodes + 1));
    x->stack = malloc(sizeof *x->stack * (nodes + 1));
    x->closed = calloc(nodes + 1, 1);
    if (!x->first || !x->into || !x->index || !x->low || !x->next || !x->path || !x->stack || !x->closed)
        return 0;
    for (uint32_t i = 0; i < s->edge_count; i++)
        x->first[s->edges[i].from + 2]++;
    for (size_t i = 2; i < nodes + 2; i++)
        x->first[i] += x->first[i - 1];
    for (uint32_t i = 0; i < s->edge_count; i++)
        x->into[x->first[s->edges[i].from + 1]++] = s->edges[i].to;
    return 1;
}

static void sy_components_close(sy_components *x)
{
    free(x->first), free(x->into), free(x->index), free(x->low), free(x->next), free(x->path), free(x->stack);
    free(x->closed);
}

/* A component is complete: the keys of the stack from `from` on. */
static void sy_close_component(const sy_search *s, sy_components *x, const sy_fault_cells *at, uint32_t from, uint32_t top,
                               uint8_t *restless)
{
    int phases = 0, fault = 0;
    for (uint32_t i = from; i < top; i++) {
        const uint8_t *key = s->store.keys + (size_t)x->stack[i] * SY_KEY_BYTES;
        int phase = sy_key_get(key, at->phase);
        fault = sy_key_get(key, at->fault);
        phases |= phase ? 1 << phase % 2 : 0;
        x->closed[x->stack[i]] = 1;
    }
    if (phases == 3)
        restless[fault] = 1;
}

static void sy_find_components(const sy_search *s, sy_components *x, const sy_fault_cells *at, uint8_t *restless)
{
    uint32_t met = 0, top = 0;
    for (uint32_t root = 0; root < s->store.node_count; root++) {
        uint32_t depth = 0;
        if (x->index[root])
            continue;
        x->path[depth++] = root;
        while (depth) {
            uint32_t node = x->path[depth - 1], to = SY_NOBODY;
            if (!x->index[node]) {
                x->index[node] = x->low[node] = ++met;
                x->next[node] = x->first[node];
                x->stack[top++] = node;
            }
            for (; x->next[node] < x->first[node + 1] && to == SY_NOBODY; x->next[node] += to == SY_NOBODY) {
                uint32_t other = x->into[x->next[node]];
                if (!x->index[other])
                    to = other;
                else if (!x->closed[other] && x->low[other] < x->low[node])
                    x->low[node] = x->low[other];
            }
            if (to != SY_NOBODY) {
                x->path[depth++] = to;
                continue;
            }
            depth--;
            if (x->low[node] == x->index[node]) {
                uint32_t from = top;
                while (x->stack[--from] != node)
                    ;
                sy_close_component(s, x, at, from, top, restless);
                top = from;
            }
            if (depth && x->low[node] < x->low[x->path[depth - 1]])
                x->low[x->path[depth - 1]] = x->low[node];
        }
    }
}

/* The dimension of a clock of the key, 0 where its value stands in the key itself. */
static int sy_dimension_of(const uint8_t *key, int part)
{
    sy_layout layout;
    sy_layout_of(key, &layout);
    for (int d = 1; d < layout.n; d++)
        if (layout.clock[d] == sy_key_cell[part].index)
            return d;
    return 0;
}

static void sy_find_longest(const sy_search *s, const sy_fault_cells *at, int limit, int32_t *longest)
{
    for (uint32_t i = 0; i < s->store.set_count; i++) {
        const sy_set *set = &s->store.sets[i];
        const uint8_t *key = s->store.keys + (size_t)set->key * SY_KEY_BYTES;
        int phase = set->m ? sy_key_get(key, at->phase) : 0;
        if (!phase || phase % 2)
            continue;
        int d = sy_dimension_of(key, at->since), fault = sy_key_get(key, at->fault);
        int most = d ? set->m[d * set->n] : sy_key_get(key, at->since);
        if (most > longest[fault])
            longest[fault] = most < limit ? most : SY_NEVER_ENDS;
    }
}

/* restless and longest: of each fault, by its number, 0 at first; 0 if there is not enough memory. */
static int sy_judge_faults(const sy_search *s, const sy_fault_cells *at, int limit, uint8_t *restless, int32_t *longest)
{
    sy_components x = {0};
    int fine = sy_components_open(&x, s);
    if (fine)
        sy_find_components(s, &x, at, restless);
    sy_components_close(&x);
    if (at->since >= 0)
        sy_find_longest(s, at, limit, longest);
    return fine;
}

#endif
