"""Accuracy sheets as files, for tests."""

# The smallest one, as the file format's contract shows it.
SMALLEST_SHEET = """\
sheet: four-thousand-counts
functions:
  dc-voltage:
    - {range: 40 V, resolution: 0.01 V, reading: 0.5 %, counts: 2, impedance: 10 MOhm}
    - {range: 400 V, resolution: 0.1 V, reading: 0.8 %, counts: 2, impedance: 10 MOhm}
  resistance:
    - {range: 400 Ohm, resolution: 0.1 Ohm, reading: 1.0 %, counts: 3}
"""
