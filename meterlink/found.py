"""What was found out about a meter, and what follows from it. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from meterlink.driver import Format, LineSettings
from meterlink.identify import Heard, Hearing, Parity, same_speed
from meterlink.profile import Profile


@dataclass(frozen=True, slots=True)
class Step:
    """One setting at which the meter was listened to or asked."""

    setting: str
    hearing: Hearing
    trouble: str = ""
    """Why it could not be tried; empty where it was."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found out about a meter."""

    address: str
    """The METER address without options."""
    identity: str
    formats: tuple[Heard, ...]
    """The formats that explain what was heard: none, one, or several that nothing heard can tell apart."""
    profiles: tuple[Profile, ...]
    """The profiles that fit them."""
    steps: tuple[Step, ...]
    excluded: tuple[str, ...]
    """What else would have explained the bytes, and why it is out."""
    line: LineSettings | None
    """The line settings at which it was heard; None where nothing was, or where the link has no line."""
    seconds: float

    @property
    def profile(self) -> Profile | None:
        """The one profile that is certain without a word from the user; None where there is none or more."""
        if len(self.formats) != 1:
            return None
        if len(self.profiles) == 1:
            (only,) = self.profiles
            return None if only.confusable_with else only
        alone = [profile for profile in self.profiles if profile.stands_alone]
        return alone[0] if len(alone) == 1 else None

    @property
    def silent(self) -> bool:
        """Whether not a single byte came."""
        return not any(step.hearing.received for step in self.steps)

    def line_options(self, profile: Profile, wire: Format) -> dict[str, str]:
        """Return what was heard of the line that differs from the profile's, as options of a METER address."""
        (heard,) = (each for each in self.formats if each.format == wire.name)
        expected = profile.line_settings(wire.line)
        options = _parity_options(heard.parity, expected, on_a_line=self.line is not None)
        if self.line is None:
            return options
        if not same_speed(self.line.baud, expected.baud):
            options["baud"] = str(self.line.baud)
        usual = LineSettings()
        if (self.line.dtr, self.line.rts) != (usual.dtr, usual.rts):  # only then did its state matter
            levels = (("dtr", self.line.dtr, expected.dtr), ("rts", self.line.rts, expected.rts))
            options |= {name: "on" if found else "off" for name, found, own in levels if found != own}
        return options


def fitting_profiles(
    profiles: Iterable[Profile], heard: Iterable[Heard], line: LineSettings | None, formats: Mapping[str, Format]
) -> tuple[Profile, ...]:
    """Return the profiles of the formats heard; of each format those of the speed heard, where it has such.

    Args:
        profiles: all there are.
        heard: the formats.
        line: at which line settings; None where they have no effect.
        formats: all formats, by name.
    """
    fitting: list[Profile] = []
    for each in heard:
        own = [profile for profile in profiles if profile.format == each.format]
        usual = formats[each.format].line
        at_speed = [profile for profile in own if line and same_speed(profile.line_settings(usual).baud, line.baud)]
        fitting += at_speed or own
    return tuple(fitting)


def _parity_options(parity: Parity, expected: LineSettings, *, on_a_line: bool) -> dict[str, str]:
    match parity:
        case Parity.ODD | Parity.EVEN if expected.parity != parity.value:
            return {"bytesize": "7", "parity": parity.value}
        case Parity.SET if expected.bytesize != 7:
            return {"bytesize": "7", "parity": "N", "stopbits": "2"}
        case Parity.NONE if on_a_line and expected.bytesize == 7:
            return {"bytesize": "8", "parity": "N"}
    return {}
