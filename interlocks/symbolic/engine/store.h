/* The stored sets: by key, with inclusion, merging, hulls and widening.
 *
 * A key is everything but the values of the clocks that are in the sets: the discrete cells, and for each clock whether
 * it runs, stands still in the set, or which value it has. Sets of one key have the same clocks, hence the same dimensions.
 *
 * Two sets of a key are kept as one where that loses nothing (`merge`). With `join` = K a key has at most K sets: one more
 * is joined by hull with the one that grows least, which is an over-approximation; where a hull lets the bound of a counter grow, it
 * grows to the next number the program compares it with (`sy_widen`), so that counting takes a few steps and not as many as it counts.
 *
 * Memory is asked for in blocks and counted, and the cap is a cap of all of it.
 */
#ifndef SY_STORE_H
#define SY_STORE_H

#include "state.h"

#define SY_NOBODY UINT32_MAX

typedef struct {
    uint32_t next, key; /* next set of the key */
    uint32_t from;      /* set whose step led here first, or SY_NOBODY */
    uint32_t path;      /* how, in confirmation: index into its list of paths */
    sy_bound *m;        /* NULL: dropped, a larger one has taken its place */
    uint8_t n, done;
    uint16_t partition; /* in confirmation: by the values of the counters */
} sy_set;

typedef struct {
    uint32_t sets, count; /* first set, how many */
    uint32_t led_from;    /* the set whose edges were noted last and came here */
    uint8_t stepped;
    uint64_t alive;       /* free inputs (by number, modulo 64) that requirements asked for here late */
} sy_node;

typedef struct {
    int join; /* most sets of a key; 0: no limit */
    int merge;
} sy_manner;

typedef struct {
    size_t bytes, cap;
    uint8_t *keys;
    sy_node *nodes;
    uint32_t node_count, node_room;
    uint32_t *table, mask;
    sy_set *sets;
    uint32_t set_count, set_room, alive;
    sy_bound *spare[SY_DIMENSIONS + 1]; /* matrices given back, by dimension */
    uint8_t *block;
    size_t block_left;
    void **blocks;
    uint32_t block_count;
    int out_of_memory;
    sy_manner manner;
    unsigned long long tests, joins, merges;
} sy_store;

#define SY_BLOCK ((size_t)1 << 20)

static void *sy_grow(sy_store *s, void *old, size_t before, size_t after)
{
    if (s->bytes + (after - before) > s->cap) {
        s->out_of_memory = 1;
        return NULL;
    }
    void *grown = realloc(old, after);
    if (!grown) {
        s->out_of_memory = 1;
        return NULL;
    }
    s->bytes += after - before;
    return grown;
}

/* What waits to be stepped, by its number, first in, first out. */
typedef struct {
    uint32_t *at, head, count, room;
} sy_queue;

static void sy_enqueue(sy_store *s, sy_queue *q, uint32_t number)
{
    if (q->count == q->room) {
        uint32_t room = q->room ? q->room * 2 : 64;
        uint32_t *grown = sy_grow(s, q->at, sizeof *grown * q->room, sizeof *grown * room);
        if (!grown)
            return;
        q->at = grown;
        q->room = room;
    }
    q->at[q->count++] = number;
}

static sy_bound *sy_matrix(sy_store *s, int n)
{
    sy_bound *m = s->spare[n];
    if (m) {
        memcpy(&s->spare[n], m, sizeof m);
        return m;
    }
    size_t bytes = sizeof(sy_bound) * (size_t)(n * n);
    bytes = bytes < sizeof(void *) ? sizeof(void *) : (bytes + 7) & ~(size_t)7;
    if (bytes > s->block_left) {
        size_t size = bytes > SY_BLOCK ? bytes : SY_BLOCK;
        void **list = sy_grow(s, s->blocks, sizeof(void *) * s->block_count, sizeof(void *) * (s->block_count + 1));
        if (!list)
            return NULL;
        s->blocks = list;
        s->block = sy_grow(s, NULL, 0, size);
        if (!s->block)
            return NULL;
        s->blocks[s->block_count++] = s->block;
        s->block_left = size;
    }
    m = (sy_bound *)(void *)s->block;
    s->block += bytes;
    s->block_left -= bytes;
    return m;
}

static void sy_give_back(sy_store *s, sy_bound *m, int n)
{
    memcpy(m, &s->spare[n], sizeof m);
    s->spare[n] = m;
}

static sy_bound *sy_kept(sy_store *s, const sy_bound *m, int n)
{
    sy_bound *kept = sy_matrix(s, n);
    if (kept)
        memcpy(kept, m, sizeof *m * (size_t)(n * n));
    return kept;
}

static void sy_store_open(sy_store *s, size_t cap, sy_manner manner)
{
    memset(s, 0, sizeof *s);
    s->cap = cap;
    s->manner = manner;
}

static void sy_store_close(sy_store *s)
{
    for (uint32_t i = 0; i < s->block_count; i++)
        free(s->blocks[i]);
    free(s->blocks);
    free(s->keys);
    free(s->nodes);
    free(s->table);
    free(s->sets);
    memset(s, 0, sizeof *s);
}

static inline uint64_t sy_mix(uint64_t h, const uint8_t *bytes)
{
    uint64_t word;
    memcpy(&word, bytes, 8);
    h ^= word;
    return (h << 29 | h >> 35) * 0x9E3779B97F4A7C15u;
}

/* In four lanes, since each multiplication waits for the one before. */
static uint64_t sy_hash(const void *from, size_t count)
{
    const uint8_t *bytes = from;
    uint64_t a = count, b = 1, c = 2, d = 3, word = 0;
    for (; count >= 32; bytes += 32, count -= 32) {
        a = sy_mix(a, bytes);
        b = sy_mix(b, bytes + 8);
        c = sy_mix(c, bytes + 16);
        d = sy_mix(d, bytes + 24);
    }
    for (; count >= 8; bytes += 8, count -= 8)
        a = sy_mix(a, bytes);
    memcpy(&word, bytes, count);
    a = sy_mix(a, (const uint8_t *)&word);
    a = (a ^ (b << 13 | b >> 51) ^ (c << 31 | c >> 33) ^ (d << 47 | d >> 17)) * 0x9E3779B97F4A7C15u;
    return a ^ a >> 32;
}

/* The number of a key; a new one gets one, unless `add` is 0 (then nothing is written) or there is no room: SY_NOBODY. */
static uint32_t sy_node_of(sy_store *s, const uint8_t *key, int add)
{
    if (!add && !s->table)
        return SY_NOBODY;
    if (add && (!s->table || s->node_count >= s->mask / 2)) {
        uint32_t mask = s->table ? s->mask * 2 + 1 : 0xffff;
        size_t before = s->table ? sizeof(uint32_t) * ((size_t)s->mask + 1) : 0;
        uint32_t *table = sy_grow(s, s->table, before, sizeof(uint32_t) * ((size_t)mask + 1));
        if (!table)
            return SY_NOBODY;
        s->table = table;
        s->mask = mask;
        memset(table, 0xff, sizeof(uint32_t) * ((size_t)mask + 1));
        for (uint32_t i = 0; i < s->node_count; i++) {
            uint32_t at = (uint32_t)sy_hash(s->keys + (size_t)i * SY_KEY_BYTES, SY_KEY_BYTES) & mask;
            while (table[at] != SY_NOBODY)
                at = (at + 1) & mask;
            table[at] = i;
        }
    }
    uint32_t at = (uint32_t)sy_hash(key, SY_KEY_BYTES) & s->mask;
    for (; s->table[at] != SY_NOBODY; at = (at + 1) & s->mask)
        if (!memcmp(s->keys + (size_t)s->table[at] * SY_KEY_BYTES, key, SY_KEY_BYTES))
            return s->table[at];
    if (!add)
        return SY_NOBODY;
    if (s->node_count == s->node_room) {
        uint32_t room = s->node_room ? s->node_room * 2 : 1024;
        uint8_t *keys = sy_grow(s, s->keys, (size_t)s->node_room * SY_KEY_BYTES, (size_t)room * SY_KEY_BYTES);
        if (!keys)
            return SY_NOBODY;
        s->keys = keys;
        sy_node *nodes = sy_grow(s, s->nodes, sizeof(sy_node) * s->node_room, sizeof(sy_node) * room);
        if (!nodes) {
            s->bytes -= (size_t)(room - s->node_room) * SY_KEY_BYTES;
            return SY_NOBODY;
        }
        s->nodes = nodes;
        s->node_room = room;
    }
    memcpy(s->keys + (size_t)s->node_count * SY_KEY_BYTES, key, SY_KEY_BYTES);
    s->nodes[s->node_count] = (sy_node){SY_NOBODY, 0, SY_NOBODY, 0, 0};
    return s->table[at] = s->node_count++;
}

static void sy_drop(sy_store *s, uint32_t set, uint32_t *link, uint32_t node)
{
    sy_give_back(s, s->sets[set].m, s->sets[set].n);
    s->sets[set].m = NULL;
    *link = s->sets[set].next;
    s->nodes[node].count--;
    s->alive--;
}

/* Whether a stored set of a key holds all of `m`. */
static int sy_is_stored(const sy_store *s, uint32_t node, const sy_bound *m, int n)
{
    for (uint32_t at = s->nodes[node].sets; at != SY_NOBODY; at = s->sets[at].next)
        if (sy_includes(s->sets[at].m, m, n))
            return 1;
    return 0;
}

/* Lets the bounds of counters that a hull moved go on to the next number they are compared with. How two counters differ
 * stays known where the hull leaves it as it was: so two that count the same remain equal. */
static void sy_widen(sy_bound *m, const sy_bound *old, int n, const sy_layout *layout)
{
    int moved = 0;
    for (int f = 1; f < n; f++) {
        if (!layout->counter[f])
            continue;
        const int *marks = sy_marks(layout->counter[f] - 1);
        int high = m[f * n], low = -m[f];
        if (high > old[f * n])
            for (int q = 1; q <= marks[0]; q++)
                if (marks[q] >= high) {
                    moved |= marks[q] > high;
                    high = marks[q];
                    break;
                }
        if (low < -old[f])
            for (int q = marks[0]; q >= 1; q--)
                if (marks[q] <= low) {
                    moved |= marks[q] < low;
                    low = marks[q];
                    break;
                }
        m[f * n] = (sy_bound)high;
        m[f] = (sy_bound)-low;
    }
    if (!moved)
        return;
    for (int f = 1; f < n; f++)
        for (int r = 1; r < n; r++)
            if (r != f && (layout->counter[f] || layout->counter[r])
                && (!layout->counter[f] || !layout->counter[r] || m[f * n + r] > old[f * n + r]))
                m[f * n + r] = sy_sum(m[f * n], m[r]);
    sy_make_tight(m, n);
}

/* Stores a set; its number, or SY_NOBODY where a stored one holds all of it (or memory is at its end). */
static uint32_t sy_insert(sy_store *s, const uint8_t *key, const sy_layout *layout, const sy_bound *matrix,
                          uint32_t from, uint32_t path)
{
    static sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS], hull[SY_DIMENSIONS * SY_DIMENSIONS],
        rest[SY_DIMENSIONS * SY_DIMENSIONS], piece[SY_DIMENSIONS * SY_DIMENSIONS];
    int n = layout->n;
    size_t bytes = sizeof(sy_bound) * (size_t)(n * n);
    uint32_t node = sy_node_of(s, key, 1);
    if (node == SY_NOBODY)
        return SY_NOBODY;
    memcpy(m, matrix, bytes);
    for (int again = 1; again;) {
        again = 0;
        uint32_t *link = &s->nodes[node].sets;
        for (uint32_t at = *link; at != SY_NOBODY; at = *link) {
            s->tests++;
            if (sy_includes(s->sets[at].m, m, n))
                return SY_NOBODY;
            if (sy_includes(m, s->sets[at].m, n))
                sy_drop(s, at, link, node);
            else
                link = &s->sets[at].next;
        }
        if (s->manner.merge)
            for (uint32_t at = s->nodes[node].sets; !again && at != SY_NOBODY; at = s->sets[at].next)
                if (sy_exact_union(m, s->sets[at].m, hull, rest, piece, n)) {
                    memcpy(m, hull, bytes);
                    s->merges++;
                    again = 1;
                }
        if (!again && s->manner.join && s->nodes[node].count >= (uint32_t)s->manner.join) {
            uint32_t best = SY_NOBODY;
            long long least = INT64_MAX;
            for (uint32_t at = s->nodes[node].sets; at != SY_NOBODY; at = s->sets[at].next) {
                long long growth = 0;
                for (int i = 0; i < n * n; i++) {
                    int d = s->sets[at].m[i] - m[i];
                    growth += d < 0 ? -d : d;
                }
                if (growth < least) {
                    least = growth;
                    best = at;
                }
            }
            const sy_bound *old = s->sets[best].m;
            sy_widen(m, old, n, layout);
            for (int i = 0; i < n * n; i++)
                if (old[i] > m[i])
                    m[i] = old[i];
            s->joins++;
            again = 1;
        }
    }
    if (s->set_count == s->set_room) {
        uint32_t room = s->set_room ? s->set_room * 2 : 4096;
        sy_set *sets = sy_grow(s, s->sets, sizeof(sy_set) * s->set_room, sizeof(sy_set) * room);
        if (!sets)
            return SY_NOBODY;
        s->sets = sets;
        s->set_room = room;
    }
    sy_bound *kept = sy_kept(s, m, n);
    if (!kept)
        return SY_NOBODY;
    s->sets[s->set_count] = (sy_set){s->nodes[node].sets, node, from, path, kept, (uint8_t)n, 0, 0};
    s->nodes[node].sets = s->set_count;
    s->nodes[node].count++;
    s->alive++;
    return s->set_count++;
}

#endif
