"""Procedure files for tests."""

from textwrap import dedent, indent

# The smallest complete procedure, as the file format's contract shows it.
TWO_POINTS = dedent(
    """\
    procedure: two-points
    title: Two points
    revision: 1
    cautions: [Only trained and authorised people work on lifts.]
    steps:
      - id: bank
        kind: reading
        point: "G1:+"
        reference: earth bar
        measure: dc-voltage
        limits: 24.0..29.0 V
      - id: fuse-load-side
        kind: agree
        point: "F1:2"
        reference: earth bar
        measure: dc-voltage
        with: bank
        within: 0.3 V
        on_fail: continue        # or stop; continue when absent
      - id: breaker-in
        kind: look
        point: Q1
        ask: Is the breaker pushed in?
      - id: edge-loop
        kind: reading
        point: "X1:7"
        reference: "X1:8"
        measure: resistance      # a step may list several: [resistance, continuity]
        limits: <= 2 Ohm
    """
)


def with_steps(steps: str) -> str:
    """Make a procedure of these steps; the first stands in line 6."""
    head = "procedure: sample\ntitle: Sample\nrevision: 1\ncautions: [Take care.]\nsteps:\n"
    return head + indent(dedent(steps).lstrip("\n"), "  ")


def unmark(text: str) -> tuple[str, int, int]:
    """Take the one mark `¶` out of a text and tell where it stood: text, line, column."""
    before, mark, after = text.partition("¶")
    assert mark
    assert "¶" not in after
    return before + after, before.count("\n") + 1, len(before) - before.rfind("\n")
