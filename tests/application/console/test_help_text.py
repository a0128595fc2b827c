"""Help wraps at the width of the terminal; examples stay as they are written."""

from __future__ import annotations

from stillgate.console.help_text import unwrapped

DOC = """Do one thing.

    This is told in
    two lines.

      stillgate one x.yaml
      stillgate one y.yaml

    Exit status: 0 done,
    1 not.

    Parameters
    ----------
    first
        What it is,
        and more.
    second
        Another.
    """


def test_paragraphs_and_options_become_lines_and_examples_stay() -> None:
    assert unwrapped(DOC).splitlines() == [
        "Do one thing.",
        "",
        "This is told in two lines.",
        "",
        "  stillgate one x.yaml",
        "  stillgate one y.yaml",
        "",
        "Exit status: 0 done, 1 not.",
        "",
        "Parameters",
        "----------",
        "first",
        "    What it is, and more.",
        "second",
        "    Another.",
    ]


def test_what_is_in_lines_already_stays_so() -> None:
    assert unwrapped(unwrapped(DOC)) == unwrapped(DOC)
