/* Explores a closed loop with the times of a situation held as one set of values (difference bounds).
 *
 * A generated file gives, before it includes this one: sizes (SY_CELLS and so on), the type of a cell, what each
 * cell of the key is, what each clock is, and the step itself: sy_begin, sy_stage, sy_pack, sy_limit.
 *
 *     open -> explore -> seen? -> confirm -> tell its run -> close
 *
 *
 *     explore -> lead to a goal from everywhere? -> confirm what is left over -> is it lost? -> tell its run
 *
 * symbolic.c       what Python calls
 * fault_graph.h    what each fault leads to
 * dead_end.h       a run to where a goal is possible no more
 * backward.h       from where it is possible
 * pieces.h         sets of such situations, and what is in none of them
 * transitions.h    every step of the stored sets
 * points.h         points of the stored sets, and which situations they hold
 * exact_run.h      one run of what was confirmed
 * confirmation.h   an exact search for what was reported
 * heuristics.h     where it goes first
 * one_situation.h  one situation as a set
 * exploration.h    the search: rounds, threads, acceleration
 * tick.h           one tick of a set, stage by stage
 * store.h          keys and their sets: inclusion, merging, hulls, widening
 * state.h          one situation while its step runs
 * bounds.h         difference bounds
 */
#include "dead_end.h"
#include "fault_graph.h"
#include "points.h"

typedef struct {
    sy_search search;
    sy_confirmation confirmation;
    sy_transitions steps;
    sy_backward backward;
    sy_points points;
    int stop;
} sy_exploration;

typedef struct {
    unsigned long long keys, sets, expanded, steps, loops, joins, bytes;
    int exhausted, fault, out_of_memory;
} sy_summary;

sy_exploration *sy_open(unsigned long long cap, int join, int merge, int travels_kept, int turning, int threads)
{
    sy_exploration *e = calloc(1, sizeof *e);
    if (!e)
        return NULL;
    if (!sy_search_open(&e->search, (size_t)cap, (sy_manner){join, merge}, travels_kept, (enum sy_turning)turning,
                        (unsigned)threads)) {
        sy_search_close(&e->search);
        free(e);
        return NULL;
    }
    return e;
}

/* The flag that ends a search early; a thread or a signal may set it to 1. */
int *sy_stop_flag(sy_exploration *e)
{
    return &e->stop;
}

void sy_run(sy_exploration *e)
{
    for (unsigned i = 0; i < e->search.threads; i++)
        e->search.work[i].fault = SY_FINE;
    sy_points_close(&e->points);
    sy_explore(&e->search, &e->stop);
}

void sy_summarise(const sy_exploration *e, sy_summary *out)
{
    const sy_search *s = &e->search;
    int fault = sy_fault_of(s);
    *out = (sy_summary){s->store.node_count, s->store.alive, s->expanded, s->steps, s->loops, s->store.joins, s->store.bytes,
                        sy_is_done(s),
                        fault == SY_OUT_OF_MEMORY ? SY_FINE : fault,
                        s->store.out_of_memory || fault == SY_OUT_OF_MEMORY};
}

/* Whether an event was reported anywhere; events are breaks, then goals. */
int sy_seen(const sy_exploration *e, unsigned event)
{
    return e->search.seen[event];
}

/* Whether a mark of coverage was ever passed; what never was cannot be. */
int sy_was_covered(const sy_exploration *e, unsigned mark)
{
    for (unsigned i = 0; i < e->search.threads; i++)
        if (e->search.work[i].covered[mark])
            return 1;
    return 0;
}

/* Looks for the events that are marked in `wanted` (SY_EVENTS of them); sy_outcome_of says what came of each. `from`:
 * the situation that runs begin at, cell by cell of the key; NULL for power-on. */
void sy_confirm_events(sy_exploration *e, const uint8_t *wanted, const int *from, unsigned long long cap,
                       unsigned long long most)
{
    uint8_t all[SY_ALL_EVENTS] = {0};
    memcpy(all, wanted, SY_EVENTS);
    sy_confirmation_close(&e->confirmation);
    sy_confirm(&e->confirmation, &e->search, all, NULL, from, (size_t)cap, most, &e->stop);
}

int sy_outcome_of(const sy_exploration *e, unsigned event)
{
    return sy_outcome(&e->confirmation, event);
}

long sy_tell(sy_exploration *e, unsigned event, sy_say_tick say, void *to, long most)
{
    return sy_tell_run(&e->confirmation, event, say, to, most);
}

/* Lists the steps of an exhausted search, for sy_lead_to; 0 if that was cut short. */
int sy_list(sy_exploration *e, unsigned long long cap)
{
    sy_transitions_close(&e->steps);
    return sy_list_steps(&e->steps, &e->search, (size_t)cap, &e->stop);
}

typedef struct {
    unsigned long long transitions, outside, pieces, parts, keys_left, before, given_up, bytes;
} sy_growth;

/* Whether from all that is stored some run leads to a goal: 1, or 0 if something is left, or -1 if it was cut short. */
int sy_lead_to(sy_exploration *e, int goal, unsigned long long cap, sy_growth *out)
{
    sy_backward *b = &e->backward;
    sy_backward_close(b);
    int ended = sy_grow_pieces(b, &e->steps, goal, (size_t)cap, &e->stop);
    *out = (sy_growth){e->steps.count, e->steps.outside, b->piece_count, b->part_count, b->left, b->before, b->given_up,
                       e->steps.memory.bytes + b->memory.bytes};
    return !ended ? -1 : !b->left;
}

/* Looks for a run into what the last sy_lead_to left; sy_outcome_of and sy_tell are asked for sy_rest. */
void sy_confirm_rest(sy_exploration *e, unsigned long long cap, unsigned long long most)
{
    sy_confirmation_close(&e->confirmation);
    sy_confirm_rest_of(&e->confirmation, &e->search, &e->backward, (size_t)cap, most, &e->stop);
}

/* What each fault leads to, by its number, in an exhausted search; parts of the key as fault_graph.h has them. */
int sy_faults_lead_to(const sy_exploration *e, int fault, int phase, int since, int limit, uint8_t *restless, int32_t *longest)
{
    sy_fault_cells at = {fault, phase, since};
    return sy_judge_faults(&e->search, &at, limit, restless, longest);
}

unsigned sy_rest(void)
{
    return SY_REST;
}

/* Whether a goal never shows from a situation on, given as the values of the key's cells; see sy_never_from. */
int sy_is_lost(sy_exploration *e, const int *values, int goal, int exact, unsigned long long cap, unsigned long long *sets)
{
    return sy_never_from(values, goal, exact, (size_t)cap, sets, &e->stop);
}

static void sy_say_set(const uint8_t *stored, const sy_bound *m, int n, int *key, int *bounds)
{
    for (int i = 0; i < SY_KEY_CELLS; i++)
        key[i] = sy_key_get(stored, i);
    for (int i = 0; i < n * n; i++)
        bounds[i] = m[i] >= SY_UNBOUNDED ? INT32_MAX : m[i];
}

/* One stored set: its key cell by cell (a status for a clock that is in the set), its dimension and its bounds. */
int sy_stored(const sy_exploration *e, unsigned long long index, int *key, int *n, int *bounds)
{
    const sy_store *s = &e->search.store;
    if (index >= s->set_count || !s->sets[index].m)
        return 0;
    const sy_set *set = &s->sets[index];
    *n = set->n;
    sy_say_set(s->keys + (size_t)set->key * SY_KEY_BYTES, set->m, *n, key, bounds);
    return 1;
}

/* As sy_stored, one part of what the last sy_lead_to left over; their numbers have gaps. */
int sy_left_over(const sy_exploration *e, unsigned long long index, int *key, int *n, int *bounds)
{
    const sy_backward *b = &e->backward;
    if (index >= b->part_count || !b->parts[index].m)
        return 0;
    const sy_set *set = &e->search.store.sets[b->parts[index].set];
    *n = set->n;
    sy_say_set(e->search.store.keys + (size_t)set->key * SY_KEY_BYTES, b->parts[index].m, *n, key, bounds);
    return 1;
}

unsigned long long sy_parts_count(const sy_exploration *e)
{
    return e->backward.part_count;
}

unsigned long long sy_stored_count(const sy_exploration *e)
{
    return e->search.store.set_count;
}

/* A point of the sets of a key, given by its number: the values of the key's cells. */
void sy_point(const sy_exploration *e, unsigned key, unsigned long long seed, int *values)
{
    sy_point_of(&e->search.store, key, seed, values);
}

/* Whether the stored sets hold a situation: 1 or 0, or -1 if there is not enough memory to look. */
int sy_hold(sy_exploration *e, const int *values)
{
    if (!e->points.first && !sy_points_open(&e->points, &e->search.store))
        return -1;
    return sy_points_hold(&e->points, &e->search.store, values);
}

void sy_close(sy_exploration *e)
{
    if (!e)
        return;
    sy_search_close(&e->search);
    sy_confirmation_close(&e->confirmation);
    sy_backward_close(&e->backward);
    sy_transitions_close(&e->steps);
    sy_points_close(&e->points);
    free(e);
}
