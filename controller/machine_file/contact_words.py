"""What an input does, in words: the one place that words a level of an input and its change.

A name is true while its circuit conducts. A normally open contact (make contact) conducts while it is
actuated, so ``on`` and ``off`` say both. A normally closed contact (break contact) *opens* when it is
actuated: 'estop_1 goes off' would be read as 'let go' where the emergency stop was pressed. So what such a
circuit does is told, and what that means for the switch::

                      conducts             does not
    normally open     on, goes on          off, goes off
    normally closed   closed (released),   open (actuated),
                      closes (released)    opens (actuated)

Source of the terms: IEC 60947-5-1 (make contact element, normally open; break contact element, normally
closed; actuated), quoted from memory. 'NC' behind a name is common practice, no source.
"""

from __future__ import annotations

from .machine import Contact

NC = "NC"
"""Mark of a normally closed contact."""


def change_of_contact(contact: Contact, conducts: bool, *, as_read: bool = False) -> str:
    """What the circuit of an input does when it changes: ``goes on``, ``opens (actuated)``.

    Args:
        contact: how the switch is built.
        conducts: whether the circuit conducts from now on.
        as_read: of a level that the controller read, as a log has it. A broken wire opens a circuit too,
            so such a contact is not said to be actuated: it ``opens (reads as actuated)``.
    """
    if contact is Contact.NORMALLY_OPEN:
        return "goes on" if conducts else "goes off"
    return f"{'closes' if conducts else 'opens'} ({_state(conducts, as_read)})"


def level_of_contact(contact: Contact, conducts: bool, *, as_read: bool = False) -> str:
    """How the circuit of an input is: ``on``, ``open (actuated)``. Arguments as of ``change_of_contact``."""
    if contact is Contact.NORMALLY_OPEN:
        return "on" if conducts else "off"
    return f"{'closed' if conducts else 'open'} ({_state(conducts, as_read)})"


def _state(conducts: bool, as_read: bool) -> str:
    state = "released" if conducts else "actuated"
    return f"reads as {state}" if as_read else state
