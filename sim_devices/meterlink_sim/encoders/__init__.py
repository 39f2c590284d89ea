"""What meters put on the wire, one file a format. Written from the formats' descriptions, not from the decoders.

Each has an `encode` from what a display shows to the bytes sent, which raises `ValueError` for what the format cannot
show. Where a format leaves bits to the meter, the file says what is put there.
"""
