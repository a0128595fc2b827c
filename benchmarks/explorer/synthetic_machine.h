/* A machine nobody built, about as large and as branching as a real one: a conveyor fills frames, an arm
 * swings them out, a gate lets the operator in; one stuck switch at any moment. 90 bits of state in
 * counters and bits. It measures the explorer, it is no design. */
#ifndef FAULTS
#define FAULTS 4 /* switches that may get stuck; 0 leaves a machine of about a tenth of the size */
#endif
#define SG_KEY_BITS 90
#define SG_BREAKS 8
#define SG_MARKS 16
#define SG_POSSIBLE 2
#include "explorer_api.h"

enum { RESTING, FILLING, SLOWING, SWINGING, RETURNING, HALTED };

struct sg_work {
    uint32_t sequence, timer, gate_lock, lock_timer; /* the controller */
    uint32_t start_before, stop_before, gate_before;
    uint32_t spin, arm, arm_way, gate, items, waited; /* the machine */
    uint32_t fault, fault_age;                         /* what is stuck, and for how long it has been (capped) */
    uint32_t watch_gate, watch_arm, tally;             /* monitors */
    uint32_t motor, swing_out, swing_in;               /* outputs of this tick */
};

static inline void unpack(const sg_key *k, struct sg_work *w)
{
    uint64_t a = k->w[0];
    uint32_t b = (uint32_t)k->w[1];
    w->sequence = (uint32_t)(a) & 7;
    w->timer = (uint32_t)(a >> 3) & 0xff;
    w->gate_lock = (uint32_t)(a >> 11) & 1;
    w->lock_timer = (uint32_t)(a >> 12) & 0x3f;
    w->start_before = (uint32_t)(a >> 18) & 1;
    w->stop_before = (uint32_t)(a >> 19) & 1;
    w->gate_before = (uint32_t)(a >> 20) & 1;
    w->spin = (uint32_t)(a >> 21) & 0x3f;
    w->arm = (uint32_t)(a >> 27) & 0x7f;
    w->arm_way = (uint32_t)(a >> 34) & 3;
    w->gate = (uint32_t)(a >> 36) & 0x3f;
    w->items = (uint32_t)(a >> 42) & 0x3f;
    w->waited = (uint32_t)(a >> 48) & 0xff;
    w->fault = (uint32_t)(a >> 56);
    w->fault_age = b & 0x1f;
    w->watch_gate = b >> 5 & 0x3f;
    w->watch_arm = b >> 11 & 0xff;
    w->tally = b >> 19 & 0x7f;
}

static inline void pack(const struct sg_work *w, sg_key *k)
{
    k->w[0] = (uint64_t)w->sequence | (uint64_t)w->timer << 3 | (uint64_t)w->gate_lock << 11 |
              (uint64_t)w->lock_timer << 12 | (uint64_t)w->start_before << 18 | (uint64_t)w->stop_before << 19 |
              (uint64_t)w->gate_before << 20 | (uint64_t)w->spin << 21 | (uint64_t)w->arm << 27 |
              (uint64_t)w->arm_way << 34 | (uint64_t)w->gate << 36 | (uint64_t)w->items << 42 |
              (uint64_t)w->waited << 48 | (uint64_t)w->fault << 56;
    k->w[1] = (uint64_t)w->fault_age | (uint64_t)w->watch_gate << 5 | (uint64_t)w->watch_arm << 11 |
              (uint64_t)w->tally << 19;
}

static inline void sg_initial(sg_context *c, sg_key *out)
{
    struct sg_work w = {0};
    w.gate = sg_choose(c, 2) ? 10 : 0;
    w.arm = 5 * sg_choose(c, 3);
    pack(&w, out);
}

static inline void sg_stage1(sg_context *c, const sg_key *from, struct sg_work *w)
{
    unpack(from, w);
    if (FAULTS && !w->fault && sg_choose(c, 2))
        w->fault = 1 + sg_choose(c, FAULTS);
    uint32_t stop = sg_choose(c, 2);
    uint32_t shut = w->fault == 1 ? 1 : w->fault == 2 ? 0 : w->gate == 0;
    uint32_t home = w->fault == 3 ? 1 : w->arm == 0;
    uint32_t full = w->fault == 4 ? 0 : w->items >= 3;
    uint32_t stop_rises = stop && !w->stop_before;
    uint32_t before = w->sequence;
    w->timer += w->timer < 60;
    if (stop_rises || (!shut && w->gate_before)) {
        w->sequence = HALTED;
    } else {
        switch (w->sequence) {
        case RESTING:
            w->timer = 0;
            if (shut) {
                uint32_t start = sg_choose(c, 2);
                if (start && !w->start_before && home)
                    w->sequence = FILLING;
                w->start_before = start;
            } else {
                w->start_before = 0;
            }
            break;
        case FILLING:
            if (full)
                w->sequence = SLOWING;
            else if (w->timer >= 60)
                w->sequence = HALTED;
            break;
        case SLOWING:
            if (w->timer >= 12)
                w->sequence = SWINGING;
            break;
        case SWINGING:
            if (w->arm >= 10)
                w->sequence = RETURNING;
            else if (w->timer >= 30)
                w->sequence = HALTED;
            break;
        case RETURNING:
            if (home)
                w->sequence = w->tally >= 2 ? RESTING : FILLING;
            else if (w->timer >= 40)
                w->sequence = HALTED;
            break;
        default:
            w->start_before = 0;
            if (w->timer >= 10 && !stop)
                w->sequence = RESTING;
        }
    }
    if (w->sequence != before) {
        w->timer = 0;
        sg_mark(c, w->sequence);
    }
    w->stop_before = stop;
    w->gate_before = shut;
    w->motor = w->sequence == FILLING && shut;
    w->swing_out = w->sequence == SWINGING;
    w->swing_in = w->sequence == RETURNING;
    w->gate_lock = w->motor || w->swing_out || w->swing_in || w->lock_timer > 0;
    w->lock_timer = w->motor ? 15 : w->lock_timer - (w->lock_timer > 0);
    if (w->gate > 0 && w->spin > 0)
        sg_break(c, 0);
    if (w->gate > 0 && (w->swing_out || w->swing_in))
        sg_break(c, 1);
    if (w->spin > 0 && w->arm > 0 && w->sequence == SWINGING)
        sg_break(c, 2);
    if (w->watch_gate > 30)
        sg_break(c, 3);
    if (w->items > 5)
        sg_break(c, 4);
    w->watch_gate = w->gate > 0 ? w->watch_gate + (w->watch_gate < 8) : 0;
}

static inline void sg_stage2(sg_context *c, const struct sg_work *work, sg_key *to)
{
    struct sg_work w = *work;
    if (w.motor) {
        w.spin += w.spin < 8;
    } else if (w.spin > 0) {
        w.spin--;
        if (w.spin > 0 && sg_choose(c, 2))
            w.spin--;
    }
    if (w.motor && w.spin == 8) {
        w.waited++;
        if (w.waited >= 8 && (w.waited >= 14 || sg_choose(c, 2))) {
            w.waited = 0;
            w.items += w.items < 6;
        }
    }
    if (w.swing_out && w.arm < 10)
        w.arm += sg_choose(c, 2);
    else if (w.swing_in && w.arm > 0)
        w.arm -= sg_choose(c, 2);
    if (work->swing_out && w.arm == 10 && work->arm < 10) {
        w.items = 0;
        w.tally = w.tally >= 2 ? 0 : w.tally + 1;
    }
    if (w.gate == 0) {
        if (!w.gate_lock && sg_choose(c, 2))
            w.gate = 1;
    } else if (w.gate < 10) {
        w.gate = sg_choose(c, 2) ? w.gate + 1 : w.gate - 1;
    } else if (sg_choose(c, 2)) {
        w.gate = 9;
    }
    if (w.fault)
        w.fault_age += w.fault_age < 4;
    pack(&w, to);
}

static inline uint32_t sg_goals(const struct sg_work *w, unsigned word)
{
    (void)word;
    return (uint32_t)(w->sequence == RESTING) | (uint32_t)(w->sequence == RETURNING && w->tally == 2) << 1;
}
