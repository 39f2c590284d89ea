"""A report on paper: set as PDF, whatever signs are in it."""

import json
from collections.abc import Mapping
from datetime import date

from meterlink.paper.typeset import NoGlyphError, Paper, typeset

_ROUNDS = 20
"""A sign that is missing may hide another behind it."""


def pdf(content: Mapping[str, object], paper: Paper) -> bytes:
    """Set a report as PDF/A-2a. A sign that no font here has is written by its number: `[U+1F600]`.

    Args:
        content: what `meterlink.report.content.report` gives.
        paper: the size of the page.
    """
    issued = date.fromisoformat(str(content["issued"]))
    for _ in range(_ROUNDS):
        try:
            return typeset("report", content, paper, issued)
        except NoGlyphError as error:
            content = _spelled(content, frozenset("".join(error.signs)))
    return typeset("report", content, paper, issued)


def _spelled(content: Mapping[str, object], signs: frozenset[str]) -> dict[str, object]:
    spelled = {ord(sign): f"[U+{ord(sign):04X}]" for sign in signs if not sign.isascii()}
    written = json.dumps({**content, "spelled": True}, ensure_ascii=False).translate(spelled)
    return dict(json.loads(written))
