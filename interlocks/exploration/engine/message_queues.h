/* Keys on their way from one thread to another, in messages.
 *
 * A sender packs one message for each receiver and posts it when it is full. What was posted lies in the
 * receiver's inbox until the receiver takes the whole inbox; emptied messages go back to who made them, so
 * no thread hoards them. An inbox is a list whose head is changed in one atomic step. It is only ever taken
 * whole, so a head that was read cannot have been taken off and put back in between.
 */
#ifndef SG_EXPLORER_MESSAGE_QUEUES_H
#define SG_EXPLORER_MESSAGE_QUEUES_H

#include "memory_budget.h"

#define SG_MESSAGE_KEYS 512
#define SG_MESSAGES_OUT 16 /* of a thread, on their way at once, besides those it is packing */

typedef struct sg_message {
    struct sg_message *next; /* in an inbox, or among the spare ones */
    struct sg_message *made; /* the one its maker made before it */
    uint32_t maker, count;
    sg_waiting keys[SG_MESSAGE_KEYS];
} sg_message;

typedef _Atomic(sg_message *) sg_inbox;

/* The messages of one thread. */
typedef struct {
    sg_inbox arrived, returned;          /* others put into them */
    sg_message *packing[SG_MAX_THREADS]; /* begun, for each receiver */
    sg_message *spare, *made;
    uint32_t count; /* made */
} sg_mailbox;

static inline void sg_inbox_put(sg_inbox *inbox, sg_message *p)
{
    sg_message *head = atomic_load_explicit(inbox, memory_order_relaxed);
    do
        p->next = head;
    while (!atomic_compare_exchange_weak_explicit(inbox, &head, p, memory_order_release, memory_order_relaxed));
}

/* Everything in an inbox, the latest first, or NULL. */
static inline sg_message *sg_inbox_take(sg_inbox *inbox)
{
    if (!atomic_load_explicit(inbox, memory_order_relaxed))
        return NULL;
    return atomic_exchange_explicit(inbox, NULL, memory_order_acquire);
}

/* An empty message that has come back, or NULL. */
static sg_message *sg_message_again(sg_mailbox *mailbox)
{
    if (!mailbox->spare)
        mailbox->spare = sg_inbox_take(&mailbox->returned);
    sg_message *p = mailbox->spare;
    if (p) {
        mailbox->spare = p->next;
        p->count = 0;
    }
    return p;
}

/* One more message, or NULL when memory is out. */
static sg_message *sg_message_make(sg_mailbox *mailbox, uint32_t maker, sg_budget *budget)
{
    sg_message *p = sg_budget_take(budget, sizeof *p) ? malloc(sizeof *p) : NULL;
    if (!p)
        return NULL;
    p->maker = maker;
    p->count = 0;
    p->made = mailbox->made;
    mailbox->made = p;
    mailbox->count++;
    return p;
}

static void sg_mailbox_close(sg_mailbox *mailbox)
{
    while (mailbox->made) {
        sg_message *p = mailbox->made;
        mailbox->made = p->made;
        free(p);
    }
}

#endif
