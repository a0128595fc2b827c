"""Judges random machines by check, the oracle and others: ``cd tests && python -m whole_oracle 0 10000``.

Two numbers are the first seed and the one after the last, so a long search can be cut into shards.
Each disagreement is printed with a machine file as small as is found; status 1 if there is one.
"""

from __future__ import annotations

import argparse
import sys

from .comparing import MOST_TICKS, compare
from .drawing import theme_of
from .shrinking import shrunk


def main() -> int:
    """Runs the seeds that the command line names."""
    parser = argparse.ArgumentParser(prog="python -m whole_oracle", description=__doc__)
    parser.add_argument("first", type=int, help="first seed")
    parser.add_argument("end", type=int, help="the seed after the last")
    parser.add_argument("--most", type=int, default=MOST_TICKS, help="ticks of the largest machine")
    parser.add_argument("--whole", action="store_true", help="print machines as drawn, without shrinking")
    how = parser.parse_args()
    judgements = by_others = by_sets = left_by_sets = disagreements = 0
    for seed in range(how.first, how.end):
        found = compare(seed, how.most)
        judgements += found.judgements
        by_others += found.by_others
        by_sets += found.by_sets
        left_by_sets += found.left_by_sets
        if not found.differences:
            continue
        disagreements += 1
        print(f"seed {seed} ({theme_of(seed)}):", *found.differences, sep="\n  ")
        text, differences = (found.text, found.differences) if how.whole else shrunk(found.text)
        print(text, *differences, sep="\n", flush=True)
    machines = how.end - how.first
    print(
        f"{machines} machines, {judgements} judgements of the oracle's and {by_others} of others,"
        f" {by_sets} of sets of times, which left {left_by_sets} undecided;"
        f" {disagreements} machines judged differently"
    )
    return int(disagreements > 0)


if __name__ == "__main__":
    sys.exit(main())
