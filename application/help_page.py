"""The page that ``stillgate`` and ``stillgate --help`` print, by hand, grouped by who uses what.

It is a plain text so that it appears at once; a test holds it against the commands that exist.
"""

HELP_PAGE = """\
stillgate - the sequence logic of a machine in one readable file: design it,
check it exhaustively, simulate it, draw it.

Controls engineer
  stillgate new press.yaml        write a starter file, with comments
  stillgate check press.yaml      which requirements hold in every reachable
                                  situation, and how the others break
  stillgate watch press.yaml      check after every save, print what changed
  stillgate explain press.yaml    what can happen, what is blocked, and why
  stillgate run press.yaml --for 5s --at '1 s start on'    simulate, or run a
                                  test: stillgate run x.scenario.yaml
  stillgate faults press.yaml     everything that can go wrong in a simulation
  stillgate soak press.yaml       many hours, every requirement watched
  stillgate strength press.yaml   what could be weakened and nobody notice
  stillgate compare old.yaml new.yaml    what changed; do outputs ever differ
  stillgate controller press.yaml        the C for the processor, as checked
Safety reviewer
  stillgate report press.yaml     everything in one HTML file
  stillgate draw press.yaml       state diagrams and signal flow, SVG and PNG
  stillgate fault-table press.yaml    what each single fault leads to
  stillgate layers press.yaml     what sequences and interlocks carry alone
  stillgate confirm press.yaml    the requirements proved by another method
  stillgate certificate press.yaml --output x.cert    a file of what holds
  stillgate recheck x.cert press.yaml    check that file, without the search
Technician
  stillgate log press.yaml x.log         what is in a log, and what is wrong
  stillgate replay press.yaml x.log      where a log and the logic part, and why
  stillgate diagnose press.yaml x.log    which single fault explains a log
Set-up
  stillgate schema                JSON Schema of the machine file, for editors
  stillgate doctor                what is installed, what is optional
  stillgate completion            install completion for your shell

Every command has its own page: stillgate check --help
Machine-readable output: --format json. Without colour: NO_COLOR=1.
Exit status  0 all hold        1 something is broken   2 bad use or bad file
             3 program fault   4 undecided           130 interrupted
A check is a check of a model under the assumptions it prints, not of a machine.
"""
