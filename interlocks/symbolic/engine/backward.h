/* From which of the stored situations can a goal be reached? Sets of them, grown backwards from the goal.
 *
 * A *piece* is a set of situations of one key from each of which some run leads to the goal. First pieces: what shows the goal in this
 * very tick. From a piece and a transition into its key: what of the transition's set leads into the piece. Pieces may be too small and never too large:
 *
 * - no hull is taken; what a step leads into a piece is a set of bounds again, and exact;
 * - a loop is taken any number of times at once (Hendriks, Larsen 2002), as long as its guard holds: from x over x + 1, x + 2, ... into
 *   the piece, each but the last within the guard. What runs moves, what stands does not, so this is a set of bounds where the piece does not
 *   tie what runs to what stands. Where it does, the piece is cut smaller until the ties follow from the rest, and at last a part is given up;
 * - a turn of a travel bounds what was before by what is after, through its table, where the piece does not tie the two new times to anything;
 *   where it does, it is cut in the same way.
 *
 * Of each stored set the *rest* is kept: it minus the pieces of its key, as sets that do not overlap. If no rest is left, a run leads to the goal from
 * every stored situation, hence from every reachable one. A key without rest counts as one piece, which makes its others superfluous.
 */
#ifndef SY_BACKWARD_H
#define SY_BACKWARD_H

#include "transitions.h"

#define SY_CUTS 4 /* how often a piece is halved for one step */
#define SY_RANKS 64

typedef struct {
    uint32_t set, next; /* the set it is of; the next piece of its key, or the next part of its rest */
    sy_bound *m;        /* NULL: dropped, a larger one has taken its place */
} sy_piece;

typedef struct {
    const sy_transitions *steps;
    sy_store memory;
    sy_piece *pieces;
    uint32_t piece_count, piece_room;
    uint32_t *first;   /* by key: the latest piece, or SY_NOBODY */
    uint32_t *uncovered; /* by key: sets with a rest */
    uint32_t *rest;    /* by set: the first part of its rest, or SY_NOBODY */
    sy_piece *parts;   /* of rests */
    uint32_t part_count, part_room, spare_part;
    uint32_t *line[SY_RANKS], line_count[SY_RANKS], line_room[SY_RANKS], line_head[SY_RANKS]; /* pieces that wait, by rank */
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

static void sy_wait_in_line(sy_backward *b, uint32_t piece, int rank)
{
    size_t room = b->line_room[rank];
    uint32_t *grown = sy_one_more(&b->memory, b->line[rank], sizeof *grown, b->line_count[rank], room, &room);
    if (!grown)
        return;
    b->line[rank] = grown;
    b->line_room[rank] = (uint32_t)room;
    grown[b->line_count[rank]++] = piece;
}

/* The next piece that waits and is not dropped: those that are most of their set first, and of these the eldest. */
static uint32_t sy_next_piece(sy_backward *b)
{
    for (int rank = 0; rank < SY_RANKS; rank++)
        while (b->line_head[rank] < b->line_count[rank]) {
            uint32_t piece = b->line[rank][b->line_head[rank]++];
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
    sy_wait_in_line(b, b->first[key], sy_rank(b, from, m, n));
}

/* -- what was before -------------------------------------------------------------------------------- */

/* What a loop, taken any number of times, leads into a piece. */
static void sy_before_loop(sy_backward *b, const sy_transition *t, const sy_bound *piece, int cuts)
{
    sy_bound w[SY_DIMENSIONS * SY_DIMENSIONS], out[SY_DIMENSIONS * SY_DIMENSIONS];
    const sy_effect *guard = b->steps->effects + t->effects;
    int n = t->n;
    sy_layout layout;
    sy_layout_of(b->steps->search->store.keys + (size_t)t->key * SY_KEY_BYTES, &layout);
    layout.still[0] = 1;
    memcpy(w, piece, sizeof *w * (size_t)(n * n));
    memcpy(out, t->m, sizeof *out * (size_t)(n * n));
    for (int i = 1; i < n; i++) /* the last time it is taken the guard holds, so the piece is entered at most one beyond */
        if (!layout.still[i] && guard[i].shift < SY_UNBOUNDED && !sy_tighten(w, n, i, 0, guard[i].shift + 1))
            return;
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            if (!(layout.still[i] && !layout.still[j]) && !sy_tighten(out, n, i, j, w[i * n + j]))
                return;
    /* How often: enough for each least bound, seldom enough for each greatest. A pair of them that speaks of four clocks is no bound. */
    for (int s = 0; s < n; s++)
        for (int i = 1; i < n && layout.still[s]; i++)
            for (int r = 0; r < n && !layout.still[i]; r++)
                for (int j = 1; j < n && layout.still[r]; j++) {
                    if (r == s || j == i || layout.still[j] || w[s * n + i] >= SY_UNBOUNDED || w[j * n + r] >= SY_UNBOUNDED)
                        continue;
                    int most = w[s * n + i] + w[j * n + r] - out[s * n + r];
                    if (out[j * n + i] <= most)
                        continue;
                    int f = s ? s : r, low = -out[f], high = out[f * n];
                    if (s && r && out[r * n] + out[r] > high - low) {
                        f = r;
                        low = -out[f];
                        high = out[f * n];
                    }
                    if (cuts && low < high) {
                        int middle = low + (high - low) / 2;
                        memcpy(out, w, sizeof *w * (size_t)(n * n));
                        if (sy_tighten(out, n, f, 0, middle))
                            sy_before_loop(b, t, out, cuts - 1);
                        if (sy_tighten(w, n, 0, f, -middle - 1))
                            sy_before_loop(b, t, w, cuts - 1);
                        return;
                    }
                    b->given_up++;
                    if (!sy_tighten(out, n, j, i, most))
                        return;
                }
    sy_add_piece(b, t->set, out);
}

/* Tightens what was before a turn: what is after lies within low..high, as it enters the set. */
static int sy_tighten_before_turn(sy_bound *out, int n, const sy_turn *turn, const sy_effect *effect, int low, int high)
{
    int down = sy_direction[turn->of.variable] < 0, d = effect->source;
    /* What is after counts down, so -high <= table[before] + shift <= -low, and the later before, the less. */
    int last = sy_last_at_least(turn, -high - effect->shift);
    int first = sy_last_at_least(turn, -low - effect->shift + 1) + 1;
    if (last < 0 || first >= turn->length)
        return 0;
    int most = last - turn->of.offset, least = first - turn->of.offset;
    if (last < turn->length - 1 && !(down ? sy_tighten(out, n, 0, d, most) : sy_tighten(out, n, d, 0, most)))
        return 0;
    return !first || (down ? sy_tighten(out, n, d, 0, -least) : sy_tighten(out, n, 0, d, -least));
}

/* `out`, which is what takes the step, without what does not lead into `w`; ties of what a turn gave are implied by the rest of `w`. */
static int sy_tighten_before(sy_bound *out, const sy_transition *t, const sy_effect *effect, const sy_turn *turned,
                             const sy_bound *w)
{
    int n = t->n, to = t->to;
    for (int i = 0; i < to; i++) {
        if (effect[i].turn && !sy_tighten_before_turn(out, n, &turned[effect[i].turn - 1], &effect[i], -w[i], w[i * to]))
            return 0;
        for (int j = 0; j < to && !effect[i].turn; j++) {
            int bound = w[i * to + j];
            if (i == j || bound >= SY_UNBOUNDED || effect[j].turn)
                continue;
            bound += effect[j].shift - effect[i].shift;
            if (effect[i].source == effect[j].source) {
                if (bound < 0)
                    return 0;
            } else if (!sy_tighten(out, n, effect[i].source, effect[j].source, bound)) {
                return 0;
            }
        }
    }
    return 1;
}

/* A piece without what the step does not lead to anyhow, so that it ties less. */
static int sy_tighten_after(sy_bound *w, const sy_transition *t, const sy_effect *effect, const sy_turn *turned)
{
    int n = t->n, to = t->to;
    for (int i = 1; i < to; i++) {
        if (effect[i].turn) {
            const sy_turn *turn = &turned[effect[i].turn - 1];
            int d = effect[i].source, down = sy_direction[turn->of.variable] < 0;
            int least = turn->of.offset + (down ? -t->m[d * n] : -t->m[d]);
            int most = turn->of.offset + (down ? t->m[d] : t->m[d * n]);
            if (!sy_tighten(w, to, i, 0, -sy_looked_up(turn, most) - effect[i].shift) ||
                !sy_tighten(w, to, 0, i, sy_looked_up(turn, least) + effect[i].shift))
                return 0;
            continue;
        }
        for (int j = 0; j < to; j++)
            for (int turned = 0; turned < 2 && !effect[j].turn; turned++) {
                int a = turned ? j : i, b = turned ? i : j;
                int bound = sy_sum(t->m[effect[a].source * n + effect[b].source], effect[a].shift - effect[b].shift);
                if (a != b && bound < SY_UNBOUNDED && !sy_tighten(w, to, a, b, bound))
                    return 0;
            }
    }
    return 1;
}

static int sy_is_tied(const sy_bound *w, int n, int i, int j)
{
    return w[i * n + j] < sy_sum(w[i * n], w[j]);
}

/* What a step leads into a piece. */
static void sy_before_step(sy_backward *b, const sy_transition *t, const sy_bound *piece, int cuts)
{
    sy_bound w[SY_DIMENSIONS * SY_DIMENSIONS], out[SY_DIMENSIONS * SY_DIMENSIONS];
    const sy_effect *effect = b->steps->effects + t->effects;
    const sy_turn *turned = b->steps->search->work[0].turned;
    int to = t->to;
    memcpy(w, piece, sizeof *w * (size_t)(to * to));
    if (t->turns && !sy_tighten_after(w, t, effect, turned))
        return;
    for (int i = 1; i < to && t->turns; i++)
        for (int j = 1; j < to; j++) {
            if (!effect[i].turn || i == j || (!sy_is_tied(w, to, i, j) && !sy_is_tied(w, to, j, i)))
                continue;
            int low = -w[i], high = w[i * to];
            if (cuts && low < high) {
                int middle = low + (high - low) / 2;
                memcpy(out, w, sizeof *w * (size_t)(to * to));
                if (sy_tighten(out, to, i, 0, middle))
                    sy_before_step(b, t, out, cuts - 1);
                if (sy_tighten(w, to, 0, i, -middle - 1))
                    sy_before_step(b, t, w, cuts - 1);
                return;
            }
            /* Whatever the turn gave, the other is such that it fits. */
            b->given_up++;
            int least = high - w[i * to + j], most = w[j * to + i] + low;
            if (!sy_tighten(w, to, 0, j, -least) || !sy_tighten(w, to, j, 0, most))
                return;
        }
    memcpy(out, t->m, sizeof *out * (size_t)(t->n * t->n));
    if (sy_tighten_before(out, t, effect, turned, w))
        sy_add_piece(b, t->set, out);
}

static void sy_before_piece(sy_backward *b, const sy_transition *t, const sy_bound *piece)
{
    b->before++;
    if (t->loops)
        sy_before_loop(b, t, piece, SY_CUTS);
    else
        sy_before_step(b, t, piece, SY_CUTS);
}

/* -- growing ---------------------------------------------------------------------------------------- */

static void sy_before_whole(sy_backward *b, uint32_t key)
{
    const sy_store *s = &b->steps->search->store;
    for (uint32_t at = b->steps->into[key]; at != SY_NOBODY; at = b->steps->list[at].next) {
        const sy_transition *t = &b->steps->list[at];
        if (!b->uncovered[s->sets[t->set].key])
            continue;
        if (t->inside)
            sy_add_piece(b, t->set, t->m);
        for (uint32_t set = s->nodes[key].sets; set != SY_NOBODY && !t->inside; set = s->sets[set].next)
            sy_before_piece(b, t, s->sets[set].m);
    }
}

/* Grows pieces from the goal until nothing is left of any set, or nothing grows. 0 if it was cut short. */
static int sy_grow_pieces(sy_backward *b, const sy_transitions *steps, int goal, size_t cap, const volatile int *stop)
{
    sy_bound piece[SY_DIMENSIONS * SY_DIMENSIONS];
    const sy_store *s = &steps->search->store;
    size_t keys = s->node_count, sets = s->set_count;
    memset(b, 0, sizeof *b);
    sy_store_open(&b->memory, cap, (sy_manner){0, 0, 0, 1});
    b->steps = steps;
    b->spare_part = SY_NOBODY;
    b->first = sy_grow(&b->memory, NULL, 0, sizeof *b->first * (keys + 1));
    b->uncovered = sy_grow(&b->memory, NULL, 0, sizeof *b->uncovered * (keys + 1));
    b->whole = sy_grow(&b->memory, NULL, 0, sizeof *b->whole * (keys + 1));
    b->rest = sy_grow(&b->memory, NULL, 0, sizeof *b->rest * (sets + 1));
    if (!b->first || !b->uncovered || !b->whole || !b->rest)
        return 0;
    memset(b->first, 0xff, sizeof *b->first * (keys + 1));
    memset(b->uncovered, 0, sizeof *b->uncovered * (keys + 1));
    memset(b->rest, 0xff, sizeof *b->rest * (sets + 1));
    for (uint32_t set = 0; set < s->set_count; set++)
        if (s->sets[set].m) {
            b->left += !b->uncovered[s->sets[set].key]++;
            sy_add_part(b, set, s->sets[set].m, s->sets[set].n);
        }
    for (uint32_t i = 0; i < steps->goal_count && !b->memory.out_of_memory; i++)
        if (steps->goals[i].goal == goal)
            sy_add_piece(b, steps->goals[i].set, steps->goals[i].m);
    for (uint32_t whole = 0, at; b->left && !b->memory.out_of_memory && !*stop;) {
        if (whole < b->whole_count) {
            sy_before_whole(b, b->whole[whole++]);
            continue;
        }
        if ((at = sy_next_piece(b)) == SY_NOBODY)
            break;
        uint32_t set = b->pieces[at].set, key = s->sets[set].key;
        int n = s->sets[set].n;
        sy_enlarge(b, set, b->pieces[at].m, n);
        memcpy(piece, b->pieces[at].m, sizeof *piece * (size_t)(n * n));
        sy_drop_pieces(b, key, piece, at, n);
        for (uint32_t i = steps->into[key]; i != SY_NOBODY && !b->memory.out_of_memory && !*stop; i = steps->list[i].next)
            if (b->uncovered[s->sets[steps->list[i].set].key])
                sy_before_piece(b, &steps->list[i], piece);
    }
    return !b->memory.out_of_memory && !*stop;
}

static void sy_backward_close(sy_backward *b)
{
    for (int rank = 0; rank < SY_RANKS; rank++)
        free(b->line[rank]);
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
