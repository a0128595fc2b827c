/* One run of what an exact search found: backwards over its sets, then forwards as one point, tick by tick. */
#ifndef SY_EXACT_RUN_H
#define SY_EXACT_RUN_H

#include "confirmation.h"

/* Of what takes a path, what it leads into `target`; 0 if nothing. */
static int sy_before_path(const sy_path *path, const sy_bound *target, const sy_layout *loops, sy_bound *out)
{
    int n = path->source_n, to = path->n;
    memcpy(out, path->m, sizeof(sy_bound) * (size_t)(n * n));
    if (path->loops) { /* any number of times: everything from which the target is reached by waiting */
        for (int i = 0; i < n; i++)
            for (int j = 0; j < n; j++) {
                int free_to_fall = !loops->still[j] && j > 0 && (i == 0 || loops->still[i]);
                if (!free_to_fall && !sy_tighten(out, n, i, j, target[i * n + j]))
                    return 0;
            }
        return 1;
    }
    for (int i = 0; i < to; i++)
        for (int j = 0; j < to; j++) {
            int bound = target[i * to + j];
            if (i == j || bound >= SY_UNBOUNDED)
                continue;
            bound += path->shift[j] - path->shift[i];
            if (path->source[i] == path->source[j]) {
                if (bound < 0)
                    return 0;
            } else if (!sy_tighten(out, n, path->source[i], path->source[j], bound)) {
                return 0;
            }
        }
    return 1;
}

static int sy_holds_point(const sy_bound *m, const int32_t *x, int n)
{
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            if (m[i * n + j] < SY_UNBOUNDED && x[i] - x[j] > m[i * n + j])
                return 0;
    return 1;
}

typedef void (*sy_say_tick)(void *to, const uint32_t *picks, uint32_t count);

/* Tells a run tick by tick, the start choice first; how many ticks, or -1 if the sets contradict each other (a fault). */
static long sy_tell_run(const sy_confirmation *c, uint32_t event, sy_say_tick say, void *to, long most)
{
    uint32_t length = 0;
    for (uint32_t set = c->found[event]; set != SY_NOBODY; set = c->store.sets[set].from)
        length++;
    uint32_t *chain = malloc(sizeof *chain * length);
    sy_bound **target = calloc(length, sizeof *target);
    long ticks = -1;
    if (!chain || !target)
        goto done;
    uint32_t at = length;
    for (uint32_t set = c->found[event]; set != SY_NOBODY; set = c->store.sets[set].from)
        chain[--at] = set;
    /* target[i]: of the set chain[i] what goes on to the event. */
    for (uint32_t i = length; i-- > 0;) {
        const sy_path *path = i + 1 < length ? &c->paths[c->store.sets[chain[i + 1]].path] : &c->last[event];
        int n = path->source_n;
        sy_layout layout;
        target[i] = malloc(sizeof(sy_bound) * (size_t)(n * n));
        if (!target[i])
            goto done;
        sy_layout_of(c->store.keys + (size_t)c->store.sets[chain[i]].key * SY_KEY_BYTES, &layout);
        if (i + 1 == length)
            memcpy(target[i], path->m, sizeof(sy_bound) * (size_t)(n * n));
        else if (!sy_before_path(path, target[i + 1], &layout, target[i]))
            goto done;
    }
    int32_t x[SY_DIMENSIONS] = {0}, y[SY_DIMENSIONS] = {0};
    const sy_path *start = &c->paths[c->store.sets[chain[0]].path];
    for (int i = 1; i < start->n; i++)
        x[i] = start->shift[i];
    if (!sy_holds_point(target[0], x, start->n))
        goto done;
    say(to, c->picks + start->picks, start->pick_count);
    long count = 0;
    for (uint32_t i = 1; i < length; i++) {
        const sy_path *path = &c->paths[c->store.sets[chain[i]].path];
        if (path->loops) {
            sy_layout layout;
            sy_layout_of(c->store.keys + (size_t)c->store.sets[chain[i]].key * SY_KEY_BYTES, &layout);
            while (!sy_holds_point(target[i], x, path->n)) {
                if (count++ >= most)
                    goto done;
                say(to, c->picks + path->picks, path->pick_count);
                for (int d = 1; d < path->n; d++)
                    x[d] += !layout.still[d];
            }
        } else {
            for (int d = 0; d < path->n; d++)
                y[d] = x[path->source[d]] + path->shift[d];
            memcpy(x, y, sizeof x);
            say(to, c->picks + path->picks, path->pick_count);
            count++;
            if (!sy_holds_point(target[i], x, path->n))
                goto done;
        }
    }
    if (event != SY_REST) /* a situation is reached, an event happens in one tick more */
        say(to, c->picks + c->last[event].picks, c->last[event].pick_count);
    ticks = count + (event != SY_REST);
done:
    for (uint32_t i = 0; target && i < length; i++)
        free(target[i]);
    free(target);
    free(chain);
    return ticks;
}

#endif
