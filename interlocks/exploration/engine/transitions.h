/* Every transition of a state, and every initial state, in the order of their choice vectors.
 *
 * A step asks for its choices as it comes to them (step_api.h). Which of them have been picked is a number
 * with as many digits as there were questions; it is counted up like an odometer, and the step is run again
 * from the first digit that changed. With SG_SEGMENTS the step's pieces are kept and reused
 * (memo_transitions.h), with the same transitions in the same order.
 */
#ifndef SG_EXPLORER_TRANSITIONS_H
#define SG_EXPLORER_TRANSITIONS_H

#include "memory_budget.h"

#define SG_RARE(x) __builtin_expect(!!(x), 0)

/* Keys compared as numbers. */
static inline int sg_key_compare(const sg_key *a, const sg_key *b)
{
    for (unsigned i = SG_KEY_WORDS; i--;)
        if (a->w[i] != b->w[i])
            return a->w[i] < b->w[i] ? -1 : 1;
    return 0;
}

static inline int sg_key_same(const sg_key *a, const sg_key *b)
{
    uint64_t differ = 0;
    for (unsigned i = 0; i < SG_KEY_WORDS; i++)
        differ |= a->w[i] ^ b->w[i];
    return !differ;
}

static inline int sg_key_stray(const sg_key *k)
{
#if SG_KEY_BITS % 64
    return SG_RARE(k->w[SG_KEY_WORDS - 1] >> (SG_KEY_BITS % 64)) != 0;
#else
    (void)k;
    return 0;
#endif
}

static inline void sg_events_clear(sg_context *c)
{
    for (unsigned i = 0; i < SG_EVENT_WORDS; i++)
        c->events[i] = 0;
}

static inline void sg_goals_note(sg_context *c, const sg_work *w)
{
    (void)c, (void)w;
#if SG_POSSIBLE > 0
    for (unsigned word = 0; word < SG_GOAL_WORDS; word++)
        for (uint32_t goals = sg_goals(w, word); goals; goals &= goals - 1) {
            unsigned event = SG_BREAKS + 32 * word + (unsigned)__builtin_ctz(goals);
            c->events[event >> 6] |= UINT64_C(1) << (event & 63);
        }
#endif
}

#if SG_POSSIBLE > 0
/* Of the goals from 32 * word on, those met in this transition. */
static inline uint32_t sg_goals_hit(const sg_context *c, unsigned word)
{
    uint32_t goals = 0;
    for (unsigned i = 0; i < 32 && 32 * word + i < SG_POSSIBLE; i++) {
        unsigned event = SG_BREAKS + 32 * word + i;
        goals |= (uint32_t)(c->events[event >> 6] >> (event & 63) & 1) << i;
    }
    return goals;
}
#endif

/* After a stage: every pick that was to be replayed has been asked for again. */
static inline void sg_steady(sg_context *c)
{
    if (SG_RARE(c->asked != c->fixed))
        sg_fault(c, SG_UNSTEADY_STEP);
}

/* The next leaf of the odometer over the picks from `base` on; 0 when all have been visited. A state may have
 * more choices than a lifetime visits, so the stop flag is looked at here: it ends all that is enumerated. */
static inline int sg_next_leaf(sg_context *c, uint32_t base)
{
    if (SG_RARE(c->stop && *c->stop)) {
        sg_fault(c, SG_STOPPED);
        return 0;
    }
    while (c->fixed > base) {
        uint32_t last = c->fixed - 1;
        if (++c->pick[last] < c->size[last])
            return 1;
        c->fixed = last;
    }
    return 0;
}

/* Called for every transition; c->events, c->pick and c->asked tell about it. Nonzero: enough seen. */
typedef int sg_visit(void *arg, sg_context *c, const sg_key *from, const sg_key *to, uint32_t split);

#ifndef SG_END_STATES
static inline int sg_is_end(const sg_key *key)
{
    (void)key;
    return 0;
}
#endif

#ifdef SG_SEGMENTS
#include "memo_transitions.h"
static void sg_thread_ends(void)
{
    sg_memory_drop();
}
#else
#define SG_MOST_SHIFT 1

static uint64_t sg_memory_bytes(unsigned shift)
{
    (void)shift;
    return 0;
}

static void sg_thread_ends(void)
{
}

static inline void sg_tell(sg_context *c)
{
    (void)c; /* the answers are there already */
}

/* Every transition of a state, in the order of their choice vectors; look at c->fault afterwards. What
 * stage 1 reports is told with the first stage 2 leaf below it, the least transition that holds it. */
static inline __attribute__((always_inline)) void sg_transitions(sg_context *c, const sg_key *from, sg_visit *visit,
                                                                 void *arg, const int lazy)
{
    (void)lazy;
    sg_work work;
    sg_key to;
    c->fixed = 0;
    sg_events_clear(c);
    do {
        c->asked = 0;
        sg_stage1(c, from, &work);
        sg_steady(c);
        sg_goals_note(c, &work);
        uint32_t split = c->asked;
        do {
            c->asked = split;
            sg_stage2(c, &work, &to);
            sg_steady(c);
            if (sg_key_stray(&to))
                sg_fault(c, SG_STRAY_BITS);
            if (visit(arg, c, from, &to, split))
                return;
            sg_events_clear(c);
        } while (sg_next_leaf(c, split));
    } while (sg_next_leaf(c, 0));
}
#endif

/* The same where speed matters less than compile time: one copy of the step for all callers. */
static __attribute__((noinline)) int sg_walk(sg_context *c, const sg_key *from, sg_visit *visit, void *arg)
{
    sg_transitions(c, from, visit, arg, 0);
    return c->fault;
}

/* Every initial state; nonzero is a fault or what `visit` returned to end it. */
static int sg_initials(sg_context *c, sg_visit *visit, void *arg)
{
    sg_key to;
    c->fixed = 0;
    sg_events_clear(c);
    do {
        memset(&to, 0, sizeof to);
        c->asked = 0;
        sg_initial(c, &to);
        sg_steady(c);
        if (sg_key_stray(&to))
            sg_fault(c, SG_STRAY_BITS);
        for (unsigned i = 0; i < SG_EVENTS; i++)
            if (c->events[i >> 6] >> (i & 63) & 1)
                sg_fault(c, SG_STRAY_EVENT);
        if (c->fault)
            return c->fault;
        int end = visit(arg, c, &to, &to, c->asked);
        if (end)
            return end;
    } while (sg_next_leaf(c, 0));
    return c->fault;
}

#endif
