"""What was found out about a meter, in words for people and as JSON. Pure."""

from collections.abc import Iterator, Sequence

from meterlink.found import Finding, Step
from meterlink.identify import FRAMES_WANTED, Heard, Parity, what_is_wrong
from meterlink.outcome import Json
from meterlink.profile import Profile


def explanation(finding: Finding) -> list[str]:
    """Say what was heard at which setting, what it is, what it is not, and how long it took; a line each."""
    lines = [f"{step.setting}: {_step_words(step)}" for step in finding.steps]
    lines += ["", *_answer(finding)]
    lines += [f"Not {each}." for each in finding.excluded]
    lines += _what_else(finding.profiles)
    lines.append(f"It took {finding.seconds:.1f} s.")
    return lines


def short_words(finding: Finding) -> str:
    """Say in one line what a meter speaks."""
    names = [each.format for each in finding.formats]
    if finding.profile:
        return f"{finding.profile.profile}, identified now"
    if finding.profiles:
        return f"one of the profiles {', '.join(profile.profile for profile in finding.profiles)}: say which"
    return " or ".join(names) or ("nothing: it is silent" if finding.silent else "nothing that is known here")


def candidates(finding: Finding) -> list[str]:
    """List the profiles that fit, numbered from 1, for somebody who has to choose."""
    width = max((len(profile.profile) for profile in finding.profiles), default=0)
    return [
        f"{number:3}  {profile.profile:{width}}  {profile.title}"
        for number, profile in enumerate(finding.profiles, start=1)
    ]


def finding_json(finding: Finding) -> Json:
    """Give a finding's fields for JSON."""
    line = finding.line
    return {
        "meter": finding.address,
        "identity": finding.identity,
        "formats": [
            {"format": each.format, "frames": each.frames, "bytes": each.explained, "shows": each.shown}
            for each in finding.formats
        ],
        "profile": finding.profile.profile if finding.profile else None,
        "profiles": [profile.profile for profile in finding.profiles],
        "confusable_with": sorted({other for profile in finding.profiles for other in profile.confusable_with}),
        "line": line and {"baud": line.baud, "dtr": line.dtr, "rts": line.rts},
        "parity": finding.formats[0].parity.words if finding.formats else None,
        "steps": [
            {"setting": step.setting, "received": step.hearing.received, "said": _step_words(step)}
            for step in finding.steps
        ],
        "excluded": list(finding.excluded),
        "seconds": round(finding.seconds, 3),
    }


def _step_words(step: Step) -> str:
    hearing = step.hearing
    if step.trouble:
        return step.trouble
    if not hearing.received:
        return "nothing came"
    if not hearing.accepted:
        return what_is_wrong(hearing)
    return "; ".join(_heard_words(each, hearing.received) for each in hearing.accepted)


def _heard_words(heard: Heard, received: int) -> str:
    share = f"{heard.explained} of {received} bytes"
    parity = "" if heard.parity is Parity.NONE else f", parity as in {heard.parity.words}"
    return f"{heard.frames} frames of {heard.format} ({share}{parity}), the last shows {heard.shown}"


def _answer(finding: Finding) -> Iterator[str]:
    names = [each.format for each in finding.formats]
    if finding.profile:
        evidence = (
            "it answered with its identity twice"
            if finding.formats[0].function == "identity"
            else f"at least {FRAMES_WANTED} frames in a row agree"
        )
        yield f"This is {names[0]}, profile {finding.profile.profile} ({finding.profile.title}): {evidence}."
    elif len(names) == 1 and not finding.profiles:
        yield f"This is {names[0]}. No profile is there for it: say {finding.address}?format={names[0]}"
    elif names:
        what = names[0] if len(names) == 1 else f"one of {', '.join(names)}"
        yield f"This is {what}. The bytes cannot tell which of these profiles it is:"
        yield from candidates(finding)
    elif finding.silent:
        yield "Nothing came at all: is the meter on, is its serial output or Bluetooth switched on, does the cable sit?"
        if len(finding.steps) > 1 and "DTR" in finding.steps[1].setting:
            yield "An isolated cable is fed from DTR and RTS: all ways were tried, so see to its head on the meter."
    else:
        yield "Bytes came, but no format that is known here explains them."


def _what_else(profiles: Sequence[Profile]) -> list[str]:
    others = sorted({other for profile in profiles for other in profile.confusable_with})
    return [f"It could also be {other}: hold the first readings against the display." for other in others]
