/* One exploration: what its parts share, and how the transitions of a state are enumerated. */
#ifndef SG_EXPLORER_RUN_H
#define SG_EXPLORER_RUN_H

#include "state_table.h"
#include "thread_team.h"
#include "message_queues.h"

#define SG_RARE(x) __builtin_expect(!!(x), 0)

/* The layout of the structures from here to sg_summary is mirrored in explorer_library.py. */
typedef struct {
    uint32_t threads;
    uint32_t unused;
    uint64_t state_cap;     /* distinct states */
    uint64_t byte_cap;      /* of everything that grows */
    uint64_t first_buckets; /* of each thread's table; raised to the least possible */
} sg_options;

/* Read by the caller while a call runs; `stop` is written by it. */
typedef struct {
    volatile uint64_t states, transitions, frontier, bytes, depth;
    volatile uint64_t stop;
} sg_progress;

/* The least of the first transitions in which something happened. */
typedef struct {
    uint32_t depth; /* of the state it ends in; 0: never happened */
    uint32_t split; /* picks of stage 1 */
    uint32_t picks;
    sg_pick pick[SG_MAX_CHOICES];
    sg_key from;
} sg_record;

typedef struct {
    uint64_t states, transitions;
    uint64_t bytes;       /* of tables, queues and buffers; not of the memos */
    uint64_t levels;      /* levels expanded completely */
    uint64_t stuck;       /* states all of whose transitions lead to themselves */
    uint32_t stuck_depth; /* of the least of them by (depth, key) */
    uint32_t deepest;     /* depth of the deepest state found */
    sg_key stuck_key;
} sg_summary;

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

/* Which thread a key belongs to. States with the same controller and the same places of the parts share what
 * is worked out for them (memo_transitions.h), so they belong to one thread: the rest of a key has no say. */
static inline uint32_t sg_owner(const sg_key *k, uint32_t owners)
{
    uint64_t h = 0;
    for (unsigned i = 0; i < SG_KEY_WORDS; i++) {
#ifdef SG_SEGMENTS
        h ^= k->w[i] & sg_owner_mask[i];
#else
        h ^= k->w[i];
#endif
        h *= UINT64_C(0xD6E8FEB86659FD93);
        h ^= h >> 32;
    }
    return (uint32_t)((h & UINT32_MAX) * owners >> 32);
}

/* Where a key belongs: its owner in the high half, its spread in the low half. */
static inline uint64_t sg_place(const sg_key *k, uint32_t owners)
{
    return (uint64_t)sg_owner(k, owners) << 32 | sg_spread(k);
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

static void sg_record_fill(sg_record *r, const sg_context *c, const sg_key *from, uint32_t depth, uint32_t split)
{
    r->depth = depth;
    r->split = split;
    r->picks = c->asked;
    memcpy(r->pick, c->pick, c->asked * sizeof c->pick[0]);
    r->from = *from;
}

#ifndef SG_FILTER
#define SG_FILTER 4096 /* keys; a power of two */
#endif
#ifndef SG_RING
#define SG_RING 64 /* keys; a power of two */
#endif

typedef struct {
    sg_key key;
    uint32_t spread;
} sg_pending;

typedef struct sg_worker {
    struct sg_run *run;
    uint32_t index, depth; /* depth of the states being expanded */
    sg_context context;
    uint64_t open[SG_EVENT_WORDS]; /* events whose first depth is not over yet */
    sg_record records[SG_EVENTS + 1];
    int moved;                    /* the state being expanded leads to another one */
    uint64_t transitions, stuck;
    sg_record least_stuck;        /* only depth and from */
    sg_store store;
    sg_queue queue;               /* states not expanded yet, in the order they were found */
    uint64_t left;                /* of them, those of the present depth */
    sg_pending ring[SG_RING];
    uint64_t ringed, settled;     /* keys that entered the ring, that left it */
    sg_pending again[SG_RING];    /* those of them that are probably known */
    uint64_t doubted, cleared;    /* entered that ring, left it */
    sg_key filter[SG_FILTER];     /* keys seen lately */
    sg_mailbox mailbox;           /* keys of other threads, on their way */
    atomic_uint_fast64_t seen_states, seen_transitions, seen_left; /* published */
    uint32_t *order;              /* slots sorted by depth, while a closure or a story is made */
    uint64_t *starts;             /* where in `order` a depth starts */
    void *scratch;                /* of the closure or the story */
} sg_worker;

typedef struct sg_run {
    sg_options options;
    sg_progress progress;
    sg_budget budget;
    uint64_t memos;    /* bytes of it that do not grow with the states: what threads keep of steps */
    sg_barrier barrier;
    sg_worker *workers[SG_MAX_THREADS];
    atomic_int halt;   /* an sg_status that ends the call */
    atomic_uint expanded; /* threads that have expanded their states of this level */
    int go_on;         /* written by worker 0 between two barriers */
    int ended;         /* the search was run */
    int status;        /* of the search */
    int damaged;       /* a table was lost to lack of memory: nothing can be asked any more */
    sg_record records[SG_EVENTS + 1];
    uint8_t marks[SG_MARKS > 0 ? SG_MARKS : 1];
    sg_summary summary;
    uint64_t *levels;  /* states found at each depth */
    uint64_t levels_room;
} sg_run;

/* The first reason to halt stays. */
static void sg_halt(sg_run *run, int status)
{
    int none = 0;
    atomic_compare_exchange_strong(&run->halt, &none, status);
}

static inline int sg_halted(const sg_run *run)
{
    return atomic_load_explicit(&run->halt, memory_order_relaxed);
}

/* A call into the engine begins: whatever ended the one before is over, and the stop flag counts. */
static void sg_begin(sg_run *run)
{
    atomic_store(&run->halt, 0);
    for (unsigned i = 0; i < run->options.threads; i++) {
        run->workers[i]->context.fault = 0;
        run->workers[i]->context.stop = &run->progress.stop;
    }
}

#endif
