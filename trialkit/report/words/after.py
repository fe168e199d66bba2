"""What was agreed to do after each verdict, cut to the verdict that was reached."""

from __future__ import annotations

import re
from typing import Final

from trialkit.domain.estimates import Decision, Verdict

_OTHERWISE: Final = "otherwise"
_OPEN_SIZE: Final = (Verdict.HELPS_SIZE_NOT_SETTLED, Verdict.HURTS_SIZE_NOT_SETTLED)
_WORDS: Final = (*sorted(Verdict, key=len, reverse=True), _OTHERWISE)
_BRANCH: Final = re.compile(
    rf"(?:^|(?<=[.;!?])\s+)({'|'.join(map(re.escape, _WORDS))}):\s*", re.IGNORECASE
)


def after_verdict(text: str, decision: Decision | None) -> str:
    """Give the part of an agreement that applies, where it is written verdict by verdict.

    A text without such parts, or without one that surely applies, is given whole.

    Examples
    --------
    >>> settled = Decision(Verdict.NO_WORTHWHILE_DIFFERENCE, 1, 0, 1, 0, "")
    >>> after_verdict("Helps: keep it. Otherwise: drop it.", settled)
    'Drop it.'
    """
    _, *parts = _BRANCH.split(text)
    if decision is None or not _BRANCH.match(text):
        return text
    branches = {w.lower(): t for w, t in zip(parts[::2], parts[1::2], strict=True)}
    found = branches.get(str(decision.verdict))
    if found is None and decision.verdict not in _OPEN_SIZE:
        # Whether a direction without a size counts as "helps" or as "otherwise" is not ours to say.
        found = branches.get(_OTHERWISE)
    found = (found or text).strip()
    return found[:1].upper() + found[1:]
