"""What an input does, in words: a contact that opens when it is actuated is told as such."""

from __future__ import annotations

from stillgate.controller.machine_file.contact_words import change_of_contact, level_of_contact
from stillgate.controller.machine_file.machine import Contact

NO, NC = Contact.NORMALLY_OPEN, Contact.NORMALLY_CLOSED


def test_a_normally_closed_contact_opens_when_it_is_actuated() -> None:
    """Break contact element (normally closed), IEC 60947-5-1: opens a conducting path when actuated."""
    assert change_of_contact(NC, False) == "opens (actuated)"
    assert change_of_contact(NC, True) == "closes (released)"
    assert level_of_contact(NC, False) == "open (actuated)"
    assert level_of_contact(NC, True) == "closed (released)"


def test_a_normally_open_contact_is_on_while_it_is_actuated() -> None:
    assert [change_of_contact(NO, level) for level in (True, False)] == ["goes on", "goes off"]
    assert [level_of_contact(NO, level) for level in (True, False)] == ["on", "off"]


def test_what_was_only_read_is_not_said_of_the_switch() -> None:
    """A broken wire opens a circuit as a pressed button does; a log cannot tell the two apart."""
    assert change_of_contact(NC, False, as_read=True) == "opens (reads as actuated)"
    assert level_of_contact(NC, True, as_read=True) == "closed (reads as released)"
    assert change_of_contact(NO, False, as_read=True) == change_of_contact(NO, False)
