/* One situation as a set, for searches that go on from it. */
#ifndef SY_ONE_SITUATION_H
#define SY_ONE_SITUATION_H

#include "tick.h"

/* The set that holds one situation, given as the values of the key's cells: clocks are in the key, and so are counters
 * with `in_key`, where no status can be meant by them. Returns how many values the set has; they are in x, from 1. */
static int sy_set_of_one(const int *values, uint8_t *key, sy_layout *layout, sy_bound *m, int *x, int in_key)
{
    memset(key, 0, SY_KEY_BYTES);
    for (int i = 0, d = 1; i < SY_KEY_CELLS; i++) {
        int clock = sy_key_cell[i].index;
        int counts = sy_key_cell[i].clock && sy_is_counter[clock] && !(in_key && sy_marks(clock)[1] >= 0);
        sy_key_put(key, i, counts ? SY_COUNTS : values[i]);
        if (counts)
            x[d++] = values[i];
    }
    sy_layout_of(key, layout);
    for (int i = 0; i < layout->n; i++)
        for (int j = 0; j < layout->n; j++)
            m[i * layout->n + j] = (sy_bound)(x[i] - x[j]);
    return layout->n;
}

#endif
