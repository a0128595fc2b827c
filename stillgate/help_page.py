"""The page that ``stillgate`` and ``stillgate --help`` print, by hand, in the order of the work.

It is a plain text so that it appears at once; a test holds it against the commands that exist.
"""

HELP_PAGE = """\
stillgate - the sequence logic of a machine in one readable file: design it,
check it exhaustively, simulate it, draw it.

  stillgate new press.yaml        write a starter file, with comments
  stillgate check press.yaml      which requirements hold in every reachable
                                  situation, and how the others break
  stillgate watch press.yaml      check again after every save, print what changed
  stillgate run press.yaml --for 5s --at '1 s start on'
                                  simulate a script, print the trace; or run
                                  a test: stillgate run x.scenario.yaml
  stillgate faults press.yaml     everything that can go wrong in a simulation
  stillgate soak press.yaml       many hours, every requirement watched
  stillgate explain press.yaml --in main=running
                                  what can happen from a situation, what is
                                  blocked, and by which part of a condition
  stillgate log press.yaml press.log
                                  what is in a log, what is wrong with it,
                                  and the same as CSV, Parquet or VCD
  stillgate replay press.yaml press.log --why motor --at 14.2s
                                  a log through the same logic: where they
                                  part, and why an output stayed off
  stillgate diagnose press.yaml press.log
                                  which single fault explains a log, and
                                  what to test next
  stillgate draw press.yaml       state diagrams and signal flow, SVG and PNG
  stillgate fault-table press.yaml
                                  what each single fault leads to
  stillgate layers press.yaml     what sequences and interlocks carry alone
  stillgate strength press.yaml   weaken every condition: which requirement
                                  notices, and what nobody would notice
  stillgate compare old.yaml new.yaml
                                  what changed, and whether outputs ever differ
  stillgate confirm press.yaml    the same requirements proved by another method
  stillgate certificate press.yaml --output press.cert
                                  a file that shows what holds
  stillgate recheck press.cert press.yaml
                                  check that file again, without the search
  stillgate report press.yaml     everything for a reviewer in one HTML file

  stillgate schema                JSON Schema of the machine file, for editors
  stillgate doctor                what is installed, what is optional
  stillgate completion            install completion for your shell

Every command has its own page: stillgate check --help
Machine-readable output: --format json. Without colour: NO_COLOR=1.

Exit status  0 all hold        1 something is broken   2 bad use or bad file
             3 program fault   4 undecided           130 interrupted

A check is a check of a model under the assumptions it prints, not of a machine.
"""
