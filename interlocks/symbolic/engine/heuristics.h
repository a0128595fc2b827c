/* What an exact search is guided by: how far an event is, and what is new.
 *
 * Distance: the search over sets keeps which key leads to which and where events were reported; backwards over
 * these edges every key has a number of changes of the key to the nearest event, or none: then no way leads on.
 * Keys are compared without their clocks, since an exact set may know more of them.
 *
 * Novelty: distance says nothing of counting: a frame of 24 bunches takes 24 rounds through the same keys. So sets are
 * also gone through by what they show for the first time (width of planning problems: Lipovetzky, Geffner 2012,
 * 2017; from memory): among sets with the same values of the counters, one that has a value of a cell, or a pair of
 * values of two cells, that none had before it.
 *
 * So sets are also gone through by how far a change of a counter is, by turns for all values of the counters.
 *
 * Trails: what once led to new values of the counters most likely does so again. The keys of that way are marked,
 * and where the counters have new values again, sets of marked keys go first.
 */
#ifndef SY_HEURISTICS_H
#define SY_HEURISTICS_H

#include "exploration.h"

enum { SY_FURTHEST = 255 }; /* distances from this one on are taken for the same */
enum { SY_FACTS = 16, SY_PARTITIONS = 4096 }; /* values of a cell that are told apart; values of all counters */
enum { SY_TRAIL_SETS = 3 };                    /* sets of a marked key that go first, for each of those */
enum { SY_ON_TRAIL, SY_NEW_VALUE, SY_NEW_PAIR, SY_NOTHING_NEW };
#define SY_PARTITION_BYTES ((size_t)SY_KEY_CELLS * SY_FACTS * SY_KEY_CELLS * SY_FACTS / 8)

/* The edges of the map by where they lead. */
typedef struct {
    uint32_t *first, *into, *far, *queue;
} sy_ways;

typedef struct {
    sy_ways ways;
    uint8_t *projected; /* keys of the map without clocks, how far the event is, and how far a change of a counter */
    uint32_t *distance, *counting, *table, mask, known;
    uint8_t *trail;                /* of the keys of the map: marked */
    uint8_t *facts[SY_PARTITIONS]; /* pairs of values seen, as bits */
    uint8_t *steps[SY_PARTITIONS]; /* of the keys of the map: sets that went first */
    int32_t counters[SY_PARTITIONS][SY_KEY_CLOCKS + 1];
    uint32_t partitions;
} sy_guide;

static uint32_t sy_projection(const sy_guide *g, const uint8_t *key, uint32_t *place)
{
    uint8_t plain[SY_KEY_BYTES];
    memcpy(plain, key, SY_KEY_BYTES);
    for (int i = 0; i < SY_KEY_CLOCKS; i++)
        sy_key_put(plain, sy_key_clock[i], 0);
    uint32_t at = (uint32_t)sy_hash(plain, SY_KEY_BYTES) & g->mask;
    for (; g->table[at] != SY_NOBODY; at = (at + 1) & g->mask)
        if (!memcmp(g->projected + (size_t)g->table[at] * SY_KEY_BYTES, plain, SY_KEY_BYTES))
            return g->table[at];
    if (place) {
        *place = at;
        memcpy(g->projected + (size_t)g->known * SY_KEY_BYTES, plain, SY_KEY_BYTES);
    }
    return SY_NOBODY;
}

/* How far every key is from the wanted events, in changes of the key, against the edges of the map. */
static void sy_measure_keys(sy_guide *g, const sy_search *map, const uint8_t *wanted, uint32_t *distance)
{
    sy_ways *ways = &g->ways;
    uint32_t nodes = map->store.node_count, head = 0, tail = 0;
    memset(ways->far, 0xff, sizeof *ways->far * ((size_t)nodes + 1));
    memset(distance, 0xff, sizeof *distance * ((size_t)nodes + 1));
    for (uint32_t i = 0; i < map->alarm_count; i++)
        if (wanted[map->alarms[i].event] && ways->far[map->alarms[i].node] == SY_NOBODY) {
            ways->far[map->alarms[i].node] = 0;
            ways->queue[tail++] = map->alarms[i].node;
        }
    while (head < tail) {
        uint32_t to = ways->queue[head++];
        for (uint32_t i = ways->first[to + 1]; i < ways->first[to + 2]; i++)
            if (ways->far[ways->into[i]] == SY_NOBODY) {
                ways->far[ways->into[i]] = ways->far[to] + 1;
                ways->queue[tail++] = ways->into[i];
            }
    }
    for (uint32_t i = 0; i < nodes; i++) {
        uint32_t at = sy_projection(g, map->store.keys + (size_t)i * SY_KEY_BYTES, NULL);
        if (ways->far[i] < distance[at])
            distance[at] = ways->far[i];
    }
}

static void sy_project_keys(sy_guide *g, const sy_search *map)
{
    memset(g->table, 0xff, sizeof *g->table * ((size_t)g->mask + 1));
    for (uint32_t i = 0; i < map->store.node_count; i++) {
        uint32_t place;
        if (sy_projection(g, map->store.keys + (size_t)i * SY_KEY_BYTES, &place) == SY_NOBODY)
            g->table[place] = g->known++;
    }
}

/* Makes the map ready to be measured; 0 if there is not enough memory. */
static int sy_guide_open(sy_guide *g, const sy_search *map)
{
    size_t nodes = map->store.node_count, edges = map->edge_count;
    uint8_t counted[SY_ALL_EVENTS] = {0};
    sy_ways *ways = &g->ways;
    *ways = (sy_ways){calloc(nodes + 2, sizeof *ways->first), malloc(sizeof *ways->into * (edges + 1)),
                      malloc(sizeof *ways->far * (nodes + 1)), malloc(sizeof *ways->queue * (nodes + 1))};
    counted[SY_COUNTED] = 1;
    g->mask = 1023;
    while (g->mask < 2 * nodes)
        g->mask = g->mask * 2 + 1;
    g->table = malloc(sizeof *g->table * ((size_t)g->mask + 1));
    g->projected = malloc((nodes + 1) * SY_KEY_BYTES);
    g->distance = malloc(sizeof *g->distance * (nodes + 1));
    g->counting = malloc(sizeof *g->counting * (nodes + 1));
    g->trail = calloc(nodes + 1, 1);
    if (!ways->first || !ways->into || !ways->far || !ways->queue || !g->table || !g->projected || !g->distance ||
        !g->counting || !g->trail)
        return 0;
    for (uint32_t i = 0; i < edges; i++)
        ways->first[map->edges[i].to + 1]++;
    for (uint32_t i = 0; i < nodes; i++)
        ways->first[i + 1] += ways->first[i];
    for (uint32_t i = (uint32_t)edges; i-- > 0;)
        ways->into[--ways->first[map->edges[i].to + 1]] = map->edges[i].from;
    ways->first[nodes + 1] = (uint32_t)edges;
    /* first[to + 1] is now where the edges into `to` begin, first[to + 2] where they end. */
    sy_project_keys(g, map);
    sy_measure_keys(g, map, counted, g->counting);
    return 1;
}

/* The partition of a set, by the values of its counters; SY_PARTITIONS where there is no room for one more. */
static uint16_t sy_partition_of(sy_guide *g, sy_store *s, const uint8_t *key, const sy_layout *layout, const sy_bound *m)
{
    int32_t values[SY_KEY_CLOCKS + 1] = {0};
    int k = 0;
    for (int d = 1; d < layout->n; d++)
        if (layout->counter[d])
            values[k++] = -m[d];
    for (int i = 0; i < SY_KEY_CLOCKS; i++) {
        int32_t value = sy_key_get(key, sy_key_clock[i]);
        if (sy_is_counter[sy_key_cell[sy_key_clock[i]].index] && value != SY_COUNTS)
            values[k++] = value;
    }
    for (uint32_t i = g->partitions; i-- > 0;)
        if (!memcmp(g->counters[i], values, sizeof values))
            return (uint16_t)i;
    size_t bytes = SY_PARTITION_BYTES + g->known;
    if (g->partitions == SY_PARTITIONS || s->bytes + bytes > s->cap / 2)
        return SY_PARTITIONS;
    uint8_t *facts = calloc(SY_PARTITION_BYTES, 1), *steps = calloc((size_t)g->known + 1, 1);
    if (!facts || !steps) {
        free(facts);
        free(steps);
        return SY_PARTITIONS;
    }
    s->bytes += bytes;
    memcpy(g->counters[g->partitions], values, sizeof values);
    g->facts[g->partitions] = facts;
    g->steps[g->partitions] = steps;
    return (uint16_t)g->partitions++;
}

/* What a set shows for the first time in its partition. */
static int sy_novelty(sy_guide *g, const uint8_t *key, uint32_t projection, uint16_t partition)
{
    if (partition == SY_PARTITIONS)
        return SY_NOTHING_NEW;
    uint8_t *facts = g->facts[partition], *steps = g->steps[partition];
    uint32_t fact[SY_KEY_CELLS + 1];
    int novelty = SY_NOTHING_NEW;
    for (int i = 0; i < SY_KEY_CELLS; i++) {
        int32_t value = sy_key_get(key, i);
        if (sy_key_cell[i].clock)
            value = value < 0 ? -value : value ? 4 : 0;
        fact[i] = (uint32_t)(i * SY_FACTS) + ((uint32_t)value & (SY_FACTS - 1));
        for (int j = 0; j <= i; j++) {
            size_t bit = (size_t)fact[i] * SY_KEY_CELLS * SY_FACTS + fact[j];
            if (facts[bit / 8] >> bit % 8 & 1)
                continue;
            facts[bit / 8] |= (uint8_t)(1 << bit % 8);
            novelty = i == j ? SY_NEW_VALUE : novelty == SY_NEW_VALUE ? SY_NEW_VALUE : SY_NEW_PAIR;
        }
    }
    if (g->trail[projection] && steps[projection] < SY_TRAIL_SETS) {
        steps[projection]++;
        return SY_ON_TRAIL;
    }
    return novelty;
}

static void sy_guide_close(sy_guide *g)
{
    for (uint32_t i = 0; i < g->partitions; i++)
        free(g->facts[i]), free(g->steps[i]);
    free(g->ways.first);
    free(g->ways.into);
    free(g->ways.far);
    free(g->ways.queue);
    free(g->projected);
    free(g->trail);
    free(g->distance);
    free(g->counting);
    free(g->table);
}

#endif
