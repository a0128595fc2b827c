/* Shows that something reported over sets really happens: an exact search for it, told as a run by exact_run.h.
 *
 * The search over sets may hold more than what is reached (hulls, kept travels). This one holds nothing that is
 * not: no set is joined, no travel kept, and each set remembers the one path that led to it. By turns it goes on
 * where an event is nearest, and where something is new (heuristics.h); and nowhere from where the map knows no way. If it
 * comes to its end without an event, that one cannot happen.
 */
#ifndef SY_CONFIRMATION_H
#define SY_CONFIRMATION_H

#include "heuristics.h"
#include "one_situation.h"

typedef struct {
    sy_bound *m;             /* of the source set, what takes this path */
    uint8_t n, source_n, loops;
    uint8_t *source;
    int32_t *shift;
    uint32_t picks, pick_count;
} sy_path;

typedef struct sy_confirmation sy_confirmation;

/* Situations that are looked for as SY_REST: whether some of a set that is kept are among them, and which. */
typedef struct {
    int (*meets)(void *self, const sy_confirmation *c, const uint8_t *key, const sy_layout *layout, const sy_bound *m,
                 sy_bound *common);
    void *self;
} sy_sought;

struct sy_confirmation {
    sy_store store;
    sy_guide guide;
    const sy_sought *sought; /* or NULL */
    uint8_t wanted[SY_ALL_EVENTS];
    uint32_t found[SY_ALL_EVENTS]; /* set from which an event happens, or SY_NOBODY */
    sy_path last[SY_ALL_EVENTS];   /* and how */
    int open;                      /* wanted and not found yet */
    sy_path *paths;
    uint32_t path_count, path_room;
    uint32_t *picks, pick_count, pick_room;
    sy_queue *near;                 /* by distance */
    sy_queue *near_in[SY_PARTITIONS]; /* of each partition, by distance to a change of a counter */
    uint32_t steps[SY_PARTITIONS];
    sy_queue novel[SY_NOTHING_NEW];  /* by what is new */
    uint32_t current;
    int complete;                  /* nothing is left to be stepped */
    unsigned long long expanded;
};

#define SY_AT_END UINT32_MAX /* steps of a partition of which nothing is left to be stepped, for the time being */

enum { SY_CONFIRMED = 1, SY_NONE_SUCH = 2, SY_CUT_SHORT = 3 };

/* The next set of a queue that is neither stepped nor replaced by a larger one. */
static uint32_t sy_first_of(const sy_confirmation *c, sy_queue *line)
{
    for (; line->head < line->count; line->head++) {
        const sy_set *set = &c->store.sets[line->at[line->head]];
        if (set->m && !set->done)
            return line->at[line->head];
    }
    return SY_NOBODY;
}

/* The last one, for what is on a trail: it is followed to its end first. */
static uint32_t sy_last_of(const sy_confirmation *c, sy_queue *line)
{
    for (; line->head < line->count; line->count--) {
        const sy_set *set = &c->store.sets[line->at[line->count - 1]];
        if (set->m && !set->done)
            return line->at[line->count - 1];
    }
    return SY_NOBODY;
}

static uint32_t sy_nearest(const sy_confirmation *c, sy_queue *near)
{
    uint32_t set = SY_NOBODY;
    for (uint32_t i = 0; near && i <= SY_FURTHEST && set == SY_NOBODY; i++)
        set = sy_first_of(c, &near[i]);
    return set;
}

/* The nearest to a change of a counter, of the partition that was stepped least: little is known of it yet. */
static uint32_t sy_nearest_of_least(sy_confirmation *c)
{
    for (;;) {
        uint32_t least = SY_PARTITIONS;
        for (uint32_t i = 0; i < c->guide.partitions; i++)
            if (c->near_in[i] && c->steps[i] != SY_AT_END && (least == SY_PARTITIONS || c->steps[i] < c->steps[least]))
                least = i;
        if (least == SY_PARTITIONS)
            return SY_NOBODY;
        uint32_t set = sy_nearest(c, c->near_in[least]);
        if (set != SY_NOBODY)
            return set;
        c->steps[least] = SY_AT_END;
    }
}

/* By turns: along a trail, what is new, what is little known, and what is nearest. */
static uint32_t sy_next_of(sy_confirmation *c)
{
    uint32_t set = SY_NOBODY;
    if (c->expanded % 4)
        set = sy_last_of(c, &c->novel[SY_ON_TRAIL]);
    for (int i = SY_NEW_VALUE; c->expanded % 4 && i < SY_NOTHING_NEW && set == SY_NOBODY; i++)
        set = sy_first_of(c, &c->novel[i]);
    if (c->expanded % 4 && set == SY_NOBODY)
        set = sy_nearest_of_least(c);
    return set == SY_NOBODY ? sy_nearest(c, c->near) : set;
}

/* Marks the keys of the way on which the counters came to new values. */
static void sy_mark_trail(sy_confirmation *c, uint32_t set)
{
    uint16_t partition = c->store.sets[set].partition;
    for (; set != SY_NOBODY && c->store.sets[set].partition == partition; set = c->store.sets[set].from) {
        uint32_t at = sy_projection(&c->guide, c->store.keys + (size_t)c->store.sets[set].key * SY_KEY_BYTES, NULL);
        if (at != SY_NOBODY)
            c->guide.trail[at] = 1;
    }
}

static void *sy_copied(sy_store *s, const void *from, size_t bytes)
{
    void *to = sy_grow(s, NULL, 0, bytes ? bytes : 1);
    if (to)
        memcpy(to, from, bytes);
    return to;
}

/* Picks of the present path: those of its earlier stages, then those of the present one. */
static int sy_store_picks(sy_confirmation *c, const sy_work *w, const uint32_t *before, sy_path *path)
{
    uint32_t more = before[1];
    if (c->pick_count + more + w->ask.at > c->pick_room) {
        uint32_t room = 2 * (c->pick_count + more + w->ask.at) + 256;
        uint32_t *grown = sy_grow(&c->store, c->picks, sizeof *grown * c->pick_room, sizeof *grown * room);
        if (!grown)
            return 0;
        c->picks = grown;
        c->pick_room = room;
    }
    path->picks = c->pick_count;
    if (more)
        memcpy(c->picks + c->pick_count, w->picks + before[0], sizeof *c->picks * more);
    c->pick_count += more;
    for (uint32_t i = 0; i < w->ask.at; i++)
        if (!w->ask.of_clock[i])
            c->picks[c->pick_count++] = w->ask.pick[i];
    path->pick_count = c->pick_count - path->picks;
    return 1;
}

static int sy_store_path(sy_confirmation *c, const sy_work *w, const uint32_t *before, int loops, int starting)
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
    int n = w->layout.n, to = w->end.layout.n;
    uint8_t source[SY_DIMENSIONS];
    int32_t shift[SY_DIMENSIONS];
    for (int i = 0; i < to; i++) {
        source[i] = (uint8_t)w->end.source[i];
        shift[i] = w->end.shift[i];
    }
    path->n = (uint8_t)to;
    path->source_n = (uint8_t)n;
    path->loops = (uint8_t)loops;
    path->m = starting ? NULL : sy_copied(&c->store, w->now.m, sizeof(sy_bound) * (size_t)(n * n));
    path->source = sy_copied(&c->store, source, (size_t)to);
    path->shift = sy_copied(&c->store, shift, sizeof *shift * (size_t)to);
    if ((!path->m && !starting) || !path->source || !path->shift || !sy_store_picks(c, w, before, path))
        return 0;
    c->path_count++;
    return 1;
}

static void sy_show(sy_confirmation *c, sy_work *w, uint32_t event, const uint32_t *picks)
{
    if (!c->wanted[event] || c->found[event] != SY_NOBODY)
        return;
    w->end.layout.n = 1;
    w->end.source[0] = w->end.shift[0] = 0;
    if (sy_store_path(c, w, picks, 0, 0)) {
        c->last[event] = c->paths[c->path_count - 1];
        c->found[event] = c->current;
        c->open--;
    }
}

static void sy_judge_confirmation(void *self, sy_work *w, int goals, const uint32_t *picks)
{
    sy_confirmation *c = self;
    for (uint32_t i = 0; i < w->broken_count; i++)
        sy_show(c, w, w->broken[i], picks);
    for (int i = 0; goals && i < SY_GOALS; i++)
        if (w->now.cell[sy_goal_cell[i]])
            sy_show(c, w, (uint32_t)(SY_BREAKS + i), picks);
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

/* Whether some of a set that was just kept are sought. */
static void sy_seek(sy_confirmation *c, uint32_t set, const uint8_t *key, const sy_layout *layout, const sy_bound *m)
{
    sy_bound common[SY_DIMENSIONS * SY_DIMENSIONS];
    if (c->found[SY_REST] != SY_NOBODY || !c->sought->meets(c->sought->self, c, key, layout, m, common))
        return;
    sy_bound *kept = sy_kept(&c->store, common, layout->n);
    if (!kept)
        return;
    c->last[SY_REST] = (sy_path){kept, (uint8_t)layout->n, (uint8_t)layout->n, 0, NULL, NULL, 0, 0};
    c->found[SY_REST] = set;
    c->open--;
}

static uint32_t sy_line_of(uint32_t distance)
{
    return distance < SY_FURTHEST ? distance : SY_FURTHEST;
}

/* Measures anew what is still wanted: what was found would hold back what lies further off. */
static void sy_measure_again(sy_confirmation *c, const sy_search *map)
{
    uint8_t open[SY_ALL_EVENTS] = {0};
    for (int i = 0; i < SY_ALL_EVENTS; i++)
        open[i] = c->wanted[i] && c->found[i] == SY_NOBODY;
    sy_measure_keys(&c->guide, map, open, c->guide.distance);
    for (int i = 0; i <= SY_FURTHEST; i++)
        c->near[i].head = c->near[i].count = 0;
    for (uint32_t set = 0; set < c->store.set_count; set++) {
        const sy_set *s = &c->store.sets[set];
        if (!s->m || s->done)
            continue;
        uint32_t at = sy_projection(&c->guide, c->store.keys + (size_t)s->key * SY_KEY_BYTES, NULL);
        if (at != SY_NOBODY && c->guide.distance[at] != SY_NOBODY)
            sy_enqueue(&c->store, &c->near[sy_line_of(c->guide.distance[at])], set);
    }
}

/* Keeps the set at the end of the present path, unless it is known or the map knows no way on from it. */
static void sy_keep_confirmed(sy_confirmation *c, const sy_work *w, const uint32_t *picks, const sy_layout *layout,
                              const sy_bound *m, uint32_t from, int loops)
{
    uint32_t at = sy_projection(&c->guide, w->end.key, NULL);
    if (at == SY_NOBODY || c->guide.distance[at] == SY_NOBODY || !sy_store_path(c, w, picks, loops, from == SY_NOBODY))
        return;
    uint32_t set = sy_insert(&c->store, w->end.key, layout, m, from, c->path_count - 1);
    if (set == SY_NOBODY) {
        sy_drop_path(c);
        return;
    }
    uint32_t partitions = c->guide.partitions;
    uint16_t partition = c->store.sets[set].partition = sy_partition_of(&c->guide, &c->store, w->end.key, layout, m);
    if (c->guide.partitions > partitions && from != SY_NOBODY)
        sy_mark_trail(c, from);
    int novelty = sy_novelty(&c->guide, w->end.key, at, partition);
    sy_enqueue(&c->store, &c->near[sy_line_of(c->guide.distance[at])], set);
    if (partition < SY_PARTITIONS) {
        if (!c->near_in[partition])
            c->near_in[partition] = calloc(SY_FURTHEST + 1, sizeof(sy_queue));
        uint32_t counting = sy_line_of(c->guide.counting[at]);
        if (c->near_in[partition])
            sy_enqueue(&c->store, &c->near_in[partition][counting], set);
        if (c->steps[partition] == SY_AT_END)
            c->steps[partition] = 0;
    }
    if (novelty != SY_NOTHING_NEW)
        sy_enqueue(&c->store, &c->novel[novelty], set);
    if (c->sought && !c->guide.distance[at])
        sy_seek(c, set, w->end.key, layout, m);
}

static int sy_end_confirmation(void *self, sy_work *w, const uint32_t *picks)
{
    sy_bound wide[SY_DIMENSIONS * SY_DIMENSIONS];
    sy_confirmation *c = self;
    if (!c->open)
        return 0;
    const sy_set *set = &c->store.sets[c->current];
    if (w->end.loops && w->end.layout.n > 1) {
        sy_accelerate(w, wide);
        if (sy_includes(set->m, wide, w->layout.n))
            return 1;
        sy_keep_confirmed(c, w, picks, &w->layout, wide, c->current, 1);
    } else {
        sy_keep_confirmed(c, w, picks, &w->end.layout, w->end.m, c->current, 0);
    }
    return c->store.sets[c->current].m != NULL;
}

static void sy_start_confirmation(void *self, sy_work *w)
{
    static const uint32_t none[2];
    sy_confirmation *c = self;
    sy_keep_confirmed(c, w, none, &w->end.layout, w->end.m, SY_NOBODY, 0);
}

/* Begins at one situation instead, given as sy_set_of_one has it. */
static void sy_start_at(sy_confirmation *c, sy_work *w, const int *values)
{
    int x[SY_DIMENSIONS] = {0};
    int n = sy_set_of_one(values, w->end.key, &w->end.layout, w->end.m, x, 1);
    for (int i = 0; i < n; i++) {
        w->end.source[i] = 0;
        w->end.shift[i] = x[i];
    }
    w->ask.at = 0;
    sy_start_confirmation(c, w);
}

/* Looks for the wanted events (SY_ALL_EVENTS of them), stepping `most` sets at most: from power-on, or from one
 * situation. May be called once. */
static void sy_confirm(sy_confirmation *c, sy_search *map, const uint8_t *wanted, const sy_sought *sought, const int *from,
                       size_t cap, uint64_t most, const volatile int *stop)
{
    sy_visitor visitor = {sy_judge_confirmation, sy_end_confirmation, c};
    sy_bound *copy = malloc(sizeof(sy_bound) * SY_DIMENSIONS * SY_DIMENSIONS);
    uint8_t key[SY_KEY_BYTES];
    sy_work *w = &map->work[0];
    int travels = w->travels_kept;
    enum sy_turning turning = w->turning;
    sy_store_open(&c->store, cap, (sy_manner){0, 0});
    c->sought = sought;
    for (int i = 0; i < SY_ALL_EVENTS; i++) {
        c->wanted[i] = wanted[i];
        c->found[i] = SY_NOBODY;
        c->open += wanted[i] != 0;
    }
    w->fault = SY_FINE;
    if (copy && sy_guide_open(&c->guide, map))
        c->near = calloc(SY_FURTHEST + 1, sizeof *c->near);
    if (!c->near) {
        free(copy);
        return;
    }
    sy_measure_again(c, map);
    w->travels_kept = 0;
    w->counters_in_key = 1;
    w->turning = SY_TURN_EACH;
    w->keep_picks = 1;
    if (from)
        sy_start_at(c, w, from);
    else
        sy_each_start(w, sy_start_confirmation, c);
    while (c->open && !w->fault && !c->store.out_of_memory && !*stop && c->expanded < most) {
        c->current = sy_next_of(c);
        if (c->current == SY_NOBODY) {
            c->complete = 1;
            break;
        }
        c->expanded++;
        sy_set *set = &c->store.sets[c->current];
        set->done = 1;
        if (set->partition < SY_PARTITIONS && c->steps[set->partition] != SY_AT_END)
            c->steps[set->partition]++;
        memcpy(key, c->store.keys + (size_t)set->key * SY_KEY_BYTES, SY_KEY_BYTES);
        memcpy(copy, set->m, sizeof(sy_bound) * (size_t)set->n * set->n);
        w->alive = 0;
        int open = c->open;
        sy_tick(w, key, copy, &visitor, stop);
        if (c->open && c->open < open)
            sy_measure_again(c, map);
    }
    w->travels_kept = travels;
    w->turning = turning;
    w->counters_in_key = 0;
    w->keep_picks = 0;
    free(copy);
}

/* What came of an event. */
static int sy_outcome(const sy_confirmation *c, uint32_t event)
{
    return c->found[event] != SY_NOBODY ? SY_CONFIRMED : c->complete ? SY_NONE_SUCH : SY_CUT_SHORT;
}

static void sy_lines_close(const sy_confirmation *c, sy_queue *near)
{
    for (uint32_t i = 0; near && i <= SY_FURTHEST; i++)
        free(near[i].at);
    free(near);
}

static void sy_confirmation_close(sy_confirmation *c)
{
    for (uint32_t i = 0; i < c->path_count; i++) {
        free(c->paths[i].m);
        free(c->paths[i].source);
        free(c->paths[i].shift);
    }
    sy_lines_close(c, c->near);
    for (int i = 0; i < SY_PARTITIONS; i++)
        sy_lines_close(c, c->near_in[i]);
    for (int i = 0; i < SY_NOTHING_NEW; i++)
        free(c->novel[i].at);
    free(c->paths);
    free(c->picks);
    sy_guide_close(&c->guide);
    sy_store_close(&c->store);
    memset(c, 0, sizeof *c);
}

#endif
