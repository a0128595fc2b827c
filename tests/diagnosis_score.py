"""The score of a diagnosis over every modelled fault of a machine, kept as it grows, one line a log.

::

    PYTHONPATH=tests python -P -m diagnosis_score machines/lavender_harvester.yaml --kept scores.jsonl

What is in the file already is not done again, so it may be interrupted. The night test runs the
same; prints the table and every log that was not pinned down, with what was left beside the truth.
"""

from __future__ import annotations

import argparse
import json
import random
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from functools import cache
from pathlib import Path

from diagnosed_runs import Score, score, summary
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.diagnosis.hypotheses import NOTHING, hypotheses_of


@cache
def _machine(path: Path) -> Machine:
    return read_machine(path).machine


def fault_names(path: Path) -> list[str]:
    """Every single fault that a diagnosis of the machine takes into account."""
    return [item.name for item in hypotheses_of(_machine(path)) if item != NOTHING]


def scored(path: Path, name: str, seed: int) -> Score:
    """One log, made and diagnosed."""
    machine = _machine(path)
    true = next(item for item in hypotheses_of(machine) if item.name == name)
    return score(machine, true, seed=seed)


def all_scores(path: Path, logs: int, kept: Path, *, workers: int = 1) -> list[Score]:
    """Scores of ``logs`` logs for every fault; appended to ``kept`` as they come.

    The order is drawn, so that what an interruption leaves is a fair sample.
    """
    done = {(item.true, item.seed): item for item in read_scores(kept)}
    faults = fault_names(path)
    wanted = [(name, 1000 * place + log) for log in range(logs) for place, name in enumerate(faults)]
    open_ones = [item for item in wanted if item not in done]
    random.Random(0).shuffle(open_ones)
    open_ones.sort(key=lambda item: item[1] % 1000)
    with ProcessPoolExecutor(workers) as pool, kept.open("a", encoding="utf-8") as stream:
        running = [pool.submit(scored, path, name, seed) for name, seed in open_ones]
        for future in as_completed(running):
            item = future.result()
            done[item.true, item.seed] = item
            stream.write(json.dumps(asdict(item)) + "\n")
            stream.flush()
    return [done[key] for key in wanted]


def read_scores(kept: Path) -> Iterator[Score]:
    """What was kept; a line that was cut off is left out."""
    lines: Iterable[str] = kept.read_text(encoding="utf-8").splitlines() if kept.exists() else ()
    for line in lines:
        try:
            fields = json.loads(line)
        except ValueError:
            continue
        yield Score(**{**fields, "separable": tuple(fields["separable"])})


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("machine", type=Path)
    parser.add_argument("--logs", type=int, default=5)
    parser.add_argument("--kept", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    print(summary(all_scores(given.machine, given.logs, given.kept, workers=given.workers)))
