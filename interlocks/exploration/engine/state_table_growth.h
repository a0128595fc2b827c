/* Opening, growing and checking a store; the invariants are told at the top of state_table.h. */

#ifndef SG_LOAD
#define SG_LOAD 0.90 /* fullest load: beyond it displacements get long */
#endif
/* Bytes below which tables double, above which they grow by a sixteenth: then hardly emptier than 0.85. */
#define SG_SMALL_TABLE ((uint64_t)4 << 20)

static uint64_t sg_table_bytes(uint64_t buckets)
{
    return (buckets + SG_MARGIN) * SG_BUCKET_WORDS * sizeof(uint32_t);
}

static void sg_store_resize(sg_store *s, uint64_t buckets)
{
    s->buckets = buckets;
    s->limit = (uint64_t)((double)(buckets * SG_SLOTS) * SG_LOAD);
}

/* 0 when not even the first table can be had. */
static int sg_store_open(sg_store *s, uint64_t buckets, sg_budget *budget)
{
    memset(s, 0, sizeof *s);
    if (buckets < SG_LEAST_BUCKETS)
        buckets = SG_LEAST_BUCKETS;
    s->budget = budget;
    uint64_t most = sg_table_bytes(SG_MOST_BUCKETS), first = sg_table_bytes(buckets);
    if (!sg_region_open(&s->region, budget->cap < most ? budget->cap : most))
        return 0;
    if (!sg_budget_take(budget, first))
        return 0;
    if (!sg_region_extend(&s->region, first)) {
        sg_budget_give(budget, first);
        return 0;
    }
    s->words = (uint32_t *)(void *)s->region.base;
    sg_store_resize(s, buckets);
    return 1;
}

static void sg_store_close(sg_store *s)
{
    if (s->budget)
        sg_budget_give(s->budget, s->region.used);
    sg_region_close(&s->region);
}

/* An entry between two tables. */
typedef struct {
    uint32_t spread, depth;
    uint32_t tail[SG_WORDS];
} sg_lifted;

typedef struct {
    sg_lifted *items;
    uint64_t count, room;
} sg_hand;

static int sg_lift(sg_hand *hand, const sg_lifted *item)
{
    if (hand->count == hand->room) {
        uint64_t room = hand->room ? hand->room * 2 : 4096;
        sg_lifted *more = realloc(hand->items, room * sizeof *more);
        if (!more)
            return 0;
        hand->items = more;
        hand->room = room;
    }
    hand->items[hand->count++] = *item;
    return 1;
}

/* Set an entry that is known not to be there down; 0 when its displacement cannot be expressed. `filled`
 * counts the entries set down in each bucket, which spares looking at tags. */
static inline int sg_set_down(sg_store *s, const sg_lifted *item, uint8_t *filled)
{
    uint64_t product = (uint64_t)item->spread * s->buckets, bucket = product >> 32;
    uint32_t entry[SG_WORDS], shifted = 0;
    for (; filled[bucket] == SG_SLOTS; bucket += sg_stride(product))
        if (++shifted > SG_MAX_SHIFTED)
            return 0;
    memcpy(entry, item->tail, sizeof entry);
    sg_entry_trace_in(entry, product);
    entry[SG_WORDS - 1] += (shifted + 1) * SG_SHIFT_ONE;
    sg_store_put(s, bucket * SG_SLOTS + filled[bucket]++, entry, item->depth);
    return 1;
}

/* Empty the buckets from `end` down to `begin` of the table as it was with `before` buckets, and set the
 * entries down in the table as it is now (or lift them all). 0 when memory is out. */
static int sg_store_move(sg_store *s, uint64_t before, uint64_t begin, uint64_t end, int lift, sg_hand *hand,
                         uint8_t *filled)
{
    sg_store old = *s;
    old.buckets = before;
    for (uint64_t bucket = end; bucket-- > begin;) {
        sg_lifted items[SG_SLOTS];
        unsigned n = 0;
        for (; n < SG_SLOTS && sg_slot_full(&old, bucket * SG_SLOTS + n); n++) {
            items[n].depth = sg_slot_depth(&old, bucket * SG_SLOTS + n);
            items[n].spread = sg_entry_open(&old, bucket * SG_SLOTS + n, items[n].tail);
        }
        memset(sg_bucket(s, bucket), 0, SG_SLOTS * sizeof(uint32_t)); /* no tag, no entry */
        s->count -= n;
        for (unsigned i = 0; i < n; i++)
            if ((lift || !sg_set_down(s, &items[i], filled)) && !sg_lift(hand, &items[i]))
                return 0;
    }
    return 1;
}

static uint64_t sg_least_growth(uint64_t buckets)
{
    return buckets + buckets / 16 + 1;
}

/* Books memory for a growth and for one more after it: the buckets to grow to, or 0 when memory is out. */
static uint64_t sg_book_growth(sg_store *s)
{
    uint64_t before = s->buckets, least = sg_least_growth(before);
    uint64_t after = sg_table_bytes(before) < SG_SMALL_TABLE ? before * 2 : least;
    if (after < least)
        after = least;
    for (;; after = least + (after - least) / 2) { /* near the cap a smaller step may still be had */
        uint64_t most = sg_least_growth(after);
        if (most <= SG_MOST_BUCKETS && sg_table_bytes(most) <= s->region.reserved &&
            sg_budget_take(s->budget, sg_table_bytes(most) - sg_table_bytes(before)))
            return after;
        if (after == least)
            return 0;
    }
}

/* More buckets, in place; 0 when memory is out: the table is then as it was.
 *
 * When the displacement of some entries cannot be expressed even so, they are held in hand and the table
 * grows once more. If memory runs out then, the table is lost (`words` is NULL); so memory for a second
 * time is booked from the start, and only a third time may want for it. */
static int sg_store_grow(sg_store *s)
{
    sg_hand hand = {0};
    uint64_t after = sg_book_growth(s), booked = after ? sg_table_bytes(sg_least_growth(after)) : 0;
    while (after) {
        uint64_t before = s->buckets;
        uint8_t *filled = calloc(after + SG_MARGIN, 1);
        if (!filled || !sg_region_extend(&s->region, sg_table_bytes(after))) {
            free(filled);
            break;
        }
        sg_store_resize(s, after);
        uint64_t end = before + SG_MARGIN;
        /* Above this bucket every entry moves up by at least its displacement. */
        uint64_t low = (SG_MARGIN + 1) * (after / (after - before) + 2) + 2;
        if (low > end)
            low = end;
        sg_hand waiting = hand;
        memset(&hand, 0, sizeof hand);
        int sound = sg_store_move(s, before, 0, low, 1, &waiting, filled) &&
                    sg_store_move(s, before, low, end, 0, &hand, filled);
        for (uint64_t i = 0; sound && i < waiting.count; i++)
            if (!sg_set_down(s, &waiting.items[i], filled))
                sound = sg_lift(&hand, &waiting.items[i]);
        free(waiting.items);
        free(filled);
        if (sound && !hand.count) {
            sg_budget_give(s->budget, booked - sg_table_bytes(after));
            return 1;
        }
        if (!sound) {
            s->words = NULL;
            break;
        }
        after = sg_least_growth(after);
        if (sg_table_bytes(after) > booked) {
            if (after > SG_MOST_BUCKETS || sg_table_bytes(after) > s->region.reserved ||
                !sg_budget_take(s->budget, sg_table_bytes(after) - booked))
                break;
            booked = sg_table_bytes(after);
        }
    }
    if (booked)
        sg_budget_give(s->budget, booked - sg_table_bytes(s->buckets));
    if (hand.count)
        s->words = NULL;
    free(hand.items);
    return 0;
}

/* The invariants of the store; 0 when one is damaged. */
static int sg_store_check(const sg_store *s)
{
    uint64_t count = 0;
    if (!s->words)
        return 0;
    for (uint64_t slot = 0; slot < sg_store_slots(s); slot++) {
        if (!sg_slot_full(s, slot))
            continue;
        count++;
        if (slot % SG_SLOTS && !sg_slot_full(s, slot - 1))
            return 0;
        sg_key key = sg_slot_key(s, slot);
        if (SG_KEY_BITS % 64 && key.w[SG_KEY_WORDS - 1] >> (SG_KEY_BITS % 64))
            return 0;
        if (sg_store_find(s, &key, sg_spread(&key)) != slot)
            return 0;
    }
    return count == s->count;
}
