"""What a serial port hears of bytes that were sent with other settings: worked out bit by bit.

A receiver waits for a falling edge, samples the middle of each bit at its own speed and goes by its own number of data
bits. So seven bits and parity come to a port set to 8N1 as bytes with the parity in bit 7; a wrong speed gives junk.
Parity and stop bits that are wrong are not reported: most ports hand the character over all the same.
"""

from math import ceil

from meterlink.driver import LineSettings


def character_seconds(line: LineSettings) -> float:
    """How long one character takes on the line."""
    return (1 + line.bytesize + (line.parity != "N") + line.stopbits) / line.baud


def received(data: bytes, sent: LineSettings, heard: LineSettings) -> bytes:
    """What a port with the settings `heard` makes of bytes sent back to back with the settings `sent`."""
    levels = [level for byte in data for level in _levels(byte, sent)]
    found = bytearray()
    place = 0
    while (edge := _falling_edge(levels, place)) is not None:

        def sample(bit: int, edge: int = edge) -> int:
            middle = int(edge + (bit + 0.5) * sent.baud / heard.baud)
            return levels[middle] if middle < len(levels) else 1

        found.append(sum(sample(1 + bit) << bit for bit in range(heard.bytesize)))
        stop = 1 + heard.bytesize + (heard.parity != "N")
        place = ceil(edge + (stop + 0.5) * sent.baud / heard.baud)
        while place < len(levels) and not sample(stop) and not levels[place]:
            place += 1  # a stop bit that was low: no edge before the line is high again
    return bytes(found)


def _levels(byte: int, line: LineSettings) -> list[int]:
    """The line's level in each bit of a character: start bit, data from the lowest bit on, parity, stop bits."""
    data = [byte >> bit & 1 for bit in range(line.bytesize)]
    parity = {"N": [], "E": [sum(data) % 2], "O": [1 - sum(data) % 2], "M": [1], "S": [0]}[line.parity]
    return [0, *data, *parity, *[1] * ceil(line.stopbits)]


def _falling_edge(levels: list[int], place: int) -> int | None:
    """The next low level at or behind a place; the line before it is taken to be high."""
    return next((at for at in range(place, len(levels)) if not levels[at]), None)
