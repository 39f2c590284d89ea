"""The wire formats, for people and as JSON. Pure."""

from meterlink.driver import Format, LineSettings
from meterlink.outcome import Json

_EXPERIMENTAL = "experimental"


def experimental_notice(wire: Format) -> str | None:
    """Return the warning that a check or a live view begins with; None for a format whose tables are sourced."""
    if not wire.experimental:
        return None
    return (
        f"format {wire.name} is experimental: its tables are from memory, not from a source; "
        "hold readings of each function against the display before you rely on them"
    )


def format_json(wire: Format) -> Json:
    """Give a format's fields for JSON."""
    line, place = wire.line, wire.line.gatt
    return {
        "format": wire.name,
        "summary": wire.summary,
        "confidence": wire.confidence.value,
        "experimental": wire.experimental,
        "polled": wire.polled,
        "line": {
            "baud": line.baud,
            "bytesize": line.bytesize,
            "parity": line.parity,
            "stopbits": line.stopbits,
            "dtr": line.dtr,
            "rts": line.rts,
        },
        "gatt": place and {"service": place.service, "notify": place.notify, "write": place.write},
        "look_alikes": list(wire.look_alikes),
        "options": dict(wire.options),
        "source": wire.source,
    }


def format_lines(wire: Format) -> list[str]:
    """Describe a format, a line each."""
    sure = f"{wire.confidence.value}, {_EXPERIMENTAL}" if wire.experimental else wire.confidence.value
    traffic = "asked" if wire.polled else "streams"
    lines = [f"{wire.name}: {wire.summary}", f"    {line_words(wire.line)}; {traffic}; confidence {sure}"]
    if wire.look_alikes:
        lines.append(f"    same bytes as {', '.join(wire.look_alikes)}: say which it is")
    return lines + [f"    {name}: {help_text}" for name, help_text in wire.options.items()]


def line_words(line: LineSettings) -> str:
    """Write line settings as a meter's manual does: 2400 7O1, DTR high, RTS low."""
    where = f"{line.baud} {line.bytesize}{line.parity}{line.stopbits:g}"
    levels = f"DTR {'high' if line.dtr else 'low'}, RTS {'high' if line.rts else 'low'}"
    place = f" (Bluetooth LE characteristic {line.gatt.notify})" if line.gatt else ""
    return f"{where}, {levels}{place}"
