/* Transitions of a state where stage 1 comes in pieces that hardly depend on one another.
 *
 * Two savings, both exact.
 *
 * 1. Branches are merged piece by piece.
 *
 * A machine's sequences read different inputs, and most levels of most inputs lead to the same few
 * decisions. Enumerating every combination of every input that is asked visits the product of their
 * numbers to find the same states again and again. Here stage 1 is run piece by piece:
 *
 *     sg_stage1_first    unpack, faults, switches                    choices by odometer
 *     sg_segment(0..)    the exits of one sequence each              branches, merged after each
 *     sg_stage1_last     new states, outputs, requirements, packing  branches, merged at the end
 *
 * After each piece, branches that differ in nothing a later piece can read are one, and the first of them
 * in the order of choice vectors stands for all. So the work is a sum over the sequences instead of a
 * product, and every transition visited is still one that a single choice vector gives.
 *
 * What may differ between branches after a segment lies in one stretch of sg_work (SG_DELTA), so merging
 * compares and copies a few dozen bytes; after the last piece it is what stage 2 reads (SG_RESULT).
 * The TU blanks what no later piece reads, or branches would be kept apart for nothing.
 *
 *    Requirements may read any input too, but hardly ever read one that a sequence has read in the same
 *    tick. So levels are given up as soon as no later segment can read them, and if the last piece does ask
 *    for one (sg_need), the state is worked out anew with that input kept alive. What such an attempt came
 *    to is thrown away, its coverage marks from the wrong guess on included.
 *
 * 2. Results are kept. Stage 1 reads where the parts stand, not how long they still need: the bits of a
 * key outside sg_read_mask (the TU's) do not matter to it. So what it came to for one state serves all
 * states that differ in those bits only, which are many: a small table per thread, the newest wins.
 * Counters of time go further. Stage 1 compares such a counter with a few constants and does one of four
 * things with it: nothing, one up, one down, or a constant. So where its value is not next to any of
 * those constants, only the stretch it lies in matters (sg_counter.stretch, equal within a stretch), and
 * the kept result is moved by the difference of the two values unless it was set to a constant.
 *
 * Invariant: `pick` of a branch, replayed through the pieces in order, gives exactly that branch.
 */
#ifndef SG_EXPLORER_BRANCHES_H
#define SG_EXPLORER_BRANCHES_H

#define SG_BRANCHES 4096 /* distinct situations within one step */
#define SG_BRANCH_PICKS 64

typedef struct {
    uint64_t hash;
    uint64_t events[SG_EVENT_WORDS];
    uint16_t picks;
    uint8_t pick[SG_BRANCH_PICKS];
    uint8_t size[SG_BRANCH_PICKS];
} sg_branch;

#define SG_DELTA_BYTES (SG_DELTA_END - SG_DELTA_START)
#define SG_RESULT_BYTES (SG_RESULT_END - SG_RESULT_START)

typedef struct {
    uint32_t count;
    sg_branch head[SG_BRANCHES];
    uint64_t body[SG_BRANCHES][(SG_DELTA_BYTES + 7) / 8];
} sg_layer;

/* Of each thread; the second layer is written while the first is read. */
typedef struct {
    sg_layer layer[2];
    sg_branch result_head[SG_BRANCHES];
    uint64_t result[SG_BRANCHES][(SG_RESULT_BYTES + 7) / 8];
    uint32_t results;
} sg_branching;

/* A sum of products, so that no word waits for the one before it. */
static inline uint64_t sg_mix_words(const uint64_t *word, unsigned n)
{
    uint64_t h = 0;
    for (unsigned i = 0; i < n; i++)
        h += (word[i] ^ word[i] >> 32) * (UINT64_C(0xD6E8FEB86659FD93) + i * UINT64_C(0x9E3779B97F4A7C16));
    h = (h ^ h >> 32) * UINT64_C(0xD6E8FEB86659FD93);
    return h ^ h >> 32;
}

static inline int sg_words_same(const uint64_t *a, const uint64_t *b, unsigned n)
{
    uint64_t differ = 0;
    for (unsigned i = 0; i < n; i++)
        differ |= a[i] ^ b[i];
    return !differ;
}

static inline void sg_branch_fill(sg_branch *b, sg_context *c, uint64_t hash)
{
    b->hash = hash;
    memcpy(b->events, c->events, sizeof b->events);
    if (SG_RARE(c->asked > SG_BRANCH_PICKS)) {
        sg_fault(c, SG_TOO_MANY_CHOICES);
        return;
    }
    b->picks = (uint16_t)c->asked;
    for (uint32_t i = 0; i < c->asked; i++) {
        if (SG_RARE(c->size[i] > 256))
            sg_fault(c, SG_BAD_CHOICE);
        b->pick[i] = (uint8_t)c->pick[i];
        b->size[i] = (uint8_t)(c->size[i] - 1);
    }
}

static inline void sg_branch_take(sg_context *c, const sg_branch *b)
{
    memcpy(c->events, b->events, sizeof b->events);
    for (uint32_t i = 0; i < b->picks; i++) {
        c->pick[i] = b->pick[i];
        c->size[i] = (uint16_t)(b->size[i] + 1);
    }
    c->fixed = c->asked = b->picks;
}

/* Nonzero if a branch like it is there already; events count, for a break is news. */
static inline int sg_branch_known(const sg_branch *heads, const uint64_t *bodies, uint32_t count, unsigned words,
                                  const uint64_t *body, uint64_t hash, const sg_context *c)
{
    for (uint32_t i = count; i--;)
        if (heads[i].hash == hash && sg_words_same(&bodies[(size_t)i * words], body, words) &&
            !memcmp(heads[i].events, c->events, sizeof c->events))
            return 1;
    return 0;
}

/* One segment on every branch of a layer. `segment` is a constant where this is inlined. */
static inline __attribute__((always_inline)) void sg_branch_out(sg_context *c, sg_work *w, const sg_layer *from,
                                                                sg_layer *to, unsigned segment)
{
    enum { words = (SG_DELTA_BYTES + 7) / 8 };
    uint64_t body[words];
    body[words - 1] = 0;
    to->count = 0;
    for (uint32_t i = 0; i < from->count; i++) {
        uint32_t base = from->head[i].picks;
        sg_branch_take(c, &from->head[i]);
        do {
            c->asked = base;
            memcpy(c->events, from->head[i].events, sizeof c->events);
            memcpy((char *)w + SG_DELTA_START, from->body[i], SG_DELTA_BYTES);
            sg_segment(segment, c, w);
            sg_steady(c);
            memcpy(body, (char *)w + SG_DELTA_START, SG_DELTA_BYTES);
            uint64_t hash = sg_mix_words(body, words);
            if (sg_branch_known(to->head, to->body[0], to->count, words, body, hash, c))
                continue;
            if (SG_RARE(to->count == SG_BRANCHES)) {
                sg_fault(c, SG_TOO_MANY_CHOICES);
                return;
            }
            sg_branch_fill(&to->head[to->count], c, hash);
            memcpy(to->body[to->count++], body, sizeof body);
        } while (sg_next_leaf(c, base) && !c->fault);
    }
}

/* The last piece on every branch; what is left lies in b->result. */
static inline __attribute__((always_inline)) void sg_branch_close(sg_context *c, sg_work *w, sg_branching *b,
                                                                  const sg_layer *from, const sg_work *scanned)
{
    enum { words = (SG_RESULT_BYTES + 7) / 8 };
    uint64_t body[words];
    body[words - 1] = 0;
    b->results = 0;
    for (uint32_t i = 0; i < from->count; i++) {
        uint32_t base = from->head[i].picks;
        sg_branch_take(c, &from->head[i]);
        do {
            c->asked = base;
            memcpy(c->events, from->head[i].events, sizeof c->events);
            *w = *scanned;
            memcpy((char *)w + SG_DELTA_START, from->body[i], SG_DELTA_BYTES);
            sg_stage1_last(c, w);
            if (c->needed)
                return;
            sg_steady(c);
#if SG_POSSIBLE > 0
            uint32_t goals = sg_goals(w);
            for (unsigned g = 0; g < SG_POSSIBLE; g++)
                c->events[(SG_BREAKS + g) >> 6] |= (uint64_t)(goals >> g & 1) << ((SG_BREAKS + g) & 63);
#endif
            memcpy(body, (char *)w + SG_RESULT_START, SG_RESULT_BYTES);
            uint64_t hash = sg_mix_words(body, words);
            if (sg_branch_known(b->result_head, b->result[0], b->results, words, body, hash, c))
                continue;
            if (SG_RARE(b->results == SG_BRANCHES)) {
                sg_fault(c, SG_TOO_MANY_CHOICES);
                return;
            }
            sg_branch_fill(&b->result_head[b->results], c, hash);
            memcpy(b->result[b->results++], body, sizeof body);
        } while (sg_next_leaf(c, base) && !c->fault);
    }
}

/* What stage 1 came to, kept: {count words, then per result a head and its body}. */
typedef struct {
    sg_key key;    /* as far as stage 1 cares */
    sg_key source; /* the state it was worked out for */
    uint64_t at;   /* in the arena, 0 if none */
    uint32_t count, round;
} sg_memo;

static inline uint32_t sg_field(const sg_key *k, const sg_counter *f)
{
    uint64_t word = k->w[f->offset >> 6] >> (f->offset & 63);
    if ((f->offset & 63) + f->bits > 64)
        word |= k->w[(f->offset >> 6) + 1] << (64 - (f->offset & 63));
    return (uint32_t)(word & ((UINT64_C(1) << f->bits) - 1));
}

static inline void sg_field_set(sg_key *k, const sg_counter *f, uint32_t value)
{
    uint64_t mask = (UINT64_C(1) << f->bits) - 1;
    unsigned at = f->offset & 63;
    uint64_t *word = &k->w[f->offset >> 6];
    word[0] = (word[0] & ~(mask << at)) | (uint64_t)value << at;
    if (at + f->bits > 64)
        word[1] = (word[1] & ~(mask >> (64 - at))) | (uint64_t)value >> (64 - at);
}

#define SG_MEMOS (1u << 16)
#define SG_ARENA_WORDS (UINT64_C(1) << 23) /* 64 MiB a thread */

/* Of each thread. */
typedef struct {
    sg_branching branching;
    sg_memo memo[SG_MEMOS];
    uint64_t *arena;
    uint64_t used;
    uint32_t round; /* entries of earlier rounds are void */
} sg_memory;

/* A result in the arena: one word of sizes, the events, the body, then picks and sizes of the choices. */
enum {
    sg_body_words = (SG_RESULT_BYTES + 7) / 8,
    sg_head_words = 1 + SG_EVENT_WORDS,
};

static inline uint64_t sg_result_words(uint32_t picks)
{
    return sg_head_words + sg_body_words + (picks * 2 * sizeof(uint16_t) + 7) / 8;
}

/* Appends a result; 0 when the arena is full. */
static int sg_result_keep(sg_memory *m, const sg_branch *b, const uint64_t *body)
{
    if (m->used + sg_result_words(b->picks) > SG_ARENA_WORDS)
        return 0;
    uint64_t *to = m->arena + m->used;
    to[0] = b->picks;
    memcpy(to + 1, b->events, sizeof b->events);
    memcpy(to + sg_head_words, body, sg_body_words * 8);
    uint16_t *picks = (uint16_t *)(to + sg_head_words + sg_body_words);
    for (uint32_t i = 0; i < b->picks; i++) {
        picks[i] = b->pick[i];
        picks[b->picks + i] = (uint16_t)(b->size[i] + 1);
    }
    m->used += sg_result_words(b->picks);
    return 1;
}

/* Of the calling thread, made at its first use and given back when the thread ends or the run closes. */
static _Thread_local sg_memory *sg_memory_mine;

static void sg_memory_drop(void)
{
    if (sg_memory_mine)
        free(sg_memory_mine->arena);
    free(sg_memory_mine);
    sg_memory_mine = NULL;
}

static sg_memory *sg_memory_of(void)
{
    if (!sg_memory_mine) {
        sg_memory *m = calloc(1, sizeof *m);
        if (m)
            m->arena = malloc(SG_ARENA_WORDS * sizeof *m->arena);
        if (!m || !m->arena) {
            free(m);
            return NULL;
        }
        m->round = 1;
        m->used = 1;
        sg_memory_mine = m;
    }
    return sg_memory_mine;
}

/* Runs stage 1 of a state in all ways; returns how many results lie in the arena from *at on. */
static __attribute__((noinline)) uint32_t sg_work_out(sg_context *c, const sg_key *from, sg_memory *m, uint64_t *at)
{
    sg_branching *b = &m->branching;
    sg_work scanned, work;
    uint32_t count = 0;
    int fresh = 0;
again:
    *at = m->used;
    count = 0;
    c->fixed = 0;
    memset(&scanned, 0, sizeof scanned);
    do {
        uint16_t first_pick[SG_MAX_CHOICES], first_size[SG_MAX_CHOICES];
        uint64_t first_events[SG_EVENT_WORDS];
        c->alive = 0;
        c->needed = 0;
        sg_events_clear(c);
        c->asked = 0;
        sg_stage1_first(c, from, &scanned);
        sg_steady(c);
        uint32_t first = c->asked;
        memcpy(first_pick, c->pick, first * sizeof c->pick[0]);
        memcpy(first_size, c->size, first * sizeof c->size[0]);
        memcpy(first_events, c->events, sizeof first_events);
        sg_layer *now = &b->layer[0], *next = &b->layer[1];
    attempt:
        c->alive |= c->needed;
        c->needed = 0;
        now->count = 1;
        c->asked = first;
        memcpy(c->pick, first_pick, first * sizeof c->pick[0]);
        memcpy(c->size, first_size, first * sizeof c->size[0]);
        memcpy(c->events, first_events, sizeof first_events);
        sg_branch_fill(&now->head[0], c, 0);
        now->body[0][(SG_DELTA_BYTES - 1) / 8] = 0;
        memcpy(now->body[0], (char *)&scanned + SG_DELTA_START, SG_DELTA_BYTES);
        work = scanned;
        if (!sg_is_dark(&scanned))
            for (unsigned i = 0; i < SG_SEGMENTS && !c->fault; i++) {
                sg_branch_out(c, &work, now, next, i);
                sg_layer *swap = now;
                now = next;
                next = swap;
            }
        if (!c->fault)
            sg_branch_close(c, &work, b, now, &scanned);
        if (c->needed && !c->fault)
            goto attempt;
        for (uint32_t i = 0; i < b->results && !c->fault; i++, count++)
            if (!sg_result_keep(m, &b->result_head[i], b->result[i])) {
                if (fresh) { /* one state fills the whole arena */
                    sg_fault(c, SG_TOO_MANY_CHOICES);
                    return 0;
                }
                fresh = 1;
                m->round++;
                m->used = 1;
                goto again;
            }
        memcpy(c->pick, first_pick, first * sizeof c->pick[0]);
        memcpy(c->size, first_size, first * sizeof c->size[0]);
        c->fixed = first;
    } while (sg_next_leaf(c, 0) && !c->fault);
    return c->fault ? 0 : count;
}

static inline __attribute__((always_inline)) void sg_transitions(sg_context *c, const sg_key *from, sg_visit *visit,
                                                                 void *arg)
{
    sg_memory *m = sg_memory_of();
    if (SG_RARE(!m)) {
        sg_fault(c, SG_NO_MEMORY);
        return;
    }
    sg_key read = *from;
    for (unsigned i = 0; i < SG_KEY_WORDS; i++)
        read.w[i] &= sg_read_mask[i];
    for (unsigned i = 0; i < SG_COUNTERS; i++)
        sg_field_set(&read, &sg_counters[i], sg_counters[i].stretch[sg_field(from, &sg_counters[i])]);
    sg_memo *memo = &m->memo[sg_mix_words(read.w, SG_KEY_WORDS) >> 20 & (SG_MEMOS - 1)];
    uint64_t at = memo->at;
    uint32_t count = memo->count;
    if (SG_RARE(memo->round != m->round || !sg_key_same(&memo->key, &read))) {
        count = sg_work_out(c, from, m, &at);
        if (c->fault)
            return;
        *memo = (sg_memo){read, *from, at, count, m->round};
    }
    struct {
        const sg_counter *counter;
        uint32_t then, now;
    } moved[SG_COUNTERS + 1];
    unsigned moves = 0;
    for (unsigned i = 0; i < SG_COUNTERS; i++) {
        uint32_t then = sg_field(&memo->source, &sg_counters[i]), now = sg_field(from, &sg_counters[i]);
        if (then != now) {
            moved[moves].counter = &sg_counters[i];
            moved[moves].then = then;
            moved[moves++].now = now;
        }
    }
    sg_work work;
    sg_key to;
    sg_unpack_parts(from, &work);
    for (uint32_t i = 0; i < count; i++) {
        const uint64_t *result = m->arena + at;
        uint32_t split = (uint32_t)result[0];
        const uint16_t *picks = (const uint16_t *)(result + sg_head_words + sg_body_words);
        memcpy(c->events, result + 1, sizeof c->events);
        memcpy((char *)&work + SG_RESULT_START, result + sg_head_words, SG_RESULT_BYTES);
        for (unsigned k = 0; k < moves; k++) {
            uint32_t step = sg_field(&work.packed, moved[k].counter) - moved[k].then;
            if (step + 1 <= 2) /* -1, 0 or 1 */
                sg_field_set(&work.packed, moved[k].counter, moved[k].now + step);
        }
        for (uint32_t k = 0; k < split; k++) {
            c->pick[k] = picks[k];
            c->size[k] = picks[split + k];
        }
        at += sg_result_words(split);
        c->fixed = split;
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
    }
}

#endif
