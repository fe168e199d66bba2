"""What is compared: the conditions of a trial."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Condition:
    """One way of doing the thing under study; exactly one condition of a trial is the reference.

    ``name`` is the short word used in files, ``label`` the words people read, ``recipe`` says how
    to deliver the condition so that somebody else could repeat it, ``why`` why it is compared, and
    ``alike`` how alike it looks or feels to the others.
    """

    name: str
    label: str
    recipe: str = ""
    reference: bool = False
    why: str = ""
    alike: str = ""
