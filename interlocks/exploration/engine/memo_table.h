/* What was worked out once and is kept: a table of places over an arena of words.
 *
 * A record is a key of a fixed number of words and what belongs to it. A record that is put to a place
 * where another one stands takes the place; when the arena is full everything in the table is void. So a
 * table hardly grows (only when one record alone is larger than it), and what is found in it has exactly
 * the key that was asked for.
 */
#ifndef SG_EXPLORER_MEMO_TABLE_H
#define SG_EXPLORER_MEMO_TABLE_H

#include "memory_budget.h"

typedef struct {
    uint64_t at;           /* in the arena: the key, then what belongs to it */
    uint32_t count, round; /* items of the record; places of earlier rounds are void */
} sg_kept;

typedef struct {
    sg_kept *place;
    uint64_t *arena;
    uint64_t used, room; /* words */
    uint64_t booked;     /* bytes by which it has grown, booked with the budget */
    uint32_t mask, round;
} sg_memo;

/* `places` is a power of two. 0 when memory is out; close it then all the same. */
static int sg_memo_open(sg_memo *s, uint32_t places, uint64_t words)
{
    s->place = calloc(places, sizeof *s->place);
    s->arena = malloc(words * sizeof *s->arena);
    s->used = 0;
    s->room = words;
    s->booked = 0;
    s->mask = places - 1;
    s->round = 1;
    return s->place && s->arena;
}

static void sg_memo_close(sg_memo *s, sg_budget *budget)
{
    if (budget)
        sg_budget_give(budget, s->booked);
    free(s->place);
    free(s->arena);
}

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

static inline sg_kept *sg_memo_place(const sg_memo *s, const uint64_t *key, unsigned n)
{
    return &s->place[sg_mix_words(key, n) >> 20 & s->mask];
}

/* Does the record of this key stand at its place? */
static inline int sg_memo_has(const sg_memo *s, const sg_kept *place, const uint64_t *key, unsigned n)
{
    return place->round == s->round && sg_words_same(s->arena + place->at, key, n);
}

/* Room for more words at the end, or NULL when the arena is full. */
static inline uint64_t *sg_memo_add(sg_memo *s, uint64_t words)
{
    if (s->used + words > s->room)
        return NULL;
    s->used += words;
    return s->arena + s->used - words;
}

/* The same for the only record of the table, which may make it grow; NULL when memory is out. */
static uint64_t *sg_memo_add_alone(sg_memo *s, uint64_t words, sg_budget *budget)
{
    if (s->used + words > s->room) {
        uint64_t room = s->used + words > s->room * 2 ? s->used + words : s->room * 2, more = 8 * (room - s->room);
        if (budget && !sg_budget_take(budget, more))
            return NULL;
        uint64_t *arena = realloc(s->arena, 8 * room);
        if (!arena) {
            if (budget)
                sg_budget_give(budget, more);
            return NULL;
        }
        s->arena = arena;
        s->room = room;
        s->booked += more;
    }
    return sg_memo_add(s, words);
}

static inline void sg_memo_clear(sg_memo *s)
{
    s->used = 0;
    s->round++;
}

#endif
