/* One situation or a set of them while its step runs: cells, clocks as 'variable + offset', choices, comparisons.
 *
 * The generated step writes discrete cells as numbers and clocks through the functions below. A clock's cell
 * holds a constant, or a variable of the set plus an offset: n := n + 1 adds to the offset. Variables that
 * count down enter the set negated, so that every one that runs grows by one a tick. A comparison of a clock
 * with a constant is answered by the set where that implies it; else it is one more choice, and the set is
 * tightened by the answer. Every comparison that was asked, implied or not, is noted as part of the path's
 * guard: the acceleration rests on the guard.
 *
 * All of it belongs to one thread, in its sy_work.
 */
#ifndef SY_STATE_H
#define SY_STATE_H

#include <stddef.h>
#include <stdlib.h>

#include "bounds.h"

/* What a cell of the key says of a clock instead of a value. */
enum { SY_RUNS = -1, SY_STANDS = -2, SY_COUNTS = -3 };

enum sy_fault { SY_FINE, SY_CHOICE_OF_NONE, SY_BARE_CLOCK, SY_OUT_OF_MEMORY };

typedef struct {
    sy_bound variable; /* a clock's number, or -1: the constant `offset`, or -2 - t: `offset` more than turn t gives */
    sy_bound offset;
} sy_value;

/* What a travel's table makes of a clock when the travel turns round: table[of]. No table grows with its clock. */
typedef struct {
    const int32_t *table;
    int length;
    sy_value of;
} sy_turn;

/* What becomes of a travel that turns round: each value of its table, the widest of them, or the turn itself. */
enum sy_turning { SY_TURN_EACH, SY_TURN_WIDEST, SY_TURN_KEPT };
enum { SY_TURNS = 2 * SY_CLOCKS + 1 };

/* Which dimension is what. */
typedef struct {
    int n;
    int clock[SY_DIMENSIONS];
    uint8_t still[SY_DIMENSIONS];
    uint16_t counter[SY_DIMENSIONS]; /* 1 + the clock's number where it is a counter */
} sy_layout;

/* Cells and clocks come first and without a gap: two situations are compared as bytes. */
typedef struct {
    _Alignas(8) sy_cell cell[SY_CELLS];
    _Alignas(8) sy_value clock[SY_CLOCKS + 1];
    sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS];
    int32_t least[SY_DIMENSIONS], most[SY_DIMENSIONS]; /* the guard so far, per dimension */
} sy_situation;

#define SY_PLAIN_BYTES (offsetof(sy_situation, clock) + sizeof(sy_value) * (SY_CLOCKS + 1))

/* Answers of one path, gone through as an odometer, as in the explicit engine. */
typedef struct {
    uint32_t *pick, *size;
    uint8_t *of_clock;
    uint32_t at, length, room;
} sy_choices;

/* What a tick is at between two of its stages: distinct situations, one after the other. */
typedef struct {
    uint8_t *bytes;
    uint64_t *hash;
    uint32_t (*picks)[2]; /* of each: where its answers that were no comparisons begin, and how many they are */
    uint32_t count, room;
    uint32_t *table, mask; /* by hash, twice as many places as there is room */
    uint32_t *place;       /* of each in the table, so that it is emptied without being gone through */
} sy_layer;

typedef struct {
    uint8_t key[SY_KEY_BYTES];
    sy_layout layout;
    sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS];
    int source[SY_DIMENSIONS], shift[SY_DIMENSIONS]; /* new x_i = old x_source + shift */
    int turn[SY_DIMENSIONS]; /* or, unless it is 0, what turn - 1 gives of the old x_source, and shift */
    int counted; /* some counter has another value */
    int loops; /* the key is the same and nothing was reset: the path may be taken any number of times */
} sy_result;

/* Everything a thread works in. */
typedef struct {
    sy_situation now, origin;
    sy_layout layout;               /* of the set whose step is worked out, the same all through it */
    int dimension[SY_CLOCKS + 1];   /* of a clock in the set, else 0 */
    sy_value before[SY_CLOCKS + 1]; /* clocks at the start of the tick */
    sy_choices ask;
    sy_layer layer[2];
    sy_result end;
    uint32_t broken[SY_BREAKS + 1], broken_count; /* breaks of this stage */
    uint32_t mark[SY_MARKS + 1], mark_count;      /* marks of coverage of this stage */
    uint8_t covered[SY_MARKS + 1];
    uint64_t alive; /* free inputs (by number, modulo 64) whose answers are not given up in this tick */
    int given_up;               /* one was asked for after all */
    uint32_t *picks, pick_count, pick_room;
    size_t cap;     /* most bytes of layers and answers: a set may have very many */
    int keep_picks; /* whoever tells runs wants to know the answers */
    int travels_kept; /* stopped travels stay in the sets, and do not go on as numbers, each of which is tried */
    int counters_in_key; /* each value of a counter has keys of its own: for a search that is exact all the same */
    enum sy_turning turning;
    sy_turn turned[SY_TURNS]; /* every turn that was met */
    int turned_count;
    int fault;
} sy_work;

static int sy_choose_any(sy_work *w, uint32_t n, int of_clock)
{
    sy_choices *a = &w->ask;
    if (a->at < a->length)
        return (int)a->pick[a->at++];
    if (!n) {
        w->fault = SY_CHOICE_OF_NONE;
        return 0;
    }
    if (a->length == a->room) {
        uint32_t room = a->room ? a->room * 2 : 64;
        uint32_t *pick = realloc(a->pick, sizeof *pick * room);
        if (pick)
            a->pick = pick;
        uint32_t *size = realloc(a->size, sizeof *size * room);
        if (size)
            a->size = size;
        uint8_t *kind = realloc(a->of_clock, room);
        if (kind)
            a->of_clock = kind;
        if (!pick || !size || !kind) {
            w->fault = SY_OUT_OF_MEMORY;
            return 0;
        }
        a->room = room;
    }
    a->pick[a->length] = 0;
    a->size[a->length] = n;
    a->of_clock[a->length] = (uint8_t)of_clock;
    a->length++;
    a->at++;
    return 0;
}

static int sy_choose(sy_work *w, uint32_t n)
{
    return sy_choose_any(w, n, 0);
}

/* Goes to the next vector of answers; 0 when all were given. */
static int sy_next_choices(sy_work *w)
{
    sy_choices *a = &w->ask;
    while (a->length && a->pick[a->length - 1] + 1 >= a->size[a->length - 1])
        a->length--;
    if (!a->length)
        return 0;
    a->pick[a->length - 1]++;
    return 1;
}

static void sy_break(sy_work *w, int index)
{
    w->broken[w->broken_count++] = (uint32_t)index;
}

static void sy_cover(sy_work *w, int index)
{
    w->mark[w->mark_count++] = (uint32_t)index;
}

/* The answers of a free input are given up where only a requirement could still ask for them, which hardly ever
 * happens. If it does, the tick is begun anew with that input kept. */
static inline void sy_give_up(sy_work *w, int input)
{
    if (!(w->alive >> input % 64 & 1))
        w->now.cell[SY_CELLS - SY_FREE + input] = -1;
}

static int sy_asked_too_late(sy_work *w, int input)
{
    w->alive |= (uint64_t)1 << input % 64;
    w->given_up = 1;
    return 0;
}

/* -- comparisons ----------------------------------------------------------------------------- */

static void sy_note_least(sy_work *w, int d, int value)
{
    if (value > w->now.least[d])
        w->now.least[d] = value;
}

static void sy_note_most(sy_work *w, int d, int value)
{
    if (value < w->now.most[d])
        w->now.most[d] = value;
}

/* Whether the variable of a clock, as it stands in the set, is at least k. */
static int sy_ask_least(sy_work *w, int clock, int k)
{
    int d = w->dimension[clock], n = w->layout.n;
    int answer;
    if (-w->now.m[d] >= k)
        answer = 1;
    else if (w->now.m[d * n] < k)
        answer = 0;
    else if ((answer = sy_choose_any(w, 2, 1)) != 0)
        sy_tighten(w->now.m, n, 0, d, -k);
    else
        sy_tighten(w->now.m, n, d, 0, k - 1);
    if (answer)
        sy_note_least(w, d, k);
    else
        sy_note_most(w, d, k - 1);
    return answer;
}

/* The last place of a turn's table at which it is at least k; -1 if there is none. */
static int sy_last_at_least(const sy_turn *turn, int k)
{
    int low = -1, high = turn->length;
    while (high - low > 1) {
        int middle = low + (high - low) / 2;
        if (turn->table[middle] >= k)
            low = middle;
        else
            high = middle;
    }
    return low;
}

static int sy_is_least(sy_work *w, sy_value value, int k)
{
    if (value.variable == -1)
        return value.offset >= k;
    if (value.variable < -1) { /* the greater the clock, the less its table gives */
        const sy_turn *turn = &w->turned[-2 - value.variable];
        int last = sy_last_at_least(turn, k - value.offset);
        return last == turn->length - 1 || (last >= 0 && !sy_is_least(w, turn->of, last + 1));
    }
    if (sy_direction[value.variable] > 0)
        return sy_ask_least(w, value.variable, k - value.offset);
    return !sy_ask_least(w, value.variable, value.offset - k + 1);
}

static int sy_ge(sy_work *w, int clock, int k)
{
    return sy_is_least(w, w->now.clock[clock], k);
}

static inline int sy_gt(sy_work *w, int clock, int k) { return sy_ge(w, clock, k + 1); }
static inline int sy_lt(sy_work *w, int clock, int k) { return !sy_ge(w, clock, k); }
static inline int sy_le(sy_work *w, int clock, int k) { return !sy_ge(w, clock, k + 1); }
static inline int sy_eq(sy_work *w, int clock, int k) { return sy_ge(w, clock, k) && !sy_ge(w, clock, k + 1); }
static inline int sy_ne(sy_work *w, int clock, int k) { return !sy_eq(w, clock, k); }

static int sy_looked_up(const sy_turn *turn, int at)
{
    return turn->table[at < 0 ? 0 : at >= turn->length ? turn->length - 1 : at];
}

static void sy_range(const sy_work *w, sy_value value, int *low, int *high)
{
    *low = *high = value.offset;
    if (value.variable == -1)
        return;
    if (value.variable < -1) {
        const sy_turn *turn = &w->turned[-2 - value.variable];
        int least, most;
        sy_range(w, turn->of, &least, &most);
        *low += sy_looked_up(turn, most);
        *high += sy_looked_up(turn, least);
        return;
    }
    int d = w->dimension[value.variable], n = w->layout.n;
    int least = -w->now.m[d], most = w->now.m[d * n];
    *low = sy_direction[value.variable] > 0 ? value.offset + least : value.offset - most;
    *high = sy_direction[value.variable] > 0 ? value.offset + most : value.offset - least;
}

/* The clock's value as a number: each one that the set allows is tried. */
static int sy_number(sy_work *w, int clock)
{
    int low, high;
    sy_value value = w->now.clock[clock];
    if (value.variable == -1)
        return value.offset;
    if (value.variable < -1) { /* the clock before is cut where the value changes, and nowhere else */
        for (sy_range(w, value, &low, &high); low < high; sy_range(w, value, &low, &high))
            sy_is_least(w, value, low + (high - low) / 2 + 1);
        return low;
    }
    sy_range(w, value, &low, &high);
    int number = low == high ? low : low + sy_choose_any(w, (uint32_t)(high - low + 1), 1);
    int d = w->dimension[value.variable], n = w->layout.n;
    int x = sy_direction[value.variable] > 0 ? number - value.offset : value.offset - number;
    sy_tighten(w->now.m, n, d, 0, x);
    sy_tighten(w->now.m, n, 0, d, -x);
    sy_note_least(w, d, x);
    sy_note_most(w, d, x);
    return number;
}

static inline void sy_set_to(sy_work *w, int clock, int number)
{
    w->now.clock[clock] = (sy_value){-1, (sy_bound)number};
}

static inline void sy_copy(sy_work *w, int clock, int other, int added)
{
    sy_value value = w->now.clock[other];
    value.offset = (sy_bound)(value.offset + added);
    w->now.clock[clock] = value;
}

/* The number of a turn, or -1 if there is no room for one more. */
static int sy_turn_number(sy_work *w, const int32_t *table, int length, sy_value of)
{
    for (int i = 0; i < w->turned_count; i++)
        if (w->turned[i].table == table && w->turned[i].of.variable == of.variable &&
            w->turned[i].of.offset == of.offset)
            return i;
    if (w->turned_count == SY_TURNS)
        return -1;
    w->turned[w->turned_count] = (sy_turn){table, length, of};
    return w->turned_count++;
}

/* clock := table[other], of a table that never grows. */
static void sy_look_up(sy_work *w, int clock, const int32_t *table, int length, int other)
{
    sy_value of = w->now.clock[other];
    int low, high, turn = -1;
    if (w->turning == SY_TURN_KEPT && of.variable >= 0)
        turn = sy_turn_number(w, table, length, of);
    if (turn >= 0) {
        w->now.clock[clock] = (sy_value){(sy_bound)(-2 - turn), 0};
        return;
    }
    if (w->turning != SY_TURN_WIDEST || of.variable < 0) {
        int at = sy_number(w, other);
        sy_set_to(w, clock, table[at < 0 ? 0 : at >= length ? length - 1 : at]);
        return;
    }
    sy_range(w, of, &low, &high);
    low = low < 0 ? 0 : low;
    high = high >= length ? length - 1 : high;
    int found = table[low];
    for (int at = low; at <= high; at++)
        if (sy_widest_is_least[clock] ? table[at] < found : table[at] > found)
            found = table[at];
    sy_set_to(w, clock, found);
}

static void sy_layer_close(sy_layer *layer)
{
    free(layer->bytes);
    free(layer->hash);
    free(layer->picks);
    free(layer->table);
    free(layer->place);
}

static void sy_work_close(sy_work *w)
{
    sy_layer_close(&w->layer[0]);
    sy_layer_close(&w->layer[1]);
    free(w->ask.pick);
    free(w->ask.size);
    free(w->ask.of_clock);
    free(w->picks);
    memset(w, 0, sizeof *w);
}

#endif
