/* One exploration: what its threads share, and what belongs to each of them. */
#ifndef SG_EXPLORER_RUN_H
#define SG_EXPLORER_RUN_H

#include "state_table.h"
#include "thread_team.h"
#include "message_queues.h"
#include "transitions.h"

/* The layout of the structures from here to sg_summary is mirrored in engine_abi.py. */
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
