/* Stage 1 in pieces that hardly depend on one another, run in all ways.
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
 * compares and copies a few dozen bytes; after the last piece it is what stage 2 reads, in bits
 * (sg_conditions), and the packed cells. The TU blanks what no later piece reads, or branches would be kept
 * apart for nothing.
 *
 * Segments read a part of what the first piece left (sg_reading, in bits): states, times, memories, levels
 * of the switches, nodes of free inputs; no requirement, no part, and of a fault only what it does to those.
 * So what all segments together came to, the decisions, is kept by that reading, which leaves out what the
 * exits of the present states do not read.
 *
 * Requirements may read any input too, but hardly ever read one that a sequence has read in the same
 * tick. So levels are given up as soon as no later segment can read them, and if the last piece does ask
 * for one (sg_need), the state is worked out anew with that input kept alive. What such an attempt came
 * to is thrown away, its coverage marks from the wrong guess on included.
 *
 * Invariant: `pick` of a branch, replayed through the pieces in order, gives exactly that branch.
 */
#ifndef SG_EXPLORER_SEGMENTS_H
#define SG_EXPLORER_SEGMENTS_H

#include "memo_table.h"

/* A branch; its body and its answers lie in its layer. */
typedef struct {
    uint64_t hash;
    uint64_t answers; /* where they begin: all picks, then all sizes */
    uint64_t events[SG_EVENT_WORDS];
    uint32_t picks;
} sg_branch;

#define SG_DELTA_BYTES (SG_DELTA_END - SG_DELTA_START)

enum {
    sg_delta_words = (SG_DELTA_BYTES + 7) / 8,
    sg_result_words = SG_CONDITION_WORDS + SG_KEY_WORDS,
    sg_body_words = (int)sg_delta_words > (int)sg_result_words ? (int)sg_delta_words : (int)sg_result_words,
    sg_reading_words = SG_READING_WORDS + SG_FREE_WORDS, /* and the inputs kept alive */
};

/* Distinct situations within one step, as many as there are: they grow under the memory cap. */
typedef struct {
    uint32_t count;
    uint64_t used;     /* answers */
    uint64_t mask;     /* of the places, once there are more than SG_FEW branches */
    sg_buffer heads;   /* of sg_branch */
    sg_buffer bodies;  /* sg_body_words of each */
    sg_buffer answers; /* of sg_pick */
    sg_buffer places;  /* by hash: number of a branch + 1, 0: empty; open addressing */
} sg_layer;

#define SG_FEW 24 /* branches that are looked through one by one */

/* Of each thread: one layer is written while the other is read. */
typedef struct {
    sg_layer layer[2];
    sg_memo decisions;
} sg_branching;

static inline sg_branch *sg_head(const sg_layer *in, uint32_t i)
{
    return (sg_branch *)in->heads.at + i;
}

static inline uint64_t *sg_body_of(const sg_layer *in, uint32_t i)
{
    return (uint64_t *)in->bodies.at + (uint64_t)i * sg_body_words;
}

static inline sg_pick *sg_answers_of(const sg_layer *in, const sg_branch *b)
{
    return (sg_pick *)in->answers.at + b->answers;
}

static inline void sg_layer_clear(sg_layer *in)
{
    in->count = 0;
    in->used = 0;
}

static void sg_layer_close(sg_layer *in, sg_budget *budget)
{
    sg_buffer_close(&in->heads, budget);
    sg_buffer_close(&in->bodies, budget);
    sg_buffer_close(&in->answers, budget);
    sg_buffer_close(&in->places, budget);
}

/* One more branch at the end, to be filled in; NULL when memory is out, which is then c's fault. */
static inline sg_branch *sg_layer_add(sg_layer *in, sg_context *c, uint32_t picks)
{
    uint64_t n = (uint64_t)in->count + 1;
    if (SG_RARE(in->count == UINT32_MAX / 8 || !sg_buffer_fit(&in->heads, n * sizeof(sg_branch), c->budget) ||
                !sg_buffer_fit(&in->bodies, n * sg_body_words * sizeof(uint64_t), c->budget) ||
                !sg_buffer_fit(&in->answers, (in->used + 2 * picks) * sizeof(sg_pick), c->budget))) {
        sg_fault(c, SG_CAPPED_MEMORY);
        return NULL;
    }
    sg_branch *b = sg_head(in, in->count++);
    b->answers = in->used;
    b->picks = picks;
    in->used += 2 * picks;
    return b;
}

static inline void sg_place_branch(sg_layer *in, uint32_t i)
{
    uint32_t *places = in->places.at;
    uint64_t at = sg_head(in, i)->hash & in->mask;
    while (places[at])
        at = (at + 1) & in->mask;
    places[at] = i + 1;
}

/* The last branch, its hash known, among the places. */
static inline void sg_layer_place(sg_layer *in, sg_context *c)
{
    if (in->count <= SG_FEW)
        return;
    if (in->count > SG_FEW + 1 && in->count <= in->mask / 2) {
        sg_place_branch(in, in->count - 1);
        return;
    }
    uint64_t room = 64;
    while (room < 4 * (uint64_t)in->count)
        room *= 2;
    if (SG_RARE(!sg_buffer_fit(&in->places, room * sizeof(uint32_t), c->budget))) {
        sg_fault(c, SG_CAPPED_MEMORY);
        return;
    }
    in->mask = room - 1;
    memset(in->places.at, 0, room * sizeof(uint32_t));
    for (uint32_t i = 0; i < in->count; i++)
        sg_place_branch(in, i);
}

static inline int sg_branch_is(const sg_layer *in, uint32_t i, unsigned words, const uint64_t *body, uint64_t hash,
                               const sg_context *c)
{
    const sg_branch *b = sg_head(in, i);
    return b->hash == hash && sg_words_same(sg_body_of(in, i), body, words) &&
           !memcmp(b->events, c->events, sizeof c->events);
}

/* Nonzero if a branch like it is there already; events count, for a break is news. */
static inline int sg_branch_known(const sg_layer *in, unsigned words, const uint64_t *body, uint64_t hash,
                                  const sg_context *c)
{
    if (in->count <= SG_FEW) {
        for (uint32_t i = in->count; i--;)
            if (sg_branch_is(in, i, words, body, hash, c))
                return 1;
        return 0;
    }
    const uint32_t *places = in->places.at;
    for (uint64_t at = hash & in->mask; places[at]; at = (at + 1) & in->mask)
        if (sg_branch_is(in, places[at] - 1, words, body, hash, c))
            return 1;
    return 0;
}

/* The situation that c has come to, as a branch. */
static inline void sg_branch_keep(sg_layer *in, sg_context *c, unsigned words, const uint64_t *body, uint64_t hash)
{
    sg_branch *b = sg_layer_add(in, c, c->asked);
    if (SG_RARE(!b))
        return;
    b->hash = hash;
    memcpy(b->events, c->events, sizeof b->events);
    sg_copy(sg_body_of(in, in->count - 1), body, words * sizeof *body);
    sg_pick *answers = sg_answers_of(in, b);
    sg_copy(answers, c->pick, c->asked * sizeof *answers);
    sg_copy(answers + c->asked, c->size, c->asked * sizeof *answers);
    sg_layer_place(in, c);
}

static inline void sg_branch_take(sg_context *c, const sg_layer *in, const sg_branch *b)
{
    const sg_pick *answers = sg_answers_of(in, b);
    sg_copy(c->events, b->events, sizeof b->events);
    sg_copy(c->pick, answers, b->picks * sizeof *answers);
    sg_copy(c->size, answers + b->picks, b->picks * sizeof *answers);
    c->fixed = c->asked = b->picks;
}

/* One piece on every branch of a layer: a segment, or the last piece when `piece` is SG_SEGMENTS, which
 * starts from what the first piece left each time. `piece` is a constant where this is inlined. */
static inline __attribute__((always_inline)) void sg_branch_on(sg_context *c, sg_work *w, const sg_layer *from,
                                                               sg_layer *to, unsigned piece, const sg_work *scanned)
{
    const int last = piece == SG_SEGMENTS;
    const unsigned words = last ? sg_result_words : sg_delta_words;
    uint64_t body[sg_body_words];
    body[words - 1] = 0;
    sg_layer_clear(to);
    for (uint32_t i = 0; i < from->count; i++) {
        const sg_branch *branch = sg_head(from, i);
        uint32_t base = branch->picks;
        sg_branch_take(c, from, branch);
        do {
            c->asked = base;
            memcpy(c->events, branch->events, sizeof c->events);
            if (last)
                *w = *scanned;
            memcpy((char *)w + SG_DELTA_START, sg_body_of(from, i), SG_DELTA_BYTES);
            if (last)
                sg_stage1_last(c, w);
            else
                sg_segment(piece, c, w);
            if (c->lacks)
                return;
            sg_steady(c);
            if (last) {
                sg_goals_note(c, w);
                sg_conditions(w, body);
                memcpy(body + SG_CONDITION_WORDS, w->packed.w, sizeof w->packed.w);
            } else {
                memcpy(body, (char *)w + SG_DELTA_START, SG_DELTA_BYTES);
            }
            uint64_t hash = sg_mix_words(body, words);
            if (!sg_branch_known(to, words, body, hash, c))
                sg_branch_keep(to, c, words, body, hash);
            if (SG_RARE(c->fault))
                return;
        } while (sg_next_leaf(c, base));
    }
}

/* A decision in its table: one word of sizes, the events, the body, picks, sizes. Its picks are those
 * after the first piece, and its events those of the segments. */
static inline uint64_t sg_decision_words(uint64_t picks)
{
    return 1 + SG_EVENT_WORDS + sg_delta_words + (picks * 2 * sizeof(sg_pick) + 7) / 8;
}

static void sg_decisions_keep(sg_memo *memo, sg_kept *place, const uint64_t *reading, const sg_layer *from,
                              uint32_t first)
{
    uint64_t words = sg_reading_words;
    for (uint32_t i = 0; i < from->count; i++)
        words += sg_decision_words(sg_head(from, i)->picks - first);
    if (words > memo->room)
        return;
    uint64_t *to = sg_memo_add(memo, words);
    if (!to) {
        sg_memo_clear(memo);
        to = sg_memo_add(memo, words);
    }
    *place = (sg_kept){(uint64_t)(to - memo->arena), from->count, memo->round};
    sg_copy(to, reading, sg_reading_words * sizeof *to);
    to += sg_reading_words;
    for (uint32_t i = 0; i < from->count; i++) {
        const sg_branch *b = sg_head(from, i);
        const sg_pick *answers = sg_answers_of(from, b);
        uint32_t picks = b->picks - first;
        to[0] = picks;
        memcpy(to + 1, b->events, sizeof b->events);
        sg_copy(to + 1 + SG_EVENT_WORDS, sg_body_of(from, i), sg_delta_words * sizeof *to);
        sg_pick *kept = (sg_pick *)(to + 1 + SG_EVENT_WORDS + sg_delta_words);
        sg_copy(kept, answers + first, picks * sizeof *kept);
        sg_copy(kept + picks, answers + b->picks + first, picks * sizeof *kept);
        to += sg_decision_words(picks);
    }
}

/* What the first piece asked lies in c; every branch begins with it. */
static void sg_decisions_fetch(const sg_memo *memo, const sg_kept *place, uint32_t first, sg_layer *to,
                               sg_context *c)
{
    const uint64_t *from = memo->arena + place->at + sg_reading_words;
    sg_layer_clear(to);
    for (uint32_t i = 0; i < place->count; i++) {
        uint32_t picks = (uint32_t)from[0], all = first + picks;
        sg_branch *b = sg_layer_add(to, c, all);
        if (SG_RARE(!b))
            return;
        memcpy(b->events, from + 1, sizeof b->events);
        sg_copy(sg_body_of(to, i), from + 1 + SG_EVENT_WORDS, sg_delta_words * sizeof *from);
        const sg_pick *kept = (const sg_pick *)(from + 1 + SG_EVENT_WORDS + sg_delta_words);
        sg_pick *answers = sg_answers_of(to, b);
        sg_copy(answers, c->pick, first * sizeof *answers);
        sg_copy(answers + first, kept, picks * sizeof *answers);
        sg_copy(answers + all, c->size, first * sizeof *answers);
        sg_copy(answers + all + first, kept + picks, picks * sizeof *answers);
        from += sg_decision_words(picks);
    }
}

/* All segments on what the first piece left, whose picks lie in c: the layer of decisions. */
static sg_layer *sg_decide(sg_context *c, sg_branching *b, const sg_work *scanned, sg_work *work)
{
    sg_layer *now = &b->layer[0], *next = &b->layer[1];
    uint64_t reading[sg_reading_words];
    uint64_t before[SG_EVENT_WORDS];
    uint32_t first = c->asked;
    memcpy(before, c->events, sizeof before);
    sg_kept *place = NULL;
    int dark = sg_is_dark(scanned);
    if (SG_SEGMENTS && !dark) {
        sg_reading(scanned, c->alive, reading);
        memcpy(reading + SG_READING_WORDS, c->alive, sizeof c->alive);
        place = sg_memo_place(&b->decisions, reading, sg_reading_words);
    }
    if (place && sg_memo_has(&b->decisions, place, reading, sg_reading_words)) {
        sg_decisions_fetch(&b->decisions, place, first, now, c);
    } else {
        uint64_t body[sg_body_words];
        body[sg_delta_words - 1] = 0;
        memcpy(body, (const char *)scanned + SG_DELTA_START, SG_DELTA_BYTES);
        sg_events_clear(c); /* kept are those of the segments only */
        sg_layer_clear(now);
        sg_branch_keep(now, c, sg_delta_words, body, 0);
        *work = *scanned;
        for (unsigned i = 0; i < SG_SEGMENTS && !dark && !c->fault; i++) {
            sg_branch_on(c, work, now, next, i, scanned);
            sg_layer *swap = now;
            now = next;
            next = swap;
        }
        if (place && !c->fault)
            sg_decisions_keep(&b->decisions, place, reading, now, first);
    }
    for (uint32_t i = 0; i < now->count; i++)
        for (unsigned e = 0; e < SG_EVENT_WORDS; e++)
            sg_head(now, i)->events[e] |= before[e];
    return now;
}

#endif
