/* What each single fault leads to: one pass over the stored states of a complete one-fault search.
 *
 * Included after explorer.c; the unit defines SG_FAULT_AT and SG_FAULT_BITS, the field of the key that
 * holds the number of the fault, and goal 0 says of an instant that the machine works (an output with a
 * hazard is on). For each fault f, over the states that hold f:
 *
 *   breaks     for each requirement the least transition into a state with f that breaks it
 *   works(s)   some run from s has an instant at which the machine works
 *   endless    a run stays for ever among states that may still work: a circle among them
 *   longest    if not endless: the most ticks after the fault's beginning in which a run may still work
 *   begins     the machine may work in the very tick in which the fault begins
 *   restless   a run stops and works again for ever: one circle holds instants of both sorts
 *
 * A fault never changes once it has begun, so the states of each are closed under transitions. Their edges
 * are stored once, the bit "works" with each; strongly connected components (Tarjan 1972, without
 * recursion) come out successors first, so all of the above is known of a component when it is closed.
 */
#ifndef SG_EXPLORER_FAULT_SCC_H
#define SG_EXPLORER_FAULT_SCC_H

typedef struct {
    uint64_t states;
    uint32_t longest, endless, restless, begins;
} sg_fault_row;

#define SG_FAULT_MAX ((1u << SG_FAULT_BITS) - 1)
#define SG_WORKS UINT32_C(0x80000000) /* of an edge */

/* One thread's part. */
typedef struct {
    struct sg_fault_all *all;
    sg_worker *me;
    uint32_t *numbers; /* by slot: number of the state in the whole team + 1; 0 if it holds no fault */
    uint32_t first;    /* number of my first state */
    uint32_t count;
    uint64_t *heads;   /* by my states: where their edges begin; one more at the end */
    uint32_t *edges;
    uint64_t used, room;
    uint16_t *fault;   /* by my states */
    uint8_t *begins;   /* by fault */
    sg_record *records;
    uint32_t from_fault, depth;
    uint32_t works;
} sg_fault_part;

typedef struct sg_fault_all {
    sg_run *run;
    sg_fault_part part[SG_MAX_THREADS];
} sg_fault_all;

static uint32_t sg_fault_of(const sg_key *key)
{
    sg_counter field = {SG_FAULT_AT, SG_FAULT_BITS, NULL};
    uint64_t word = key->w[field.offset >> 6] >> (field.offset & 63);
    if ((field.offset & 63) + field.bits > 64)
        word |= key->w[(field.offset >> 6) + 1] << (64 - (field.offset & 63));
    return (uint32_t)(word & SG_FAULT_MAX);
}

static int sg_fault_edge(sg_fault_part *p, uint32_t edge, uint64_t begin)
{
    if (p->used > begin && p->edges[p->used - 1] == edge)
        return 1;
    if (p->used == p->room) {
        uint64_t room = p->room ? p->room + p->room / 2 : 1 << 20;
        if (!sg_budget_take(&p->all->run->budget, (room - p->room) * sizeof *p->edges))
            return 0;
        uint32_t *more = realloc(p->edges, room * sizeof *more);
        if (!more) {
            sg_budget_give(&p->all->run->budget, (room - p->room) * sizeof *p->edges);
            return 0;
        }
        p->edges = more;
        p->room = room;
    }
    p->edges[p->used++] = edge;
    return 1;
}

static int sg_fault_visit(void *arg, sg_context *c, const sg_key *from, const sg_key *to, uint32_t split)
{
    sg_fault_part *p = arg;
    int fresh = 1; /* the first of the transitions that share a first stage: events are told with it */
    for (uint32_t i = split; i < c->asked; i++)
        fresh &= !c->pick[i];
    uint32_t fault = sg_fault_of(to);
    if (fresh) {
        p->works = sg_goals_hit(c, 0) & 1 ? SG_WORKS : 0;
        for (unsigned event = 0; event < SG_BREAKS && fault; event++) {
            if (!(c->events[event >> 6] >> (event & 63) & 1))
                continue;
            sg_record *best = &p->records[fault * SG_BREAKS + event];
            if (!best->depth || p->depth + 1 < best->depth ||
                (p->depth + 1 == best->depth && sg_key_compare(from, &best->from) < 0))
                sg_record_fill(best, c, from, p->depth + 1, split);
        }
    }
    if (!p->from_fault) {
        if (fault && p->works)
            p->begins[fault] = 1;
        return 0;
    }
    uint64_t place = sg_place(to, p->all->run->options.threads);
    const sg_fault_part *owner = &p->all->part[place >> 32];
    uint64_t slot = sg_store_find(&owner->me->store, to, (uint32_t)place);
    if (slot == SG_NOWHERE || !owner->numbers[slot]) {
        sg_halt(p->all->run, SG_INCONSISTENT); /* a complete search stores every successor */
        return 1;
    }
    if (!sg_fault_edge(p, (owner->numbers[slot] - 1) | p->works, p->heads[p->count])) {
        sg_halt(p->all->run, SG_CAPPED_MEMORY);
        return 1;
    }
    return 0;
}

/* Number the states that hold a fault; worker by worker, so that numbers are dense. */
static int sg_fault_number(sg_fault_all *all)
{
    uint64_t next = 0;
    for (unsigned t = 0; t < all->run->options.threads; t++) {
        sg_fault_part *p = &all->part[t];
        const sg_store *s = &p->me->store;
        uint64_t slots = sg_store_slots(s), mine = 0;
        p->numbers = calloc(slots, sizeof *p->numbers);
        if (!p->numbers)
            return 0;
        p->first = (uint32_t)next;
        for (uint64_t slot = 0; slot < slots; slot++) {
            if (!sg_slot_full(s, slot))
                continue;
            sg_key key = sg_slot_key(s, slot);
            if (sg_fault_of(&key))
                p->numbers[slot] = (uint32_t)(next + ++mine);
        }
        next += mine;
        if (next >= SG_WORKS)
            return 0;
        p->heads = malloc((mine + 1) * sizeof *p->heads);
        p->fault = malloc((mine + 1) * sizeof *p->fault);
        p->records = calloc((SG_FAULT_MAX + 1) * (uint64_t)SG_BREAKS, sizeof *p->records);
        p->begins = calloc(SG_FAULT_MAX + 1, 1);
        if (!p->heads || !p->fault || !p->records || !p->begins)
            return 0;
    }
    return 1;
}

static void sg_fault_job(void *arg, unsigned index)
{
    sg_fault_all *all = arg;
    sg_fault_part *p = &all->part[index];
    const sg_store *s = &p->me->store;
    for (uint64_t slot = 0; slot < sg_store_slots(s) && !sg_halted(all->run); slot++) {
        if (slot % 4096 == 0 && all->run->progress.stop)
            sg_halt(all->run, SG_STOPPED);
        if (!sg_slot_full(s, slot))
            continue;
        sg_key from = sg_slot_key(s, slot);
        p->from_fault = sg_fault_of(&from);
        p->depth = sg_slot_depth(s, slot);
        p->heads[p->count] = p->used;
        if (sg_walk(&p->me->context, &from, sg_fault_visit, p))
            sg_halt(all->run, p->me->context.fault);
        if (p->from_fault)
            p->fault[p->count++] = (uint16_t)p->from_fault;
    }
    p->heads[p->count] = p->used;
}

typedef struct {
    uint32_t node;
    uint64_t at; /* next edge */
} sg_fault_frame;

typedef struct {
    uint32_t *low;   /* 0: not met; else the least number met on the way, UINT32_MAX: closed */
    uint32_t *longest;
    uint8_t *works, *marked;
    sg_fault_frame *frames;
    uint32_t *stack;
} sg_fault_search;

static const sg_fault_part *sg_fault_owner(const sg_fault_all *all, uint32_t node)
{
    unsigned t = 0;
    while (t + 1 < all->run->options.threads && node >= all->part[t + 1].first)
        t++;
    return &all->part[t];
}

/* The component on top of the stack, from `root` on, is complete: its successors outside are closed. */
static void sg_fault_close(const sg_fault_all *all, sg_fault_search *x, uint64_t from, uint64_t top, sg_fault_row *row)
{
    int inner = 0, inner_works = 0, inner_rests = 0, works = 0;
    uint32_t longest = 0;
    for (uint64_t i = from; i < top; i++)
        x->marked[x->stack[i]] = 2; /* of this component */
    for (uint64_t i = from; i < top; i++) {
        const sg_fault_part *p = sg_fault_owner(all, x->stack[i]);
        uint32_t mine = x->stack[i] - p->first;
        for (uint64_t e = p->heads[mine]; e < p->heads[mine + 1]; e++) {
            uint32_t to = p->edges[e] & ~SG_WORKS, does = p->edges[e] & SG_WORKS;
            works |= !!does;
            if (x->marked[to] == 2) {
                inner = 1;
                inner_works |= !!does;
                inner_rests |= !does;
            } else {
                works |= x->works[to];
                if (x->longest[to] > longest)
                    longest = x->longest[to];
            }
        }
    }
    longest = works ? longest + 1 : 0;
    for (uint64_t i = from; i < top; i++) {
        uint32_t node = x->stack[i];
        x->marked[node] = 1;
        x->works[node] = (uint8_t)works;
        x->longest[node] = longest;
        x->low[node] = UINT32_MAX;
    }
    row->endless |= (uint32_t)(inner && works);
    row->restless |= (uint32_t)(inner_works && inner_rests);
    row->states += top - from;
    if (longest > row->longest)
        row->longest = longest;
}

/* Nonzero: the sg_status that ended it. */
static int sg_fault_components(const sg_fault_all *all, uint32_t nodes, sg_fault_row *rows)
{
    sg_fault_search x = {
        calloc((uint64_t)nodes + 1, sizeof(uint32_t)), calloc((uint64_t)nodes + 1, sizeof(uint32_t)),
        calloc((uint64_t)nodes + 1, 1),                calloc((uint64_t)nodes + 1, 1),
        malloc(((uint64_t)nodes + 1) * sizeof(sg_fault_frame)), malloc(((uint64_t)nodes + 1) * sizeof(uint32_t)),
    };
    uint32_t *index = calloc((uint64_t)nodes + 1, sizeof *index);
    int status = x.low && x.longest && x.works && x.marked && x.frames && x.stack && index ? 0 : SG_CAPPED_MEMORY;
    uint32_t met = 0;
    for (uint32_t root = 0; !status && root < nodes; root++) {
        if (x.low[root])
            continue;
        uint64_t depth = 0, top = 0;
        x.frames[depth++] = (sg_fault_frame){root, UINT64_MAX};
        while (depth && !status) {
            if (SG_RARE(all->run->progress.stop))
                status = SG_STOPPED;
            sg_fault_frame *f = &x.frames[depth - 1];
            const sg_fault_part *p = sg_fault_owner(all, f->node);
            uint32_t mine = f->node - p->first;
            if (f->at == UINT64_MAX) { /* met for the first time */
                f->at = p->heads[mine];
                x.low[f->node] = index[f->node] = ++met;
                x.stack[top++] = f->node;
            }
            uint32_t next = UINT32_MAX;
            while (f->at < p->heads[mine + 1]) {
                uint32_t to = p->edges[f->at] & ~SG_WORKS;
                if (!x.low[to]) {
                    next = to;
                    break;
                }
                if (x.low[to] != UINT32_MAX && index[to] < x.low[f->node])
                    x.low[f->node] = index[to];
                f->at++;
            }
            if (next != UINT32_MAX) {
                x.frames[depth++] = (sg_fault_frame){next, UINT64_MAX};
                continue;
            }
            uint32_t node = f->node, low = x.low[node];
            depth--;
            if (low == index[node]) {
                uint64_t from = top;
                while (x.stack[--from] != node)
                    ;
                sg_fault_close(all, &x, from, top, &rows[p->fault[mine]]);
                top = from;
            }
            if (depth) {
                uint32_t below = x.frames[depth - 1].node;
                if (x.low[node] != UINT32_MAX && low < x.low[below])
                    x.low[below] = low;
            }
        }
    }
    free(x.low), free(x.longest), free(x.works), free(x.marked), free(x.frames), free(x.stack), free(index);
    return status;
}

/* rows: SG_FAULT_MAX + 1; records: as many rows of SG_BREAKS. Needs a complete search. */
SG_EXPORT int sg_fault_pass(sg_run *run, sg_fault_row *rows, sg_record *records)
{
    if (!run->ended || run->status)
        return SG_BAD_USE;
    memset(rows, 0, (SG_FAULT_MAX + 1) * sizeof *rows);
    sg_fault_all *all = calloc(1, sizeof *all);
    if (!all)
        return SG_CAPPED_MEMORY;
    all->run = run;
    for (unsigned t = 0; t < run->options.threads; t++) {
        all->part[t].all = all;
        all->part[t].me = run->workers[t];
    }
    sg_begin(run);
    int status = sg_fault_number(all) ? 0 : SG_CAPPED_MEMORY;
    if (!status) {
        if (sg_team_run(run->options.threads, sg_fault_job, all))
            sg_halt(run, SG_NO_THREAD);
        status = sg_halted(run);
    }
    uint32_t nodes = 0;
    for (unsigned t = 0; t < run->options.threads && !status; t++) {
        const sg_fault_part *p = &all->part[t];
        nodes += p->count;
        for (uint32_t f = 0; f <= SG_FAULT_MAX; f++)
            rows[f].begins |= p->begins[f];
        for (uint64_t i = 0; i < (SG_FAULT_MAX + 1) * (uint64_t)SG_BREAKS; i++)
            if (p->records[i].depth &&
                (!records[i].depth || p->records[i].depth < records[i].depth ||
                 (p->records[i].depth == records[i].depth &&
                  sg_key_compare(&p->records[i].from, &records[i].from) < 0)))
                records[i] = p->records[i];
    }
    if (!status)
        status = sg_fault_components(all, nodes, rows);
    for (unsigned t = 0; t < run->options.threads; t++) {
        sg_fault_part *p = &all->part[t];
        if (p->room)
            sg_budget_give(&run->budget, p->room * sizeof *p->edges);
        free(p->numbers), free(p->heads), free(p->edges), free(p->fault), free(p->records), free(p->begins);
    }
    free(all);
    return status;
}

#endif
