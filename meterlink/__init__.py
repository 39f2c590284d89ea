"""Steadypoint: hands-free commissioning and fault-finding of 24 V platform and home lifts.

Rooms, lowest first: `reading`, `limits` and `settle` and `engine` decide and do no I/O; `driver` is the interface
that meters plug into; `procedure` reads procedure files; `record` keeps everything; `cli` is the shell around them.
"""
