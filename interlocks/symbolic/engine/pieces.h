/* Sets of situations from which a run leads to a goal (*pieces*), and what of the stored sets is in none of them (*rests*).
 *
 * The rest of a stored set is kept as sets that do not overlap. What a piece takes from rests is all that counts: one
 * that takes nothing is not kept, and before one is gone back from it is made as large as the rests allow. A key
 * without rest counts as one piece, which makes its others superfluous.
 */
#ifndef SY_PIECES_H
#define SY_PIECES_H

#include "transitions.h"

enum { SY_RANKS = 64 };

typedef struct {
    uint32_t set, next; /* the set it is of; the next piece of its key, or the next part of its rest */
    sy_bound *m;        /* NULL: dropped, a larger one has taken its place */
} sy_piece;

typedef struct {
    const sy_transitions *steps;
    sy_store memory;
    sy_piece *pieces;
    uint32_t piece_count, piece_room;
    uint32_t *first;     /* by key: the latest piece, or SY_NOBODY */
    uint32_t *uncovered; /* by key: sets with a rest */
    uint32_t *rest;      /* by set: the first part of its rest, or SY_NOBODY */
    sy_piece *parts;     /* of rests */
    uint32_t part_count, part_room, spare_part;
    sy_queue line[SY_RANKS]; /* pieces that wait, by rank */
    uint32_t *whole, whole_count; /* keys without rest, in the order of their becoming so */
    uint32_t left;                /* keys with a rest */
    unsigned long long before, given_up;
} sy_backward;

/* -- rests ---------------------------------------------------------------------------------------- */

static int sy_meets(const sy_bound *a, const sy_bound *b, int n)
{
    sy_bound both[SY_DIMENSIONS * SY_DIMENSIONS];
    for (int i = 0; i < n; i++) /* mostly told by two bounds */
        for (int j = 0; j < n; j++)
            if (a[i * n + j] < SY_UNBOUNDED && b[j * n + i] < SY_UNBOUNDED && a[i * n + j] + b[j * n + i] < 0)
                return 0;
    memcpy(both, a, sizeof *both * (size_t)(n * n));
    return sy_intersect(both, b, n);
}

static void sy_add_part(sy_backward *b, uint32_t set, const sy_bound *m, int n)
{
    uint32_t at = b->spare_part;
    if (at != SY_NOBODY) {
        b->spare_part = b->parts[at].next;
    } else {
        size_t room = b->part_room;
        sy_piece *grown = sy_one_more(&b->memory, b->parts, sizeof *grown, b->part_count, room, &room);
        if (!grown)
            return;
        b->parts = grown;
        b->part_room = (uint32_t)room;
        at = b->part_count++;
    }
    b->parts[at] = (sy_piece){set, b->rest[set], sy_kept(&b->memory, m, n)};
    if (b->parts[at].m)
        b->rest[set] = at;
}

/* Takes a piece from the rest of a set; whether there was anything to take. */
static int sy_take_from_rest(sy_backward *b, uint32_t set, const sy_bound *m, int n)
{
    sy_bound rest[SY_DIMENSIONS * SY_DIMENSIONS], part[SY_DIMENSIONS * SY_DIMENSIONS];
    size_t bytes = sizeof *rest * (size_t)(n * n);
    uint32_t at = b->rest[set], next;
    int taken = 0;
    b->rest[set] = SY_NOBODY;
    for (; at != SY_NOBODY; at = next) {
        next = b->parts[at].next;
        if (!sy_meets(b->parts[at].m, m, n)) {
            b->parts[at].next = b->rest[set];
            b->rest[set] = at;
            continue;
        }
        taken = 1;
        memcpy(rest, b->parts[at].m, bytes);
        sy_give_back(&b->memory, b->parts[at].m, n);
        b->parts[at] = (sy_piece){0, b->spare_part, NULL};
        b->spare_part = at;
        for (int i = 0, some = 1; i < n && some; i++)
            for (int j = 0; j < n && some; j++) {
                if (m[i * n + j] >= rest[i * n + j])
                    continue;
                memcpy(part, rest, bytes);
                if (sy_tighten(part, n, j, i, -m[i * n + j] - 1))
                    sy_add_part(b, set, part, n);
                some = sy_tighten(rest, n, i, j, m[i * n + j]);
            }
    }
    return taken;
}

/* -- pieces --------------------------------------------------------------------------------------- */

static void sy_drop_pieces(sy_backward *b, uint32_t key, const sy_bound *within, uint32_t but, int n)
{
    for (uint32_t *link = &b->first[key], at = *link; at != SY_NOBODY; at = *link) {
        sy_piece *piece = &b->pieces[at];
        if (at == but || (within && !sy_includes(within, piece->m, n))) {
            link = &piece->next;
            continue;
        }
        sy_give_back(&b->memory, piece->m, n);
        piece->m = NULL;
        *link = piece->next;
    }
}

/* Makes a piece of a set as large as what is left of the set allows: bounds that keep nothing out are dropped one
 * by one. Each situation that it gains is in another piece. */
static void sy_enlarge(const sy_backward *b, uint32_t set, sy_bound *m, int n)
{
    const sy_bound *all = b->steps->search->store.sets[set].m;
    sy_bound known[SY_DIMENSIONS * SY_DIMENSIONS], tried[SY_DIMENSIONS * SY_DIMENSIONS];
    size_t bytes = sizeof *m * (size_t)(n * n);
    uint16_t bound[SY_DIMENSIONS * SY_DIMENSIONS];
    int count = 0;
    for (int unary = 0; unary < 2; unary++) /* differences first */
        for (int i = 0; i < n; i++)
            for (int j = 0; j < n; j++)
                if ((!i || !j) == unary && m[i * n + j] < all[i * n + j])
                    bound[count++] = (uint16_t)(i * n + j);
    memcpy(known, all, bytes);
    for (int c = 0; c < count; c++) {
        memcpy(tried, known, bytes);
        for (int d = c + 1; d < count; d++)
            sy_tighten(tried, n, bound[d] / n, bound[d] % n, m[bound[d]]);
        if (tried[bound[c]] <= m[bound[c]]) /* follows from the others */
            continue;
        uint32_t part = b->rest[set];
        while (part != SY_NOBODY && !sy_meets(b->parts[part].m, tried, n))
            part = b->parts[part].next;
        if (part != SY_NOBODY)
            sy_tighten(known, n, bound[c] / n, bound[c] % n, m[bound[c]]);
    }
    memcpy(m, known, bytes);
}

/* How many bounds of a piece are less than those of its set: the fewer, the more of the set it is. */
static int sy_rank(const sy_backward *b, uint32_t set, const sy_bound *m, int n)
{
    int rank = 0;
    for (int i = 0; i < n * n; i++)
        rank += m[i] < b->steps->search->store.sets[set].m[i];
    return rank < SY_RANKS ? rank : SY_RANKS - 1;
}

/* The next piece that waits and is not dropped: those that are most of their set first, and of these the eldest. */
static uint32_t sy_next_piece(sy_backward *b)
{
    for (int rank = 0; rank < SY_RANKS; rank++)
        for (sy_queue *line = &b->line[rank]; line->head < line->count;) {
            uint32_t piece = line->at[line->head++];
            if (b->pieces[piece].m)
                return piece;
        }
    return SY_NOBODY;
}

/* Adds a piece of a set, unless each of its situations is in one already. */
static void sy_add_piece(sy_backward *b, uint32_t from, const sy_bound *matrix)
{
    sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS], hull[SY_DIMENSIONS * SY_DIMENSIONS],
        rest[SY_DIMENSIONS * SY_DIMENSIONS], part[SY_DIMENSIONS * SY_DIMENSIONS];
    const sy_store *s = &b->steps->search->store;
    uint32_t key = s->sets[from].key;
    int n = s->sets[from].n, taken = 0;
    if (!b->uncovered[key] || b->memory.out_of_memory)
        return;
    for (uint32_t set = s->nodes[key].sets; set != SY_NOBODY; set = s->sets[set].next) {
        if (b->rest[set] == SY_NOBODY)
            continue;
        taken |= sy_take_from_rest(b, set, matrix, n);
        if (b->memory.out_of_memory)
            return;
        b->uncovered[key] -= b->rest[set] == SY_NOBODY;
    }
    if (!b->uncovered[key]) {
        sy_drop_pieces(b, key, NULL, SY_NOBODY, n);
        b->whole[b->whole_count++] = key;
        b->left--;
        return;
    }
    if (!taken)
        return;
    memcpy(m, matrix, sizeof *m * (size_t)(n * n));
    for (int again = 1; again;) { /* two pieces of a set become one where that is the very same */
        again = 0;
        sy_drop_pieces(b, key, m, SY_NOBODY, n);
        for (uint32_t at = b->first[key]; at != SY_NOBODY && !again; at = b->pieces[at].next)
            if (b->pieces[at].set == from && sy_exact_union(m, b->pieces[at].m, hull, rest, part, n)) {
                memcpy(m, hull, sizeof *m * (size_t)(n * n));
                again = 1;
            }
    }
    size_t room = b->piece_room;
    sy_piece *grown = sy_one_more(&b->memory, b->pieces, sizeof *grown, b->piece_count, room, &room);
    if (!grown)
        return;
    b->pieces = grown;
    b->piece_room = (uint32_t)room;
    b->pieces[b->piece_count] = (sy_piece){from, b->first[key], sy_kept(&b->memory, m, n)};
    if (!b->pieces[b->piece_count].m)
        return;
    b->first[key] = b->piece_count++;
    sy_enqueue(&b->memory, &b->line[sy_rank(b, from, m, n)], b->first[key]);
}

static void sy_backward_close(sy_backward *b)
{
    for (int rank = 0; rank < SY_RANKS; rank++)
        free(b->line[rank].at);
    free(b->pieces);
    free(b->first);
    free(b->uncovered);
    free(b->rest);
    free(b->parts);
    free(b->whole);
    sy_store_close(&b->memory);
    memset(b, 0, sizeof *b);
}

#endif
