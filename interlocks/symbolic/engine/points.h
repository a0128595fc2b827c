/* Points of the stored sets, and whether a situation lies in one of them.
 *
 * The search has stepped whole sets. What it stored is compared with single steps that were made otherwise, in the
 * deployed controller: from a point at the bounds of a stored set, which is where a bound that is off by one shows, no step
 * may lead out of what is stored.
 *
 * A travel that turned round is stored as the widest one its table gives, which may do whatever a narrower one may. So
 * the situation of a narrower one counts as held by its set.
 */
#ifndef SY_POINTS_H
#define SY_POINTS_H

#include "exploration.h"

/* The keys, by all that is in them but clocks and counters. */
typedef struct {
    uint32_t *first, *next, mask;
} sy_points;

static void sy_points_close(sy_points *p)
{
    free(p->first);
    free(p->next);
    memset(p, 0, sizeof *p);
}

static uint64_t sy_plain_hash(const int *values)
{
    uint64_t hash = 0;
    for (int i = 0; i < SY_KEY_CELLS; i++)
        if (!sy_key_cell[i].clock)
            hash = (hash ^ (uint32_t)values[i]) * 0x9E3779B97F4A7C15u, hash ^= hash >> 29;
    return hash;
}

static int sy_points_open(sy_points *p, const sy_store *s)
{
    int values[SY_KEY_CELLS];
    for (p->mask = 1; p->mask < s->node_count; p->mask = p->mask * 2 + 1)
        ;
    p->first = malloc(sizeof *p->first * ((size_t)p->mask + 1));
    p->next = malloc(sizeof *p->next * ((size_t)s->node_count + 1));
    if (!p->first || !p->next) {
        sy_points_close(p);
        return 0;
    }
    memset(p->first, 0xff, sizeof *p->first * ((size_t)p->mask + 1));
    for (uint32_t node = s->node_count; node-- > 0;) {
        for (int i = 0; i < SY_KEY_CELLS; i++)
            values[i] = sy_key_get(s->keys + (size_t)node * SY_KEY_BYTES, i);
        uint32_t at = (uint32_t)sy_plain_hash(values) & p->mask;
        p->next[node] = p->first[at];
        p->first[at] = node;
    }
    return 1;
}

static uint32_t sy_drawn(uint64_t *seed, uint32_t n)
{
    *seed = *seed * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)((*seed >> 33) % n);
}

/* One point of a set of a key, nearly always at the ends of what is possible for each clock in turn. */
static void sy_point_of(const sy_store *s, uint32_t node, uint64_t seed, int *values)
{
    const sy_set *set = &s->sets[s->nodes[node].sets];
    for (uint32_t skip = sy_drawn(&seed, s->nodes[node].count); skip-- > 0;)
        set = &s->sets[set->next];
    sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS];
    const uint8_t *key = s->keys + (size_t)node * SY_KEY_BYTES;
    int n = set->n, x[SY_DIMENSIONS] = {0}, d = 1;
    int first = n > 1 ? (int)sy_drawn(&seed, (uint32_t)(n - 1)) : 0;
    memcpy(m, set->m, sizeof *m * (size_t)(n * n));
    for (int i = 0; i < n - 1; i++) {
        int f = 1 + (first + i) % (n - 1), low = -m[f], high = m[f * n] < SY_UNBOUNDED ? m[f * n] : low;
        uint32_t end = sy_drawn(&seed, 7);
        x[f] = end < 3 ? low : end < 6 || high == low ? high : low + (int)sy_drawn(&seed, (uint32_t)(high - low));
        sy_tighten(m, n, f, 0, x[f]);
        sy_tighten(m, n, 0, f, -x[f]);
    }
    for (int i = 0; i < SY_KEY_CELLS; i++) {
        values[i] = sy_key_get(key, i);
        if (sy_key_cell[i].clock && values[i] < 0 && values[i] >= SY_COUNTS)
            values[i] = sy_direction[sy_key_cell[i].index] * x[d++];
    }
}

/* Whether a set of a key holds a situation, or one with wider travels. */
static int sy_set_holds(const uint8_t *key, const sy_set *set, const int *values)
{
    sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS];
    int n = set->n, d = 1;
    memcpy(m, set->m, sizeof *m * (size_t)(n * n));
    for (int i = 0; i < SY_KEY_CELLS; i++) {
        int32_t here = sy_key_get(key, i);
        if (!sy_key_cell[i].clock || here >= 0 || here < SY_COUNTS)
            continue;
        int clock = sy_key_cell[i].index, x = sy_direction[clock] * values[i];
        int less = sy_stops[clock] && sy_widest_is_least[clock], more = sy_stops[clock] && !sy_widest_is_least[clock];
        int down = sy_direction[clock] < 0;
        if (!(down ? less : more) && !sy_tighten(m, n, d, 0, x))
            return 0;
        if (!(down ? more : less) && !sy_tighten(m, n, 0, d, -x))
            return 0;
        d++;
    }
    return 1;
}

static int sy_points_hold(const sy_points *p, const sy_store *s, const int *values)
{
    for (uint32_t node = p->first[(uint32_t)sy_plain_hash(values) & p->mask]; node != SY_NOBODY; node = p->next[node]) {
        const uint8_t *key = s->keys + (size_t)node * SY_KEY_BYTES;
        int fits = 1;
        for (int i = 0; i < SY_KEY_CELLS && fits; i++) {
            int32_t here = sy_key_get(key, i);
            int clock = sy_key_cell[i].clock ? sy_key_cell[i].index : -1;
            if (here == values[i] || (clock >= 0 && here < 0 && here >= SY_COUNTS))
                continue;
            fits = clock >= 0 && sy_stops[clock] && (sy_widest_is_least[clock] ? here < values[i] : here > values[i]);
        }
        for (uint32_t at = fits ? s->nodes[node].sets : SY_NOBODY; at != SY_NOBODY; at = s->sets[at].next)
            if (sy_set_holds(key, &s->sets[at], values))
                return 1;
    }
    return 0;
}

#endif
