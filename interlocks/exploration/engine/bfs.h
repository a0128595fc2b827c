/* Level-synchronous breadth-first search by a team of owners.
 *
 * Every state belongs to the thread that a hash of a part of it names (sg_owner); only the owner touches the
 * table it lies in and the queue it waits in, so nothing is locked. A thread works off a level in pieces:
 *
 *     expand a piece of my queue:   successor --filter--> mine:   ring (prefetch) -> table -> queue
 *                                                     \-> other's: message for its owner
 *     insert what others have posted to me meanwhile
 *
 * Who has expanded everything posts its begun messages, says so in `expanded`, and goes on inserting until
 * all have said so: then nothing is on its way any more but what lies in its own inbox. The next level
 * begins after a barrier, so what is inserted during a level always belongs to the next one.
 *
 * The filter holds complete keys that this thread passed on lately; meeting one again needs no look at
 * the table. The ring lets the table line arrive while other successors are computed; keys whose tag is
 * found wait in a second ring for the rest of that entry.
 *
 * Invariant: at the start of level d all states with distance < d are stored and expanded, those with
 * distance d are stored and wait in the queues. Hence a depth is a shortest distance, whatever the number
 * of threads; counts, sets, records and verdicts do not depend on it either, as a record keeps the least
 * (from-key, choice vector) of its first depth. When a run is halted within a level, the depths of what
 * was found are still shortest, but a record of that last level need not be the least one.
 */
#ifndef SG_EXPLORER_BFS_H
#define SG_EXPLORER_BFS_H

#include "run.h"

#define SG_PIECE_STATES 512 /* expanded between two looks at caps, stop flag and arrived messages */

/* Take note of the open events of a transition. */
static __attribute__((noinline, cold)) void sg_note(sg_worker *me, sg_context *c, const sg_key *from,
                                                    uint32_t split)
{
    if (c->fault)
        sg_halt(me->run, c->fault);
    sg_tell(c);
    for (unsigned w = 0; w < SG_EVENT_WORDS; w++)
        for (uint64_t hit = c->events[w] & me->open[w]; hit; hit &= hit - 1) {
            unsigned event = w * 64 + (unsigned)__builtin_ctzll(hit);
            sg_record *best = &me->records[event];
            /* transitions of one state come in order, so of equal keys the first is the least */
            if (event < SG_EVENTS && (!best->depth || sg_key_compare(from, &best->from) < 0))
                sg_record_fill(best, c, from, me->depth + 1, split);
        }
}

static inline int sg_insert_next(sg_worker *me, const sg_pending *p, int tags_only)
{
    return sg_store_insert(&me->store, &p->key, p->spread, me->depth < SG_MAX_DEPTH ? me->depth + 1 : SG_MAX_DEPTH,
                           tags_only);
}

/* What follows when a key turned out to be new, or found no room. */
static inline void sg_welcome(sg_worker *me, const sg_pending *p, int result)
{
    if (SG_RARE(result < 0 || !sg_queue_push(&me->queue, &p->key))) {
        if (!me->store.words)
            me->run->damaged = 1;
        sg_halt(me->run, SG_CAPPED_MEMORY);
    } else if (SG_RARE(me->depth >= SG_MAX_DEPTH)) {
        sg_halt(me->run, SG_TOO_DEEP);
    }
}

static inline void sg_settle_again(sg_worker *me)
{
    const sg_pending *p = &me->again[me->cleared++ % SG_RING];
    int result = sg_insert_next(me, p, 0);
    if (SG_RARE(result))
        sg_welcome(me, p, result);
}

/* The oldest key of the ring: store it if it is new, let it wait once more if it seems to be known. */
static inline void sg_settle(sg_worker *me)
{
    const sg_pending *p = &me->ring[me->settled++ % SG_RING];
    int result = sg_insert_next(me, p, 1);
    if (result == 2) {
        if (me->doubted - me->cleared == SG_RING)
            sg_settle_again(me);
        me->again[me->doubted++ % SG_RING] = *p;
    } else if (result) {
        sg_welcome(me, p, result);
    }
}

/* A key of mine: ask for its table line now, look at it SG_RING keys later. */
static inline void sg_take_in(sg_worker *me, const sg_key *key, uint32_t spread)
{
    sg_pending *p = &me->ring[me->ringed % SG_RING];
    if (me->ringed - me->settled == SG_RING)
        sg_settle(me);
    p->key = *key;
    p->spread = spread;
    me->ringed++;
    sg_store_prefetch(&me->store, spread);
}

static void sg_settle_all(sg_worker *me)
{
    while (me->settled < me->ringed)
        sg_settle(me);
    while (me->cleared < me->doubted)
        sg_settle_again(me);
}

/* Insert what others have posted to me; 0 when there was nothing. */
static int sg_take_deliveries(sg_worker *me)
{
    sg_message *p = sg_inbox_take(&me->mailbox.arrived);
    if (!p)
        return 0;
    while (p) {
        sg_message *next = p->next;
        for (uint32_t k = 0; k < p->count && !sg_halted(me->run); k++) {
            sg_key key = sg_take_up(&p->keys[k]);
            sg_take_in(me, &key, sg_spread(&key));
        }
        sg_inbox_put(&me->run->workers[p->maker]->mailbox.returned, p);
        p = next;
    }
    sg_settle_all(me);
    return 1;
}

/* An empty message, or NULL when memory is out or the run is halted. While too many are on their way it inserts
 * what has arrived here, so no two threads wait for one another. */
static __attribute__((noinline)) sg_message *sg_message_begin(sg_worker *me)
{
    sg_message *p;
    for (unsigned looks = 0; !(p = sg_message_again(&me->mailbox)); looks++) {
        if (me->mailbox.count < SG_MESSAGES_OUT + me->run->options.threads)
            return sg_message_make(&me->mailbox, me->index, &me->run->budget);
        if (sg_halted(me->run))
            return NULL;
        if (!sg_take_deliveries(me))
            sg_pause(looks);
    }
    return p;
}

/* The message being packed for a thread goes on its way. */
static inline void sg_dispatch(sg_worker *me, uint32_t owner)
{
    sg_inbox_put(&me->run->workers[owner]->mailbox.arrived, me->mailbox.packing[owner]);
    me->mailbox.packing[owner] = NULL;
}

/* A key of another thread: 0 when memory is out. */
static inline int sg_send(sg_worker *me, uint32_t owner, const sg_key *key)
{
    sg_message **packing = &me->mailbox.packing[owner];
    if (SG_RARE(!*packing) && !(*packing = sg_message_begin(me)))
        return 0;
    sg_message *p = *packing;
    p->keys[p->count++] = sg_lay_by(key);
    if (SG_RARE(p->count == SG_MESSAGE_KEYS))
        sg_dispatch(me, owner);
    return 1;
}

static inline __attribute__((always_inline)) int sg_arrive(void *arg, sg_context *c, const sg_key *from,
                                                           const sg_key *to, uint32_t split)
{
    sg_worker *me = arg;
    me->transitions++;
    uint64_t hit = 0;
    for (unsigned w = 0; w < SG_EVENT_WORDS; w++)
        hit |= c->events[w] & me->open[w];
    if (SG_RARE(hit)) {
        sg_note(me, c, from, split);
        if (c->fault)
            return 1;
    }
    if (sg_key_same(from, to))
        return 0;
    me->moved = 1;
    uint32_t spread = sg_spread(to);
    sg_key *lately = &me->filter[spread % SG_FILTER];
    if (sg_key_same(lately, to))
        return 0;
    *lately = *to;
    uint32_t owner = sg_owner(to, me->run->options.threads);
    if (owner == me->index) {
        sg_take_in(me, to, spread);
        return 0;
    }
    if (SG_RARE(!sg_send(me, owner, to))) {
        sg_halt(me->run, SG_CAPPED_MEMORY);
        return 1;
    }
    return 0;
}

static void sg_expand_piece(sg_worker *me)
{
    for (unsigned i = 0; i < SG_PIECE_STATES && me->left && !sg_halted(me->run); i++) {
        sg_key from = sg_queue_pop(&me->queue);
        me->left--;
        me->moved = 0;
        sg_transitions(&me->context, &from, sg_arrive, me, 1);
        if (SG_RARE(me->context.fault))
            sg_halt(me->run, me->context.fault);
        else if (SG_RARE(!me->moved) && !sg_is_end(&from)) {
            sg_record *least = &me->least_stuck;
            if (!me->stuck++ || (least->depth == me->depth && sg_key_compare(&from, &least->from) < 0)) {
                least->depth = me->depth;
                least->from = from;
            }
        }
    }
    sg_settle_all(me);
}

/* Publish my counts; the team's sums go to the caller and are held against the caps. */
static void sg_look_up(sg_worker *me)
{
    sg_run *run = me->run;
    atomic_store_explicit(&me->seen_states, me->store.count, memory_order_relaxed);
    atomic_store_explicit(&me->seen_transitions, me->transitions, memory_order_relaxed);
    atomic_store_explicit(&me->seen_left, me->queue.length, memory_order_relaxed);
    if (run->progress.stop)
        sg_halt(run, SG_STOPPED);
    if (me->index)
        return;
    uint64_t states = 0, transitions = 0, left = 0;
    for (unsigned i = 0; i < run->options.threads; i++) {
        states += atomic_load_explicit(&run->workers[i]->seen_states, memory_order_relaxed);
        transitions += atomic_load_explicit(&run->workers[i]->seen_transitions, memory_order_relaxed);
        left += atomic_load_explicit(&run->workers[i]->seen_left, memory_order_relaxed);
    }
    run->progress.states = states;
    run->progress.transitions = transitions;
    run->progress.frontier = left;
    run->progress.bytes = atomic_load(&run->budget.used);
    run->progress.depth = me->depth;
    if (states > run->options.state_cap)
        sg_halt(run, SG_CAPPED_STATES);
}

/* Merge what the team found at this level, by worker 0 while the others wait. */
static void sg_end_level(sg_run *run, uint32_t depth)
{
    uint64_t states = 0, waiting = 0, open[SG_EVENT_WORDS] = {0};
    open[SG_FAULT_EVENT >> 6] = UINT64_C(1) << (SG_FAULT_EVENT & 63);
    for (unsigned event = 0; event < SG_EVENTS; event++) {
        sg_record *best = &run->records[event];
        for (unsigned i = 0; i < run->options.threads && (!best->depth || best->depth == depth + 1); i++) {
            const sg_record *found = &run->workers[i]->records[event];
            if (found->depth && (!best->depth || sg_key_compare(&found->from, &best->from) < 0))
                *best = *found;
        }
        if (!best->depth)
            open[event >> 6] |= UINT64_C(1) << (event & 63);
    }
    for (unsigned i = 0; i < run->options.threads; i++) {
        sg_worker *w = run->workers[i];
        states += w->store.count;
        waiting += w->queue.length;
        memcpy(w->open, open, sizeof open);
    }
    if (states > run->options.state_cap)
        sg_halt(run, SG_CAPPED_STATES);
    int halted = sg_halted(run);
    uint64_t left = 0;
    for (unsigned i = 0; i < run->options.threads; i++)
        left += run->workers[i]->left;
    if (!halted)
        run->summary.levels = depth + 1;
    if (waiting > left) { /* something new was found */
        run->summary.deepest = depth < SG_MAX_DEPTH ? depth + 1 : SG_MAX_DEPTH;
        if (depth + 2 > run->levels_room) {
            uint64_t room = run->levels_room * 2;
            uint64_t *more = realloc(run->levels, room * sizeof *more);
            if (!more) {
                sg_halt(run, SG_CAPPED_MEMORY);
                run->go_on = 0;
                return;
            }
            run->levels = more;
            run->levels_room = room;
        }
        run->levels[depth + 1] = waiting - left;
    }
    atomic_store(&run->expanded, 0);
    run->go_on = !halted && waiting;
}

static void sg_search_job(void *arg, unsigned index)
{
    sg_run *run = arg;
    sg_worker *me = run->workers[index];
    for (uint32_t depth = 0;; depth++) {
        me->depth = depth;
        me->left = me->queue.length;
        for (;;) {
            sg_look_up(me);
            if (!me->left || sg_halted(run))
                break;
            sg_expand_piece(me);
            sg_take_deliveries(me);
        }
        for (unsigned i = 0; i < run->options.threads; i++)
            if (me->mailbox.packing[i])
                sg_dispatch(me, i);
        atomic_fetch_add(&run->expanded, 1);
        for (unsigned looks = 0; atomic_load(&run->expanded) < run->options.threads; looks++) {
            if (sg_take_deliveries(me))
                looks = 0;
            else
                sg_pause(looks);
            sg_look_up(me);
        }
        sg_take_deliveries(me);
        sg_barrier_wait(&run->barrier);
        if (!index)
            sg_end_level(run, depth);
        sg_barrier_wait(&run->barrier);
        if (!run->go_on)
            break;
    }
    sg_look_up(me);
}

/* Initial states are stored by one thread, before the team starts. */
static int sg_found_initial(void *arg, sg_context *c, const sg_key *from, const sg_key *to, uint32_t split)
{
    (void)c, (void)from, (void)split;
    sg_run *run = arg;
    uint64_t place = sg_place(to, run->options.threads);
    sg_worker *w = run->workers[place >> 32];
    int result = sg_store_insert(&w->store, to, (uint32_t)place, 0, 0);
    if (result < 0 || (result > 0 && !sg_queue_push(&w->queue, to))) {
        if (!w->store.words)
            run->damaged = 1;
        return SG_CAPPED_MEMORY;
    }
    run->levels[0] += (uint64_t)result;
    return run->levels[0] > run->options.state_cap ? SG_CAPPED_STATES : run->progress.stop ? SG_STOPPED : 0;
}

/* No key is in the filter at first: fill it with keys that look-ups at their place can never equal. */
static void sg_filter_reset(sg_worker *me)
{
    sg_key never;
    memset(&never, 0, sizeof never);
#if SG_KEY_BITS % 64
    never.w[SG_KEY_WORDS - 1] = UINT64_C(1) << (SG_KEY_BITS % 64);
    for (unsigned i = 0; i < SG_FILTER; i++)
        me->filter[i] = never;
#else
    uint32_t zero_at = sg_spread(&never) % SG_FILTER;
    for (unsigned i = 0; i < SG_FILTER; i++)
        me->filter[i] = never;
    do
        never.w[0]++;
    while (sg_spread(&never) % SG_FILTER == zero_at);
    me->filter[zero_at] = never;
#endif
}

static int sg_search(sg_run *run)
{
    sg_begin(run);
    int early = sg_initials(&run->workers[0]->context, sg_found_initial, run);
    run->ended = 1;
    atomic_store(&run->halt, early);
    for (unsigned i = 0; i < run->options.threads; i++) {
        sg_worker *w = run->workers[i];
        sg_filter_reset(w);
        for (unsigned event = 0; event <= SG_EVENTS; event++)
            w->open[event >> 6] |= UINT64_C(1) << (event & 63);
    }
    if (!early && sg_team_run(run->options.threads, sg_search_job, run))
        sg_halt(run, SG_NO_THREAD);
    sg_summary *sum = &run->summary;
    for (unsigned i = 0; i < run->options.threads; i++) {
        sg_worker *w = run->workers[i];
        sum->states += w->store.count;
        sum->transitions += w->transitions;
        if (w->stuck && (!sum->stuck || w->least_stuck.depth < sum->stuck_depth ||
                         (w->least_stuck.depth == sum->stuck_depth &&
                          sg_key_compare(&w->least_stuck.from, &sum->stuck_key) < 0))) {
            sum->stuck_depth = w->least_stuck.depth;
            sum->stuck_key = w->least_stuck.from;
        }
        sum->stuck += w->stuck;
        for (unsigned m = 0; m < SG_MARKS; m++)
            run->marks[m] |= w->context.marks[m];
    }
    sum->bytes = atomic_load(&run->budget.used) - run->memos;
    return run->status = sg_halted(run);
}

#endif
