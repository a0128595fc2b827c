/* Keys on their way from one thread to another, in parcels.
 *
 * A sender packs one parcel for each receiver and posts it when it is full. What was posted lies on the
 * receiver's pile until the receiver takes the whole pile; emptied parcels go back to who made them, so
 * no thread hoards them. A pile is a list whose head is changed in one atomic step. It is only ever taken
 * whole, so a head that was read cannot have been taken off and put back in between.
 */
#ifndef SG_EXPLORER_PARCELS_H
#define SG_EXPLORER_PARCELS_H

#include "memory_budget.h"

#define SG_PARCEL_KEYS 512
#define SG_PARCELS_OUT 16 /* of a thread, on their way at once, besides those it is packing */

typedef struct sg_parcel {
    struct sg_parcel *next; /* on a pile, or among the spare ones */
    struct sg_parcel *made; /* the one its maker made before it */
    uint32_t maker, count;
    sg_waiting keys[SG_PARCEL_KEYS];
} sg_parcel;

typedef _Atomic(sg_parcel *) sg_pile;

/* The parcels of one thread. */
typedef struct {
    sg_pile arrived, returned;           /* others put on them */
    sg_parcel *packing[SG_MAX_THREADS];  /* begun, for each receiver */
    sg_parcel *spare, *made;
    uint32_t count; /* made */
} sg_post;

static inline void sg_pile_put(sg_pile *pile, sg_parcel *p)
{
    sg_parcel *head = atomic_load_explicit(pile, memory_order_relaxed);
    do
        p->next = head;
    while (!atomic_compare_exchange_weak_explicit(pile, &head, p, memory_order_release, memory_order_relaxed));
}

/* Everything on a pile, the latest first, or NULL. */
static inline sg_parcel *sg_pile_take(sg_pile *pile)
{
    if (!atomic_load_explicit(pile, memory_order_relaxed))
        return NULL;
    return atomic_exchange_explicit(pile, NULL, memory_order_acquire);
}

/* An empty parcel that has come back, or NULL. */
static sg_parcel *sg_parcel_again(sg_post *post)
{
    if (!post->spare)
        post->spare = sg_pile_take(&post->returned);
    sg_parcel *p = post->spare;
    if (p) {
        post->spare = p->next;
        p->count = 0;
    }
    return p;
}

/* One more parcel, or NULL when memory is out. */
static sg_parcel *sg_parcel_make(sg_post *post, uint32_t maker, sg_budget *budget)
{
    sg_parcel *p = sg_budget_take(budget, sizeof *p) ? malloc(sizeof *p) : NULL;
    if (!p)
        return NULL;
    p->maker = maker;
    p->count = 0;
    p->made = post->made;
    post->made = p;
    post->count++;
    return p;
}

static void sg_post_close(sg_post *post)
{
    while (post->made) {
        sg_parcel *p = post->made;
        post->made = p->made;
        free(p);
    }
}

#endif
