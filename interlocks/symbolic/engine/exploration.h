/* The search over sets: from the start sets, step by step, until no step leads out of what is stored.
 *
 * Acceleration (exact for whole ticks; Hendriks, Larsen 2002): a path that leads a key to itself and resets
 * nothing may be taken again and again as long as its guard G holds, so with Z what is left of the set,
 * everything in the up-closure of (Z and G), cut one past G's upper bounds, is reached. A path on which a
 * counter changed is never accelerated.
 *
 * Sets of keys that were stepped before and have grown since go first, else in the order they were found: a wave
 * of growing bounds then runs through what is known instead of through all that is found meanwhile (measured on
 * the demo with real times: 20,000 steps of sets instead of 36,000).
 *
 * It goes on in rounds of a few sets. In a round the threads share the sets and only read what
 * is stored: what a step leads to and no stored set holds, they put aside. Between two rounds one thread
 * stores that, in the order of the sets that led there. So what is found does not depend on how many threads
 * there are.
 *
 * Beside the sets the search keeps which key leads to which, and at which keys something was reported: the map
 * that a confirmation is guided by.
 */
#ifndef SY_EXPLORATION_H
#define SY_EXPLORATION_H

#include "tick.h"
#include "thread_team.h"

/* As good as events for the map: a counter has another value, and situations from which no way leads to a goal. */
enum { SY_COUNTED = SY_EVENTS, SY_REST, SY_ALL_EVENTS };
enum { SY_ROUND = 32 }; /* sets of a round */

typedef struct {
    uint32_t from, to;
} sy_edge;

typedef struct {
    uint32_t event, node; /* event: a break's index, SY_BREAKS + a goal's, SY_COUNTED or SY_REST */
} sy_alarm;

/* What a step came to, waiting to be stored. A set is followed by its key and its bounds. */
enum sy_what { SY_SET, SY_EDGE, SY_ALARM };
typedef struct {
    uint32_t what, value, n, pad; /* value: node of an edge, event of an alarm */
} sy_record;

typedef struct {
    uint8_t *at;
    size_t used, room;
} sy_outbox;

typedef struct {
    uint32_t set;
    uint32_t thread; /* who stepped it */
    size_t first, last; /* its records in that thread's outbox */
    uint64_t alive;     /* answers that were asked for late */
} sy_task;

typedef struct {
    sy_store store;
    sy_edge *edges;
    uint32_t edge_count, edge_room;
    sy_alarm *alarms;
    uint32_t alarm_count, alarm_room;
    uint8_t seen[SY_ALL_EVENTS];
    sy_queue grown, fresh; /* of keys that were stepped before, and of others */
    uint32_t grown_taken, fresh_taken; /* for the present round */
    sy_work *work;   /* one a thread */
    sy_outbox *outbox;
    unsigned threads;
    sy_task task[SY_ROUND];
    uint32_t task_count;
    atomic_uint next_task;
    sg_barrier barrier;
    const volatile int *stop;
    unsigned long long steps, loops, expanded;
} sy_search;

/* -- what a thread puts aside ------------------------------------------------------------------- */

typedef struct {
    sy_search *search;
    sy_outbox *outbox;
    const sy_set *set;
    unsigned long long steps, loops;
} sy_stepping;

static size_t sy_record_bytes(uint32_t n)
{
    return (sizeof(sy_record) + (n ? SY_KEY_BYTES + sizeof(sy_bound) * n * n : 0) + 7) & ~(size_t)7;
}

static void sy_put(sy_stepping *s, sy_work *w, sy_record record, const uint8_t *key, const sy_bound *m)
{
    sy_outbox *box = s->outbox;
    size_t bytes = sy_record_bytes(record.n);
    if (box->used + bytes > box->room) {
        size_t room = 2 * (box->used + bytes) + 4096;
        uint8_t *grown = room > w->cap ? NULL : realloc(box->at, room);
        if (!grown) {
            w->fault = SY_OUT_OF_MEMORY;
            return;
        }
        box->at = grown;
        box->room = room;
    }
    uint8_t *to = box->at + box->used;
    memcpy(to, &record, sizeof record);
    if (record.n) {
        memcpy(to + sizeof record, key, SY_KEY_BYTES);
        memcpy(to + sizeof record + SY_KEY_BYTES, m, sizeof(sy_bound) * record.n * record.n);
    }
    box->used += bytes;
}

static void sy_judge_search(void *self, sy_work *w, int goals, const uint32_t *picks)
{
    sy_stepping *s = self;
    (void)picks;
    for (uint32_t i = 0; i < w->broken_count; i++)
        sy_put(s, w, (sy_record){SY_ALARM, w->broken[i], 0, 0}, NULL, NULL);
    for (int i = 0; goals && i < SY_GOALS; i++)
        if (w->now.cell[sy_goal_cell[i]])
            sy_put(s, w, (sy_record){SY_ALARM, (uint32_t)(SY_BREAKS + i), 0, 0}, NULL, NULL);
}

/* What a path that leads its key to itself reaches when it is taken any number of times. */
static void sy_accelerate(const sy_work *w, sy_bound *m)
{
    int n = w->layout.n;
    memcpy(m, w->now.m, sizeof(sy_bound) * (size_t)(n * n));
    for (int i = 1; i < n; i++) {
        if (w->layout.still[i])
            continue;
        m[i * n] = SY_UNBOUNDED;
        for (int f = 1; f < n; f++)
            if (w->layout.still[f])
                m[i * n + f] = SY_UNBOUNDED;
    }
    for (int i = 1; i < n; i++)
        if (!w->layout.still[i] && w->now.most[i] < SY_UNBOUNDED)
            sy_tighten(m, n, i, 0, w->now.most[i] + 1);
}

static int sy_end_search(void *self, sy_work *w, const uint32_t *picks)
{
    sy_bound wide[SY_DIMENSIONS * SY_DIMENSIONS];
    sy_stepping *s = self;
    const sy_store *store = &s->search->store;
    (void)picks;
    s->steps++;
    if (w->end.counted)
        sy_put(s, w, (sy_record){SY_ALARM, SY_COUNTED, 0, 0}, NULL, NULL);
    if (w->end.loops && w->end.layout.n > 1) {
        s->loops++;
        sy_accelerate(w, wide);
        if (sy_includes(s->set->m, wide, w->layout.n))
            return 1;
        sy_put(s, w, (sy_record){SY_SET, 0, (uint32_t)w->layout.n, 0}, w->end.key, wide);
        return !sy_includes(wide, s->set->m, w->layout.n); /* else that set will be stepped instead */
    }
    uint32_t node = sy_node_of((sy_store *)store, w->end.key, 0);
    if (node != SY_NOBODY && sy_is_stored(store, node, w->end.m, w->end.layout.n)) {
        if (node != s->set->key)
            sy_put(s, w, (sy_record){SY_EDGE, node, 0, 0}, NULL, NULL);
        return 1;
    }
    sy_put(s, w, (sy_record){SY_SET, 0, (uint32_t)w->end.layout.n, 0}, w->end.key, w->end.m);
    return 1;
}

static void sy_step_task(sy_search *s, unsigned thread, sy_task *task, sy_stepping *stepping)
{
    sy_visitor visitor = {sy_judge_search, sy_end_search, stepping};
    const sy_set *set = stepping->set = &s->store.sets[task->set];
    task->thread = thread;
    task->first = stepping->outbox->used;
    s->work[thread].alive = s->store.nodes[set->key].alive;
    sy_tick(&s->work[thread], s->store.keys + (size_t)set->key * SY_KEY_BYTES, set->m, &visitor, s->stop);
    task->last = stepping->outbox->used;
    task->alive = s->work[thread].alive;
}

/* -- what is stored between two rounds ------------------------------------------------------------ */

static void sy_add_edge(sy_search *s, uint32_t set, uint32_t to)
{
    uint32_t from = s->store.sets[set].key;
    if (from == to || to == SY_NOBODY || s->store.nodes[to].led_from == set)
        return;
    s->store.nodes[to].led_from = set;
    if (s->edge_count == s->edge_room) {
        uint32_t room = s->edge_room ? s->edge_room * 2 : 4096;
        sy_edge *grown = sy_grow(&s->store, s->edges, sizeof *grown * s->edge_room, sizeof *grown * room);
        if (!grown)
            return;
        s->edges = grown;
        s->edge_room = room;
    }
    s->edges[s->edge_count++] = (sy_edge){from, to};
}

static void sy_add_alarm(sy_search *s, uint32_t event, uint32_t node, uint32_t first)
{
    s->seen[event] = 1;
    for (uint32_t i = first; i < s->alarm_count; i++)
        if (s->alarms[i].event == event)
            return;
    if (s->alarm_count == s->alarm_room) {
        uint32_t room = s->alarm_room ? s->alarm_room * 2 : 1024;
        sy_alarm *grown = sy_grow(&s->store, s->alarms, sizeof *grown * s->alarm_room, sizeof *grown * room);
        if (!grown)
            return;
        s->alarms = grown;
        s->alarm_room = room;
    }
    s->alarms[s->alarm_count++] = (sy_alarm){event, node};
}

/* Puts a set that was just stored where it waits for its step. */
static void sy_wait(sy_search *s, uint32_t set)
{
    sy_enqueue(&s->store, s->store.nodes[s->store.sets[set].key].stepped ? &s->grown : &s->fresh, set);
}

static void sy_store_task(sy_search *s, const sy_task *task)
{
    uint32_t from = s->store.sets[task->set].key, first_alarm = s->alarm_count;
    const uint8_t *box = s->outbox[task->thread].at;
    s->store.nodes[from].alive = task->alive;
    for (size_t at = task->first; at < task->last;) {
        sy_record record;
        sy_layout layout;
        memcpy(&record, box + at, sizeof record);
        const uint8_t *key = box + at + sizeof record;
        switch (record.what) {
        case SY_ALARM:
            sy_add_alarm(s, record.value, from, first_alarm);
            break;
        case SY_EDGE:
            sy_add_edge(s, task->set, record.value);
            break;
        default: {
            sy_bound m[SY_DIMENSIONS * SY_DIMENSIONS];
            memcpy(m, key + SY_KEY_BYTES, sizeof(sy_bound) * record.n * record.n);
            sy_layout_of(key, &layout);
            uint32_t before = s->store.node_count;
            uint32_t set = sy_insert(&s->store, key, &layout, m, task->set, 0);
            if (set != SY_NOBODY)
                sy_wait(s, set);
            uint32_t node = sy_node_of(&s->store, key, 0);
            if (node != SY_NOBODY && node >= before) /* asks, most likely, for what its predecessor asks for */
                s->store.nodes[node].alive = task->alive;
            sy_add_edge(s, task->set, node);
        }
        }
        at += sy_record_bytes(record.n);
    }
}

static int sy_fault_of(const sy_search *s)
{
    int fault = SY_FINE;
    for (unsigned i = 0; i < s->threads; i++)
        if (s->work[i].fault)
            fault = s->work[i].fault;
    return fault;
}

/* How many of a queue the present round takes along. */
static uint32_t sy_take_from(sy_search *s, const sy_queue *q)
{
    uint32_t taken = 0;
    for (; q->head + taken < q->count && s->task_count < SY_ROUND; taken++) {
        uint32_t set = q->at[q->head + taken];
        if (s->store.sets[set].m)
            s->task[s->task_count++].set = set;
    }
    return taken;
}

static void sy_next_round(sy_search *s)
{
    s->task_count = s->grown_taken = s->fresh_taken = 0;
    if (!sy_fault_of(s) && !s->store.out_of_memory && !*s->stop) {
        s->grown_taken = sy_take_from(s, &s->grown);
        s->fresh_taken = sy_take_from(s, &s->fresh);
    }
    for (unsigned i = 0; i < s->threads; i++)
        s->outbox[i].used = 0;
    atomic_store(&s->next_task, 0);
}

/* Gives the room of what was stepped back once it is half of the queue. */
static void sy_leave(sy_queue *q, uint32_t taken)
{
    q->head += taken;
    if (q->head > 1024 && q->head > q->count / 2) {
        memmove(q->at, q->at + q->head, sizeof *q->at * (q->count - q->head));
        q->count -= q->head;
        q->head = 0;
    }
}

static void sy_end_round(sy_search *s)
{
    if (sy_fault_of(s) || *s->stop) /* some step was not worked out to its end */
        return;
    for (uint32_t i = 0; i < s->task_count; i++)
        s->store.nodes[s->store.sets[s->task[i].set].key].stepped = 1;
    for (uint32_t i = 0; i < s->task_count && !s->store.out_of_memory; i++)
        sy_store_task(s, &s->task[i]);
    if (s->store.out_of_memory)
        return;
    s->expanded += s->task_count;
    sy_leave(&s->grown, s->grown_taken);
    sy_leave(&s->fresh, s->fresh_taken);
}

static int sy_is_done(const sy_search *s)
{
    return !sy_fault_of(s) && !s->store.out_of_memory && s->store.set_count && s->grown.head == s->grown.count &&
           s->fresh.head == s->fresh.count;
}

static void sy_member(void *arg, unsigned member)
{
    sy_search *s = arg;
    sy_stepping stepping = {s, &s->outbox[member], NULL, 0, 0};
    for (;;) {
        if (!member)
            sy_next_round(s);
        sg_barrier_wait(&s->barrier);
        if (!s->task_count)
            break;
        for (unsigned i; (i = atomic_fetch_add(&s->next_task, 1)) < s->task_count;)
            sy_step_task(s, member, &s->task[i], &stepping);
        sg_barrier_wait(&s->barrier);
        if (!member)
            sy_end_round(s);
    }
    for (unsigned i = 0; i < s->threads; i++) { /* one after the other */
        if (i == member) {
            s->steps += stepping.steps;
            s->loops += stepping.loops;
        }
        sg_barrier_wait(&s->barrier);
    }
}

static void sg_thread_ends(void)
{
}

/* -- the whole ------------------------------------------------------------------------------------ */

/* Every start set is offered to `take`. */
static void sy_each_start(sy_work *w, void (*take)(void *self, sy_work *w), void *self)
{
    static const uint8_t none[SY_KEY_BYTES];
    w->ask.length = 0;
    do {
        memcpy(w->now.cell, sy_cell_start, sizeof w->now.cell);
        for (int i = 0; i < SY_CLOCKS; i++) {
            sy_set_to(w, i, sy_clock_start[i]);
            w->dimension[i] = 0;
        }
        w->layout.n = 1;
        w->now.m[0] = 0;
        memcpy(w->before, w->now.clock, sizeof w->before);
        w->ask.at = 0;
        sy_begin(w);
        sy_finish(w, none, 1);
        take(self, w);
    } while (!w->fault && sy_next_choices(w));
}

static void sy_start_search(void *self, sy_work *w)
{
    sy_search *s = self;
    uint32_t set = sy_insert(&s->store, w->end.key, &w->end.layout, w->end.m, SY_NOBODY, 0);
    if (set != SY_NOBODY)
        sy_wait(s, set);
}

/* Explores until done, stopped or out of memory; may be called again to go on. */
static void sy_explore(sy_search *s, const volatile int *stop)
{
    s->stop = stop;
    if (!s->store.set_count)
        sy_each_start(&s->work[0], sy_start_search, s);
    sg_barrier_open(&s->barrier, s->threads);
    if (sg_team_run(s->threads, sy_member, s))
        s->work[0].fault = SY_OUT_OF_MEMORY; /* of threads */
    sg_barrier_close(&s->barrier);
}

static int sy_search_open(sy_search *s, size_t cap, sy_manner manner, int travels_kept, enum sy_turning turning,
                          unsigned threads)
{
    sy_store_open(&s->store, cap, manner);
    s->threads = threads < 1 ? 1 : threads > SG_MAX_THREADS ? SG_MAX_THREADS : threads;
    s->work = calloc(s->threads, sizeof *s->work);
    s->outbox = calloc(s->threads, sizeof *s->outbox);
    for (unsigned i = 0; s->work && i < s->threads; i++) {
        s->work[i].travels_kept = travels_kept;
        s->work[i].turning = turning;
        s->work[i].cap = cap / 8 / s->threads;
    }
    return s->work && s->outbox;
}

static void sy_search_close(sy_search *s)
{
    for (unsigned i = 0; s->work && s->outbox && i < s->threads; i++) {
        sy_work_close(&s->work[i]);
        free(s->outbox[i].at);
    }
    free(s->work);
    free(s->outbox);
    free(s->grown.at);
    free(s->fresh.at);
    free(s->edges);
    free(s->alarms);
    sy_store_close(&s->store);
}

#endif
