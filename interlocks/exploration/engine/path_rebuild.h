/* Shortest stories, rebuilt backwards.
 *
 * No parents are stored. A target at depth d has a predecessor at depth d - 1, so the states of that depth
 * are expanded again and those that lead to the target are seen; the least (key, choice vector) of them
 * goes into the story and is the next target. All targets share one pass over each level. The work is at
 * most that of the search without its insertions. The result does not depend on threads or tables.
 */
#ifndef SG_EXPLORER_PATH_REBUILD_H
#define SG_EXPLORER_PATH_REBUILD_H

#include "level_order.h"

/* How a state of a story is reached: from the one before it, or, for the first, by the initial choices. */
typedef struct {
    uint32_t split, picks;
    sg_pick pick[SG_MAX_CHOICES];
} sg_way;

#define SG_SIEVE 4096

typedef struct {
    sg_run *run;
    uint64_t targets;
    const uint32_t *depths;
    uint64_t *starts;       /* of each target's rows in `keys` and `ways` */
    sg_key *keys;
    sg_way *ways;
    uint32_t depth;         /* level whose states are being explained */
    uint32_t deepest;
    uint8_t sieve[SG_SIEVE]; /* spreads of the keys looked for */
} sg_stories;

/* The state that target `i` is now traced back to; only when its depth is at least the present one. */
static inline sg_key *sg_wanted(const sg_stories *all, uint64_t i)
{
    return &all->keys[all->starts[i] + all->depth];
}

static void sg_sieve_make(sg_stories *all)
{
    memset(all->sieve, 0, sizeof all->sieve);
    for (uint64_t i = 0; i < all->targets; i++)
        if (all->depths[i] >= all->depth)
            all->sieve[sg_spread(sg_wanted(all, i)) % SG_SIEVE] = 1;
}

typedef struct {
    const sg_stories *all;
    sg_record *best; /* per target; depth 0: none yet */
} sg_tracing;

static int sg_trace(void *arg, sg_context *c, const sg_key *from, const sg_key *to, uint32_t split)
{
    sg_tracing *t = arg;
    const sg_stories *all = t->all;
    if (!all->sieve[sg_spread(to) % SG_SIEVE])
        return 0;
    for (uint64_t i = 0; i < all->targets; i++)
        if (all->depths[i] >= all->depth && sg_key_same(to, sg_wanted(all, i)) &&
            (!t->best[i].depth || sg_key_compare(from, &t->best[i].from) < 0))
            sg_record_fill(&t->best[i], c, from, 1, split);
    return 0;
}

static void sg_way_fill(sg_way *way, const sg_record *r)
{
    memset(way, 0, sizeof *way);
    way->split = r->split;
    way->picks = r->picks;
    memcpy(way->pick, r->pick, r->picks * sizeof r->pick[0]);
}

/* Between two levels, by worker 0: the least predecessor of each target becomes the target. */
static void sg_story_step(sg_stories *all)
{
    sg_run *run = all->run;
    run->go_on = 1;
    for (uint64_t i = 0; i < all->targets && run->go_on; i++) {
        if (all->depths[i] < all->depth)
            continue;
        const sg_record *best = NULL;
        for (unsigned t = 0; t < run->options.threads; t++) {
            const sg_record *found = (const sg_record *)run->workers[t]->scratch + i;
            if (found->depth && (!best || sg_key_compare(&found->from, &best->from) < 0))
                best = found;
        }
        if (best) {
            sg_way_fill(&all->ways[all->starts[i] + all->depth], best);
            sg_wanted(all, i)[-1] = best->from;
        } else {
            sg_halt(run, SG_NOT_FOUND);
        }
        run->go_on = best != NULL;
    }
    if (run->progress.stop)
        sg_halt(run, SG_STOPPED);
    all->depth--;
    run->progress.depth = all->depth;
    run->go_on = run->go_on && all->depth > 0 && !sg_halted(run);
    if (run->go_on)
        sg_sieve_make(all);
}

static void sg_story_job(void *arg, unsigned index)
{
    sg_stories *all = arg;
    sg_run *run = all->run;
    sg_worker *me = run->workers[index];
    sg_tracing tracing = {all, me->scratch};
    sg_levels_sort(me); /* without it the cursors are slower */
    /* Only states that the search had room to expand are expanded again, so this grows no further. */
    me->context.budget = NULL;
    me->context.fault = 0;
    do {
        memset(me->scratch, 0, all->targets * sizeof(sg_record));
        sg_cursor level = sg_cursor_at(me, all->depth - 1);
        for (uint64_t slot; (slot = sg_cursor_next(&level)) != SG_NOWHERE;) {
            sg_key from = sg_slot_key(&me->store, slot);
            int wrong = sg_walk(&me->context, &from, sg_trace, &tracing);
            if (SG_RARE(wrong == SG_STOPPED || run->progress.stop))
                sg_halt(run, SG_STOPPED);
            if (SG_RARE(sg_halted(run)))
                break;
            me->context.fault = 0; /* only where a search was cut short: that state explains nothing */
        }
        sg_barrier_wait(&run->barrier);
        if (!index)
            sg_story_step(all);
        sg_barrier_wait(&run->barrier);
    } while (run->go_on);
    me->context.budget = &run->budget;
    sg_levels_drop(me);
}

static int sg_trace_initial(void *arg, sg_context *c, const sg_key *from, const sg_key *to, uint32_t split)
{
    (void)from;
    sg_stories *all = arg;
    for (uint64_t i = 0; i < all->targets; i++) {
        sg_way *way = &all->ways[all->starts[i]];
        if (way->split == UINT32_MAX && sg_key_same(to, &all->keys[all->starts[i]])) {
            sg_record r;
            sg_record_fill(&r, c, to, 1, split);
            sg_way_fill(way, &r);
        }
    }
    return 0;
}

/* Fills, for each of the targets, depths[i] + 1 rows of keys and ways, one target after the other; row 0
 * is an initial state, the last row the target. */
static int sg_story(sg_run *run, uint64_t targets, const sg_key *wanted, const uint32_t *depths, sg_key *keys,
                    sg_way *ways)
{
    sg_stories *all = calloc(1, sizeof *all);
    int status = SG_NO_MEMORY, ready = all != NULL;
    if (all) {
        *all = (sg_stories){.run = run, .targets = targets, .depths = depths, .keys = keys, .ways = ways};
        all->starts = calloc(targets, sizeof *all->starts);
        ready = all->starts != NULL;
    }
    for (unsigned t = 0; t < run->options.threads && ready; t++)
        ready = (run->workers[t]->scratch = calloc(targets, sizeof(sg_record))) != NULL;
    if (ready) {
        uint64_t rows = 0;
        for (uint64_t i = 0; i < targets; i++) {
            all->starts[i] = rows;
            rows += (uint64_t)depths[i] + 1;
            keys[rows - 1] = wanted[i];
            ways[all->starts[i]].split = UINT32_MAX; /* how it began is not known yet */
            if (depths[i] > all->deepest)
                all->deepest = depths[i];
        }
        sg_begin(run);
        if ((all->depth = all->deepest) > 0) {
            sg_sieve_make(all);
            if (sg_team_run(run->options.threads, sg_story_job, all))
                sg_halt(run, SG_NO_THREAD);
        }
        status = sg_halted(run);
        if (!status)
            status = sg_initials(&run->workers[0]->context, sg_trace_initial, all);
        for (uint64_t i = 0; i < targets && !status; i++)
            if (ways[all->starts[i]].split == UINT32_MAX)
                status = SG_NOT_FOUND;
    }
    for (unsigned t = 0; t < run->options.threads; t++) {
        free(run->workers[t]->scratch);
        run->workers[t]->scratch = NULL;
    }
    if (all)
        free(all->starts);
    free(all);
    return status;
}

#endif
