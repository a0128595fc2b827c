/* Stand-alone benchmark of the explorer: cc -O3 -march=native -I. -I../../interlocks bench_main.c -pthread */
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
    for (unsigned i = 0; i < SG_EVENTS; i++)
        printf("  event %u: depth %u\n", i, run->records[i].depth);
    if (argc > 2)
        printf("  check %d\n", sg_check(run));
    sg_close(run);
    return 0;
}
