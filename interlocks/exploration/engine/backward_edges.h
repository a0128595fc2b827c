/* The second half of backward_reach.h: when sweeps decide little, store the edges among the undecided
 * states backwards and carry the goal bits along them.
 *
 * In this order, with a barrier between: number the undecided states; count the edges into each of them
 * (taking over the bits of decided successors on the way); turn counts into places; fill in where the edges
 * come from; carry bits from target to source, where whoever sets a bit first passes it on. Two expansions
 * of every undecided state and one look at every edge and goal, about 20 bytes a state and 4 an edge, given
 * back afterwards.
 */

static void sg_edges_drop(sg_closer *c)
{
    sg_budget *budget = &c->all->run->budget;
    if (c->numbers)
        sg_budget_give(budget, sg_store_slots(&c->me->store) * sizeof *c->numbers);
    if (c->heads)
        sg_budget_give(budget, (c->nodes + 1) * sizeof *c->heads);
    if (c->edges)
        sg_budget_give(budget, c->edge_room * sizeof *c->edges);
    free(c->numbers);
    free(c->heads);
    free(c->edges);
    c->numbers = NULL;
    c->heads = NULL;
    c->edges = NULL;
}

static void *sg_booked(sg_closer *c, uint64_t bytes)
{
    sg_budget *budget = &c->all->run->budget;
    if (!sg_budget_take(budget, bytes))
        return NULL;
    void *p = calloc(bytes ? bytes : 1, 1);
    if (!p)
        sg_budget_give(budget, bytes);
    return p;
}

/* Close the gaps that sweeps left between the levels, and number what is left. */
static void sg_number_nodes(sg_closer *c)
{
    sg_worker *me = c->me;
    uint64_t n = 0;
    for (uint32_t d = 0; d <= c->all->deepest; d++) {
        uint64_t begin = n;
        for (uint64_t i = me->starts[d]; i < c->ends[d]; i++)
            if (sg_good_load(&c->good[me->order[i]]) != c->all->mask)
                me->order[n++] = me->order[i];
        me->starts[d] = begin;
        c->ends[d] = n;
    }
    c->nodes = n;
    c->numbers = sg_booked(c, sg_store_slots(&me->store) * sizeof *c->numbers);
    c->heads = sg_booked(c, (n + 1) * sizeof *c->heads);
    c->lacking = !c->numbers || !c->heads || c->all->left > UINT32_MAX;
    for (uint64_t i = 0; i < n && !c->lacking; i++)
        c->numbers[me->order[i]] = (uint32_t)i + 1;
}

static int sg_anyone_lacks(const sg_closing *all)
{
    int lacking = sg_halted(all->run) != 0;
    for (unsigned t = 0; t < all->run->options.threads; t++)
        lacking |= sg_closer_of(all->run, t)->lacking;
    return lacking;
}

static void sg_ask_nodes(sg_closer *c, enum sg_purpose purpose)
{
    c->purpose = purpose;
    for (uint64_t i = 0; i < c->nodes; i++)
        sg_ask_all(c, i);
    sg_answer_all(c);
}

typedef struct {
    uint32_t *items;
    uint64_t count, room;
} sg_stack;

static int sg_stack_push(sg_stack *s, uint32_t item)
{
    if (s->count == s->room) {
        uint64_t room = s->room ? s->room * 2 : 4096;
        uint32_t *more = realloc(s->items, room * sizeof *more);
        if (!more)
            return 0;
        s->items = more;
        s->room = room;
    }
    s->items[s->count++] = item;
    return 1;
}

/* From my states that have bits, backwards through everybody's. */
static void sg_carry(sg_closer *c)
{
    sg_run *run = c->all->run;
    sg_stack stack = {0};
    for (uint64_t mine = 0; mine < c->nodes && !sg_halted(run); mine++) {
        if (!sg_good_load(&c->good[c->me->order[mine]]))
            continue;
        int room = sg_stack_push(&stack, c->first + (uint32_t)mine);
        while (room && stack.count) {
            uint32_t node = stack.items[--stack.count];
            unsigned t = 0;
            while (t + 1 < run->options.threads && node >= sg_closer_of(run, t + 1)->first)
                t++;
            const sg_closer *of = sg_closer_of(run, t);
            uint64_t index = node - of->first;
            sg_goal_bits bits = sg_good_load(&of->good[of->me->order[index]]);
            for (uint64_t e = of->heads[index]; e < of->heads[index + 1] && room; e++) {
                uint32_t source = of->edges[e];
                unsigned u = 0;
                while (u + 1 < run->options.threads && source >= sg_closer_of(run, u + 1)->first)
                    u++;
                const sg_closer *to = sg_closer_of(run, u);
                sg_goal_bits *good = &to->good[to->me->order[source - to->first]];
                if (bits & ~sg_good_load(good) && bits & ~__atomic_fetch_or(good, bits, __ATOMIC_RELAXED))
                    room = sg_stack_push(&stack, source);
            }
        }
        if (!room)
            sg_halt(run, SG_CAPPED_MEMORY);
        if (mine % 4096 == 0 && run->progress.stop)
            sg_halt(run, SG_STOPPED);
    }
    free(stack.items);
}

/* 1: all is decided (or halted). 0: there is no memory for edges, and *possible says so from now on. */
static int sg_carry_along_edges(sg_closer *c, int *possible)
{
    sg_closing *all = c->all;
    sg_number_nodes(c);
    SG_AGREE(c, !sg_anyone_lacks(all));
    int sound = all->run->go_on;
    if (sound) {
        c->first = 0;
        for (unsigned t = 0; t < c->me->index; t++)
            c->first += (uint32_t)sg_closer_of(all->run, t)->nodes;
        sg_ask_nodes(c, SG_COUNT_EDGES);
        sg_barrier_wait(&all->run->barrier);
        for (uint64_t i = 0; i < c->nodes; i++) /* heads: ends of the rows; filling moves them to the starts */
            c->heads[i + 1] += c->heads[i];
        c->edge_room = c->heads[c->nodes];
        c->edges = sg_booked(c, c->edge_room * sizeof *c->edges);
        c->lacking = !c->edges;
        SG_AGREE(c, !sg_anyone_lacks(all));
        sound = all->run->go_on;
    }
    if (sound) {
        sg_ask_nodes(c, SG_FILL_EDGES);
        sg_barrier_wait(&all->run->barrier);
        sg_carry(c);
    }
    sg_barrier_wait(&all->run->barrier); /* nobody looks at edges any more */
    sg_edges_drop(c);
    c->purpose = SG_SWEEP;
    if (!sound)
        *possible = 0;
    SG_AGREE(c, !sg_halted(all->run));
    return sound || !all->run->go_on;
}
