/* The set of states: an open-addressing table that keeps every key completely, in as many 32-bit words
 * as the key itself needs.
 *
 * A key of K bits is split into a head (32 bits) and a tail (the rest). Hashing is invertible:
 *
 *     spread = mix32(head) ^ hash32(tail)          head = unmix32(spread ^ hash32(tail))
 *     bucket = high 32 bits of spread * buckets
 *     trace  = high SG_TRACE_FIELD bits of the low half of that product
 *
 * so bucket and trace give `spread` back (products of neighbouring spreads differ by the number of buckets,
 * which is kept so large that their traces differ), and with it the head. An entry holds the tail,
 * the trace, how many steps it was displaced, and the depth; where it lies says the remaining bits. No bit
 * of the key is lost: two different states are never taken for one.
 * (Quotienting after J. G. Cleary, Compact hash tables using bidirectional linear probing, 1984; mix32 is
 * the 32-bit finalizer of MurmurHash3, public domain, a bijection. Both from memory.)
 *
 * A bucket has sixteen entries: first their last words ("tags": depth, displacement, top of the trace),
 * one cache line, which decide nearly every comparison; then the other words, entry by entry.
 *
 *     tag:  depth (high) | displacement + 1 (0: empty) | top bits of trace and tail (low)
 *
 * When its home is full, an entry goes 1, 2, 3... strides further; the stride, 1..32 buckets, is the top of
 * its trace. That spreads runs of full buckets (plain linear probing needs twice the looks at this load)
 * and mostly stays in the same page.
 *
 * Invariants: an entry displaced by d lies d strides after its home and the places before it on that way
 * are full; entries fill a bucket from the left and are never removed; the physical table ends SG_MARGIN
 * buckets after the last home, so nothing wraps around. `sg_store_check` tests them.
 *
 * Growth happens in place, from the high end down: multiplying by a larger bucket number moves every
 * entry upwards, except near bucket 0, where entries are lifted out first.
 */
#ifndef SG_EXPLORER_STATE_TABLE_H
#define SG_EXPLORER_STATE_TABLE_H

#include "memory_budget.h"

#define SG_SLOTS 16 /* entries in a bucket */
#define SG_TAIL_BITS (SG_KEY_BITS > 32 ? SG_KEY_BITS - 32 : 0)

#ifndef SG_SHIFT_BITS
#define SG_SHIFT_BITS 4
#endif
#ifndef SG_TRACE_BITS
#define SG_TRACE_BITS 16 /* at least; more allow smaller starting tables */
#endif
#ifndef SG_DEPTH_BITS
#define SG_DEPTH_BITS 12 /* at least */
#endif
#if SG_SHIFT_BITS < 2 || SG_SHIFT_BITS > 5 || SG_TRACE_BITS < 8 || SG_TRACE_BITS > 30 || SG_DEPTH_BITS < 4 || \
    SG_DEPTH_BITS > 20
#error "SG_SHIFT_BITS must be 2..5, SG_TRACE_BITS 8..30, SG_DEPTH_BITS 4..20"
#endif
/* What the last word has left goes to the displacement (one bit), to the depth up to 20 bits, to the trace. */
#define SG_NEED_BITS (SG_TAIL_BITS + SG_TRACE_BITS + SG_SHIFT_BITS + SG_DEPTH_BITS)
#define SG_WORDS ((SG_NEED_BITS + 31) / 32)
#define SG_SPARE (SG_WORDS * 32 - SG_NEED_BITS)
#define SG_SHIFT_MORE (SG_SPARE > 0 && SG_SHIFT_BITS < 5 ? 1 : 0)
#define SG_SPARE_2 (SG_SPARE - SG_SHIFT_MORE)
#define SG_DEPTH_MORE (SG_SPARE_2 < 20 - SG_DEPTH_BITS ? SG_SPARE_2 : 20 - SG_DEPTH_BITS)
#define SG_SPARE_3 (SG_SPARE_2 - SG_DEPTH_MORE)
#define SG_TRACE_MORE (SG_SPARE_3 < 30 - SG_TRACE_BITS ? SG_SPARE_3 : 30 - SG_TRACE_BITS)
#define SG_SHIFT_FIELD (SG_SHIFT_BITS + SG_SHIFT_MORE)
#define SG_DEPTH_FIELD (SG_DEPTH_BITS + SG_DEPTH_MORE)
#define SG_TRACE_FIELD (SG_TRACE_BITS + SG_TRACE_MORE)
#define SG_TRACE_AT (SG_WORDS * 32 - SG_DEPTH_FIELD - SG_SHIFT_FIELD - SG_TRACE_FIELD)
#define SG_TRACE_WORD (SG_TRACE_AT / 32)

#define SG_MAX_DEPTH ((UINT32_C(1) << SG_DEPTH_FIELD) - 1)
#define SG_MAX_SHIFTED ((1 << SG_SHIFT_FIELD) - 2)
#define SG_MAX_STRIDE 32
#define SG_MARGIN (SG_MAX_SHIFTED * SG_MAX_STRIDE)
#define SG_DEPTH_AT (32 - SG_DEPTH_FIELD)
#define SG_SHIFT_AT (SG_DEPTH_AT - SG_SHIFT_FIELD)
#define SG_SHIFT_ONE (UINT32_C(1) << SG_SHIFT_AT)
#define SG_LOW_MASK (SG_SHIFT_ONE - 1)                       /* of a tag: trace and tail */
#define SG_TAG_MASK ((UINT32_C(1) << SG_DEPTH_AT) - 1)       /* of a tag: all but the depth */
#define SG_BUCKET_WORDS (SG_SLOTS * SG_WORDS)
#define SG_LEAST_BUCKETS (UINT64_C(1) << (32 - SG_TRACE_FIELD))
#define SG_MOST_BUCKETS (UINT64_C(1) << 27)                  /* so that a slot number fits 32 bits */
#define SG_NOWHERE UINT64_MAX

typedef struct {
    uint32_t *words;
    uint64_t buckets;     /* homes; the table has SG_MARGIN more */
    uint64_t count;
    uint64_t limit;       /* grow when count gets here */
    sg_region region;
    sg_budget *budget;
} sg_store;

static inline uint32_t sg_mix32(uint32_t x)
{
    x ^= x >> 16;
    x *= UINT32_C(0x85ebca6b);
    x ^= x >> 13;
    x *= UINT32_C(0xc2b2ae35);
    return x ^ x >> 16;
}

static inline uint32_t sg_unmix32(uint32_t x)
{
    x ^= x >> 16;
    x *= UINT32_C(0x7ed1b41d); /* inverse of 0xc2b2ae35 modulo 2^32 */
    x ^= x >> 13 ^ x >> 26;
    x *= UINT32_C(0xa5cb9243); /* inverse of 0x85ebca6b */
    return x ^ x >> 16;
}

/* A hash of everything but the head. */
static inline uint32_t sg_tail_hash(const sg_key *k)
{
    uint64_t h = 0;
    for (unsigned i = 1; i < SG_KEY32; i += 2) {
        uint64_t two = sg_key32(k, i);
        if (i + 1 < SG_KEY32)
            two |= (uint64_t)sg_key32(k, i + 1) << 32;
        h = (h ^ two) * UINT64_C(0x9e3779b97f4a7c15);
        h = (h ^ h >> 32) * UINT64_C(0xd6e8feb86659fd93);
    }
    return (uint32_t)(h >> 32);
}

static inline uint32_t sg_spread(const sg_key *k)
{
    return sg_mix32((uint32_t)k->w[0]) ^ sg_tail_hash(k);
}

/* `product` is spread * buckets. */
static inline void sg_entry_trace_in(uint32_t entry[SG_WORDS], uint64_t product)
{
    uint64_t placed = (uint64_t)((uint32_t)product >> (32 - SG_TRACE_FIELD)) << (SG_TRACE_AT % 32);
    entry[SG_TRACE_WORD] |= (uint32_t)placed;
#if SG_TRACE_WORD + 1 < SG_WORDS
    entry[SG_TRACE_WORD + 1] |= (uint32_t)(placed >> 32);
#endif
}

/* Key as the entry words it becomes, all but displacement and depth. */
static inline void sg_entry_pack(const sg_key *k, uint64_t product, uint32_t entry[SG_WORDS])
{
    for (unsigned i = 0; i < SG_WORDS; i++)
        entry[i] = i + 1 < SG_KEY32 ? sg_key32(k, i + 1) : 0;
    sg_entry_trace_in(entry, product);
}

/* Take the trace out of an entry that has no displacement and depth any more; what stays is the tail. */
static inline uint64_t sg_entry_trace_out(uint32_t entry[SG_WORDS])
{
    uint64_t both = entry[SG_TRACE_WORD];
#if SG_TRACE_WORD + 1 < SG_WORDS
    both |= (uint64_t)entry[SG_TRACE_WORD + 1] << 32;
    entry[SG_TRACE_WORD + 1] = 0;
#endif
    entry[SG_TRACE_WORD] &= (uint32_t)((UINT64_C(1) << (SG_TRACE_AT % 32)) - 1);
    return both >> (SG_TRACE_AT % 32);
}

static inline uint32_t *sg_bucket(const sg_store *s, uint64_t bucket)
{
    return s->words + bucket * SG_BUCKET_WORDS;
}

static inline uint32_t *sg_tag(const sg_store *s, uint64_t slot)
{
    return sg_bucket(s, slot / SG_SLOTS) + slot % SG_SLOTS;
}

static inline int sg_slot_full(const sg_store *s, uint64_t slot)
{
    return (*sg_tag(s, slot) & SG_TAG_MASK) >> SG_SHIFT_AT != 0;
}

static inline uint32_t sg_slot_depth(const sg_store *s, uint64_t slot)
{
    return *sg_tag(s, slot) >> SG_DEPTH_AT;
}

/* All slots there are, to be asked one by one whether they are full. */
static inline uint64_t sg_store_slots(const sg_store *s)
{
    return (s->buckets + SG_MARGIN) * SG_SLOTS;
}

/* Words of an entry but the tag. */
static inline uint32_t *sg_body(const sg_store *s, uint64_t slot)
{
    return sg_bucket(s, slot / SG_SLOTS) + SG_SLOTS + slot % SG_SLOTS * (SG_WORDS - 1);
}

/* `fraction` is the low half of spread * buckets, at least its high five bits. */
static inline uint32_t sg_stride(uint64_t fraction)
{
    return ((uint32_t)fraction >> 27) + 1;
}

/* Spread and tail words of an entry copied out of a slot. */
static inline uint32_t sg_entry_open(const sg_store *s, uint64_t slot, uint32_t entry[SG_WORDS])
{
    const uint32_t *body = sg_body(s, slot);
    for (unsigned i = 0; i + 1 < SG_WORDS; i++)
        entry[i] = body[i];
    uint32_t tag = *sg_tag(s, slot), shifted = ((tag & SG_TAG_MASK) >> SG_SHIFT_AT) - 1;
    entry[SG_WORDS - 1] = tag & SG_LOW_MASK;
    uint64_t fraction = sg_entry_trace_out(entry) << (32 - SG_TRACE_FIELD);
    uint64_t home = slot / SG_SLOTS - (uint64_t)shifted * sg_stride(fraction);
    return (uint32_t)(((home << 32 | fraction) + s->buckets - 1) / s->buckets);
}

/* The complete key of a full slot. */
static sg_key sg_slot_key(const sg_store *s, uint64_t slot)
{
    uint32_t entry[SG_WORDS];
    uint32_t spread = sg_entry_open(s, slot, entry);
    sg_key key;
    memset(&key, 0, sizeof key);
    for (unsigned i = 1; i < SG_KEY32; i++)
        key.w[i / 2] |= (uint64_t)entry[i - 1] << (32 * (i % 2));
    key.w[0] |= sg_unmix32(spread ^ sg_tail_hash(&key));
    return key;
}

static inline void sg_store_prefetch(const sg_store *s, uint32_t spread)
{
    __builtin_prefetch(sg_bucket(s, (uint64_t)spread * s->buckets >> 32), 1);
}

/* Is this tag among the sixteen? Written so that compilers make vector compares of it. */
static inline int sg_tag_among(const uint32_t *tags, uint32_t tag)
{
    uint32_t found = 0;
    for (unsigned i = 0; i < SG_SLOTS; i++)
        found |= (tags[i] & SG_TAG_MASK) == tag;
    return found != 0;
}

/* First empty place of a bucket that is not full, by bisection. */
static inline unsigned sg_first_empty(const uint32_t *tags)
{
    unsigned at = 0;
    for (unsigned half = SG_SLOTS / 2; half; half /= 2)
        at += (tags[at + half - 1] & SG_TAG_MASK) ? half : 0;
    return at;
}

enum sg_found { SG_THERE, SG_MAYBE, SG_EMPTY, SG_NO_PLACE };

/* Look for an entry from its home on.
 *     SG_THERE     *slot holds it
 *     SG_MAYBE     only when `tags_only`: *slot holds one with the same tag
 *     SG_EMPTY     it is not there; *slot is where it goes, and entry's tag is made for that place
 *     SG_NO_PLACE  it is not there, and no displacement can express where it would go */
static inline enum sg_found sg_store_probe(const sg_store *s, uint32_t entry[SG_WORDS], uint64_t product, int tags_only,
                                           uint64_t *slot)
{
    uint32_t tag = entry[SG_WORDS - 1];
    uint64_t bucket = product >> 32;
    for (unsigned shifted = 0; shifted <= SG_MAX_SHIFTED; shifted++, bucket += sg_stride(product)) {
        const uint32_t *tags = sg_bucket(s, bucket);
        tag += SG_SHIFT_ONE;
        if (sg_tag_among(tags, tag)) {
            for (unsigned at = 0; at < SG_SLOTS; at++) {
                if ((tags[at] & SG_TAG_MASK) != tag)
                    continue;
                *slot = bucket * SG_SLOTS + at;
                if (tags_only && SG_WORDS > 1)
                    return SG_MAYBE;
                const uint32_t *body = sg_body(s, *slot);
                uint32_t differ = 0;
                for (unsigned i = 0; i + 1 < SG_WORDS; i++)
                    differ |= body[i] ^ entry[i];
                if (!differ)
                    return SG_THERE;
            }
        }
        if (!(tags[SG_SLOTS - 1] & SG_TAG_MASK)) {
            *slot = bucket * SG_SLOTS + sg_first_empty(tags);
            entry[SG_WORDS - 1] = tag;
            return SG_EMPTY;
        }
    }
    return SG_NO_PLACE;
}

static inline void sg_store_put(sg_store *s, uint64_t slot, const uint32_t entry[SG_WORDS], uint32_t depth)
{
    uint32_t *body = sg_body(s, slot);
    *sg_tag(s, slot) = entry[SG_WORDS - 1] | depth << SG_DEPTH_AT;
    for (unsigned i = 0; i + 1 < SG_WORDS; i++)
        body[i] = entry[i];
    s->count++;
}

/* Slot of a key, or SG_NOWHERE. */
static inline uint64_t sg_store_find(const sg_store *s, const sg_key *key, uint32_t spread)
{
    uint64_t product = (uint64_t)spread * s->buckets, slot;
    uint32_t entry[SG_WORDS];
    sg_entry_pack(key, product, entry);
    return sg_store_probe(s, entry, product, 0, &slot) == SG_THERE ? slot : SG_NOWHERE;
}

/* Where a key probably is, looking at tags only, or SG_NOWHERE. */
static inline uint64_t sg_store_glance(const sg_store *s, const sg_key *key, uint32_t spread)
{
    uint64_t product = (uint64_t)spread * s->buckets, slot;
    uint32_t entry[SG_WORDS];
    sg_entry_pack(key, product, entry);
    return sg_store_probe(s, entry, product, 1, &slot) <= SG_MAYBE ? slot : SG_NOWHERE;
}

static int sg_store_grow(sg_store *s);

/* 1 the key is new and now stored, 0 it was there, -1 memory is out or the table was lost to that. With
 * `tags_only`, 2: an entry with the same tag is there, whose other words have been asked for; come again. */
static inline int sg_store_insert(sg_store *s, const sg_key *key, uint32_t spread, uint32_t depth, int tags_only)
{
    while (s->words) {
        uint64_t product = (uint64_t)spread * s->buckets, slot;
        uint32_t entry[SG_WORDS];
        sg_entry_pack(key, product, entry);
        enum sg_found found = sg_store_probe(s, entry, product, tags_only, &slot);
        if (found == SG_THERE)
            return 0;
        if (found == SG_MAYBE) {
            __builtin_prefetch(sg_body(s, slot));
            return 2;
        }
        if (found == SG_EMPTY && s->count < s->limit) {
            sg_store_put(s, slot, entry, depth);
            return 1;
        }
        if (!sg_store_grow(s))
            return -1;
    }
    return -1;
}

#include "state_table_growth.h"

#endif
