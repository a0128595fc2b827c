/* Shows that a run leads to a situation from which none leads to the goal.
 *
 * What backward.h left over may be surplus: held by sets and never reached, or too small pieces. So an exact search looks for a run into
 * the rest, as for an event; if it comes to its end without one, what is reached has no rest. From where the run ends a search of its own goes on: sets that
 * may hold too much and from which nothing leads out. If none of them shows the goal, no run does.
 */
#ifndef SY_DEAD_END_H
#define SY_DEAD_END_H

#include "backward.h"
#include "exact_run.h"

typedef struct {
    const sy_backward *b;
    uint32_t *first, *next; /* by projection of confirmation.h, by key: the keys with a rest */
} sy_left;

static int sy_is_in_set(int32_t status)
{
    return status < 0 && status >= SY_COUNTS;
}

/* What a set of one key and a set of another have in common, as a set of the first; the keys differ in their clocks only. */
static int sy_common(const uint8_t *key, const sy_layout *layout, const sy_bound *m, const uint8_t *other_key,
                     const sy_bound *other, sy_bound *common)
{
    int n = layout->n, d = 1, e = 1, place[SY_DIMENSIONS] = {0}, offset[SY_DIMENSIONS] = {0};
    memcpy(common, m, sizeof *m * (size_t)(n * n));
    for (int i = 0; i < SY_KEY_CELLS; i++) {
        if (!sy_key_cell[i].clock)
            continue;
        int32_t here = sy_key_get(key, i), there = sy_key_get(other_key, i);
        int sign = sy_direction[sy_key_cell[i].index];
        if (sy_is_in_set(there)) {
            place[e] = sy_is_in_set(here) ? d : 0;
            offset[e++] = sy_is_in_set(here) ? 0 : sign * here;
        } else if (!sy_is_in_set(here)) {
            if (here != there)
                return 0;
        } else if (!sy_tighten(common, n, d, 0, sign * there) || !sy_tighten(common, n, 0, d, -sign * there)) {
            return 0;
        }
        d += sy_is_in_set(here);
    }
    for (int i = 0; i < e; i++)
        for (int j = 0; j < e; j++) {
            int bound = other[i * e + j];
            if (bound >= SY_UNBOUNDED)
                continue;
            bound += offset[j] - offset[i];
            if (place[i] == place[j] ? bound < 0 : !sy_tighten(common, n, place[i], place[j], bound))
                return 0;
        }
    return 1;
}

static int sy_meets_rest(void *self, const sy_confirmation *c, const uint8_t *key, const sy_layout *layout,
                         const sy_bound *m, sy_bound *common)
{
    sy_left *left = self;
    const sy_store *s = &left->b->steps->search->store;
    if (!left->first) {
        left->first = malloc(sizeof *left->first * ((size_t)c->guide.known + 1));
        if (!left->first)
            return 0;
        memset(left->first, 0xff, sizeof *left->first * ((size_t)c->guide.known + 1));
        for (uint32_t node = s->node_count; node-- > 0;) {
            if (!left->b->uncovered[node])
                continue;
            uint32_t at = sy_projection(&c->guide, s->keys + (size_t)node * SY_KEY_BYTES, NULL);
            left->next[node] = left->first[at];
            left->first[at] = node;
        }
    }
    for (uint32_t node = left->first[sy_projection(&c->guide, key, NULL)]; node != SY_NOBODY; node = left->next[node])
        for (uint32_t set = s->nodes[node].sets; set != SY_NOBODY; set = s->sets[set].next)
            for (uint32_t at = left->b->rest[set]; at != SY_NOBODY; at = left->b->parts[at].next)
                if (sy_common(key, layout, m, s->keys + (size_t)node * SY_KEY_BYTES, left->b->parts[at].m, common))
                    return 1;
    return 0;
}

/* Looks for a run into what was left over, as SY_REST; 0 if there is not enough memory to begin. */
static int sy_confirm_rest_of(sy_confirmation *c, sy_search *map, const sy_backward *b, size_t cap, uint64_t most,
                              const volatile int *stop)
{
    sy_left left = {b, NULL, malloc(sizeof *left.next * ((size_t)map->store.node_count + 1))};
    sy_sought sought = {sy_meets_rest, &left};
    uint8_t wanted[SY_ALL_EVENTS] = {0};
    uint32_t alarms = map->alarm_count;
    int fine = left.next != NULL;
    wanted[SY_REST] = 1;
    for (uint32_t key = 0; key < map->store.node_count && fine; key++) {
        if (!b->uncovered[key])
            continue;
        size_t room = map->alarm_room;
        sy_alarm *grown = sy_one_more(&map->store, map->alarms, sizeof *grown, map->alarm_count, room, &room);
        fine = grown != NULL;
        if (fine) {
            map->alarms = grown;
            map->alarm_room = (uint32_t)room;
            map->alarms[map->alarm_count++] = (sy_alarm){SY_REST, key};
        }
    }
    if (fine)
        sy_confirm(c, map, wanted, &sought, NULL, cap, most, stop);
    c->sought = NULL;
    map->alarm_count = alarms;
    free(left.first);
    free(left.next);
    return fine;
}

/* Whether a goal never shows from a situation on (1), or some set shows it (0), or it was cut short (-1).
 * `sets`: how many hold all that can follow. */
static int sy_never_from(const int *values, int goal, int exact, size_t cap, unsigned long long *sets, const volatile int *stop)
{
    sy_search s;
    uint8_t key[SY_KEY_BYTES];
    sy_layout layout;
    sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS];
    int x[SY_DIMENSIONS] = {0}, answer = -1;
    memset(&s, 0, sizeof s);
    if (sy_search_open(&s, cap, exact ? (sy_manner){0, 1} : (sy_manner){1, 0}, !exact,
                       exact ? SY_TURN_EACH : SY_TURN_KEPT, 1)) {
        sy_set_of_one(values, key, &layout, m, x, 0);
        uint32_t set = sy_insert(&s.store, key, &layout, m, SY_NOBODY, 0);
        if (set != SY_NOBODY) {
            sy_wait(&s, set);
            sy_explore(&s, stop);
            answer = s.seen[SY_BREAKS + goal] ? 0 : sy_is_done(&s) ? 1 : -1;
        }
        *sets = s.store.alive;
    }
    sy_search_close(&s);
    return answer;
}

#endif
