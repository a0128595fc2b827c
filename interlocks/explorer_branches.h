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
#ifndef SG_EXPLORER_BRANCHES_H
#define SG_EXPLORER_BRANCHES_H

#include "explorer_shelf.h"

#define SG_BRANCHES 4096 /* distinct situations within one step */
#define SG_BRANCH_PICKS 64

typedef struct {
    uint64_t hash;
    uint64_t events[SG_EVENT_WORDS];
    uint16_t picks;
    uint8_t pick[SG_BRANCH_PICKS];
    uint8_t size[SG_BRANCH_PICKS]; /* less one */
} sg_branch;

#define SG_DELTA_BYTES (SG_DELTA_END - SG_DELTA_START)

enum {
    sg_delta_words = (SG_DELTA_BYTES + 7) / 8,
    sg_result_words = SG_CONDITION_WORDS + SG_KEY_WORDS,
    sg_body_words = (int)sg_delta_words > (int)sg_result_words ? (int)sg_delta_words : (int)sg_result_words,
    sg_reading_words = SG_READING_WORDS + 1, /* and the inputs kept alive */
};

typedef struct {
    uint32_t count;
    sg_branch head[SG_BRANCHES];
    uint64_t body[SG_BRANCHES][sg_body_words];
} sg_layer;

/* Of each thread: one layer is written while the other is read. */
typedef struct {
    sg_layer layer[2];
    sg_shelf decisions;
} sg_branching;

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
static inline int sg_branch_known(const sg_layer *in, unsigned words, const uint64_t *body, uint64_t hash,
                                  const sg_context *c)
{
    for (uint32_t i = in->count; i--;)
        if (in->head[i].hash == hash && sg_words_same(in->body[i], body, words) &&
            !memcmp(in->head[i].events, c->events, sizeof c->events))
            return 1;
    return 0;
}

static inline void sg_goals_note(sg_context *c, const sg_work *w)
{
    (void)c, (void)w;
#if SG_POSSIBLE > 0
    uint32_t goals = sg_goals(w);
    for (unsigned g = 0; g < SG_POSSIBLE; g++)
        c->events[(SG_BREAKS + g) >> 6] |= (uint64_t)(goals >> g & 1) << ((SG_BREAKS + g) & 63);
#endif
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
    to->count = 0;
    for (uint32_t i = 0; i < from->count; i++) {
        uint32_t base = from->head[i].picks;
        sg_branch_take(c, &from->head[i]);
        do {
            c->asked = base;
            memcpy(c->events, from->head[i].events, sizeof c->events);
            if (last)
                *w = *scanned;
            memcpy((char *)w + SG_DELTA_START, from->body[i], SG_DELTA_BYTES);
            if (last)
                sg_stage1_last(c, w);
            else
                sg_segment(piece, c, w);
            if (c->needed)
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
            if (sg_branch_known(to, words, body, hash, c))
                continue;
            if (SG_RARE(to->count == SG_BRANCHES)) {
                sg_fault(c, SG_TOO_MANY_CHOICES);
                return;
            }
            sg_branch_fill(&to->head[to->count], c, hash);
            memcpy(to->body[to->count++], body, words * sizeof body[0]);
        } while (sg_next_leaf(c, base) && !c->fault);
    }
}

/* A decision on the shelf: one word of sizes, the events, the body, picks, sizes. Its picks are those
 * after the first piece, and its events those of the segments. */
static inline uint64_t sg_decision_words(uint32_t picks)
{
    return 1 + SG_EVENT_WORDS + sg_delta_words + (picks * 2 + 7) / 8;
}

static void sg_decisions_keep(sg_shelf *shelf, sg_kept *place, const uint64_t *reading, const sg_layer *from,
                              uint32_t first)
{
    uint64_t words = sg_reading_words;
    for (uint32_t i = 0; i < from->count; i++)
        words += sg_decision_words(from->head[i].picks - first);
    if (words > shelf->room)
        return;
    uint64_t *to = sg_shelf_add(shelf, words);
    if (!to) {
        sg_shelf_clear(shelf);
        to = sg_shelf_add(shelf, words);
    }
    *place = (sg_kept){(uint64_t)(to - shelf->arena), from->count, shelf->round};
    memcpy(to, reading, sg_reading_words * sizeof *to);
    to += sg_reading_words;
    for (uint32_t i = 0; i < from->count; i++) {
        const sg_branch *b = &from->head[i];
        uint32_t picks = b->picks - first;
        to[0] = picks;
        memcpy(to + 1, b->events, sizeof b->events);
        memcpy(to + 1 + SG_EVENT_WORDS, from->body[i], sg_delta_words * sizeof *to);
        uint8_t *answers = (uint8_t *)(to + 1 + SG_EVENT_WORDS + sg_delta_words);
        memcpy(answers, b->pick + first, picks);
        memcpy(answers + picks, b->size + first, picks);
        to += sg_decision_words(picks);
    }
}

/* `head` holds what the first piece asked; every branch begins with it. */
static void sg_decisions_fetch(const sg_shelf *shelf, const sg_kept *place, const sg_branch *head, sg_layer *to,
                               sg_context *c)
{
    const uint64_t *from = shelf->arena + place->at + sg_reading_words;
    to->count = place->count;
    for (uint32_t i = 0; i < to->count; i++) {
        sg_branch *b = &to->head[i];
        uint32_t picks = (uint32_t)from[0];
        if (SG_RARE(head->picks + picks > SG_BRANCH_PICKS)) {
            sg_fault(c, SG_TOO_MANY_CHOICES);
            return;
        }
        b->picks = (uint16_t)(head->picks + picks);
        memcpy(b->pick, head->pick, head->picks);
        memcpy(b->size, head->size, head->picks);
        memcpy(b->events, from + 1, sizeof b->events);
        memcpy(to->body[i], from + 1 + SG_EVENT_WORDS, sg_delta_words * sizeof *from);
        const uint8_t *answers = (const uint8_t *)(from + 1 + SG_EVENT_WORDS + sg_delta_words);
        memcpy(b->pick + head->picks, answers, picks);
        memcpy(b->size + head->picks, answers + picks, picks);
        from += sg_decision_words(picks);
    }
}

/* All segments on what the first piece left, whose picks lie in c: the layer of decisions. */
static sg_layer *sg_decide(sg_context *c, sg_branching *b, const sg_work *scanned, sg_work *work)
{
    sg_layer *now = &b->layer[0], *next = &b->layer[1];
    uint64_t reading[sg_reading_words];
    uint64_t before[SG_EVENT_WORDS];
    sg_branch head;
    memcpy(before, c->events, sizeof before);
    sg_branch_fill(&head, c, 0);
    sg_kept *place = NULL;
    int dark = sg_is_dark(scanned);
    if (SG_SEGMENTS && !dark) {
        sg_reading(scanned, c->alive, reading);
        reading[SG_READING_WORDS] = c->alive;
        place = sg_shelf_place(&b->decisions, reading, sg_reading_words);
    }
    if (place && sg_shelf_has(&b->decisions, place, reading, sg_reading_words)) {
        sg_decisions_fetch(&b->decisions, place, &head, now, c);
    } else {
        now->count = 1;
        now->head[0] = head;
        memset(now->head[0].events, 0, sizeof head.events);
        now->body[0][sg_delta_words - 1] = 0;
        memcpy(now->body[0], (const char *)scanned + SG_DELTA_START, SG_DELTA_BYTES);
        *work = *scanned;
        for (unsigned i = 0; i < SG_SEGMENTS && !dark && !c->fault; i++) {
            sg_branch_on(c, work, now, next, i, scanned);
            sg_layer *swap = now;
            now = next;
            next = swap;
        }
        if (place && !c->fault)
            sg_decisions_keep(&b->decisions, place, reading, now, head.picks);
    }
    for (uint32_t i = 0; i < now->count; i++)
        for (unsigned e = 0; e < SG_EVENT_WORDS; e++)
            now->head[i].events[e] |= before[e];
    return now;
}

#endif
