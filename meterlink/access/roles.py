"""The roles, and what each may do on the pages.

What changes something is named here path by path; a path that is not named can be changed by nobody. Everything may be
read by whoever is logged in, except what is named here too.
"""

from enum import StrEnum


class Role(StrEnum):
    """What somebody is here for."""

    TECHNICIAN = "technician"
    OFFICE = "office"
    AUDITOR = "auditor"
    """Reads, and changes nothing."""


_TECHNICIAN = frozenset({Role.TECHNICIAN})
_OFFICE = frozenset({Role.OFFICE})

_CHANGES = {
    "/answer": _TECHNICIAN,
    "/start": _TECHNICIAN,
    "/again": _TECHNICIAN,
    "/stop": _TECHNICIAN,
    "/note": _TECHNICIAN,
    "/photo": _TECHNICIAN,
    "/jumper": _TECHNICIAN,
    "/office": _OFFICE,
}
"""Who may change something at a path, and at what lies below it."""

_READS = {"/office": frozenset({Role.OFFICE, Role.AUDITOR})}
"""Who may read at a path, and at what lies below it, where not everybody may."""


def may_change(role: Role, path: str) -> bool:
    """Whether a role may send something there."""
    return role in _of(_CHANGES, path, frozenset())


def may_read(role: Role, path: str) -> bool:
    """Whether a role may get what is there."""
    return role in _of(_READS, path, frozenset(Role))


def _of(rules: dict[str, frozenset[Role]], path: str, otherwise: frozenset[Role]) -> frozenset[Role]:
    """The rule of the longest path that covers this one."""
    covering = [rule for rule in rules if path == rule or path.startswith(f"{rule}/")]
    return rules[max(covering, key=len)] if covering else otherwise
