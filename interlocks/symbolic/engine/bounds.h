/* Sets of values of clocks as difference bounds (Dill 1989): x_i - x_j <= m[i * n + j], x_0 = 0.
 *
 * Invariant: every matrix is closed (each bound is the least that the others imply) and not empty; whatever
 * tightens one keeps it so. Values are whole ticks, so bounds are inclusive and a complement is one less.
 * SY_UNBOUNDED is larger than any sum of two bounds, which the generator sees to by choosing the type's width.
 */
#ifndef SY_BOUNDS_H
#define SY_BOUNDS_H

#include <stdint.h>
#include <string.h>

#if SY_BOUND_BITS == 16
typedef int16_t sy_bound;
#define SY_UNBOUNDED 30000
#else
typedef int32_t sy_bound;
#define SY_UNBOUNDED 1000000000
#endif

static inline sy_bound sy_sum(int a, int b)
{
    return (sy_bound)(a >= SY_UNBOUNDED || b >= SY_UNBOUNDED ? SY_UNBOUNDED : a + b);
}

/* x_i - x_j <= bound, as well; 0 if nothing is left. */
static int sy_tighten(sy_bound *m, int n, int i, int j, int bound)
{
    if (bound >= m[i * n + j])
        return 1;
    if (m[j * n + i] < SY_UNBOUNDED && bound + m[j * n + i] < 0)
        return 0;
    for (int a = 0; a < n; a++) {
        if (m[a * n + i] >= SY_UNBOUNDED)
            continue;
        int through = m[a * n + i] + bound;
        for (int b = 0; b < n; b++)
            if (m[j * n + b] < SY_UNBOUNDED && through + m[j * n + b] < m[a * n + b])
                m[a * n + b] = (sy_bound)(through + m[j * n + b]);
    }
    return 1;
}

static int sy_includes(const sy_bound *outer, const sy_bound *inner, int n)
{
    for (int i = 0; i < n * n; i++)
        if (inner[i] > outer[i])
            return 0;
    return 1;
}

/* m := m and other; 0 if nothing is left. */
static int sy_intersect(sy_bound *m, const sy_bound *other, int n)
{
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            if (!sy_tighten(m, n, i, j, other[i * n + j]))
                return 0;
    return 1;
}

/* Makes every bound as tight as the others allow (Floyd 1962). */
static void sy_make_tight(sy_bound *m, int n)
{
    for (int k = 0; k < n; k++)
        for (int i = 0; i < n; i++)
            for (int j = 0; m[i * n + k] < SY_UNBOUNDED && j < n; j++)
                if (m[k * n + j] < SY_UNBOUNDED && m[i * n + k] + m[k * n + j] < m[i * n + j])
                    m[i * n + j] = (sy_bound)(m[i * n + k] + m[k * n + j]);
}

/* Nothing is known any more of how x_i differs from x_j. */
static void sy_unlink(sy_bound *m, int n, int i, int j)
{
    m[i * n + j] = sy_sum(m[i * n], m[j]);
    m[j * n + i] = sy_sum(m[j * n], m[i]);
}

/* The hull of a and b in `hull`, if it holds nothing beside the two (David 2005); needs room for two more. */
static int sy_exact_union(const sy_bound *a, const sy_bound *b, sy_bound *hull, sy_bound *rest, sy_bound *piece, int n)
{
    size_t bytes = sizeof(sy_bound) * (size_t)(n * n);
    for (int i = 0; i < n * n; i++)
        hull[i] = a[i] > b[i] ? a[i] : b[i];
    memcpy(rest, hull, bytes);
    /* What the hull has beside a, piece by piece, must lie in b. */
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++) {
            if (i == j || a[i * n + j] >= rest[i * n + j])
                continue;
            memcpy(piece, rest, bytes);
            if (sy_tighten(piece, n, j, i, -a[i * n + j] - 1) && !sy_includes(b, piece, n))
                return 0;
            if (!sy_tighten(rest, n, i, j, a[i * n + j]))
                return 1;
        }
    return 1;
}

#endif
