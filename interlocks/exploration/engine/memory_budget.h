/* Memory under one cap: a shared budget, regions that grow in place, buffers, and a queue of keys.
 *
 * A region is address space reserved once and used from the front. Growing it copies nothing and never
 * holds an old and a new copy side by side, so the peak is what is used. If the system refuses to
 * reserve as much as the cap, less is reserved; running into that end is reported like the cap.
 */
#ifndef SG_EXPLORER_MEMORY_BUDGET_H
#define SG_EXPLORER_MEMORY_BUDGET_H

#include <stdatomic.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#ifdef _WIN32
#include <windows.h>
#else
#include <sys/mman.h>
#ifndef MAP_ANONYMOUS
#define MAP_ANONYMOUS MAP_ANON
#endif
#ifndef MAP_NORESERVE
#define MAP_NORESERVE 0
#endif
#endif

typedef struct sg_budget {
    atomic_uint_fast64_t used;
    uint64_t cap;
} sg_budget;

/* Book `bytes` more; 0 and nothing booked when that would exceed the cap. */
static int sg_budget_take(sg_budget *b, uint64_t bytes)
{
    uint64_t before = atomic_fetch_add(&b->used, bytes);
    if (before + bytes <= b->cap)
        return 1;
    atomic_fetch_sub(&b->used, bytes);
    return 0;
}

static void sg_budget_give(sg_budget *b, uint64_t bytes)
{
    atomic_fetch_sub(&b->used, bytes);
}

#define SG_HUGE_PAGE ((uint64_t)2 << 20)

typedef struct {
    unsigned char *base; /* zero-filled up to `used`; aligned to SG_HUGE_PAGE */
    uint64_t used, reserved;
    void *whole;
    uint64_t whole_bytes;
} sg_region;

static int sg_region_open(sg_region *r, uint64_t want)
{
    memset(r, 0, sizeof *r);
    want = (want + SG_HUGE_PAGE - 1) & ~(SG_HUGE_PAGE - 1);
    for (; want >= SG_HUGE_PAGE; want = (want / 2) & ~(SG_HUGE_PAGE - 1)) {
        uint64_t bytes = want + SG_HUGE_PAGE;
#ifdef _WIN32
        r->whole = VirtualAlloc(NULL, bytes, MEM_RESERVE, PAGE_READWRITE);
        if (!r->whole)
            continue;
#else
        r->whole = mmap(NULL, bytes, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
        if (r->whole == MAP_FAILED) {
            r->whole = NULL;
            continue;
        }
#endif
        r->whole_bytes = bytes;
        r->base = (unsigned char *)(((uintptr_t)r->whole + SG_HUGE_PAGE - 1) & ~(uintptr_t)(SG_HUGE_PAGE - 1));
        r->reserved = want;
        return 1;
    }
    return 0;
}

/* Make the first `bytes` usable. Huge pages spare most of the address translation of random access. */
static int sg_region_extend(sg_region *r, uint64_t bytes)
{
    if (bytes > r->reserved)
        return 0;
    if (bytes <= r->used)
        return 1;
#ifdef _WIN32
    if (!VirtualAlloc(r->base + r->used, bytes - r->used, MEM_COMMIT, PAGE_READWRITE))
        return 0;
#elif defined MADV_HUGEPAGE
    if (bytes >= 4 * SG_HUGE_PAGE)
        (void)madvise(r->base, bytes & ~(SG_HUGE_PAGE - 1), MADV_HUGEPAGE);
#endif
    r->used = bytes;
    return 1;
}

static void sg_region_close(sg_region *r)
{
    if (!r->whole)
        return;
#ifdef _WIN32
    VirtualFree(r->whole, 0, MEM_RELEASE);
#else
    munmap(r->whole, r->whole_bytes);
#endif
    memset(r, 0, sizeof *r);
}

/* Of a machine with little in it there may be nothing to copy, and no place for it: C11, 7.24.1, wants both
 * places to be there even then, and a compiler may end the process where they are not. */
static inline void sg_copy(void *to, const void *from, size_t bytes)
{
    if (bytes)
        memcpy(to, from, bytes);
}

/* Memory for what belongs together and grows; what lies in it is kept when it does. */
typedef struct {
    void *at;
    uint64_t bytes;
} sg_buffer;

/* Makes it that large at least; 0 when memory is out, and then it is as it was. A NULL budget has no cap. */
static __attribute__((noinline)) int sg_buffer_grow(sg_buffer *b, uint64_t bytes, sg_budget *budget)
{
    uint64_t more = bytes > b->bytes * 2 ? bytes : b->bytes * 2;
    if (budget && !sg_budget_take(budget, more)) { /* old and new for a moment, as realloc may need both */
        more = bytes;
        if (!sg_budget_take(budget, more))
            return 0;
    }
    void *at = realloc(b->at, more);
    if (budget)
        sg_budget_give(budget, at ? b->bytes : more);
    if (!at)
        return 0;
    b->at = at;
    b->bytes = more;
    return 1;
}

static inline int sg_buffer_fit(sg_buffer *b, uint64_t bytes, sg_budget *budget)
{
    return bytes <= b->bytes || sg_buffer_grow(b, bytes, budget);
}

static void sg_buffer_close(sg_buffer *b, sg_budget *budget)
{
    if (budget)
        sg_budget_give(budget, b->bytes);
    free(b->at);
    memset(b, 0, sizeof *b);
}

/* A key that waits, in as many 32-bit words as it needs: a quarter less than in 64-bit words for 65 to 96
 * bits, half as much for up to 32. */
#define SG_KEY32 ((SG_KEY_BITS + 31) / 32)

typedef struct {
    uint32_t w[SG_KEY32];
} sg_waiting;

static inline uint32_t sg_key32(const sg_key *k, unsigned i)
{
    return (uint32_t)(k->w[i / 2] >> (32 * (i % 2)));
}

static inline sg_waiting sg_lay_by(const sg_key *k)
{
    sg_waiting put;
    for (unsigned i = 0; i < SG_KEY32; i++)
        put.w[i] = sg_key32(k, i);
    return put;
}

static inline sg_key sg_take_up(const sg_waiting *put)
{
    sg_key k;
    for (unsigned i = 0; i < SG_KEY_WORDS; i++)
        k.w[i] = put->w[2 * i] | (2 * i + 1 < SG_KEY32 ? (uint64_t)put->w[2 * i + 1] << 32 : 0);
    return k;
}

/* First in, first out, in blocks that are used again: the frontier of a breadth-first search costs the
 * keys waiting, not two copies of the widest level. */
#define SG_BLOCK_KEYS 4096

typedef struct sg_block {
    struct sg_block *next;
    sg_waiting keys[SG_BLOCK_KEYS];
} sg_block;

typedef struct {
    sg_block *first, *last, *spare;
    uint32_t taken, filled; /* of the first block, of the last block */
    uint64_t length;
    sg_budget *budget;
} sg_queue;

/* A block for the end of the queue; 0 when memory is out. */
static int sg_queue_extend(sg_queue *q)
{
    sg_block *b = q->spare;
    if (b) {
        q->spare = b->next;
    } else {
        if (!sg_budget_take(q->budget, sizeof *b))
            return 0;
        if (!(b = malloc(sizeof *b))) {
            sg_budget_give(q->budget, sizeof *b);
            return 0;
        }
    }
    b->next = NULL;
    if (q->last)
        q->last->next = b;
    else
        q->first = b;
    q->last = b;
    q->filled = 0;
    return 1;
}

static inline int sg_queue_push(sg_queue *q, const sg_key *key)
{
    if ((!q->last || q->filled == SG_BLOCK_KEYS) && !sg_queue_extend(q))
        return 0;
    q->last->keys[q->filled++] = sg_lay_by(key);
    q->length++;
    return 1;
}

/* Only when length > 0. */
static inline sg_key sg_queue_pop(sg_queue *q)
{
    if (q->taken == SG_BLOCK_KEYS) {
        sg_block *empty = q->first;
        q->first = empty->next;
        empty->next = q->spare;
        q->spare = empty;
        q->taken = 0;
    }
    q->length--;
    return sg_take_up(&q->first->keys[q->taken++]);
}

static void sg_queue_close(sg_queue *q)
{
    for (int spare = 0; spare < 2; spare++)
        for (sg_block *b = spare ? q->spare : q->first, *next; b; b = next) {
            next = b->next;
            free(b);
            sg_budget_give(q->budget, sizeof *b);
        }
    sg_budget *budget = q->budget;
    memset(q, 0, sizeof *q);
    q->budget = budget;
}

#endif
