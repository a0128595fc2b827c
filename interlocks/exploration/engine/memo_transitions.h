/* Transitions of a state whose first stage comes in pieces: results are kept.
 *
 * Stage 1 reads where the parts stand, not how long they still need: the bits of a key outside
 * sg_read_mask (the TU's) do not matter to it. So what it came to for one state serves all states that
 * differ in those bits only, which are many.
 *
 * Counters of time go further. Stage 1 compares such a counter with a few constants and does one of four
 * things with it: nothing, one up, one down, or a constant. So where its value is not next to any of
 * those constants, only the stretch it lies in matters (sg_counter.stretch, equal within a stretch), and
 * the kept result is moved by the difference of the two values unless it was set to a constant.
 *
 * Stage 2 reads the parts' bits of a key (sg_parts_mask) and the conditions that stage 1 left, and writes
 * the parts' bits of the next one. So its motions are kept by those two, and a transition is a result and
 * a motion put together. The answers to its choices are written down only for who asks (sg_tell).
 */
#ifndef SG_EXPLORER_MEMO_TRANSITIONS_H
#define SG_EXPLORER_MEMO_TRANSITIONS_H

#include "segments.h"

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

/* Places and words of the memos of a thread: some 50 MiB. */
#define SG_RESULT_PLACES (UINT32_C(1) << 16)
#define SG_RESULT_ARENA (UINT64_C(1) << 22)
#define SG_DECISION_PLACES (UINT32_C(1) << 16)
#define SG_DECISION_ARENA (UINT64_C(1) << 21)
#define SG_MOTION_PLACES (UINT32_C(1) << 14)
#define SG_MOTION_ARENA (UINT64_C(1) << 18)

/* Of each thread. */
typedef struct {
    sg_branching branching;
    sg_memo results, motions;
    sg_budget *budget; /* of what grows; NULL: no cap */
} sg_memory;

#define SG_MOST_SHIFT 6

/* Bytes of it, with memos made 2^shift times smaller. */
static uint64_t sg_memory_bytes(unsigned shift)
{
    uint64_t memos = 8 * (SG_RESULT_ARENA + SG_DECISION_ARENA + SG_MOTION_ARENA) +
                       sizeof(sg_kept) * (SG_RESULT_PLACES + SG_DECISION_PLACES + SG_MOTION_PLACES);
    return sizeof(sg_memory) + (memos >> shift);
}

/* A record of results: its key, the key of the state it was worked out for, results. A result is one word
 * of sizes, the events, conditions, packed cells, then picks and sizes of the choices. A record of motions
 * is made alike: conditions and parts, then motions of one word of sizes, events, parts, picks and sizes. */
enum {
    sg_told_at = 1 + SG_EVENT_WORDS + sg_result_words,
    sg_motion_key_words = SG_CONDITION_WORDS + SG_KEY_WORDS,
    sg_motion_told_at = 1 + SG_EVENT_WORDS + SG_KEY_WORDS,
};

static inline uint64_t sg_answer_words(uint32_t picks)
{
    return ((uint64_t)picks * 2 * sizeof(sg_pick) + 7) / 8;
}

/* Room at the end of a table whose record is being written; NULL when it is full. A record that has the
 * table to itself makes it grow instead, and NULL is then a fault: memory is out. */
static inline uint64_t *sg_record_add(sg_memo *s, uint64_t words, int alone, sg_context *c)
{
    uint64_t *to = alone ? sg_memo_add_alone(s, words, c->budget) : sg_memo_add(s, words);
    if (SG_RARE(!to && alone))
        sg_fault(c, SG_CAPPED_MEMORY);
    return to;
}

/* Appends the i-th branch of a layer as a result; 0 when there is no room. */
static int sg_result_keep(sg_memo *s, const sg_layer *from, uint32_t i, int alone, sg_context *c)
{
    const sg_branch *b = sg_head(from, i);
    uint64_t *to = sg_record_add(s, sg_told_at + sg_answer_words(b->picks), alone, c);
    if (!to)
        return 0;
    to[0] = b->picks;
    memcpy(to + 1, b->events, sizeof b->events);
    sg_copy(to + 1 + SG_EVENT_WORDS, sg_body_of(from, i), sg_result_words * sizeof *to);
    sg_copy(to + sg_told_at, sg_answers_of(from, b), 2 * b->picks * sizeof(sg_pick));
    return 1;
}

/* Of the calling thread, made at its first use and given back when the thread ends or the run closes. */
static _Thread_local sg_memory *sg_memory_mine;

static void sg_memory_drop(void)
{
    sg_memory *m = sg_memory_mine;
    sg_memory_mine = NULL;
    if (!m)
        return;
    sg_memo_close(&m->results, m->budget);
    sg_memo_close(&m->motions, m->budget);
    sg_memo_close(&m->branching.decisions, m->budget);
    sg_layer_close(&m->branching.layer[0], m->budget);
    sg_layer_close(&m->branching.layer[1], m->budget);
    free(m);
}

static sg_memory *sg_memory_of(const sg_context *c)
{
    sg_memory *m = sg_memory_mine;
    unsigned shift = c->memo_shift;
    if (SG_RARE(m && m->budget != c->budget)) {
        sg_memory_drop();
        m = NULL;
    }
    if (SG_RARE(!m)) {
        m = sg_memory_mine = calloc(1, sizeof *m);
        if (m)
            m->budget = c->budget;
        if (!m || !sg_memo_open(&m->results, SG_RESULT_PLACES >> shift, SG_RESULT_ARENA >> shift) ||
            !sg_memo_open(&m->motions, SG_MOTION_PLACES >> shift, SG_MOTION_ARENA >> shift) ||
            !sg_memo_open(&m->branching.decisions, SG_DECISION_PLACES >> shift, SG_DECISION_ARENA >> shift)) {
            sg_memory_drop();
            return NULL;
        }
    }
    return m;
}

/* Runs stage 1 of a state in all ways and keeps what it comes to; look at c->fault afterwards. */
static __attribute__((noinline)) void sg_work_out(sg_context *c, const sg_key *from, const sg_key *read, sg_memory *m,
                                                  sg_kept *place)
{
    sg_branching *b = &m->branching;
    sg_work scanned, work;
    int alone = 0;
again:
    *place = (sg_kept){m->results.used, 0, m->results.round};
    uint64_t *keys = sg_record_add(&m->results, 2 * SG_KEY_WORDS, alone, c);
    int full = !keys;
    if (!full) {
        memcpy(keys, read->w, sizeof read->w);
        memcpy(keys + SG_KEY_WORDS, from->w, sizeof from->w);
    }
    c->fixed = 0;
    memset(c->alive, 0, sizeof c->alive);
    memset(c->needed, 0, sizeof c->needed);
    c->lacks = 0;
    memset(&scanned, 0, sizeof scanned);
    if (!full)
        do {
            sg_pick first_pick[SG_MAX_CHOICES], first_size[SG_MAX_CHOICES];
            uint64_t first_events[SG_EVENT_WORDS];
            sg_events_clear(c);
            c->asked = 0;
            sg_stage1_first(c, from, &scanned);
            sg_steady(c);
            uint32_t first = c->asked;
            memcpy(first_pick, c->pick, first * sizeof c->pick[0]);
            memcpy(first_size, c->size, first * sizeof c->size[0]);
            memcpy(first_events, c->events, sizeof first_events);
            sg_layer *results;
            for (;;) {
                sg_layer *decisions = sg_decide(c, b, &scanned, &work);
                results = decisions == &b->layer[0] ? &b->layer[1] : &b->layer[0];
                sg_layer_clear(results);
                if (!c->fault)
                    sg_branch_on(c, &work, decisions, results, SG_SEGMENTS, &scanned);
                int lacking = c->lacks;
                c->lacks = 0;
                for (unsigned i = 0; i < SG_FREE_WORDS; i++) {
                    c->alive[i] |= c->needed[i];
                    c->needed[i] = 0;
                }
                if (!lacking || c->fault)
                    break;
                c->asked = first;
                memcpy(c->pick, first_pick, first * sizeof c->pick[0]);
                memcpy(c->size, first_size, first * sizeof c->size[0]);
                memcpy(c->events, first_events, sizeof first_events);
            }
            for (uint32_t i = 0; i < results->count && !c->fault && !full; i++, place->count++)
                full = !sg_result_keep(&m->results, results, i, alone, c);
            memcpy(c->pick, first_pick, first * sizeof c->pick[0]);
            memcpy(c->size, first_size, first * sizeof c->size[0]);
            c->fixed = first;
        } while (sg_next_leaf(c, 0) && !c->fault && !full);
    if (full && !c->fault) {
        alone = 1;
        sg_memo_clear(&m->results);
        goto again;
    }
    if (c->fault)
        place->round = 0;
}

/* Runs stage 2 in all ways and keeps the motions; look at c->fault afterwards. */
static __attribute__((noinline)) void sg_move_parts(sg_context *c, const uint64_t *key, sg_memo *s, sg_kept *place)
{
    sg_work work;
    sg_key to, parts;
    int alone = 0;
again:
    memset(&work, 0, sizeof work);
    memcpy(parts.w, key + SG_CONDITION_WORDS, sizeof parts.w);
    sg_unpack_parts(&parts, &work);
    sg_conditions_set(&work, key);
    *place = (sg_kept){s->used, 0, s->round};
    uint64_t *kept = sg_record_add(s, sg_motion_key_words, alone, c);
    if (kept)
        sg_copy(kept, key, sg_motion_key_words * sizeof *key);
    c->fixed = 0;
    do {
        c->asked = 0;
        sg_events_clear(c);
        sg_stage2(c, &work, &to);
        sg_steady(c);
        kept = kept ? sg_record_add(s, sg_motion_told_at + sg_answer_words(c->asked), alone, c) : NULL;
        if (kept) {
            kept[0] = c->asked;
            memcpy(kept + 1, c->events, sizeof c->events);
            memcpy(kept + 1 + SG_EVENT_WORDS, to.w, sizeof to.w);
            sg_pick *answers = (sg_pick *)(kept + sg_motion_told_at);
            sg_copy(answers, c->pick, c->asked * sizeof *answers);
            sg_copy(answers + c->asked, c->size, c->asked * sizeof *answers);
            place->count++;
        }
    } while (kept && sg_next_leaf(c, 0) && !c->fault);
    if (!kept && !c->fault) {
        alone = 1;
        sg_memo_clear(s);
        goto again;
    }
    if (c->fault)
        place->round = 0;
}

/* The answers that make the transition being visited, written to pick and size. */
static void sg_tell(sg_context *c)
{
    uint32_t at = 0;
    for (unsigned stage = 0; stage < 2; stage++) {
        const sg_pick *answers = c->told[stage];
        for (uint32_t i = 0; i < c->told_picks[stage] && at < SG_MAX_CHOICES; i++, at++) {
            c->pick[at] = answers[i];
            c->size[at] = answers[c->told_picks[stage] + i];
        }
    }
}

/* With `lazy`, visits that look at the answers call sg_tell first. */
static inline __attribute__((always_inline)) void sg_transitions(sg_context *c, const sg_key *from, sg_visit *visit,
                                                                 void *arg, const int lazy)
{
    sg_memory *m = sg_memory_of(c);
    if (SG_RARE(!m)) {
        sg_fault(c, SG_NO_MEMORY);
        return;
    }
    sg_key read = *from;
    for (unsigned i = 0; i < SG_KEY_WORDS; i++)
        read.w[i] &= sg_read_mask[i];
    for (unsigned i = 0; i < SG_COUNTERS; i++)
        sg_field_set(&read, &sg_counters[i], sg_counters[i].stretch[sg_field(from, &sg_counters[i])]);
    sg_kept *place = sg_memo_place(&m->results, read.w, SG_KEY_WORDS);
    if (!sg_memo_has(&m->results, place, read.w, SG_KEY_WORDS)) {
        sg_work_out(c, from, &read, m, place);
        if (c->fault)
            return;
    }
    sg_key source;
    const uint64_t *result = m->results.arena + place->at + SG_KEY_WORDS;
    memcpy(source.w, result, sizeof source.w);
    result += SG_KEY_WORDS;
    struct {
        const sg_counter *counter;
        uint32_t then, now;
    } moved[SG_COUNTERS + 1];
    unsigned moves = 0;
    for (unsigned i = 0; i < SG_COUNTERS; i++) {
        uint32_t then = sg_field(&source, &sg_counters[i]), now = sg_field(from, &sg_counters[i]);
        if (then != now) {
            moved[moves].counter = &sg_counters[i];
            moved[moves].then = then;
            moved[moves++].now = now;
        }
    }
    uint64_t motion_key[sg_motion_key_words]; /* conditions, parts */
    for (unsigned i = 0; i < SG_KEY_WORDS; i++)
        motion_key[SG_CONDITION_WORDS + i] = from->w[i] & sg_parts_mask[i];
    sg_kept *motions = NULL;
    for (uint32_t i = 0; i < place->count; i++) {
        if (SG_RARE(c->stop && *c->stop)) {
            sg_fault(c, SG_STOPPED);
            return;
        }
        const uint64_t *body = result + 1 + SG_EVENT_WORDS;
        if (!motions || !sg_words_same(motion_key, body, SG_CONDITION_WORDS)) {
            memcpy(motion_key, body, SG_CONDITION_WORDS * sizeof *body);
            motions = sg_memo_place(&m->motions, motion_key, sg_motion_key_words);
            if (!sg_memo_has(&m->motions, motions, motion_key, sg_motion_key_words)) {
                sg_move_parts(c, motion_key, &m->motions, motions);
                if (c->fault)
                    return;
            }
        }
        sg_key packed, to;
        memcpy(packed.w, body + SG_CONDITION_WORDS, sizeof packed.w);
        for (unsigned k = 0; k < moves; k++) {
            uint32_t step = sg_field(&packed, moved[k].counter) - moved[k].then;
            if (step + 1 <= 2) /* -1, 0 or 1 */
                sg_field_set(&packed, moved[k].counter, moved[k].now + step);
        }
        uint32_t split = (uint32_t)result[0];
        c->told[0] = (const sg_pick *)(result + sg_told_at);
        c->told_picks[0] = split;
        memcpy(c->events, result + 1, sizeof c->events);
        const uint64_t *motion = m->motions.arena + motions->at + sg_motion_key_words;
        for (uint32_t k = 0; k < motions->count; k++) {
            uint32_t picks = (uint32_t)motion[0];
            for (unsigned e = 0; e < SG_EVENT_WORDS; e++)
                c->events[e] |= motion[1 + e];
            for (unsigned w = 0; w < SG_KEY_WORDS; w++)
                to.w[w] = packed.w[w] | motion[1 + SG_EVENT_WORDS + w];
            c->told[1] = (const sg_pick *)(motion + sg_motion_told_at);
            c->told_picks[1] = picks;
            c->asked = split + picks;
            if (SG_RARE(c->asked > SG_MAX_CHOICES))
                sg_fault(c, SG_TOO_MANY_CHOICES), c->asked = 0;
            else if (!lazy)
                sg_tell(c);
            if (sg_key_stray(&to))
                sg_fault(c, SG_STRAY_BITS);
            if (visit(arg, c, from, &to, split))
                return;
            sg_events_clear(c);
            motion += sg_motion_told_at + sg_answer_words(picks);
        }
        result += sg_told_at + sg_answer_words(split);
    }
}

#endif
