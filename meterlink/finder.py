"""Finds out what a meter speaks: listens first, asks only where all is silent. The shell around `meterlink.identify`.

A port at a wrong speed still receives something while a meter talks. So when nothing at all comes at the first speed,
the others are not waited for: the handshake lines, which feed many an isolated cable, are tried the other way round,
and then the meter is asked.
"""

from collections.abc import Sequence
from contextlib import suppress

from meterlink.address import identity_of
from meterlink.driver import Clock, Format, GattPlace, LineSettings, MeterUrl, Transport
from meterlink.errors import LinkError, MeterlinkError, UsageError
from meterlink.found import Finding, Step, fitting_profiles
from meterlink.identify import Heard, Hearing, Listener, separated_by_speed, with_look_alikes
from meterlink.post import Post, Say
from meterlink.probes import ask
from meterlink.profiles import all_profiles
from meterlink.reading import NS_PER_S
from meterlink.registry import format_names, load_format

LISTEN_S = 2.5
"""About as long as the slowest meters need for two updates."""
_SPEEDS = (2400, 19200, 9600, 1200, 600)
_MORE_SPEEDS = (4800, 38400, 115200)
"""Tried only where something is heard and none of the usual speeds explains it."""
_LEVELS = ((True, False), (False, True), (True, True))
"""DTR and RTS: the usual combination first."""
_FED_OTHERWISE_S = 1.5
"""How long a meter that was silent may stay so when its cable is fed otherwise; two updates of most meters."""
_BASE_UUID = "-0000-1000-8000-00805f9b34fb"


def loadable_formats() -> dict[str, Format]:
    """Load every format that can be loaded."""
    formats = {}
    for name in format_names():
        with suppress(MeterlinkError):  # a broken one harms none but itself; `steadypoint formats` names it
            formats[name] = load_format(name)
    return formats


async def identify(
    url: MeterUrl, transport: Transport, clock: Clock, say: Say, *, listen_s: float = LISTEN_S
) -> Finding:
    """Find out what the meter at an address speaks.

    Args:
        url: the address; it may carry options of the transport, which then stand and are not searched for.
        transport: reaches it.
        clock: stamps what comes.
        say: told what is being tried, for people who wait.
        listen_s: how long to listen at each setting, in seconds.

    Raises:
        LinkError: the meter cannot be reached, or the link broke.
        UsageError: an option is none of the transport's.
    """
    if unknown := [name for name in url.options if name not in transport.options]:
        known = ", ".join(sorted(transport.options)) or "none"
        raise UsageError(f"{url.scheme}: option {unknown[0]!r} is not for identifying; known: {known}")
    began_ns = clock().monotonic_ns
    identity = await identity_of(url, transport)
    search = _Search(Post(url, transport, loadable_formats(), clock, say), listen_s)
    await search.run()
    formats = search.post.formats
    return Finding(
        address=f"{url.scheme}:{url.address}",
        identity=identity,
        formats=tuple(search.found),
        profiles=fitting_profiles(all_profiles().profiles, search.found, search.line, formats),
        steps=tuple(search.post.steps),
        excluded=tuple(search.excluded),
        line=search.line,
        seconds=(clock().monotonic_ns - began_ns) / NS_PER_S,
    )


class _Search:
    """One search; its attributes are what came out."""

    def __init__(self, post: Post, listen_s: float) -> None:
        self.post = post
        self.found: Sequence[Heard] = ()
        self.excluded: list[str] = []
        self.line: LineSettings | None = None
        self._listen_s = listen_s

    async def run(self) -> None:
        """Search until something stands or all was tried."""
        if "notify" in self.post.transport.options:
            await self._listen_by_place()
            return  # what is asked over Bluetooth LE depends on the place, and no known format is polled there
        if self.post.has_line:
            await self._listen_by_speed()
        else:
            self._accept(await self.post.listen(LineSettings(), "listening", self._listen_s))
        if any(step.hearing.received for step in self.post.steps):
            return
        if answer := await ask(self.post):
            self.found, line = answer
            self.line = line if self.post.has_line else None

    def _accept(self, hearing: Hearing, line: LineSettings | None = None) -> bool:
        if not hearing.accepted:
            return False
        self.found = with_look_alikes(hearing, self.post.formats)
        self.line = line
        names = {each.format for each in self.found}
        for each in hearing.heard:
            if each.accepted and each.format not in names:
                self.excluded.append(f"{each.format}: it would read these bytes as plain text, but they are more")
            elif each.format not in names:
                self.excluded.append(f"{each.format}: it fits {each.frames} of the frames, but never three in a row")
        return True

    async def _listen_by_speed(self) -> None:
        options = self.post.url.options
        speeds = (int(options["baud"]),) if options.get("baud", "").isdigit() else _SPEEDS
        levels = _LEVELS[:1] if "dtr" in options or "rts" in options else _LEVELS
        for dtr, rts in levels:
            hearing = await self._listen_at(_line(speeds[0], dtr=dtr, rts=rts))
            if hearing.received:
                await self._try_speeds(speeds, hearing, dtr=dtr, rts=rts)
                return

    async def _try_speeds(self, speeds: Sequence[int], first: Hearing, *, dtr: bool, rts: bool) -> None:
        more = _MORE_SPEEDS if len(speeds) > 1 else ()
        for baud in (*speeds, *more):
            line = _line(baud, dtr=dtr, rts=rts)
            hearing = first if baud == speeds[0] else await self._listen_at(line)
            if self._accept(hearing, line):
                await self._separate(line)
                return

    async def _listen_at(self, line: LineSettings) -> Hearing:
        usual = _line(line.baud, dtr=_LEVELS[0][0], rts=_LEVELS[0][1])
        words = "" if line == usual else f", DTR {_level(line.dtr)} and RTS {_level(line.rts)}"
        silent_s = self._listen_s if line == usual else _FED_OTHERWISE_S
        return await self.post.listen(line, f"listening at {line.baud} bit/s{words}", self._listen_s, silent_s=silent_s)

    async def _separate(self, line: LineSettings) -> None:
        """Let the speed decide between formats of the same bytes, once it is sure that the speed counts here."""
        formats = self.post.formats
        staying, gone = separated_by_speed(self.found, formats, line.baud)
        if not gone:
            return
        leaving = next(each.format for each in self.found if each not in staying)
        other = _line(formats[leaving].line.baud, dtr=line.dtr, rts=line.rts)
        check = await self._listen_at(other)
        if {each.format for each in check.heard} & {each.format for each in self.found}:
            self.line = None  # the same bytes at both speeds: here the speed has no effect
            return
        self.found = staying
        self.excluded += gone

    async def _listen_by_place(self) -> None:
        if "notify" in self.post.url.options:
            self._accept(await self.post.listen(LineSettings(), "listening", self._listen_s))
            return
        places = {wire.line.gatt for wire in self.post.formats.values() if wire.line.gatt}
        standard: list[Heard] = []
        lost: LinkError | None = None
        for place in sorted(places, key=lambda place: (_is_standard(place), place.service, place.notify)):
            try:
                hearing = await self._listen_at_place(place)
            except LinkError as error:
                if error.passing:
                    raise  # the meter itself is not there
                lost = error
                continue
            if not _is_standard(place) and self._accept(hearing):
                return  # a maker's own place carries all that the display shows
            standard += hearing.accepted
        if lost and all(step.trouble for step in self.post.steps):
            raise lost
        self.found = [each for each in standard if each.function != "battery"] or standard

    async def _listen_at_place(self, place: GattPlace) -> Hearing:
        setting = f"listening to characteristic {_short(place.notify)}"
        candidates = self._candidates(place)
        try:
            return await self.post.listen(LineSettings(gatt=place), setting, self._listen_s, candidates=candidates)
        except LinkError as error:
            self.post.steps.append(Step(setting, Listener(()).hearing, str(error).partition(";")[0]))
            raise

    def _candidates(self, place: GattPlace) -> list[Format]:
        """Return who may speak at a place.

        A characteristic of the Bluetooth SIG speaks for the formats that are defined by it; at a maker's own place only
        the bytes can tell.
        """
        if _is_standard(place):
            return [wire for wire in self.post.formats.values() if wire.line.gatt == place]
        return self.post.by_bytes


def _line(baud: int, *, dtr: bool, rts: bool) -> LineSettings:
    return LineSettings(baud=baud, dtr=dtr, rts=rts)


def _level(high: bool) -> str:
    return "high" if high else "low"


def _is_standard(place: GattPlace) -> bool:
    """Whether the Bluetooth SIG has given the characteristic its meaning: those numbers begin with 2A, 2B or 2C."""
    return place.notify.endswith(_BASE_UUID) and place.notify[4:6] in ("2a", "2b", "2c")


def _short(uuid: str) -> str:
    return uuid[4:8].upper() if uuid.endswith(_BASE_UUID) else uuid
