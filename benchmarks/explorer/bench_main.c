/* Stand-alone benchmark of the explorer; measure.py builds and runs it.
 * Arguments: threads, and anything second for closure, story and self-check as well. */
#define _GNU_SOURCE
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include "synthetic_machine.h"
#include "explorer.c"

static double now(void)
{
    struct timespec t;
    timespec_get(&t, TIME_UTC);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

int main(int argc, char **argv)
{
    sg_options options = {argc > 1 ? (uint32_t)atoi(argv[1]) : 1, 0, UINT64_MAX, UINT64_C(8) << 30, 0};
    int status;
    double start = now();
    sg_run *run = sg_open(&options, &status);
    if (!run)
        return 2;
    status = sg_explore(run);
    double took = now() - start;
    sg_summary s;
    sg_summary_of(run, &s);
    uint64_t table = 0;
    for (unsigned i = 0; i < options.threads; i++)
        table += run->workers[i]->store.region.used;
    printf("threads %u status %d states %llu transitions %llu levels %llu stuck %llu\n", options.threads, status,
           (unsigned long long)s.states, (unsigned long long)s.transitions, (unsigned long long)s.levels,
           (unsigned long long)s.stuck);
    printf("  %.3f s: %.2f M states/s, %.1f M transitions/s; %.2f bytes/state in tables, %.2f with everything\n",
           took, (double)s.states / took * 1e-6, (double)s.transitions / took * 1e-6,
           (double)table / (double)s.states, (double)s.bytes / (double)s.states);
    if (argc > 2) {
        start = now();
        printf("  self-check %d in %.3f s\n", sg_check(run), now() - start);
        sg_unable unable[SG_POSSIBLE];
        start = now();
        status = sg_closure_of(run, 3, unable);
        printf("  closure %d in %.3f s\n", status, now() - start);
        for (unsigned i = 0; i < SG_POSSIBLE; i++)
            printf("    goal %u: %llu states cannot, least depth %llu\n", i, (unsigned long long)unable[i].count,
                   (unsigned long long)unable[i].depth);
        sg_record last = {0};
        for (unsigned i = 0; i < SG_EVENTS; i++) {
            printf("  event %u: depth %u\n", i, run->records[i].depth);
            if (run->records[i].depth > last.depth)
                last = run->records[i];
        }
        uint32_t depth = last.depth - 1;
        sg_key *keys = calloc(depth + 1, sizeof *keys);
        sg_way *ways = calloc(depth + 1, sizeof *ways);
        start = now();
        status = sg_stories_of(run, 1, &last.from, &depth, keys, ways);
        uint64_t digest = 0;
        for (uint32_t i = 0; i <= depth; i++)
            digest = (digest ^ keys[i].w[0] ^ keys[i].w[1]) * UINT64_C(0x9e3779b97f4a7c15) + ways[i].picks;
        printf("  story of %u ticks: %d in %.3f s, digest %016llx\n", depth, status, now() - start,
               (unsigned long long)digest);
        free(keys);
        free(ways);
    }
    sg_close(run);
    return 0;
}
