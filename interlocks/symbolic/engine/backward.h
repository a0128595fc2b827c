/* From which of the stored situations can a goal be reached? Sets of them, grown backwards from the goal.
 *
 * First pieces: what shows the goal in this very tick. From a piece and a transition into its key: what of the
 * transition's set leads into the piece. Pieces may be too small and never too large:
 *
 * - no hull is taken; what a step leads into a piece is a set of bounds again, and exact;
 * - a loop is taken any number of times at once (Hendriks, Larsen 2002), as long as its guard holds: from x over
 *   x + 1, x + 2, ... into the piece, each but the last within the guard. What runs moves and what stands does
 *   not, so this is a set of bounds where the piece does not tie what runs to what stands. Where it does, the piece
 *   is cut smaller until the ties follow from the other bounds, and at last some of it is given up;
 * - a turn of a travel bounds what was before by what is after, through its table, where the piece does not tie
 *   the new times to anything; where it does, it is cut in the same way.
 *
 * If no rest is left, a run leads to the goal from every stored situation, hence from every reachable one.
 */
#ifndef SY_BACKWARD_H
#define SY_BACKWARD_H

#include "pieces.h"

enum { SY_CUTS = 4 }; /* how often a piece is halved for one step */

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
    sy_store_open(&b->memory, cap, (sy_manner){0, 0});
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

#endif
