/* One situation or a set of them while its step runs: cells, clocks as 'variable + offset', choices, comparisons.
 *
 * The generated step writes discrete cells as numbers and clocks through the functions below. A clock's cell holds a constant, or
 * a variable of the set plus an offset: n := n + 1 adds to the offset. Variables that count down enter the set negated, so that
 * every one that runs grows by one a tick. A comparison of a clock with a constant is answered by the set where
 * that implies it; else it is one more choice, and the set is tightened by the answer. Every comparison that was
 * asked, implied or not, is noted as part of the path's guard: the acceleration rests on the guard.
 *
 * The discrete state is one of the thread's; a search is run by one thread.
 */
#ifndef SY_STATE_H
#define SY_STATE_H

#include "bounds.h"

/* What a cell of the key says of a clock instead of a value. */
enum { SY_RUNS = -1, SY_STANDS = -2, SY_COUNTS = -3 };

enum sy_fault { SY_FINE, SY_CHOICE_OF_NONE, SY_BARE_CLOCK, SY_OUT_OF_MEMORY };

typedef struct {
    int variable; /* a clock's number, or -1: the constant `offset`, or -2 - t: `offset` more than turn t gives */
    int offset;
} sy_value;

/* What a travel's table makes of a clock when it turns round: table[clock + offset], which never grows with the clock. */
typedef struct {
    const int32_t *table;
    int length;
    sy_value of;
} sy_turn;

/* How a travel turns round: each value of its table, the widest of them, or a value that follows from the clock before. */
enum sy_turning { SY_TURN_EACH, SY_TURN_WIDEST, SY_TURN_RANGE };

/* Which dimension is what. */
typedef struct {
    int n;
    int clock[SY_DIMENSIONS];
    uint8_t still[SY_DIMENSIONS];
    uint16_t counter[SY_DIMENSIONS]; /* 1 + the clock's number where it is a counter */
} sy_layout;

typedef struct {
    int32_t cell[SY_CELLS];
    sy_value clock[SY_CLOCKS + 1];
    sy_layout layout;
    int dimension[SY_CLOCKS + 1]; /* of a clock in the set, else 0 */
    sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS];
    int32_t least[SY_DIMENSIONS], most[SY_DIMENSIONS]; /* the guard so far, per dimension */
} sy_situation;

static sy_situation sy_now;
static int sy_fault_code;

/* -- choices: an odometer over a stack, as in the explicit engine -------------------------------- */

typedef struct {
    uint32_t *pick, *size;
    uint8_t *of_clock;
    uint32_t at, length, room;
} sy_choices;

static sy_choices sy_ask;

static int sy_choose_any(uint32_t n, int of_clock)
{
    sy_choices *a = &sy_ask;
    if (a->at < a->length)
        return (int)a->pick[a->at++];
    if (!n) {
        sy_fault_code = SY_CHOICE_OF_NONE;
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
            sy_fault_code = SY_OUT_OF_MEMORY;
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

static int sy_choose(uint32_t n)
{
    return sy_choose_any(n, 0);
}

/* Goes to the next vector of answers; 0 when all were given. */
static int sy_next_choices(void)
{
    sy_choices *a = &sy_ask;
    while (a->length && a->pick[a->length - 1] + 1 >= a->size[a->length - 1])
        a->length--;
    if (!a->length)
        return 0;
    a->pick[a->length - 1]++;
    return 1;
}

/* -- comparisons ----------------------------------------------------------------------------- */

static void sy_note_least(int d, int value)
{
    if (value > sy_now.least[d])
        sy_now.least[d] = value;
}

static void sy_note_most(int d, int value)
{
    if (value < sy_now.most[d])
        sy_now.most[d] = value;
}

/* Whether the variable of a clock, as it stands in the set, is at least k. */
static int sy_ask_least(int clock, int k)
{
    int d = sy_now.dimension[clock], n = sy_now.layout.n;
    int answer;
    if (-sy_now.m[d] >= k)
        answer = 1;
    else if (sy_now.m[d * n] < k)
        answer = 0;
    else if ((answer = sy_choose_any(2, 1)) != 0)
        sy_tighten(sy_now.m, n, 0, d, -k);
    else
        sy_tighten(sy_now.m, n, d, 0, k - 1);
    if (answer)
        sy_note_least(d, k);
    else
        sy_note_most(d, k - 1);
    return answer;
}

static sy_turn sy_turned[2 * SY_CLOCKS + 1]; /* every turn that was met, the same one once */
static int sy_turned_count;

/* The last place of a table that never grows at which it is at least k; -1 if there is none. */
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

static int sy_is_least(sy_value value, int k)
{
    if (value.variable == -1)
        return value.offset >= k;
    if (value.variable < -1) { /* the later the clock, the less its table gives */
        const sy_turn *turn = &sy_turned[-2 - value.variable];
        int last = sy_last_at_least(turn, k - value.offset);
        return last >= turn->length - 1 || (last >= 0 && !sy_is_least(turn->of, last + 1));
    }
    if (sy_direction[value.variable] > 0)
        return sy_ask_least(value.variable, k - value.offset);
    return !sy_ask_least(value.variable, value.offset - k + 1);
}

static int sy_ge(int clock, int k)
{
    return sy_is_least(sy_now.clock[clock], k);
}

static inline int sy_gt(int clock, int k) { return sy_ge(clock, k + 1); }
static inline int sy_lt(int clock, int k) { return !sy_ge(clock, k); }
static inline int sy_le(int clock, int k) { return !sy_ge(clock, k + 1); }
static inline int sy_eq(int clock, int k) { return sy_ge(clock, k) && !sy_ge(clock, k + 1); }
static inline int sy_ne(int clock, int k) { return !sy_eq(clock, k); }

static void sy_range(sy_value value, int *low, int *high)
{
    *low = *high = value.offset;
    if (value.variable == -1)
        return;
    if (value.variable < -1) {
        const sy_turn *turn = &sy_turned[-2 - value.variable];
        int least, most, last = turn->length - 1;
        sy_range(turn->of, &least, &most);
        *low += turn->table[most < 0 ? 0 : most > last ? last : most];
        *high += turn->table[least < 0 ? 0 : least > last ? last : least];
        return;
    }
    int d = sy_now.dimension[value.variable], n = sy_now.layout.n;
    int least = -sy_now.m[d], most = sy_now.m[d * n];
    *low = sy_direction[value.variable] > 0 ? value.offset + least : value.offset - most;
    *high = sy_direction[value.variable] > 0 ? value.offset + most : value.offset - least;
}

/* A value as a number: each one that the set allows is tried. */
static int sy_number_of(sy_value value)
{
    int low, high;
    if (value.variable == -1)
        return value.offset;
    if (value.variable < -1) { /* what the clock before may be is cut where the value changes, and nowhere else */
        for (sy_range(value, &low, &high); low < high; sy_range(value, &low, &high))
            sy_is_least(value, low + (high - low) / 2 + 1);
        return low;
    }
    sy_range(value, &low, &high);
    int number = low == high ? low : low + sy_choose_any((uint32_t)(high - low + 1), 1);
    int d = sy_now.dimension[value.variable], n = sy_now.layout.n;
    int x = sy_direction[value.variable] > 0 ? number - value.offset : value.offset - number;
    sy_tighten(sy_now.m, n, d, 0, x);
    sy_tighten(sy_now.m, n, 0, d, -x);
    sy_note_least(d, x);
    sy_note_most(d, x);
    return number;
}

static int sy_number(int clock)
{
    return sy_number_of(sy_now.clock[clock]);
}

static inline void sy_set_to(int clock, int number)
{
    sy_now.clock[clock] = (sy_value){-1, number};
}

static inline void sy_copy(int clock, int other, int added)
{
    sy_value value = sy_now.clock[other];
    value.offset += added;
    sy_now.clock[clock] = value;
}

static int sy_travels_kept; /* stopped travels stay in the sets, and do not go on as numbers, each of which is tried */
static enum sy_turning sy_turning;

/* The number of a turn, or -1 if there is no room for one more. */
static int sy_turn_number(const int32_t *table, int length, sy_value of)
{
    for (int i = 0; i < sy_turned_count; i++)
        if (sy_turned[i].table == table && sy_turned[i].of.variable == of.variable &&
            sy_turned[i].of.offset == of.offset)
            return i;
    if (sy_turned_count == 2 * SY_CLOCKS + 1)
        return -1;
    sy_turned[sy_turned_count] = (sy_turn){table, length, of};
    return sy_turned_count++;
}

/* clock := table[other], of a table that never grows. */
static void sy_look_up(int clock, const int32_t *table, int length, int other)
{
    sy_value of = sy_now.clock[other];
    int low, high, turn = -1;
    if (sy_turning == SY_TURN_RANGE && of.variable >= 0)
        turn = sy_turn_number(table, length, of);
    if (turn >= 0) {
        sy_now.clock[clock] = (sy_value){-2 - turn, 0};
        return;
    }
    if (sy_turning != SY_TURN_WIDEST || of.variable < 0) {
        int at = sy_number(other);
        sy_set_to(clock, table[at < 0 ? 0 : at >= length ? length - 1 : at]);
        return;
    }
    sy_range(of, &low, &high);
    low = low < 0 ? 0 : low;
    high = high >= length ? length - 1 : high;
    int found = table[low];
    for (int at = low; at <= high; at++)
        if (sy_widest_is_least[clock] ? table[at] < found : table[at] > found)
            found = table[at];
    sy_set_to(clock, found);
}

#endif
