/* Shows that something reported over sets really happens: an exact search, guided by the map of keys, and one run of it.
 *
 * The search over sets may hold more than what is reached (hulls, kept travels). This one holds nothing that is not: no set is
 * joined, no travel kept, and each set remembers the one path that led to it. It goes first where the map says that the event is nearest, and
 * nowhere from where the map knows no way. If it comes to its end without the event, there is none.
 *
 * A run is read off backwards: of each set on the way what can still go on to the event, then forwards one point, tick by tick.
 */
#ifndef SY_CONFIRMATION_H
#define SY_CONFIRMATION_H

#include "exploration.h"

typedef struct {
    sy_bound *m;             /* of the source set, what takes this path */
    uint8_t n, source_n, loops;
    uint8_t *source;
    int32_t *shift;
    uint32_t picks, pick_count;
} sy_path;

typedef struct sy_confirmation sy_confirmation;

/* Situations to be found in place of an event: whether some of a set are among them, and which. */
typedef struct {
    int (*meets)(void *self, sy_confirmation *c, const sy_layout *layout, const sy_bound *m, sy_bound *common);
    void *self;
} sy_wanted;

struct sy_confirmation {
    sy_store store;
    const sy_wanted *wanted; /* or NULL */
    uint32_t event;
    uint8_t *projected;      /* keys of the map without clocks, and how far the event is */
    uint32_t *distance, *table, mask, known;
    sy_path *paths;
    uint32_t path_count, path_room;
    uint32_t *picks, pick_count, pick_room;
    uint32_t **bucket, *bucket_count, *bucket_room, *bucket_head, buckets;
    uint32_t current, found; /* set from which the event happens */
    sy_path last;
    unsigned long long expanded;
};

enum { SY_CONFIRMED = 1, SY_NONE_SUCH = 2, SY_CUT_SHORT = 3 };

static void sy_project(const uint8_t *key, uint8_t *out)
{
    memcpy(out, key, SY_KEY_BYTES);
    for (int i = 0; i < SY_KEY_CELLS; i++)
        if (sy_key_cell[i].clock)
            sy_key_put(out, i, 0);
}

static uint32_t sy_projection(sy_confirmation *c, const uint8_t *key, int add)
{
    uint8_t plain[SY_KEY_BYTES];
    sy_project(key, plain);
    uint32_t at = (uint32_t)sy_hash(plain, SY_KEY_BYTES) & c->mask;
    for (; c->table[at] != SY_NOBODY; at = (at + 1) & c->mask)
        if (!memcmp(c->projected + (size_t)c->table[at] * SY_KEY_BYTES, plain, SY_KEY_BYTES))
            return c->table[at];
    if (!add)
        return SY_NOBODY;
    memcpy(c->projected + (size_t)c->known * SY_KEY_BYTES, plain, SY_KEY_BYTES);
    c->distance[c->known] = SY_NOBODY;
    return c->table[at] = c->known++;
}

/* How far each key is from the event, in changes of the key, against the edges of the map. */
static int sy_measure(sy_confirmation *c, const sy_search *map)
{
    uint32_t nodes = map->store.node_count;
    uint32_t *first = calloc((size_t)nodes + 1, sizeof *first), *far = malloc(sizeof *far * ((size_t)nodes + 1));
    uint32_t *into = malloc(sizeof *into * ((size_t)map->edge_count + 1));
    uint32_t *queue = malloc(sizeof *queue * ((size_t)nodes + 1));
    c->mask = 1023;
    while (c->mask < 2 * nodes)
        c->mask = c->mask * 2 + 1;
    c->table = malloc(sizeof *c->table * ((size_t)c->mask + 1));
    c->projected = malloc((size_t)nodes * SY_KEY_BYTES + 1);
    c->distance = malloc(sizeof *c->distance * ((size_t)nodes + 1));
    int fine = first && far && into && queue && c->table && c->projected && c->distance;
    if (fine) {
        memset(c->table, 0xff, sizeof *c->table * ((size_t)c->mask + 1));
        memset(far, 0xff, sizeof *far * ((size_t)nodes + 1));
        for (uint32_t i = 0; i < map->edge_count; i++)
            first[map->edges[i].to + 1]++;
        for (uint32_t i = 0; i < nodes; i++)
            first[i + 1] += first[i];
        for (uint32_t i = map->edge_count; i-- > 0;)
            into[--first[map->edges[i].to + 1]] = map->edges[i].from;
        /* first[to + 1] is now where the edges into `to` begin, first[to + 2] where they end. */
        uint32_t head = 0, tail = 0;
        for (uint32_t i = 0; i < map->alarm_count; i++)
            if (map->alarms[i].event == c->event && far[map->alarms[i].node] == SY_NOBODY) {
                far[map->alarms[i].node] = 0;
                queue[tail++] = map->alarms[i].node;
            }
        while (head < tail) {
            uint32_t to = queue[head++];
            uint32_t end = to + 2 <= nodes ? first[to + 2] : map->edge_count;
            for (uint32_t i = first[to + 1]; i < end; i++)
                if (far[into[i]] == SY_NOBODY) {
                    far[into[i]] = far[to] + 1;
                    queue[tail++] = into[i];
                }
        }
        for (uint32_t i = 0; i < nodes; i++) {
            if (far[i] == SY_NOBODY)
                continue;
            uint32_t at = sy_projection(c, map->store.keys + (size_t)i * SY_KEY_BYTES, 1);
            if (far[i] < c->distance[at])
                c->distance[at] = far[i];
            if (far[i] + 1 > c->buckets)
                c->buckets = far[i] + 1;
        }
    }
    free(first);
    free(far);
    free(into);
    free(queue);
    return fine;
}

static int sy_line_up(sy_confirmation *c, uint32_t set, uint32_t distance)
{
    uint32_t *room = &c->bucket_room[distance];
    if (c->bucket_count[distance] == *room) {
        uint32_t wanted = *room ? *room * 2 : 64;
        uint32_t *grown = sy_grow(&c->store, c->bucket[distance], sizeof *grown * *room, sizeof *grown * wanted);
        if (!grown)
            return 0;
        c->bucket[distance] = grown;
        *room = wanted;
    }
    c->bucket[distance][c->bucket_count[distance]++] = set;
    return 1;
}

static void *sy_copied(sy_store *s, const void *from, size_t bytes)
{
    void *to = sy_grow(s, NULL, 0, bytes ? bytes : 1);
    if (to)
        memcpy(to, from, bytes);
    return to;
}

/* Picks of the present path: those of its first stage, then those of its second. */
static int sy_store_picks(sy_confirmation *c, const sy_middle *middle, sy_path *path)
{
    uint32_t more = middle ? middle->pick_count : 0;
    if (c->pick_count + more + sy_ask.at > c->pick_room) {
        uint32_t room = 2 * (c->pick_count + more + sy_ask.at) + 256;
        uint32_t *grown = sy_grow(&c->store, c->picks, sizeof *grown * c->pick_room, sizeof *grown * room);
        if (!grown)
            return 0;
        c->picks = grown;
        c->pick_room = room;
    }
    path->picks = c->pick_count;
    if (middle)
        memcpy(c->picks + c->pick_count, sy_picks + middle->picks, sizeof *sy_picks * more);
    c->pick_count += more;
    for (uint32_t i = 0; i < sy_ask.at; i++)
        if (!sy_ask.of_clock[i])
            c->picks[c->pick_count++] = sy_ask.pick[i];
    path->pick_count = c->pick_count - path->picks;
    return 1;
}

static int sy_store_path(sy_confirmation *c, const sy_middle *middle, int loops, int starting)
{
    if (c->path_count == c->path_room) {
        uint32_t room = c->path_room ? c->path_room * 2 : 1024;
        sy_path *grown = sy_grow(&c->store, c->paths, sizeof *grown * c->path_room, sizeof *grown * room);
        if (!grown)
            return 0;
        c->paths = grown;
        c->path_room = room;
    }
    sy_path *path = &c->paths[c->path_count];
    int n = sy_now.layout.n, to = sy_end.layout.n;
    uint8_t source[SY_DIMENSIONS];
    int32_t shift[SY_DIMENSIONS];
    for (int i = 0; i < to; i++) {
        source[i] = (uint8_t)sy_end.source[i];
        shift[i] = sy_end.shift[i];
    }
    path->n = (uint8_t)to;
    path->source_n = (uint8_t)n;
    path->loops = (uint8_t)loops;
    path->m = starting ? NULL : sy_copied(&c->store, sy_now.m, sizeof(sy_bound) * (size_t)(n * n));
    path->source = sy_copied(&c->store, source, (size_t)to);
    path->shift = sy_copied(&c->store, shift, sizeof *shift * (size_t)to);
    if ((!path->m && !starting) || !path->source || !path->shift || !sy_store_picks(c, middle, path))
        return 0;
    c->path_count++;
    return 1;
}

static void sy_judge_confirmation(void *self)
{
    sy_confirmation *c = self;
    int happened = 0;
    for (uint32_t i = 0; i < sy_broken_count; i++)
        happened |= sy_broken[i] == c->event;
    if (c->event >= SY_BREAKS && !c->wanted)
        happened = sy_now.cell[sy_goal_cell[c->event - SY_BREAKS]] != 0;
    if (!happened || c->found != SY_NOBODY)
        return;
    sy_end.layout.n = 1;
    sy_end.source[0] = sy_end.shift[0] = 0;
    if (sy_store_path(c, NULL, 0, 0)) {
        c->last = c->paths[c->path_count - 1];
        c->found = c->current;
    }
}

static void sy_drop_path(sy_confirmation *c)
{
    sy_path *path = &c->paths[--c->path_count];
    size_t n = path->source_n, to = path->n;
    free(path->m);
    free(path->source);
    free(path->shift);
    c->store.bytes -= (path->m ? sizeof(sy_bound) * n * n : 0) + to + sizeof *path->shift * to;
    c->pick_count = path->picks;
}

/* Ends the search where some of a set that was just kept are wanted. */
static void sy_look_for_wanted(sy_confirmation *c, uint32_t set, const sy_layout *layout, const sy_bound *m)
{
    static sy_bound common[SY_DIMENSIONS * SY_DIMENSIONS];
    if (c->found != SY_NOBODY || !c->wanted->meets(c->wanted->self, c, layout, m, common))
        return;
    sy_bound *kept = sy_kept(&c->store, common, layout->n);
    if (kept) {
        c->last = (sy_path){kept, (uint8_t)layout->n, (uint8_t)layout->n, 0, NULL, NULL, 0, 0};
        c->found = set;
    }
}

/* Keeps the set at the end of the present path, unless it is known or the map knows no way on from it. */
static void sy_keep_confirmed(sy_confirmation *c, const sy_middle *middle, const sy_layout *layout, const sy_bound *m,
                              uint32_t from, int loops)
{
    uint32_t at = sy_projection(c, sy_end.key, 0);
    if (at == SY_NOBODY || c->distance[at] == SY_NOBODY || !sy_store_path(c, middle, loops, from == SY_NOBODY))
        return;
    uint32_t set = sy_insert(&c->store, sy_end.key, layout, m, from, c->path_count - 1);
    if (set == SY_NOBODY)
        sy_drop_path(c);
    else if (sy_line_up(c, set, c->distance[at]) && c->wanted && !c->distance[at])
        sy_look_for_wanted(c, set, layout, m);
}

static int sy_end_confirmation(void *self, const sy_middle *middle)
{
    static sy_bound wide[SY_DIMENSIONS * SY_DIMENSIONS];
    sy_confirmation *c = self;
    if (c->found != SY_NOBODY)
        return 0;
    const sy_set *set = &c->store.sets[c->current];
    if (sy_end.loops && sy_end.layout.n > 1) {
        sy_accelerate(wide);
        if (sy_includes(set->m, wide, sy_now.layout.n))
            return 1;
        sy_keep_confirmed(c, middle, &sy_now.layout, wide, c->current, 1);
    } else {
        sy_keep_confirmed(c, middle, &sy_end.layout, sy_end.m, c->current, 0);
    }
    return c->store.sets[c->current].m != NULL;
}

static void sy_start_confirmation(void *self)
{
    sy_confirmation *c = self;
    sy_keep_confirmed(c, NULL, &sy_end.layout, sy_end.m, SY_NOBODY, 0);
}

static int sy_confirm(sy_confirmation *c, const sy_search *map, uint32_t event, const sy_wanted *wanted, size_t cap,
                      uint64_t most, const volatile int *stop)
{
    sy_visitor visitor = {sy_judge_confirmation, sy_end_confirmation, c};
    sy_bound *copy = malloc(sizeof(sy_bound) * SY_DIMENSIONS * SY_DIMENSIONS);
    uint8_t key[SY_KEY_BYTES];
    int travels = sy_travels_kept;
    enum sy_turning turning = sy_turning;
    memset(c, 0, sizeof *c);
    sy_store_open(&c->store, cap, (sy_manner){0, 0, 0, 1});
    c->event = event;
    c->wanted = wanted;
    c->found = SY_NOBODY;
    if (!copy || !sy_measure(c, map)) {
        free(copy);
        return SY_CUT_SHORT;
    }
    c->bucket = calloc(c->buckets + 1, sizeof *c->bucket);
    c->bucket_count = calloc(c->buckets + 1, sizeof *c->bucket_count);
    c->bucket_room = calloc(c->buckets + 1, sizeof *c->bucket_room);
    c->bucket_head = calloc(c->buckets + 1, sizeof *c->bucket_head);
    if (!c->bucket || !c->bucket_count || !c->bucket_room || !c->bucket_head) {
        free(copy);
        return SY_CUT_SHORT;
    }
    sy_travels_kept = 0;
    sy_turning = SY_TURN_EACH;
    sy_each_start(sy_start_confirmation, c);
    uint32_t at = 0;
    while (at < c->buckets && c->found == SY_NOBODY && !sy_fault_code && !c->store.out_of_memory && !*stop) {
        if (c->bucket_head[at] == c->bucket_count[at]) {
            at++;
            continue;
        }
        c->current = c->bucket[at][c->bucket_head[at]++];
        sy_set *set = &c->store.sets[c->current];
        if (!set->m)
            continue;
        if (c->expanded++ >= most)
            break;
        memcpy(key, c->store.keys + (size_t)set->key * SY_KEY_BYTES, SY_KEY_BYTES);
        memcpy(copy, set->m, sizeof(sy_bound) * (size_t)set->n * set->n);
        sy_tick(key, copy, &visitor, stop);
        at = 0;
        while (at < c->buckets && c->bucket_head[at] == c->bucket_count[at])
            at++;
    }
    sy_travels_kept = travels;
    sy_turning = turning;
    free(copy);
    if (c->found != SY_NOBODY)
        return SY_CONFIRMED;
    return at >= c->buckets && !sy_fault_code && !c->store.out_of_memory && !*stop ? SY_NONE_SUCH : SY_CUT_SHORT;
}

/* -- one run of what was found ------------------------------------------------------------------- */

/* Of what takes a path, what it leads into `target`; 0 if nothing. */
static int sy_before_path(const sy_path *path, const sy_bound *target, const sy_layout *loops, sy_bound *out)
{
    int n = path->source_n, to = path->n;
    memcpy(out, path->m, sizeof(sy_bound) * (size_t)(n * n));
    if (path->loops) { /* any number of times: everything from which the target is reached by waiting */
        for (int i = 0; i < n; i++)
            for (int j = 0; j < n; j++) {
                int free_to_fall = !loops->still[j] && j > 0 && (i == 0 || loops->still[i]);
                if (!free_to_fall && !sy_tighten(out, n, i, j, target[i * n + j]))
                    return 0;
            }
        return 1;
    }
    for (int i = 0; i < to; i++)
        for (int j = 0; j < to; j++) {
            int bound = target[i * to + j];
            if (i == j || bound >= SY_UNBOUNDED)
                continue;
            bound += path->shift[j] - path->shift[i];
            if (path->source[i] == path->source[j]) {
                if (bound < 0)
                    return 0;
            } else if (!sy_tighten(out, n, path->source[i], path->source[j], bound)) {
                return 0;
            }
        }
    return 1;
}

static int sy_holds_point(const sy_bound *m, const int32_t *x, int n)
{
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            if (m[i * n + j] < SY_UNBOUNDED && x[i] - x[j] > m[i * n + j])
                return 0;
    return 1;
}

typedef void (*sy_say_tick)(void *to, const uint32_t *picks, uint32_t count);

/* Tells a run tick by tick, the start choice first; how many ticks, or -1 if the sets contradict each other (a fault). */
static long sy_tell_run(sy_confirmation *c, sy_say_tick say, void *to, long most)
{
    uint32_t length = 0;
    for (uint32_t set = c->found; set != SY_NOBODY; set = c->store.sets[set].from)
        length++;
    uint32_t *chain = malloc(sizeof *chain * length);
    sy_bound **target = calloc(length, sizeof *target);
    long ticks = -1;
    if (!chain || !target)
        goto done;
    uint32_t at = length;
    for (uint32_t set = c->found; set != SY_NOBODY; set = c->store.sets[set].from)
        chain[--at] = set;
    /* target[i]: of the set chain[i] what goes on to the event. */
    for (uint32_t i = length; i-- > 0;) {
        const sy_path *path = i + 1 < length ? &c->paths[c->store.sets[chain[i + 1]].path] : &c->last;
        int n = path->source_n;
        sy_layout layout;
        target[i] = malloc(sizeof(sy_bound) * (size_t)(n * n));
        if (!target[i])
            goto done;
        sy_layout_of(c->store.keys + (size_t)c->store.sets[chain[i]].key * SY_KEY_BYTES, &layout);
        if (i + 1 == length)
            memcpy(target[i], path->m, sizeof(sy_bound) * (size_t)(n * n));
        else if (!sy_before_path(path, target[i + 1], &layout, target[i]))
            goto done;
    }
    int32_t x[SY_DIMENSIONS] = {0}, y[SY_DIMENSIONS] = {0};
    const sy_path *start = &c->paths[c->store.sets[chain[0]].path];
    for (int i = 1; i < start->n; i++)
        x[i] = start->shift[i];
    if (!sy_holds_point(target[0], x, start->n))
        goto done;
    say(to, c->picks + start->picks, start->pick_count);
    long count = 0;
    for (uint32_t i = 1; i < length; i++) {
        const sy_path *path = &c->paths[c->store.sets[chain[i]].path];
        if (path->loops) {
            sy_layout layout;
            sy_layout_of(c->store.keys + (size_t)c->store.sets[chain[i]].key * SY_KEY_BYTES, &layout);
            while (!sy_holds_point(target[i], x, path->n)) {
                if (count++ >= most)
                    goto done;
                say(to, c->picks + path->picks, path->pick_count);
                for (int d = 1; d < path->n; d++)
                    x[d] += !layout.still[d];
            }
        } else {
            for (int d = 0; d < path->n; d++)
                y[d] = x[path->source[d]] + path->shift[d];
            memcpy(x, y, sizeof x);
            say(to, c->picks + path->picks, path->pick_count);
            count++;
            if (!sy_holds_point(target[i], x, path->n))
                goto done;
        }
    }
    if (!c->wanted) /* situations are reached before a tick, an event happens in one */
        say(to, c->picks + c->last.picks, c->last.pick_count);
    ticks = count + !c->wanted;
done:
    for (uint32_t i = 0; target && i < length; i++)
        free(target[i]);
    free(target);
    free(chain);
    return ticks;
}

static void sy_confirmation_close(sy_confirmation *c)
{
    for (uint32_t i = 0; i < c->path_count; i++) {
        free(c->paths[i].m);
        free(c->paths[i].source);
        free(c->paths[i].shift);
    }
    for (uint32_t i = 0; i < c->buckets && c->bucket; i++)
        free(c->bucket[i]);
    free(c->bucket);
    free(c->bucket_count);
    free(c->bucket_room);
    free(c->bucket_head);
    free(c->paths);
    free(c->picks);
    free(c->projected);
    free(c->distance);
    free(c->table);
    sy_store_close(&c->store);
    memset(c, 0, sizeof *c);
}

#endif
