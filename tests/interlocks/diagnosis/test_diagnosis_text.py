"""A diagnosis in sentences."""

from __future__ import annotations

from stillgate.controller.machine_file.machine import Contact
from stillgate.interlocks.diagnosis.diagnosis_text import contradiction_words
from stillgate.interlocks.diagnosis.state_set_tracking import Contradiction


def test_a_normally_closed_contact_in_a_log_is_told_as_what_it_reads_as() -> None:
    found = Contradiction(
        scan=7,
        inputs=("guard_shut", "still"),
        levels=(0, 0),
        contacts=(Contact.NORMALLY_CLOSED, Contact.NORMALLY_OPEN),
        together=True,
        before=((("guard", "locked"),),),
    )
    assert contradiction_words(found) == (
        "guard_shut was open (reads as actuated) and still was off at once, but guard can only be locked"
    )
