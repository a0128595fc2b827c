/* Exhaustive exploration of everything a machine can do, tick by tick.
 *
 * Computes, for the step that was included before this file (see step_api.h): the set of reachable
 * states with their shortest distances; for every requirement the first distance at which it breaks and
 * the least transition that does so; stories that lead there; for every goal the states from which it
 * can never be reached; coverage marks; states that lead nowhere.
 *
 * Read in this order:
 *     step_api.h       what a step must offer, choices on demand
 *     memory_budget.h  one cap for everything that grows
 *     state_table.h    the set of states, complete keys in compact entries; state_table_growth.h
 *     run.h            one exploration, what its threads share
 *     transitions.h    enumeration of transitions
 *     segments.h       stage 1 in pieces; memo_table.h, memo_transitions.h: what is kept of steps
 *     thread_team.h    threads; message_queues.h, what they hand each other
 *     bfs.h            level-synchronous breadth-first search
 *     level_order.h    stored states in order of depth
 *     path_rebuild.h   shortest stories, rebuilt backwards without stored parents
 *     backward_reach.h from where can a goal still be reached; backward_edges.h
 *     explorer.c       what Python calls
 *
 * Plain C11 with the atomics and threads of POSIX or Windows. Everything is static but the functions
 * below, so that the compiler can merge the step into the loops.
 */
#include "step_api.h"
#include "bfs.h"
#include "path_rebuild.h"
#include "backward_reach.h"

#ifdef _WIN32
#define SG_EXPORT __declspec(dllexport)
#else
#define SG_EXPORT __attribute__((visibility("default")))
#endif

/* One transition, or one initial state, as Python sees it. */
typedef struct {
    sg_key to;
    uint64_t events[SG_EVENT_WORDS];
    uint32_t split, picks;
    sg_pick pick[SG_MAX_CHOICES];
    sg_pick size[SG_MAX_CHOICES];
} sg_transition;

/* Sizes of the structures above, for the mirror of them to be held against. */
SG_EXPORT const uint32_t sg_shape[19] = {
    SG_KEY_BITS,        SG_KEY_WORDS,       SG_BREAKS,          SG_MARKS,
    SG_POSSIBLE,        SG_EVENT_WORDS,     SG_MAX_CHOICES,     SG_MAX_THREADS,
    SG_WORDS * 4,       SG_MAX_DEPTH,       sizeof(sg_options), sizeof(sg_progress),
    sizeof(sg_summary), sizeof(sg_record),  sizeof(sg_transition), SG_LEAST_BUCKETS,
    sizeof(sg_way),     sizeof(sg_unable),  sizeof(sg_pick),
};

SG_EXPORT void sg_close(sg_run *run)
{
    if (!run)
        return;
    sg_thread_ends();
    for (unsigned i = 0; i < run->options.threads; i++) {
        sg_worker *w = run->workers[i];
        if (!w)
            continue;
        sg_store_close(&w->store);
        if (w->queue.budget)
            sg_queue_close(&w->queue);
        sg_mailbox_close(&w->mailbox);
        free(w);
    }
    if (run->barrier.members)
        sg_barrier_close(&run->barrier);
    free(run->levels);
    free(run);
}

/* A new exploration, or NULL with *status set. */
SG_EXPORT sg_run *sg_open(const sg_options *options, int *status)
{
    *status = SG_BAD_USE;
    if (options->threads < 1 || options->threads > SG_MAX_THREADS || options->first_buckets > SG_MOST_BUCKETS)
        return NULL;
    *status = SG_NO_MEMORY;
    sg_run *run = calloc(1, sizeof *run);
    if (!run)
        return NULL;
    run->options = *options;
    run->budget.cap = options->byte_cap;
    unsigned shift = 0;
    while (shift < SG_MOST_SHIFT && options->threads * sg_memory_bytes(shift) > options->byte_cap / 2)
        shift++;
    run->memos = options->threads * sg_memory_bytes(shift);
    run->levels_room = 256;
    run->levels = calloc(run->levels_room, sizeof *run->levels);
    int room = sg_budget_take(&run->budget, run->memos);
    for (unsigned i = 0; room && run->levels && i < options->threads; i++) {
        sg_worker *w = calloc(1, sizeof *w);
        run->workers[i] = w;
        if (!w || !sg_budget_take(&run->budget, sizeof *w) ||
            !sg_store_open(&w->store, options->first_buckets, &run->budget)) {
            sg_close(run);
            return NULL;
        }
        w->run = run;
        w->index = i;
        w->context.memo_shift = shift;
        w->context.budget = &run->budget;
        w->queue.budget = &run->budget;
    }
    if (!room || !run->levels) {
        sg_close(run);
        return NULL;
    }
    sg_barrier_open(&run->barrier, options->threads);
    *status = SG_COMPLETE;
    return run;
}

SG_EXPORT sg_progress *sg_progress_of(sg_run *run)
{
    return &run->progress;
}

/* The whole search, once per run. Returns its sg_status. */
SG_EXPORT int sg_explore(sg_run *run)
{
    return run->ended ? SG_BAD_USE : sg_search(run);
}

SG_EXPORT void sg_summary_of(const sg_run *run, sg_summary *out)
{
    *out = run->summary;
}

/* Events count the breaks first, then the goals. depth 0: it never happened. */
SG_EXPORT int sg_record_of(const sg_run *run, uint32_t event, sg_record *out)
{
    if (event >= SG_EVENTS)
        return SG_BAD_USE;
    *out = run->records[event];
    return 0;
}

SG_EXPORT const uint8_t *sg_marks_of(const sg_run *run)
{
    return run->marks;
}

/* Number of states at each depth 0..summary.deepest. */
SG_EXPORT const uint64_t *sg_levels_of(const sg_run *run)
{
    return run->levels;
}

/* Copies out up to `room` stored states; returns how many there are. */
SG_EXPORT uint64_t sg_each(const sg_run *run, uint64_t room, sg_key *keys, uint32_t *depths)
{
    uint64_t count = 0;
    for (unsigned i = 0; i < run->options.threads && !run->damaged; i++) {
        const sg_store *s = &run->workers[i]->store;
        for (uint64_t slot = 0; slot < sg_store_slots(s); slot++)
            if (sg_slot_full(s, slot)) {
                if (count < room) {
                    keys[count] = sg_slot_key(s, slot);
                    depths[count] = sg_slot_depth(s, slot);
                }
                count++;
            }
    }
    return count;
}

/* Depth of a stored state, or -1. */
SG_EXPORT int64_t sg_depth_of(const sg_run *run, const sg_key *key)
{
    if (run->damaged || sg_key_stray(key))
        return -1;
    uint64_t place = sg_place(key, run->options.threads);
    const sg_store *s = &run->workers[place >> 32]->store;
    uint64_t slot = sg_store_find(s, key, (uint32_t)place);
    return slot == SG_NOWHERE ? -1 : (int64_t)sg_slot_depth(s, slot);
}

/* Shortest stories to stored states: depths[i] is that of wanted[i]; keys and ways get depths[i] + 1 rows
 * for each of them, one after the other (path_rebuild.h). */
SG_EXPORT int sg_stories_of(sg_run *run, uint64_t targets, const sg_key *wanted, const uint32_t *depths, sg_key *keys,
                            sg_way *ways)
{
    if (!run->ended || run->damaged)
        return SG_BAD_USE;
    for (uint64_t i = 0; i < targets; i++)
        if (sg_depth_of(run, &wanted[i]) != (int64_t)depths[i])
            return SG_NOT_FOUND;
    return targets ? sg_story(run, targets, wanted, depths, keys, ways) : 0;
}

/* For each goal of the mask, whose bits are the goals from 32 * word on, the states from which it cannot
 * be reached any more; 32 rows. Needs a complete search: of a state that was not expanded nobody knows. */
SG_EXPORT int sg_closure_of(sg_run *run, uint32_t word, uint32_t goals, sg_unable *out)
{
    if (!run->ended || run->status)
        return SG_BAD_USE;
#if SG_POSSIBLE > 0
    if (word >= SG_GOAL_WORDS || (word == SG_POSSIBLE / 32 && goals >> (SG_POSSIBLE % 32)))
        return SG_BAD_USE;
    return sg_close_over(run, word, goals, out);
#else
    (void)out;
    return word || goals ? SG_BAD_USE : 0;
#endif
}

typedef struct {
    uint64_t room, count;
    sg_transition *out;
} sg_listing;

static int sg_list(void *arg, sg_context *c, const sg_key *from, const sg_key *to, uint32_t split)
{
    (void)from;
    sg_listing *list = arg;
    if (list->count < list->room) {
        sg_transition *t = &list->out[list->count];
        memset(t, 0, sizeof *t);
        t->to = *to;
        memcpy(t->events, c->events, sizeof t->events);
        t->split = split;
        t->picks = c->asked;
        memcpy(t->pick, c->pick, c->asked * sizeof c->pick[0]);
        memcpy(t->size, c->size, c->asked * sizeof c->size[0]);
    }
    list->count++;
    return 0;
}

/* All transitions of a state in the order of their choice vectors (an event of stage 1 stands at the
 * first of its transitions), or all initial states when `from` is NULL. */
SG_EXPORT int sg_successors(const sg_key *from, uint64_t room, sg_transition *out, uint64_t *count)
{
    sg_context c;
    memset(&c, 0, sizeof c);
    sg_listing list = {room, 0, out};
    if (from && sg_key_stray(from))
        return SG_STRAY_BITS;
    int status = from ? sg_walk(&c, from, sg_list, &list) : sg_initials(&c, sg_list, &list);
    *count = list.count;
    return status;
}

/* As sg_step; `loosely`: a pick that is not offered is 0, and what is not asked is passed over. */
static int sg_stepped(const sg_key *from, const sg_pick *pick, uint32_t picks, int loosely, sg_transition *out)
{
    sg_context c;
    sg_work work;
    memset(&c, 0, sizeof c);
    if (picks > SG_MAX_CHOICES || sg_key_stray(from))
        return SG_BAD_USE;
    /* A pick is only given to the step once it is known how many answers there are. */
    for (uint32_t known = 0;; known++) {
        c.fixed = known;
        c.asked = 0;
        sg_events_clear(&c);
        sg_stage1(&c, from, &work);
        out->split = c.asked;
        sg_goals_note(&c, &work);
        sg_stage2(&c, &work, &out->to);
        if (c.fault)
            return c.fault;
        if (known == picks || (loosely && known >= c.asked))
            break;
        int offered = known < c.asked && pick[known] < c.size[known];
        if (!offered && !loosely)
            return SG_NOT_FOUND;
        c.pick[known] = offered ? pick[known] : 0;
    }
    memcpy(out->events, c.events, sizeof out->events);
    out->picks = c.asked;
    memcpy(out->pick, c.pick, sizeof c.pick);
    memcpy(out->size, c.size, sizeof c.size);
    return sg_key_stray(&out->to) ? SG_STRAY_BITS : 0;
}

/* One transition: picks beyond the given ones are 0. out->events are all events of this transition. */
SG_EXPORT int sg_step(const sg_key *from, const sg_pick *pick, uint32_t picks, sg_transition *out)
{
    return sg_stepped(from, pick, picks, 0, out);
}

/* One transition whose picks are drawn; otherwise as sg_step. */
SG_EXPORT int sg_step_drawn(const sg_key *from, uint64_t seed, sg_transition *out)
{
    sg_pick pick[SG_MAX_CHOICES];
    for (uint32_t picks = 0;; picks++) {
        int status = sg_step(from, pick, picks, out);
        if (status || picks == out->picks)
            return status;
        seed = seed * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
        pick[picks] = (sg_pick)((seed >> 33) % out->size[picks]);
    }
}

/* A run from power-on, tick by tick through the deployed controller: `pick` holds the picks of the start, then those
 * of each tick, `counts` how many each has; picks beyond the given ones are 0. `first` says in which tick each event
 * happened first, 0 if in none. With `loosely` the run is one of another machine: what it does not offer is 0, what it
 * does not ask is passed over. */
SG_EXPORT int sg_follow(const sg_pick *pick, const uint32_t *counts, uint64_t ticks, int loosely, uint64_t *first)
{
    sg_context c;
    sg_key now;
    static _Thread_local sg_transition step; /* too large for a stack */
    memset(&c, 0, sizeof c);
    memset(first, 0, sizeof *first * SG_EVENTS);
    for (uint32_t known = 0;; known++) {
        c.fixed = known;
        c.asked = 0;
        sg_initial(&c, &now);
        if (c.fault)
            return c.fault;
        if (known == counts[0] || (loosely && known >= c.asked))
            break;
        int offered = known < c.asked && pick[known] < c.size[known];
        if (!offered && !loosely)
            return SG_NOT_FOUND;
        c.pick[known] = offered ? pick[known] : 0;
    }
    pick += counts[0];
    for (uint64_t i = 1; i <= ticks; i++) {
        int status = sg_stepped(&now, pick, counts[i], loosely, &step);
        if (status)
            return status;
        for (unsigned event = 0; event < SG_EVENTS; event++)
            if (!first[event] && step.events[event / 64] >> (event % 64) & 1)
                first[event] = i;
        pick += counts[i];
        now = step.to;
    }
    return 0;
}

/* Self-check for tests: every table, and the states counted by depth against the levels. */
SG_EXPORT int sg_check(const sg_run *run)
{
    uint64_t *found = calloc(SG_MAX_DEPTH + 1, sizeof *found);
    int status = found ? 0 : SG_NO_MEMORY;
    for (unsigned i = 0; i < run->options.threads && !status; i++) {
        const sg_store *s = &run->workers[i]->store;
        if (!sg_store_check(s)) {
            status = SG_INCONSISTENT;
            break;
        }
        for (uint64_t slot = 0; slot < sg_store_slots(s) && !status; slot++)
            if (sg_slot_full(s, slot)) {
                sg_key key = sg_slot_key(s, slot);
                found[sg_slot_depth(s, slot)]++;
                if (sg_owner(&key, run->options.threads) != i)
                    status = SG_INCONSISTENT;
            }
    }
    for (uint32_t d = 0; d <= run->summary.deepest && !status && !run->status; d++)
        if (found[d] != run->levels[d])
            status = SG_INCONSISTENT;
    free(found);
    return status;
}
