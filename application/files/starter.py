"""The starter file that ``stillgate new`` writes: a motor behind a guard, with comments.

Small enough to read in a minute, and whole: inputs, outputs, a physical part, a sequence, an
interlock and one requirement of each common kind.
"""

STARTER_NAME = "my_machine"

STARTER = """\
# A starter: a motor that turns behind a guard. Change it into your machine.
#   stillgate check FILE      which requirements hold, and how the others break
#   stillgate draw FILE       state diagram and signal flow
#   stillgate run FILE --for 5s --at '0 s stop_ok on' --at '0 s guard_shut on' --at '1 s start on'
machine: my_machine
title: A motor behind a guard
scan: 20 ms                      # period of the real controller

hazards:
  entanglement: a hand or a sleeve is caught by the turning shaft

# An input is true while its circuit conducts. What has no part that moves it, and what the
# operator moves, may change at every tick.
inputs:
  start:      {from: operator}
  stop_ok:    {from: operator, contact: normally_closed, note: true while the stop button is not pressed}
  guard_shut: {contact: normally_closed}
  still:      {note: standstill monitor of the shaft}

outputs:
  motor: {hazard: entanglement}
  lamp:  {note: lit while the guard may be opened}

# The physical machine. Requirements may read it, the controller may not: it knows its
# switches only. 'senses' says when a switch conducts.
parts:
  shaft:
    kind: spin
    drive: motor
    runs_up: 200..400 ms
    runs_down: 0.5..1 s
    senses: {still: still}

sequences:
  main:
    start: stopped
    overrides:                   # looked at first, in every state
      - {when: not stop_ok or not guard_shut, to: stopping}
    states:
      stopped:
        exits:
          - {when: rising(start) and still, to: running}
      running:
        on: [motor]
        exits:
          - {after: 30 s, to: stopping, note: one batch}
      stopping:
        exits:
          - {when: still and stop_ok and guard_shut, to: stopped}
  guard_lamp:
    start: dark
    states:
      dark: {exits: [{when: still and not main.running, to: lit}]}
      lit:  {on: [lamp], exits: [{when: not still or main.running, to: dark}]}

# The last word on an output, whatever the sequences ask for.
interlocks:
  - {hold_off: motor, unless: guard_shut, why: nothing turns behind an open guard}
  - {hold_off: lamp, unless: still and not main.running, why: the lamp promises standstill}

requirements:
  guard_stops_motor:
    after: not guard_shut
    then: not motor
    within: 200 ms
    hazard: entanglement
    faults: 0                    # how many faults it must withstand; try 1 and read the story
    why: opening the guard stops the motor
  fresh_start:
    before: main.running
    first: start
    since: not stop_ok or main.stopped
    why: after a stop only a new press of start sets it going
  lamp_tells_the_truth:
    never: lamp and motor
  can_run:
    from_anywhere: main.running
    why: whatever happened, it can be brought back to work

check:
  faults: 1                      # also show what a single fault does
"""
