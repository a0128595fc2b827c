"""A second, independent interpreter of whole machines, written from the reference page alone.

`docs/reference/semantics.md` and `docs/reference/machine-file.md` say what a machine does; nothing
here was written from the program under test, and nothing of it is called except the models that
the reader makes of a file. It is slow and plain on purpose::

    named       named conditions, replaced by what they stand for
    terms       what a condition is worth, given what every name reads
    scanning    steps 3 to 5 of a tick: switches, memories, the scan
    parts       step 8 for one part: where it may be next
    plant       all parts together: switches, drives, the move
    faults      what may go wrong, and when
    world       one whole tick: every situation that may follow one
    monitors    step 7: what a requirement remembers, and when it is broken
    judging     breadth first over every situation: verdicts and their shortest depths

Every choice is made eagerly: each free input takes each level in each tick. States are plain tuples;
clocks stop only where nothing can read them any more.
"""
