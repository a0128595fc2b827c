/* What a generated step offers the explorer, and what the explorer offers the step.
 *
 * A generated translation unit reads, in this order:
 *
 *     #define SG_KEY_BITS 93      bits of a packed state
 *     #define SG_BREAKS   20      requirement and bounds indices that sg_break may be called with
 *     #define SG_MARKS    64      coverage marks that sg_mark may be called with
 *     #define SG_POSSIBLE  4      possibility goals
 *     #define SG_MAX_CHOICES 30   choices that one transition may ask, or one beginning; default 128
 *     #define SG_WIDEST  200      answers that one choice may have; default 65535
 *     #define SG_FREE     12      inputs that sg_need may be called with; default 0
 *     #include "step_api.h"
 *     struct sg_work { ... };     whatever the second half of a tick needs from the first
 *     static inline void     sg_initial(sg_context *c, sg_key *out);
 *     static inline void     sg_stage1(sg_context *c, const sg_key *from, sg_work *w);
 *     static inline void     sg_stage2(sg_context *c, const sg_work *w, sg_key *to);
 *     static inline uint32_t sg_goals(const sg_work *w, unsigned word);      only if SG_POSSIBLE > 0
 *     #include "explorer.c"
 *
 * One tick is two stages, so that the choices of the second (how the parts move) do not replay the
 * first (switches, scan, outputs, requirements):
 *
 *     from --stage1, choices a--> work --stage2, choices b--> to        transition = (from, a b)
 *
 * sg_goals says which goals are true at the instant that stage 1 reached, 32 in a word; it is asked once
 * per stage 1 leaf. sg_stage2 must leave *w alone, because it is called again with the next choices.
 *
 * Choices are asked on demand. `sg_choose(c, n)` returns 0..n-1; every combination is visited, and
 * which later choices are asked, and how wide they are, may depend on the earlier answers. The
 * enumeration is an odometer over one stack: the stage is run again with all picks but the last kept,
 * so leaves come in the lexicographic order of their choice vectors. The step must be a function of
 * the state and the picks; if it is not, the run ends in SG_UNSTEADY_STEP, never in a wrong count.
 *
 * Nothing here has a size of its own: whoever writes a step counts what it needs, so a larger machine
 * makes larger structures, and what grows with the situations of one step grows under the memory cap.
 *
 * Bits of a key above SG_KEY_BITS must be zero.
 */
#ifndef SG_EXPLORER_STEP_API_H
#define SG_EXPLORER_STEP_API_H

#include <stdint.h>

#if !defined SG_KEY_BITS || !defined SG_BREAKS || !defined SG_MARKS || !defined SG_POSSIBLE
#error "define SG_KEY_BITS, SG_BREAKS, SG_MARKS and SG_POSSIBLE before including step_api.h"
#endif
#if SG_KEY_BITS < 1 || SG_POSSIBLE < 0
#error "SG_KEY_BITS must be 1 or more, SG_POSSIBLE 0 or more"
#endif
#ifndef SG_MAX_CHOICES
#define SG_MAX_CHOICES 128
#endif
#ifndef SG_WIDEST
#define SG_WIDEST 65535
#endif
#ifndef SG_FREE
#define SG_FREE 0
#endif

/* A TU that defines SG_END_STATES gives sg_is_end(key): states that are meant to lead nowhere. */

/* A TU that defines SG_SEGMENTS gives stage 1 in pieces instead; see segments.h. */

#define SG_KEY_WORDS ((SG_KEY_BITS + 63) / 64)

typedef struct {
    uint64_t w[SG_KEY_WORDS]; /* w[0] holds the lowest bits */
} sg_key;

/* An answer to a choice, or how many there are. */
#if SG_WIDEST < 256
typedef uint8_t sg_pick;
#elif SG_WIDEST < 65536
typedef uint16_t sg_pick;
#else
typedef uint32_t sg_pick;
#endif

/* What a transition can report: breaks first, then goals, then one bit for faults of the step itself. */
#define SG_EVENTS (SG_BREAKS + SG_POSSIBLE)
#define SG_EVENT_WORDS (SG_EVENTS / 64 + 1)
#define SG_GOAL_WORDS ((SG_POSSIBLE + 31) / 32)

/* Bits of the free inputs, one each. */
#define SG_FREE_WORDS (SG_FREE / 64 + 1)

typedef struct sg_context {
    uint32_t asked;                    /* choices asked so far in this transition */
    uint32_t fixed;                    /* picks that are replayed; later ones start at 0 */
    sg_pick pick[SG_MAX_CHOICES];      /* answers given */
    sg_pick size[SG_MAX_CHOICES];      /* how many answers there were */
    uint64_t events[SG_EVENT_WORDS];   /* reported since they were last cleared */
    uint8_t marks[SG_MARKS > 0 ? SG_MARKS : 1]; /* coverage, never cleared during a run */
    int fault;                         /* first fault of the step: an sg_status, or 0 */
    const volatile uint64_t *stop;     /* of the run (run.h); NULL: nobody stops it */
    uint64_t alive[SG_FREE_WORDS];     /* inputs whose levels are kept for the last piece (segments.h) */
    uint64_t needed[SG_FREE_WORDS];    /* inputs that were asked for though they had been given up */
    int lacks;                         /* whether there are such inputs: what followed is void */
    struct sg_budget *budget;          /* what grows with the situations of one step is booked here; NULL: no cap */
    const sg_pick *told[2];            /* where the answers of both stages are kept (memo_transitions.h) */
    uint32_t told_picks[2];
    uint32_t memo_shift;               /* memos are made 2^this times smaller, for a small memory cap */
} sg_context;

/* A field of the key that counts time, and for each of its values the stretch it lies in. */
typedef struct {
    uint32_t offset, bits;
    const uint32_t *stretch;
} sg_counter;

typedef struct sg_work sg_work;

enum sg_status {
    SG_COMPLETE = 0,
    /* Ended early; everything found so far is true and can be asked for. */
    SG_CAPPED_STATES = 1, /* more distinct states than the cap */
    SG_CAPPED_MEMORY = 2, /* the memory cap, or the system, gives no more */
    SG_STOPPED = 3,       /* the stop flag was set */
    SG_TOO_DEEP = 4,      /* a depth does not fit its field: compile with a larger SG_DEPTH_BITS */
    /* Faults of the step. */
    SG_TOO_MANY_CHOICES = 16, /* a transition asks more than SG_MAX_CHOICES choices */
    SG_BAD_CHOICE,            /* a choice between none, or between more than SG_WIDEST */
    SG_UNSTEADY_STEP,         /* the same picks did not ask the same choices twice */
    SG_STRAY_EVENT,           /* sg_break during sg_initial */
    SG_STRAY_BITS,            /* a key with bits above SG_KEY_BITS */
    /* Faults of the caller or of the system. */
    SG_NO_THREAD = 32, /* the operating system gives no thread */
    SG_NO_MEMORY,      /* not even the smallest tables could be had */
    SG_NOT_FOUND,      /* a state that is not stored, or not at that depth, or a pick that is not offered */
    SG_BAD_USE,        /* arguments out of range, or calls out of order */
    SG_INCONSISTENT    /* the self-check found damage */
};

#define SG_FAULT_EVENT SG_EVENTS

/* A fault of the step is an event too, so that the inner loop needs no test of its own for it. */
static inline void sg_fault(sg_context *c, int status)
{
    if (!c->fault)
        c->fault = status;
    c->events[SG_FAULT_EVENT >> 6] |= UINT64_C(1) << (SG_FAULT_EVENT & 63);
}

static inline unsigned sg_choose(sg_context *c, unsigned n)
{
    uint32_t at = c->asked;
    if (at >= c->fixed) {
        if (at >= SG_MAX_CHOICES) {
            sg_fault(c, SG_TOO_MANY_CHOICES);
            return 0;
        }
        if (n - 1 >= SG_WIDEST) {
            sg_fault(c, SG_BAD_CHOICE);
            n = 1;
        }
        c->pick[at] = 0;
        c->size[at] = (sg_pick)n;
        c->fixed = at + 1;
    }
    c->asked = at + 1;
    return c->pick[at];
}

/* The level of input `index` was given up: whatever follows is void. */
static inline void sg_need(sg_context *c, unsigned index)
{
    c->needed[index >> 6] |= UINT64_C(1) << (index & 63);
    c->lacks = 1;
}

/* Requirement `index` is broken in this transition. */
static inline void sg_break(sg_context *c, unsigned index)
{
    c->events[index >> 6] |= UINT64_C(1) << (index & 63);
}

/* Something worth knowing (a state entered, an exit taken, a trigger seen) happened at least once. */
static inline void sg_mark(sg_context *c, unsigned index)
{
    c->marks[index] |= !c->lacks; /* what follows a wrong guess is void */
}

#endif
