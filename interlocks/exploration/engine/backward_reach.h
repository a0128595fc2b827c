/* From which states can a goal no longer be reached?
 *
 * A state is good for a goal if one of its transitions meets the goal in its stage 1, or leads to a good
 * state: the least such set. One bit a state and goal.
 *
 * First by sweeps over the states that are not good for every goal yet, from the deepest level to the first
 * and back by turns, because what leads to a goal mostly lies on the next level and is then decided in one
 * sweep. When a sweep decides less than a third of what was left, the edges among the rest are stored
 * (backward_edges.h) and the bits carried along them, in linear time; if there is no memory for edges, the
 * sweeps go on until one changes nothing.
 *
 * The least fixpoint is unique, so neither the order nor the threads change the result. In a sweep a bit is
 * written only by its owner and only ever set; others read it without waiting and at worst see it a sweep
 * later.
 */
#ifndef SG_EXPLORER_BACKWARD_REACH_H
#define SG_EXPLORER_BACKWARD_REACH_H

#include "level_order.h"

/* States that are not good for a goal, and the least of them by (depth, key). */
typedef struct {
    uint64_t count;
    uint64_t depth;
    sg_key key;
} sg_unable;

#if SG_POSSIBLE > 0

#if SG_POSSIBLE <= 8 /* as many as are worked out at once */
typedef uint8_t sg_goal_bits;
#elif SG_POSSIBLE <= 16
typedef uint16_t sg_goal_bits;
#else
typedef uint32_t sg_goal_bits;
#endif

typedef struct {
    sg_key to;
    uint64_t place;
    uint64_t from_slot;
    uint32_t from; /* index in the order of the asking thread */
} sg_question;

enum sg_purpose { SG_SWEEP, SG_COUNT_EDGES, SG_FILL_EDGES };

typedef struct {
    sg_run *run;
    unsigned word;     /* goals are worked out 32 at a time, these from 32 * word on */
    sg_goal_bits mask; /* those asked for */
    uint32_t deepest;
    uint64_t left;     /* states not good for every goal, after the last sweep */
    int slow;          /* the last sweep decided few of them */
} sg_closing;

/* One thread's part, kept in its worker's scratch. */
typedef struct {
    sg_closing *all;
    sg_worker *me;
    sg_goal_bits *good; /* by slot */
    enum sg_purpose purpose;
    uint64_t slot;      /* state being expanded */
    uint32_t index;     /* its place in `order` */
    uint64_t changes;
    sg_question ring[2 * SG_RING];
    uint64_t asked, peeked, answered; /* each key waits twice: for its tags, for the rest */
    uint64_t *ends;     /* of each level in the shrinking order */
    /* of backward_edges.h */
    uint64_t nodes;     /* states left here: order[0..nodes) */
    uint32_t first;     /* number of the first of them in the whole team */
    uint32_t *numbers;  /* by slot: index in `order` + 1, or 0 for a state that is decided */
    uint64_t *heads;    /* by index: where the edges into it end (first counts, then cursors) */
    uint32_t *edges;    /* numbers of the states they come from */
    uint64_t edge_room;
    int lacking;        /* no memory for this */
} sg_closer;

static inline sg_goal_bits sg_good_load(const sg_goal_bits *p)
{
    return __atomic_load_n(p, __ATOMIC_RELAXED);
}

static inline void sg_good_add(sg_closer *c, uint64_t slot, sg_goal_bits bits)
{
    sg_goal_bits before = sg_good_load(&c->good[slot]), after = (sg_goal_bits)(before | (bits & c->all->mask));
    if (after != before) {
        __atomic_store_n(&c->good[slot], after, __ATOMIC_RELAXED);
        c->changes++;
    }
}

static inline sg_closer *sg_closer_of(const sg_run *run, uint64_t worker)
{
    return run->workers[worker]->scratch;
}

/* The tags are there: ask for the words and bits that will be read. */
static inline void sg_peek(sg_closer *c)
{
    const sg_question *q = &c->ring[c->peeked++ % (2 * SG_RING)];
    const sg_closer *owner = sg_closer_of(c->all->run, q->place >> 32);
    uint64_t slot = sg_store_glance(&owner->me->store, &q->to, (uint32_t)q->place);
    if (slot == SG_NOWHERE)
        return;
    __builtin_prefetch(sg_body(&owner->me->store, slot));
    __builtin_prefetch(&owner->good[slot]);
    if (c->purpose != SG_SWEEP)
        __builtin_prefetch(&owner->numbers[slot]);
}

static inline void sg_answer(sg_closer *c)
{
    const sg_question *q = &c->ring[c->answered++ % (2 * SG_RING)];
    if (c->purpose == SG_SWEEP && sg_good_load(&c->good[q->from_slot]) == c->all->mask)
        return;
    sg_closer *owner = sg_closer_of(c->all->run, q->place >> 32);
    uint64_t slot = sg_store_find(&owner->me->store, &q->to, (uint32_t)q->place);
    if (slot == SG_NOWHERE) {
        sg_halt(c->all->run, SG_INCONSISTENT); /* a complete search stores every successor */
        return;
    }
    if (c->purpose != SG_FILL_EDGES)
        sg_good_add(c, q->from_slot, sg_good_load(&owner->good[slot]));
    if (c->purpose == SG_SWEEP || !owner->numbers[slot])
        return;
    uint64_t *head = &owner->heads[owner->numbers[slot] - 1];
    if (c->purpose == SG_COUNT_EDGES)
        __atomic_fetch_add(head, 1, __ATOMIC_RELAXED);
    else
        owner->edges[__atomic_sub_fetch(head, 1, __ATOMIC_RELAXED)] = c->first + q->from;
}

static inline void sg_answer_all(sg_closer *c)
{
    while (c->peeked < c->asked)
        sg_peek(c);
    while (c->answered < c->asked)
        sg_answer(c);
}

static int sg_ask(void *arg, sg_context *context, const sg_key *from, const sg_key *to, uint32_t split)
{
    (void)split;
    sg_closer *c = arg;
    if (c->purpose == SG_SWEEP) {
        uint32_t goals = sg_goals_hit(context, c->all->word);
        if (goals)
            sg_good_add(c, c->slot, (sg_goal_bits)goals);
        if (sg_good_load(&c->good[c->slot]) == c->all->mask)
            return 1;
    }
    if (sg_key_same(from, to))
        return 0;
    if (c->asked - c->peeked == SG_RING)
        sg_peek(c);
    if (c->asked - c->answered == 2 * SG_RING)
        sg_answer(c);
    sg_question *q = &c->ring[c->asked++ % (2 * SG_RING)];
    q->to = *to;
    q->place = sg_place(to, c->all->run->options.threads);
    q->from_slot = c->slot;
    q->from = c->index;
    sg_store_prefetch(&c->all->run->workers[q->place >> 32]->store, (uint32_t)q->place);
    return 0;
}

/* Ask about every successor of the state in order[index], unless it is all to end. */
static void sg_ask_all(sg_closer *c, uint64_t index)
{
    sg_worker *me = c->me;
    c->index = (uint32_t)index;
    c->slot = me->order[index];
    if (SG_RARE(me->run->progress.stop))
        sg_halt(me->run, SG_STOPPED);
    if (sg_halted(me->run))
        return;
    if (index + SG_AHEAD < me->store.count) {
        __builtin_prefetch(sg_tag(&me->store, me->order[index + SG_AHEAD]));
        __builtin_prefetch(sg_body(&me->store, me->order[index + SG_AHEAD]));
    }
    sg_key from = sg_slot_key(&me->store, c->slot);
    if (sg_walk(&me->context, &from, sg_ask, c))
        sg_halt(me->run, me->context.fault);
}

static void sg_sweep_level(sg_closer *c, uint32_t depth)
{
    sg_worker *me = c->me;
    uint64_t kept = me->starts[depth];
    for (uint64_t i = me->starts[depth]; i < c->ends[depth]; i++) {
        if (sg_good_load(&c->good[me->order[i]]) == c->all->mask)
            continue;
        me->order[kept] = me->order[i];
        sg_ask_all(c, kept++);
    }
    c->ends[depth] = kept;
    sg_answer_all(c);
}

static uint64_t sg_left(const sg_closer *c)
{
    uint64_t left = 0;
    for (uint32_t d = 0; d <= c->all->deepest; d++)
        left += c->ends[d] - c->me->starts[d];
    return left;
}

/* All members agree on what worker 0 decides between the barriers. */
#define SG_AGREE(c, condition)                    \
    do {                                          \
        sg_barrier_wait(&(c)->all->run->barrier); \
        if (!(c)->me->index)                      \
            (c)->all->run->go_on = (condition);   \
        sg_barrier_wait(&(c)->all->run->barrier); \
    } while (0)

#include "backward_edges.h"

/* Sums over the team, for worker 0 at a barrier. */
static int sg_sweep_again(sg_closing *all, int edges_possible)
{
    uint64_t changes = 0, left = 0;
    for (unsigned t = 0; t < all->run->options.threads; t++) {
        changes += sg_closer_of(all->run, t)->changes;
        left += sg_left(sg_closer_of(all->run, t));
    }
    all->run->progress.frontier = left;
    all->slow = edges_possible && left > all->left / 3 * 2;
    all->left = left;
    return changes && left && !sg_halted(all->run);
}

static void sg_closure_job(void *arg, unsigned index)
{
    sg_closing *all = arg;
    sg_run *run = all->run;
    sg_closer *c = run->workers[index]->scratch;
    uint64_t bits = sg_store_slots(&c->me->store) * sizeof *c->good;
    c->good = sg_budget_take(&run->budget, bits) ? calloc(bits, 1) : NULL;
    c->ends = calloc((uint64_t)all->deepest + 1, sizeof *c->ends);
    if (!c->good || !c->ends || !sg_levels_sort(c->me))
        sg_halt(run, SG_CAPPED_MEMORY);
    else
        for (uint32_t d = 0; d <= all->deepest; d++)
            c->ends[d] = c->me->starts[d + 1];
    SG_AGREE(c, !sg_halted(run));
    int down = 1, edges_possible = 1;
    while (run->go_on) {
        c->changes = 0;
        for (uint32_t i = 0; i <= all->deepest; i++) {
            sg_sweep_level(c, down ? all->deepest - i : i);
            sg_barrier_wait(&run->barrier);
        }
        down = !down;
        SG_AGREE(c, sg_sweep_again(all, edges_possible));
        if (run->go_on && all->slow && sg_carry_along_edges(c, &edges_possible))
            return;
    }
}

static void sg_closure_count(const sg_closer *c, const sg_closing *all, sg_unable *out)
{
    for (uint32_t d = 0; d <= all->deepest; d++)
        for (uint64_t i = c->me->starts[d]; i < c->ends[d]; i++) {
            uint64_t slot = c->me->order[i];
            uint32_t missing = all->mask & (uint32_t)~c->good[slot];
            if (!missing)
                continue;
            sg_key key = sg_slot_key(&c->me->store, slot);
            for (; missing; missing &= missing - 1) {
                sg_unable *u = &out[__builtin_ctz(missing)];
                if (!u->count++ || d < u->depth || (d == u->depth && sg_key_compare(&key, &u->key) < 0)) {
                    u->depth = d;
                    u->key = key;
                }
            }
        }
}

/* out: one for each of 32 goals; those not in `goals` stay zero. */
static int sg_close_over(sg_run *run, unsigned word, uint32_t goals, sg_unable *out)
{
    sg_closing all = {run, word, (sg_goal_bits)goals, run->summary.deepest, run->summary.states, 0};
    int status = 0;
    memset(out, 0, 32 * sizeof *out);
    for (unsigned t = 0; t < run->options.threads && !status; t++) {
        sg_closer *c = run->workers[t]->scratch = calloc(1, sizeof *c);
        if (c)
            *c = (sg_closer){.all = &all, .me = run->workers[t]};
        else
            status = SG_NO_MEMORY;
    }
    if (!status) {
        sg_begin(run);
        if (sg_team_run(run->options.threads, sg_closure_job, &all))
            sg_halt(run, SG_NO_THREAD);
        status = sg_halted(run);
    }
    for (unsigned t = 0; t < run->options.threads; t++) {
        sg_worker *w = run->workers[t];
        sg_closer *c = w->scratch;
        if (!c)
            continue;
        if (!status)
            sg_closure_count(c, &all, out);
        if (c->good)
            sg_budget_give(&run->budget, sg_store_slots(&w->store) * sizeof *c->good);
        free(c->good);
        free(c->ends);
        free(c);
        w->scratch = NULL;
        sg_levels_drop(w);
    }
    return status;
}

#endif
#endif
